package api

import (
	"bytes"
	"compress/zlib"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"io/fs"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// What the tests of photos share: picture files, written by the standards that are named,
// and a server whose bucket and database they look into.

// grained draws a picture that does not pack well, always the same. Its corners tell how it
// lies: red, green, blue and white, from the top left on clockwise.
func grained(width, height int) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, width, height))
	random := rand.New(rand.NewPCG(1, 2))
	for y := range height {
		for x := range width {
			c := color.NRGBA{uint8(90 + random.IntN(80)), uint8(90 + random.IntN(80)), uint8(60 + random.IntN(80)), 255}
			left, right, top, low := x < width/4, x >= width-width/4, y < height/4, y >= height-height/4
			switch {
			case left && top:
				c = color.NRGBA{220, 0, 0, 255}
			case right && top:
				c = color.NRGBA{0, 200, 0, 255}
			case right && low:
				c = color.NRGBA{0, 0, 220, 255}
			case left && low:
				c = color.NRGBA{255, 255, 255, 255}
			}
			img.SetNRGBA(x, y, c)
		}
	}
	return img
}

// samplePhoto reads a picture that another program wrote. See testdata/photos/README.md.
func samplePhoto(t testing.TB, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../testdata/photos", name))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// segmentOf is a segment of a JPEG file (ITU-T T.81, B.1.1.4).
func segmentOf(marker byte, parts ...[]byte) []byte {
	body := bytes.Join(parts, nil)
	return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(body)+2)), body...)
}

// withSegments puts segments in front of all others of a JPEG file.
func withSegments(file []byte, segments ...[]byte) []byte {
	return slices.Concat(file[:2], bytes.Join(segments, nil), file[2:])
}

// Segments with metadata (CIPA DC-008, 4.7.2; ISO 16684-3).
func exifSegment(exif []byte) []byte { return segmentOf(0xe1, []byte("Exif\x00\x00"), exif) }
func xmpSegment(xmp string) []byte {
	return segmentOf(0xe1, []byte("http://ns.adobe.com/xap/1.0/\x00"), []byte(xmp))
}

// paddedPhoto is a JPEG file of few pixels and any size: comments (ITU-T T.81, B.2.4.5) stand
// in front of the rest.
func paddedPhoto(t testing.TB, of []byte, size int) []byte {
	t.Helper()
	out := bytes.Clone(of[:2])
	for left := size - len(of); left > 0; {
		n := min(left, 2+0xffff)
		if rest := left - n; rest > 0 && rest < 4 {
			n -= 4 // a segment has 4 bytes at least
		}
		if n < 4 {
			t.Fatalf("%d bytes cannot be padded to %d", len(of), size)
		}
		comment := segmentOf(0xfe, make([]byte, n-4))
		out = append(out, comment...)
		left -= len(comment)
	}
	return append(out, of[2:]...)
}

