package api

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// TestConditionsOfPictures asks for a picture under conditions and for parts of it. What must
// come is in RFC 9110: sections 13 (conditions), 14 (ranges) and 9.3.2 (HEAD).
func TestConditionsOfPictures(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	whole := paddedPhoto(t, jpegOf(t, grained(700, 500)), 5<<19) // it is given out in three pieces
	status, m, body := a.sendPhoto(t, a.plant, "credit=A.+Grower", "image/jpeg", whole)
	if status != http.StatusOK {
		t.Fatalf("status %d: %s", status, body)
	}
	a.makeRenditions(t, m)
	for _, form := range []string{"ORIGINAL", "LARGE", "SMALL"} {
		t.Run(form, func(t *testing.T) {
			query := "rendition=" + form
			first, whole := a.content(t, m.GetName(), query)
			tag, modified, size := first.Header.Get("ETag"), first.Header.Get("Last-Modified"), len(whole)
			at, err := http.ParseTime(modified)
			if err != nil || first.StatusCode != http.StatusOK || tag == "" || first.Header.Get("Accept-Ranges") != "bytes" || first.Header.Get("Vary") != "Accept" ||
				first.Header.Get("Cache-Control") != "private, no-cache" || first.Header.Get("Content-Type") != "image/jpeg" || first.ContentLength != int64(size) {
				t.Fatalf("status %d, %v", first.StatusCode, first.Header)
			}
			before, after := at.Add(-time.Hour).Format(http.TimeFormat), at.Add(time.Hour).Format(http.TimeFormat)
			dated := http.StatusPartialContent
			if form != "ORIGINAL" { // it may change twice within a second, so that a date does not tell (8.8.2.2)
				dated = http.StatusOK
			}
			const ok, part, notModified, failed, outside = http.StatusOK, http.StatusPartialContent, http.StatusNotModified, http.StatusPreconditionFailed, http.StatusRequestedRangeNotSatisfiable
			for _, c := range []struct {
				header     []string
				status     int
				from, till int // of what comes
			}{
				{[]string{"If-None-Match", tag}, notModified, 0, 0},
				{[]string{"If-None-Match", `"x", ` + tag + `, "y"`}, notModified, 0, 0},
				{[]string{"If-None-Match", "W/" + tag}, notModified, 0, 0},
				{[]string{"If-None-Match", "*"}, notModified, 0, 0},
				{[]string{"If-None-Match", `"x"`}, ok, 0, size},
				{[]string{"If-None-Match", `"x"`, "If-Modified-Since", modified}, ok, 0, size}, // 13.2.2
				{[]string{"If-Modified-Since", modified}, notModified, 0, 0},
				{[]string{"If-Modified-Since", after}, notModified, 0, 0},
				{[]string{"If-Modified-Since", before}, ok, 0, size},
				{[]string{"If-Modified-Since", "yesterday"}, ok, 0, size},
				{[]string{"If-Match", tag}, ok, 0, size},
				{[]string{"If-Match", `"x", ` + tag}, ok, 0, size},
				{[]string{"If-Match", "*"}, ok, 0, size},
				{[]string{"If-Match", `"x"`}, failed, 0, 0},
				{[]string{"If-Match", "W/" + tag}, failed, 0, 0}, // it compares strongly (13.1.1)
				{[]string{"If-Unmodified-Since", before}, failed, 0, 0},
				{[]string{"If-Unmodified-Since", modified}, ok, 0, size},
				{[]string{"If-Match", tag, "If-Unmodified-Since", before}, ok, 0, size},
				{[]string{"If-Match", `"x"`, "If-None-Match", tag}, failed, 0, 0},

				{[]string{"Range", "bytes=0-0"}, part, 0, 1},
				{[]string{"Range", "bytes=1-2"}, part, 1, 3},
				{[]string{"Range", "bytes=0-"}, part, 0, size},
				{[]string{"Range", fmt.Sprintf("bytes=%d-", size-1)}, part, size - 1, size},
				{[]string{"Range", "bytes=100-99999999999"}, part, 100, size},
				{[]string{"Range", "bytes=-5"}, part, size - 5, size},
				{[]string{"Range", "bytes=-99999999999"}, part, 0, size},
				{[]string{"Range", fmt.Sprintf("bytes=%d-", size)}, outside, 0, 0},
				{[]string{"Range", "bytes=99999999999-"}, outside, 0, 0},
				{[]string{"Range", "bytes=0-0,5-9"}, ok, 0, size},
				{[]string{"Range", "bytes=" + strings.Repeat("0-0,", 5000) + "1-1"}, ok, 0, size},
				{[]string{"Range", "lines=0-5"}, ok, 0, size}, // an unknown unit (14.2)
				{[]string{"Range", "bytes"}, ok, 0, size},

				{[]string{"Range", "bytes=3-9", "If-Range", tag}, part, 3, 10},
				{[]string{"Range", "bytes=3-9", "If-Range", `"x"`}, ok, 0, size},
				{[]string{"Range", "bytes=3-9", "If-Range", "W/" + tag}, ok, 0, size}, // 13.1.5
				{[]string{"Range", "bytes=3-9", "If-Range", modified}, dated, 3, 10},
				{[]string{"Range", "bytes=3-9", "If-Range", before}, ok, 0, size},
				{[]string{"Range", "bytes=3-9", "If-Range", after}, ok, 0, size},
				{[]string{"Range", "bytes=3-9", "If-None-Match", tag}, notModified, 0, 0},
				{[]string{"Range", "bytes=3-9", "If-Match", `"x"`}, failed, 0, 0},
				{[]string{"Range", "bytes=3-9", "If-Match", tag}, part, 3, 10},
			} {
				if c.status == ok {
					c.from, c.till = 0, size
				}
				answer, got := a.content(t, m.GetName(), query, c.header...)
				name := fmt.Sprintf("%.200q", c.header)
				if answer.StatusCode != c.status {
					t.Errorf("%s: status %d, not %d: %.300s", name, answer.StatusCode, c.status, got)
					continue
				}
				switch c.status {
				case ok, part:
					if !bytes.Equal(got, whole[c.from:c.till]) || answer.Header.Get("ETag") != tag {
						t.Errorf("%s: %d bytes, ETag %s", name, len(got), answer.Header.Get("ETag"))
					}
					if want := fmt.Sprintf("bytes %d-%d/%d", c.from, c.till-1, size); c.status == part && answer.Header.Get("Content-Range") != want {
						t.Errorf("%s: Content-Range %q, not %q", name, answer.Header.Get("Content-Range"), want)
					}
				case notModified:
					if len(got) > 0 || answer.Header.Get("ETag") != tag || answer.Header.Get("Vary") != "Accept" || answer.Header.Get("Cache-Control") == "" { // 15.4.5
						t.Errorf("%s: %v", name, answer.Header)
					}
				default:
					reason := map[int]service.Reason{failed: service.EtagMismatch, outside: badRange}[c.status]
					if errorReason(errorOf(t, got)) != string(reason) || answer.Header.Get("Content-Type") != "application/json" {
						t.Errorf("%s: %v: %s", name, answer.Header, got)
					}
					if want := fmt.Sprintf("bytes */%d", size); c.status == outside && answer.Header.Get("Content-Range") != want {
						t.Errorf("%s: Content-Range %q, not %q", name, answer.Header.Get("Content-Range"), want)
					}
				}
				// A HEAD says the same, but that it knows no ranges (14.2), and has no body.
				head := a.sendRaw(t, http.MethodHead, "/v1/"+m.GetName()+"/content?"+query, pairs(c.header), nil)
				want := c.status
				if want == part || want == outside {
					want = ok
				}
				if head.status != want || len(head.body) > 0 || want < 400 && head.header.Get("ETag") != tag || want == ok && head.header.Get("Content-Length") != fmt.Sprint(size) {
					t.Errorf("HEAD %s: status %d, %d bytes, %v", name, head.status, len(head.body), head.header)
				}
			}
		})
	}
}

