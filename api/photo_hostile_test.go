package api

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// hostilePhoto is a file that is refused, and what the message says.
type hostilePhoto struct {
	name string
	data []byte
	want string
}

// hostilePhotos are files of which each says something of itself that is not so, or is more
// than is taken. None is large.
func hostilePhotos(t testing.TB) []hostilePhoto {
	t.Helper()
	plain := jpegOf(t, grained(240, 180))
	progressive, lossy := samplePhoto(t, "progressive.jpg"), samplePhoto(t, "lossy.webp")
	picture := pngOf(t, grained(100, 80))
	out := []hostilePhoto{
		{"nothing", nil, "the file is empty"},
		{"one byte", []byte{0xff}, "ends before the picture does"},
		{"two bytes", []byte{0xff, 0xd8}, "ends before the picture does"},
		{"a script", []byte("#!/bin/sh\nrm -rf ~\n"), "no picture"},
		{"a page", []byte("<!DOCTYPE html><script>alert(1)</script>"), "no picture"},
		{"a drawing", []byte(`<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`), "an SVG or other XML"},
		{"XML", []byte("\ufeff<?xml version=\"1.0\"?><!DOCTYPE a [<!ENTITY b SYSTEM \"file:///etc/passwd\">]><svg/>"), "an SVG or other XML"},
		{"a GIF", []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"), "a GIF"},
		{"a GIF that goes on as a script", []byte("GIF89a=1;alert(1)//"), "a GIF"},
		{"a program", []byte("\x7fELF\x02\x01\x01"), "no picture"},
		{"zeros", make([]byte, 100_000), "no picture"},
		{"RIFF of a sound", []byte("RIFF\x24\x00\x00\x00WAVEfmt "), "a sound or a film"},

		{"a JPEG of 65,000 x 65,000", sizedJPEG(t, plain, 65_000, 65_000), "65000 x 65000 pixels: a side may have 30000 at most"},
		{"a progressive JPEG of 65,000 x 65,000", sizedJPEG(t, progressive, 65_000, 65_000), "65000 x 65000 pixels: a side may have 30000 at most"},
		{"a PNG of 65,000 x 65,000", sizedPNG(picture, 65_000, 65_000), "65000 x 65000 pixels: a side may have 30000 at most"},
		{"a WebP of 65,000 x 65,000", canvasWebP(lossy, 65_000, 65_000), "65000 x 65000 pixels: a side may have 30000 at most"},
		{"a PNG of 2^31-1 x 2^31-1", sizedPNG(picture, 1<<31-1, 1<<31-1), "2147483647 x 2147483647 pixels: a side may have 30000 at most"},
		{"a PNG of 2^32-1 x 1", sizedPNG(picture, 1<<32-1, 1), "a side may have 30000 at most"},
		{"a strip of 1 x 30,001", sizedPNG(picture, 1, 30_001), "a side may have 30000 at most"},
		{"a JPEG of 51 megapixels", sizedJPEG(t, plain, 8500, 6000), "it may have 50 megapixels at most"},
		{"a PNG of 51 megapixels", sizedPNG(picture, 8500, 6000), "it may have 50 megapixels at most"},
		{"a WebP of 51 megapixels", canvasWebP(lossy, 8500, 6000), "it may have 50 megapixels at most"},

		{"a JPEG of 0 x 180", sizedJPEG(t, plain, 0, 180), "it has no size"},
		{"a JPEG of 240 x 0", sizedJPEG(t, plain, 240, 0), "it has no size"}, // DNL (ITU-T T.81, B.2.5) would tell it
		{"a PNG of 0 x 80", sizedPNG(picture, 0, 80), "PNG"},
		{"a PNG of 100 x 0", sizedPNG(picture, 100, 0), "PNG"},

		{"a JPEG with more pixels than it has", sizedJPEG(t, plain, 2400, 1800), "JPEG"},
		{"a PNG with more lines than it has", sizedPNG(picture, 100, 81), "PNG"},
		{"a PNG with fewer lines than it has", sizedPNG(picture, 100, 79), "PNG"},
		{"a PNG of another width", sizedPNG(picture, 99, 80), "PNG"},
		{"a WebP in a larger canvas", canvasWebP(lossy, 1000, 1000), "WebP"},
		{"a WebP in a smaller canvas", canvasWebP(lossy, 10, 10), "WebP"},
		{"a WebP that is longer than it is", func() []byte {
			file := bytes.Clone(lossy)
			binary.LittleEndian.PutUint32(file[4:], 1<<31)
			return file
		}(), "ends before the picture does"},
		{"a WebP whose chunk is longer than it is", func() []byte {
			file := bytes.Clone(lossy)
			binary.LittleEndian.PutUint32(file[16:], 1<<30)
			return file
		}(), "WebP"},
		{"a PNG whose chunk is longer than it is", withChunks(picture, append([]byte{0x7f, 0xff, 0xff, 0xff}, "IDAT"...)), ""},
		{"a PNG whose data go on for 64 MiB", slicePNG(picture, deflated(t, make([]byte, 64<<20))), "PNG"},
		{"a PNG with a wrong checksum", func() []byte {
			file := bytes.Clone(picture)
			file[len(file)/2] ^= 1
			return file
		}(), "PNG"},
		{"a JPEG with a segment of length 1", withSegments(plain, []byte{0xff, 0xe0, 0, 1}), "JPEG"},
		{"a JPEG of 300 scans more", manyScans(t, progressive), "too many scans"},
		{"two files in one", slicePNG(picture, nil), "PNG"},
	}
	for _, whole := range []struct {
		name string
		data []byte
	}{{"a JPEG", plain}, {"a progressive JPEG", progressive}, {"a PNG", picture}, {"a WebP", lossy}} {
		if len(whole.data) < 10<<10 {
			t.Fatalf("%s has only %d bytes", whole.name, len(whole.data))
		}
		for n := 1 << 10; n < len(whole.data); n += 1 << 10 {
			out = append(out, hostilePhoto{fmt.Sprintf("%s cut off after %d KiB of %d", whole.name, n>>10, len(whole.data)>>10), whole.data[:n], ""})
		}
		out = append(out, hostilePhoto{whole.name + " without its last byte but 12", whole.data[:len(whole.data)-13], ""})
	}
	return out
}

// slicePNG is a PNG file with other data of its pixels.
func slicePNG(file, data []byte) []byte {
	return slicesOf(file[:firstBehind], chunkOf("IDAT", data), chunkOf("IEND", nil))
}

func slicesOf(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

// manyScans repeats a scan of a progressive JPEG file that makes the mean of each block more
// exact (ITU-T T.81, G.1.1.1.1: of coefficient 0 alone, not the first of it): it may be there
// again.
func manyScans(t testing.TB, file []byte) []byte {
	t.Helper()
	for at := 0; ; at++ {
		next := bytes.Index(file[at:], []byte{0xff, 0xda})
		if next < 0 {
			t.Fatal("no such scan")
		}
		at += next
		behind := at + 2 + int(binary.BigEndian.Uint16(file[at+2:]))
		if first, last, exact := file[behind-3], file[behind-2], file[behind-1]; first != 0 || last != 0 || exact>>4 == 0 {
			continue
		}
		end := behind
		for file[end] != 0xff || file[end+1] == 0 {
			end++
		}
		return slicesOf(file[:end], bytes.Repeat(file[at:end], 300), file[end:])
	}
}

// checkTemporary tells of files that came and were not let go of.
func checkTemporary(t *testing.T, folder string) {
	t.Helper()
	if left, err := filepath.Glob(filepath.Join(folder, "dewbench-*")); err != nil || len(left) > 0 {
		t.Errorf("temporary files: %v, %v", left, err)
	}
}

// TestHostilePhotos sends files that are no pictures, or not what they say: each is refused
// with words that say what is wrong, whatever Content-Type says, and nothing is kept.
func TestHostilePhotos(t *testing.T) {
	files := hostilePhotos(t)
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	for _, engine := range []store.Engine{store.SQLite, store.Postgres} {
		t.Run(string(engine), func(t *testing.T) {
			a := openAlbum(t, engine, service.Config{})
			for i, f := range files {
				byHTTP, byGRPC := a.refusals(t, []string{"image/jpeg", "", "application/octet-stream", "text/plain"}[i%4], f.data)
				for _, r := range []refusedPhoto{byHTTP, byGRPC} {
					if r.reason != string(service.InvalidPhoto) || !strings.Contains(r.message, f.want) {
						t.Errorf("%s: %v, want %q", f.name, r, f.want)
					}
				}
				if byHTTP.status != http.StatusBadRequest || byGRPC.status != int(codes.InvalidArgument) || byHTTP.message != byGRPC.message {
					t.Errorf("%s: %v over HTTP, %v over gRPC", f.name, byHTTP, byGRPC)
				}
			}
			a.checkNothing(t, "hostile files")
			checkTemporary(t, temp)
			if log := a.log.String(); strings.Contains(log, `"level":"ERROR"`) || strings.Contains(log, "panic") {
				t.Errorf("the log has errors: %.2000s", log)
			}
		})
	}
}

// What a file says of itself beside its pixels never speaks against it, be it nonsense.
func TestNonsenseBesidePixels(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	plain, picture, lossy := jpegOf(t, grained(60, 40)), pngOf(t, grained(60, 40)), samplePhoto(t, "lossy.webp")
	// The directory is behind itself, and within itself.
	loop := slicesOf([]byte("MM\x00*\x00\x00\x00\x08\x00\x02"),
		[]byte{0x87, 0x69, 0, 4, 0, 0, 0, 1, 0, 0, 0, 8}, []byte{0x88, 0x25, 0, 4, 0, 0, 0, 1, 0, 0, 0, 8}, []byte{0, 0, 0, 8})
	far := slicesOf([]byte("II*\x00\xff\xff\xff\xff"))
	many := slicesOf([]byte("II*\x00\x08\x00\x00\x00\xff\xff"), bytes.Repeat([]byte{0x32, 0x01, 2, 0, 0xff, 0xff, 0xff, 0xff, 8, 0, 0, 0}, 5000))
	bomb := deflated(t, make([]byte, 64<<20))
	entities := `<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]><x>` + strings.Repeat("&b;", 1000) + "</x>"
	for name, file := range map[string][]byte{
		"EXIF that loops":              withSegments(plain, exifSegment(loop)),
		"EXIF that loops in a PNG":     withChunks(picture, chunkOf("eXIf", loop)),
		"EXIF far outside":             withSegments(plain, exifSegment(far)),
		"EXIF of 65,535 entries":       withSegments(plain, exifSegment(many)),
		"EXIF a thousand times":        withSegments(plain, bytes.Repeat(exifSegment(loop), 1000)),
		"empty segments":               withSegments(plain, bytes.Repeat(segmentOf(0xe1), 10_000)),
		"XMP with entities":            withSegments(plain, xmpSegment(entities)),
		"XMP that does not end":        withSegments(plain, xmpSegment(strings.Repeat("<x:xmpmeta>", 5000))),
		"text that inflates to 64 MiB": withChunks(picture, chunkOf("zTXt", append([]byte("Comment\x00\x00"), bomb...))),
		"a profile that does":          withChunks(picture, chunkOf("iCCP", append([]byte("sRGB\x00\x00"), bomb...))),
		"XMP that does":                withChunks(picture, chunkOf("iTXt", append([]byte("XML:com.adobe.xmp\x00\x01\x00\x00\x00"), bomb...))),
		"chunks behind a WebP":         lossy,
		"a script behind a JPEG":       append(bytes.Clone(plain), "<script>alert(1)</script>"...),
	} {
		t.Run(name, func(t *testing.T) {
			status, m, body := a.sendPhoto(t, a.plant, "", "image/jpeg", file)
			if status != http.StatusOK || m.GetCredit() != "" || m.GetTakenSource() != pb.Photo_SENT {
				t.Fatalf("status %d: %.500s", status, body)
			}
			again, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, file, 1<<16)
			if err != nil || again.GetName() != m.GetName() {
				t.Errorf("%v, %v", again, err)
			}
			// It comes out as it went in, and never as a page.
			answer, got := a.content(t, m.GetName(), "rendition=ORIGINAL")
			if !bytes.Equal(got, file) || answer.Header.Get("Content-Type") != m.GetContentType() ||
				answer.Header.Get("X-Content-Type-Options") != "nosniff" || !strings.Contains(answer.Header.Get("Content-Security-Policy"), "sandbox") {
				t.Errorf("%d bytes, %v", len(got), answer.Header)
			}
			a.makeRenditions(t, m)
			if _, small := a.content(t, m.GetName(), "rendition=SMALL"); bytes.Contains(small, []byte("script")) || bytes.Contains(small, []byte("Exif")) {
				t.Error("a rendition has more than pixels")
			}
		})
	}
}

// zeros is a body of a size.
func zeros(n int64) io.Reader { return io.LimitReader(endlessZeros{}, n) }

type endlessZeros struct{}

func (endlessZeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// TestLargePhotos sends what is as large as a file may be, and a byte larger.
func TestLargePhotos(t *testing.T) {
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	a := openAlbum(t, store.SQLite, service.Config{})
	small := jpegOf(t, grained(60, 40))
	over := paddedPhoto(t, small, service.MaxPhotoBytes+1)
	for name, r := range map[string]func() refusedPhoto{
		"with Content-Length": func() refusedPhoto { r, _ := a.refusals(t, "image/jpeg", over); return r },
		"over gRPC": func() refusedPhoto {
			_, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, over, 1<<20)
			r := photoRefusal(err)
			if r.status == int(codes.ResourceExhausted) {
				r.status = http.StatusRequestEntityTooLarge
			}
			return r
		},
		"without Content-Length": func() refusedPhoto {
			answer := a.sendChunked(t, "/v1/"+a.plant+"/photos:upload", bytes.NewReader(over))
			return refusedPhoto{answer.status, errorReason(errorOf(t, answer.body)), string(answer.body)}
		},
		"endless": func() refusedPhoto {
			answer := a.sendChunked(t, "/v1/"+a.plant+"/photos:upload", zeros(1<<40))
			return refusedPhoto{answer.status, errorReason(errorOf(t, answer.body)), string(answer.body)}
		},
		"promised only": func() refusedPhoto {
			answer := a.sendRaw(t, http.MethodPost, "/v1/"+a.plant+"/photos:upload", [][2]string{{"Expect", "100-continue"}}, over)
			return refusedPhoto{answer.status, errorReason(errorOf(t, answer.body)), string(answer.body)}
		},
	} {
		got := r()
		if got.status != http.StatusRequestEntityTooLarge || got.reason != string(requestTooLarge) || !strings.Contains(got.message, "the photo is larger than 26214400 bytes") {
			t.Errorf("%s: %.500v", name, got)
		}
	}
	a.checkNothing(t, "what is too large")
	checkTemporary(t, temp)
	whole := paddedPhoto(t, small, service.MaxPhotoBytes)
	status, m, body := a.sendPhoto(t, a.plant, "", "image/jpeg", whole)
	if status != http.StatusOK || m.GetSizeBytes() != service.MaxPhotoBytes {
		t.Fatalf("status %d: %s", status, body)
	}
	if again, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, whole, 4<<20); err != nil || again.GetName() != m.GetName() {
		t.Errorf("%v, %v", again, err)
	}
	if _, got := a.content(t, m.GetName(), "rendition=ORIGINAL"); !bytes.Equal(got, whole) {
		t.Errorf("%d bytes come back", len(got))
	}
	checkTemporary(t, temp)
}