// chunkOf is a chunk of a PNG file (W3C PNG, 5.3).
func chunkOf(name string, body []byte) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	out = append(append(out, name...), body...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

// firstBehind is where the first chunk of a PNG file ends: the signature has 8 bytes, IHDR 25.
const firstBehind = 8 + 25

// withChunks puts chunks behind the first of a PNG file.
func withChunks(file []byte, chunks ...[]byte) []byte {
	return slices.Concat(file[:firstBehind], bytes.Join(chunks, nil), file[firstBehind:])
}

// sizedPNG says of a PNG file that it has another size (W3C PNG, 11.2.1).
func sizedPNG(file []byte, width, height uint32) []byte {
	head := bytes.Clone(file[16:29])
	binary.BigEndian.PutUint32(head, width)
	binary.BigEndian.PutUint32(head[4:], height)
	return slices.Concat(file[:8], chunkOf("IHDR", head), file[firstBehind:])
}

// sizedJPEG says of a JPEG file that it has another size: in the header of its frame (ITU-T
// T.81, B.2.2), the first marker of its kind.
func sizedJPEG(t testing.TB, file []byte, width, height uint16) []byte {
	t.Helper()
	at := max(bytes.Index(file, []byte{0xff, 0xc0, 0}), bytes.Index(file, []byte{0xff, 0xc2, 0}))
	if at < 0 {
		t.Fatal("no header of a frame")
	}
	out := bytes.Clone(file)
	binary.BigEndian.PutUint16(out[at+5:], height)
	binary.BigEndian.PutUint16(out[at+7:], width)
	return out
}

// canvasWebP puts a canvas of a size around a simple WebP file, and promises transparency
// (RFC 9649, 2.7): else decoders find out at once that the picture has another size.
func canvasWebP(file []byte, width, height uint32) []byte {
	body := []byte{1 << 4, 0, 0, 0}
	for _, side := range []uint32{width - 1, height - 1} {
		body = append(body, byte(side), byte(side>>8), byte(side>>16))
	}
	out := slices.Concat([]byte("WEBPVP8X\x0a\x00\x00\x00"), body, file[12:])
	return slices.Concat([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(len(out))), out)
}

func deflated(t testing.TB, text []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	w := zlib.NewWriter(&out)
	if _, err := w.Write(text); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// exifTag is an entry of a directory (TIFF 6.0, section 2).
type exifTag struct {
	tag, kind uint16
	count     uint32
	value     []byte
}

// exifFile is what a camera writes: both directories of the main picture and of the preview,
// and those of the camera and of the position.
type exifFile struct {
	order                      binary.AppendByteOrder
	first, camera, gps, second []exifTag
	preview                    []byte
}

func (f *exifFile) short(tag, v uint16) exifTag {
	return exifTag{tag, 3, 1, f.order.AppendUint16(nil, v)}
}

func (f *exifFile) long(tag uint16, v int) exifTag {
	return exifTag{tag, 4, 1, f.order.AppendUint32(nil, uint32(v))}
}

func exifText(tag uint16, text string) exifTag {
	return exifTag{tag, 2, uint32(len(text) + 1), append([]byte(text), 0)}
}

func (f *exifFile) rationals(tag uint16, of ...uint32) exifTag {
	e := exifTag{tag, 5, uint32(len(of) / 2), nil}
	for _, n := range of {
		e.value = f.order.AppendUint32(e.value, n)
	}
	return e
}

// bytes writes the directories one behind the other, the values of each behind it.
func (f *exifFile) bytes() []byte {
	room := func(tags []exifTag) int {
		n := 0
		for _, e := range tags {
			n += 12
			if len(e.value) > 4 {
				n += len(e.value) + len(e.value)&1
			}
		}
		return n + 6
	}
	first, second := slices.Clone(f.first), slices.Clone(f.second)
	at := 8 + room(first)
	for _, one := range [][]exifTag{f.camera, f.gps} {
		if one != nil {
			at += 12
		}
	}
	firstEnd := at
	if f.camera != nil {
		first = append(first, f.long(0x8769, at))
		at += room(f.camera)
	}
	if f.gps != nil {
		first = append(first, f.long(0x8825, at))
		at += room(f.gps)
	}
	next := 0
	if f.preview != nil {
		next = at
		at += room(second) + 24
		second = append(second, f.long(0x0201, at), f.long(0x0202, len(f.preview)))
	}
	out := []byte("II*\x00")
	if f.order.AppendUint16(nil, 1)[1] == 1 {
		out = []byte("MM\x00*")
	}
	out = f.order.AppendUint32(out, 8)
	write := func(tags []exifTag, next int) {
		behind := len(out) + 6 + 12*len(tags)
		var values []byte
		out = f.order.AppendUint16(out, uint16(len(tags)))
		for _, e := range tags {
			out = f.order.AppendUint16(f.order.AppendUint16(out, e.tag), e.kind)
			out = f.order.AppendUint32(out, e.count)
			if len(e.value) > 4 {
				out = f.order.AppendUint32(out, uint32(behind+len(values)))
				values = append(values, e.value...)
				values = append(values, make([]byte, len(e.value)&1)...)
			} else {
				out = append(append(out, e.value...), make([]byte, 4-len(e.value))...)
			}
		}
		out = append(f.order.AppendUint32(out, uint32(next)), values...)
	}
	write(first, next)
	if len(out) != firstEnd {
		panic(fmt.Sprintf("the first directory ends at %d, not %d", len(out), firstEnd))
	}
	for _, one := range [][]exifTag{f.camera, f.gps} {
		if one != nil {
			write(one, 0)
		}
	}
	if f.preview != nil {
		write(second, 0)
		out = append(out, f.preview...)
	}
	return out
}

// album is a server with a plant, whose bucket and database are looked into.
type album struct {
	*doors
	collection, plant string
	bucket            string // its folder
	raw               *sql.DB
}

// openAlbum serves a database with one plant.
func openAlbum(t *testing.T, engine store.Engine, config service.Config) *album {
	t.Helper()
	a := &album{bucket: t.TempDir()}
	blobs, err := store.OpenBlobs(t.Context(), a.bucket)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := blobs.Close(); err != nil {
			t.Error(err)
		}
	})
	config.Blobs = blobs
	url := storetest.URL(t, engine)
	a.doors, a.raw = openStore(t, storetest.Open(t, url), config), openRaw(t, engine, url)
	a.collection, a.plant = a.addPlant(t, "Windowsill", "D1")
	return a
}