func pairs(header []string) (out [][2]string) {
	for i := 0; i+1 < len(header); i += 2 {
		out = append(out, [2]string{header[i], header[i+1]})
	}
	return out
}

// TestPictureOrPiece asks for a picture as different clients do: who takes nothing but JSON
// gets a piece of it, all others the file.
func TestPictureOrPiece(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	file := paddedPhoto(t, jpegOf(t, grained(60, 40)), 3<<19)
	status, m, body := a.sendPhoto(t, a.plant, "", "image/jpeg", file)
	if status != http.StatusOK {
		t.Fatalf("status %d: %s", status, body)
	}
	const query = "rendition=ORIGINAL"
	for accept, isFile := range map[string]bool{
		"": true, "*/*": true, "image/*": true, "image/jpeg": true, "image/webp,image/apng,image/*,*/*;q=0.8": true, "text/html": true,
		"application/json, image/jpeg;q=0.5": true, "application/json": false, "application/json;q=0.9": false, "application/json, text/plain": false,
	} {
		header := []string{"Accept", accept}
		if accept == "" {
			header = nil
		}
		answer, got := a.content(t, m.GetName(), query, header...)
		if answer.StatusCode != http.StatusOK || answer.Header.Get("Vary") != "Accept" || bytes.Equal(got, file) != isFile {
			t.Errorf("%q: status %d, %v, %d bytes", accept, answer.StatusCode, answer.Header, len(got))
		}
	}
	var back []byte
	for {
		answer, got := a.content(t, m.GetName(), fmt.Sprintf("%s&offset=%d", query, len(back)))
		var piece struct {
			ContentType, Etag, Data string
			SizeBytes               int
			UpdateTime              time.Time
		}
		if err := json.Unmarshal(got, &piece); err != nil || answer.StatusCode != http.StatusOK {
			t.Fatalf("status %d, %v: %.300s", answer.StatusCode, err, got)
		}
		data, err := base64.StdEncoding.DecodeString(piece.Data)
		if err != nil || piece.SizeBytes != len(file) || piece.ContentType != "image/jpeg" || piece.Etag != `"`+m.GetSha256()+`"` || piece.UpdateTime.IsZero() {
			t.Fatalf("%v, %.300s", err, got)
		}
		if len(data) == 0 {
			break
		}
		back = append(back, data...)
	}
	if !bytes.Equal(back, file) {
		t.Errorf("%d bytes in pieces", len(back))
	}
	for offset, want := range map[string]string{fmt.Sprint(len(file) + 1): "must be 0 to the size of the file", "-1": "offset", "2147483647": "must be 0 to the size", "9999999999": "offset", "x": "offset"} {
		answer, got := a.content(t, m.GetName(), query+"&offset="+offset)
		if answer.StatusCode != http.StatusBadRequest || !strings.Contains(string(got), want) {
			t.Errorf("offset %s: status %d: %s", offset, answer.StatusCode, got)
		}
	}
	for bad, want := range map[string]int{"rendition=HUGE": http.StatusBadRequest, "rendition=7": http.StatusBadRequest, "colour=red": http.StatusBadRequest} {
		if answer, got := a.content(t, m.GetName(), bad); answer.StatusCode != want {
			t.Errorf("%s: status %d: %s", bad, answer.StatusCode, got)
		}
	}
	if answer, _ := a.content(t, a.plant+"/photos/none", query); answer.StatusCode != http.StatusNotFound {
		t.Errorf("of no photo: status %d", answer.StatusCode)
	}
	// By what is on the label.
	if _, got := a.content(t, a.collection+"/plants/-/photos/"+store.Segment(m.GetName(), "photos"), query+"&tag=D1"); !bytes.Equal(got, file) {
		t.Errorf("by the tag: %.300s", got)
	}
}

