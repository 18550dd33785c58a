package api

import (
	"bytes"
	"image"
	"net/http"
	"testing"

	_ "golang.org/x/image/webp"
	"google.golang.org/protobuf/encoding/protojson"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// FuzzUpload sends files as they come: each is a picture that image.Decode reads too, of the
// same size, or refused by its own fault. Nothing is kept. Files and pictures are small, so
// that a run takes no more memory than a test.
func FuzzUpload(f *testing.F) {
	const mostBytes, mostPixels = 256 << 10, 1 << 20
	for _, file := range hostilePhotos(f) {
		if len(file.data) <= 32<<10 {
			f.Add(file.data)
		}
	}
	for _, file := range positioned(f) {
		f.Add(file)
	}
	f.Add(samplePhoto(f, "progressive.jpg"))
	f.Add(samplePhoto(f, "lossy.webp"))
	f.Add(pngOf(f, grained(20, 16)))
	d, plant := openGallery(f, store.SQLite)
	f.Fuzz(func(t *testing.T, file []byte) {
		config, _, err := image.DecodeConfig(bytes.NewReader(file))
		if len(file) > mostBytes || err == nil && config.Width*config.Height > mostPixels && config.Width*config.Height <= 50_000_000 {
			return
		}
		w := serve(d.server.gateway, http.MethodPost, "/v1/"+plant+"/photos:upload?validateOnly=true", http.Header{"Content-Type": {"image/jpeg"}}, file)
		checkAnswer(t, w)
		if w.Code != http.StatusOK {
			return
		}
		m := &pb.Photo{}
		if err := protojson.Unmarshal(w.Body.Bytes(), m); err != nil {
			t.Fatal(err)
		}
		img, _, err := image.Decode(bytes.NewReader(file))
		if err != nil {
			t.Fatalf("taken, and no picture: %v", err)
		}
		size := img.Bounds().Size()
		if got := image.Pt(int(m.GetWidthPx()), int(m.GetHeightPx())); got != size && got != image.Pt(size.Y, size.X) || m.GetSizeBytes() != int32(len(file)) {
			t.Errorf("%v, of a picture of %v", m, size)
		}
	})
}