// sendChunked sends a body without its length (RFC 9112, 7.1), for as long as the server
// takes it.
func (d *doors) sendChunked(t *testing.T, target string, body io.Reader) httpAnswer {
	t.Helper()
	conn, err := net.Dial("tcp", d.httpAddr)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := fmt.Fprintf(conn, "POST %s HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nTransfer-Encoding: chunked\r\n\r\n", target, d.token); err != nil {
		t.Fatal(err)
	}
	sent := make(chan error, 1)
	go func() {
		piece := make([]byte, 1<<16)
		for {
			n, end := io.ReadFull(body, piece)
			if n > 0 {
				if _, err := fmt.Fprintf(conn, "%x\r\n%s\r\n", n, piece[:n]); err != nil {
					sent <- err
					return
				}
			}
			if end != nil {
				_, err := io.WriteString(conn, "0\r\n\r\n")
				sent <- err
				return
			}
		}
	}()
	answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		conn.Close()
		t.Fatalf("%v (sent: %v)", err, <-sent)
	}
	defer answer.Body.Close()
	out := httpAnswer{status: answer.StatusCode, header: answer.Header}
	if out.body, err = io.ReadAll(answer.Body); err != nil {
		t.Fatal(err)
	}
	conn.Close()
	if err := <-sent; err != nil && answer.StatusCode < 400 {
		t.Fatal(err)
	}
	return out
}

// TestFullTemporaryFolder sends photos where no temporary file can be made.
func TestFullTemporaryFolder(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	t.Setenv("TMPDIR", t.TempDir()+"/gone")
	byHTTP, byGRPC := a.refusals(t, "image/jpeg", jpegOf(t, grained(60, 40)))
	if byHTTP.status != http.StatusInternalServerError || byGRPC.status != int(codes.Internal) || strings.Contains(byHTTP.message, os.TempDir()) {
		t.Errorf("%v, %v", byHTTP, byGRPC)
	}
	a.checkNothing(t, "no temporary folder")
}