// hookedWriter calls a function once, before it writes what it is given first.
type hookedWriter struct {
	http.ResponseWriter
	hook func()
}

func (w *hookedWriter) Write(p []byte) (int, error) {
	w.hook()
	return w.ResponseWriter.Write(p)
}

// TestChangedPictureBreaksOff changes whom to name while the first piece of a rendition is on
// its way: what would come then belongs to another file, so nothing more comes.
func TestChangedPictureBreaksOff(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	noise := image.NewNRGBA(image.Rect(0, 0, 1600, 1600))
	random := rand.New(rand.NewPCG(3, 4))
	for i := range noise.Pix {
		noise.Pix[i] = byte(random.Uint32()) | byte(i%4/3*255) // opaque
	}
	status, m, body := a.sendPhoto(t, a.plant, "credit=First", "image/jpeg", jpegOf(t, noise))
	if status != http.StatusOK {
		t.Fatalf("status %d: %s", status, body)
	}
	a.makeRenditions(t, m)
	first, before := a.content(t, m.GetName(), "rendition=LARGE")
	if len(before) < 1<<20 {
		t.Fatalf("the rendition has one piece only, of %d bytes", len(before))
	}
	changed := sync.OnceFunc(func() {
		if _, err := pb.NewPhotoServiceClient(a.conn).UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: m.GetName(), Credit: "Somebody else, of a longer name"}}); err != nil {
			t.Error(err)
		}
	})
	door := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a.server.gateway.ServeHTTP(&hookedWriter{w, changed}, r)
	}))
	defer door.Close()
	answer, err := a.client.Get(door.URL + "/v1/" + m.GetName() + "/content?rendition=LARGE")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	got, err := io.ReadAll(answer.Body)
	if !errors.Is(err, io.ErrUnexpectedEOF) || len(got) >= len(before) || !bytes.HasPrefix(before, got) || answer.Header.Get("ETag") != first.Header.Get("ETag") {
		t.Errorf("%d of %d bytes, %v", len(got), len(before), err)
	}
	if !strings.Contains(a.log.String(), "a picture broke off") {
		t.Error("the log does not tell")
	}
	if second, after := a.content(t, m.GetName(), "rendition=LARGE"); second.Header.Get("ETag") == first.Header.Get("ETag") || !bytes.Contains(after, []byte("Somebody else")) {
		t.Errorf("%v", second.Header)
	}
}