// addPlant adds a collection with a plant.
func (d *doors) addPlant(t testing.TB, collection, tag string) (inside, plant string) {
	t.Helper()
	c, err := pb.NewCollectionServiceClient(d.conn).CreateCollection(t.Context(), &pb.CreateCollectionRequest{
		Collection: &pb.Collection{DisplayName: collection, TimeZone: "Europe/Berlin"}})
	if err != nil {
		t.Fatal(err)
	}
	return c.GetName(), d.addPlantTo(t, c.GetName(), tag)
}

func (d *doors) addPlantTo(t testing.TB, collection, tag string) string {
	t.Helper()
	p, err := pb.NewPlantServiceClient(d.conn).CreatePlant(t.Context(), &pb.CreatePlantRequest{
		Parent: collection, Plant: &pb.Plant{Tag: tag, Taxon: "taxa/drosera-spatulata"}})
	if err != nil {
		t.Fatal(err)
	}
	return p.GetName()
}

// filesIn are the files of a bucket that is a folder, without its lock and the id of its
// database.
func filesIn(t testing.TB, bucket string) []string {
	t.Helper()
	var names []string
	err := filepath.WalkDir(bucket, func(path string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() && e.Name() != ".lock" && e.Name() != "database" {
			names = append(names, strings.TrimPrefix(path, bucket+string(filepath.Separator)))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// checkNothing tells of what is left of photos: rows, jobs, files.
func (a *album) checkNothing(t *testing.T, what string) {
	t.Helper()
	for _, table := range []string{"photos", "river_job"} {
		if rows := allRows(t, a.raw, "SELECT * FROM "+table); len(rows) > 0 {
			t.Errorf("%s: rows of %s: %v", what, table, rows)
		}
	}
	if files := filesIn(t, a.bucket); len(files) > 0 {
		t.Errorf("%s: files in the bucket: %v", what, files)
	}
}

// refusals sends a file by both doors and returns why each refused it.
func (a *album) refusals(t *testing.T, contentType string, data []byte) (byHTTP, byGRPC refusedPhoto) {
	t.Helper()
	answer := a.sendRaw(t, http.MethodPost, "/v1/"+a.plant+"/photos:upload", [][2]string{{"Content-Type", contentType}}, data)
	if answer.status != http.StatusOK {
		e := errorOf(t, answer.body)
		byHTTP = refusedPhoto{answer.status, errorReason(e), fmt.Sprint(e["message"])}
	}
	_, err := a.upload(context.WithoutCancel(t.Context()), &pb.CreatePhotoRequest{Parent: a.plant}, data, 1<<16)
	return byHTTP, photoRefusal(err)
}

// refusedPhoto is an error as a door tells it: with its status or code.
type refusedPhoto struct {
	status          int
	reason, message string
}

// photoRefusal is what a gRPC client is told; empty if that is no error.
func photoRefusal(err error) refusedPhoto {
	if err == nil {
		return refusedPhoto{}
	}
	s := status.Convert(err)
	return refusedPhoto{int(s.Code()), string(reasonOf(s)), s.Message()}
}

// await waits until a condition is met that another process brings about.
func await(t testing.TB, what string, met func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.After(3 * time.Minute)
	for !met() {
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("in vain: %s", what)
		}
	}
}

// checkWhole gets the original of a photo and looks whether it is what it should be.
func (d *doors) checkWhole(t *testing.T, m *pb.Photo) {
	t.Helper()
	answer, file := d.content(t, m.GetName(), "rendition=ORIGINAL")
	if sum := sha256.Sum256(file); answer.StatusCode != http.StatusOK || hex.EncodeToString(sum[:]) != m.GetSha256() {
		t.Errorf("%s: status %d, %d of %d bytes", m.GetName(), answer.StatusCode, len(file), m.GetSizeBytes())
	}
}
