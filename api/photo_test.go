package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// rosetteOf draws a picture of a width and height with a green disc on brown ground. Its
// middle is that of the picture.
func rosetteOf(width, height int, diameter float64) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			dx, dy := float64(x)+0.5-float64(width)/2, float64(y)+0.5-float64(height)/2
			c := color.NRGBA{130, 100, 70, 255}
			if dx*dx+dy*dy <= diameter*diameter/4 {
				c = color.NRGBA{60, 160, 50, 255}
			}
			img.SetNRGBA(x, y, c)
		}
	}
	return img
}

// pictureSize is how wide and high the pictures of pictureOf are, in pixels.
const pictureSize = 40

// pictureOf draws a rosette with another corner for each text, as PNG.
func pictureOf(text string) []byte {
	img := rosetteOf(pictureSize, pictureSize, 24)
	for i, b := range sha256.Sum256([]byte(text)) {
		img.SetNRGBA(i, 0, color.NRGBA{b, 100, 70, 255})
	}
	var out bytes.Buffer
	if err := png.Encode(&out, img); err != nil {
		panic(err) // a buffer takes all
	}
	return out.Bytes()
}

func pngOf(t testing.TB, img image.Image) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := png.Encode(&out, img); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func jpegOf(t testing.TB, img image.Image) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := jpeg.Encode(&out, img, &jpeg.Options{Quality: 92}); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// openGallery serves a database with one plant.
func openGallery(t testing.TB, engine store.Engine) (d *doors, plant string) {
	t.Helper()
	d = openStore(t, storetest.New(t, engine), service.Config{})
	c, err := pb.NewCollectionServiceClient(d.conn).CreateCollection(t.Context(), &pb.CreateCollectionRequest{
		Collection: &pb.Collection{DisplayName: "Windowsill", TimeZone: "Europe/Berlin"}})
	if err != nil {
		t.Fatal(err)
	}
	p, err := pb.NewPlantServiceClient(d.conn).CreatePlant(t.Context(), &pb.CreatePlantRequest{
		Parent: c.GetName(), Plant: &pb.Plant{Tag: "D1", Taxon: "taxa/drosera-spatulata"}})
	if err != nil {
		t.Fatal(err)
	}
	return d, p.GetName()
}

// upload sends a photo over gRPC, in pieces.
func (d *doors) upload(ctx context.Context, create *pb.CreatePhotoRequest, data []byte, piece int) (*pb.Photo, error) {
	stream, err := pb.NewPhotoServiceClient(d.conn).UploadPhoto(ctx)
	if err != nil {
		return nil, err
	}
	for first := true; first || len(data) > 0; first = false {
		m := &pb.UploadPhotoRequest{Data: data[:min(piece, len(data))]}
		if first {
			m.Create = create
		}
		data = data[len(m.GetData()):]
		if err := stream.Send(m); err != nil {
			if errors.Is(err, io.EOF) { // the server has answered already
				break
			}
			return nil, err
		}
	}
	answer, err := stream.CloseAndRecv()
	return answer.GetPhoto(), err
}

// post sends a photo over HTTP.
func (d *doors) sendPhoto(t testing.TB, plant, query, contentType string, data []byte) (int, *pb.Photo, string) {
	t.Helper()
	answer, err := d.client.Post(d.url("/v1/"+plant+"/photos:upload?"+query), contentType, bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	m := &pb.Photo{}
	if answer.StatusCode == http.StatusOK {
		if err := protojson.Unmarshal(body, m); err != nil {
			t.Fatal(err)
		}
	}
	return answer.StatusCode, m, string(body)
}

// makeRenditions does what the job of a photo does.
func (d *doors) makeRenditions(t testing.TB, m *pb.Photo) {
	t.Helper()
	err := d.server.photos.MakeRenditions(t.Context(), store.Job{Collection: store.Segment(m.GetName(), "collections"), Args: m.GetSha256()})
	if err != nil {
		t.Fatal(err)
	}
}

// content gets a file over HTTP.
func (d *doors) content(t testing.TB, name, query string, header ...string) (*http.Response, []byte) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.url("/v1/"+name+"/content?"+query), nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	answer, err := d.client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer, body
}

// A rendition that the bucket lost is made again.
func TestLostRendition(t *testing.T) {
	d, plant := openGallery(t, store.SQLite)
	m, err := d.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, pngOf(t, rosetteOf(400, 300, 200)), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	d.makeRenditions(t, m)
	bucket := d.blobs.Of(store.Segment(m.GetName(), "collections"))
	if err := bucket.Delete(t.Context(), m.GetSha256()+"-320.jpg"); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if answer, body := d.content(t, m.GetName(), "rendition=SMALL"); answer.StatusCode != http.StatusServiceUnavailable {
			t.Fatalf("%d: %s", answer.StatusCode, body)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	worked := make(chan error, 1)
	go func() { worked <- d.server.Work(ctx) }()
	for {
		answer, body := d.content(t, m.GetName(), "rendition=SMALL")
		if answer.StatusCode == http.StatusOK {
			break
		}
		if answer.StatusCode != http.StatusServiceUnavailable || t.Context().Err() != nil {
			t.Fatalf("%d: %s", answer.StatusCode, body)
		}
	}
	cancel()
	if err := <-worked; err != nil {
		t.Error(err)
	}
}

// A photo goes in over both doors, is measured, and comes out again.
func TestPhotos(t *testing.T) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			d, plant := openGallery(t, engine)
			calls := pb.NewPhotoServiceClient(d.conn)
			ctx := t.Context()

			file := pngOf(t, rosetteOf(2400, 1800, 1000))
			status, first, body := d.sendPhoto(t, plant, "credit=A.+Grower&license=cc-by-4.0&takenDate=2026-05-10", "application/octet-stream", file)
			if status != http.StatusOK {
				t.Fatalf("status %d: %s", status, body)
			}
			if first.GetContentType() != "image/png" || first.GetSizeBytes() != int32(len(file)) || first.GetWidthPx() != 2400 || first.GetHeightPx() != 1800 ||
				first.GetCredit() != "A. Grower" || first.GetLicense() != "CC-BY-4.0" || first.GetTakenDate() != "2026-05-10" || first.GetTakenSource() != pb.Photo_TOLD {
				t.Errorf("%v", first)
			}
			same, err := d.upload(ctx, &pb.CreatePhotoRequest{Parent: plant}, file, 1000)
			if diff := cmp.Diff(first, same, protocmp.Transform()); diff != "" || err != nil {
				t.Errorf("the same bytes over gRPC: %v %s", err, diff)
			}
			if got, err := calls.GetPhoto(ctx, &pb.GetPhotoRequest{Name: first.GetName()}); err != nil || !proto.Equal(got, first) {
				t.Errorf("%v, %v", got, err)
			}

			// Renditions are made by a job.
			answer, _ := d.content(t, first.GetName(), "")
			if answer.StatusCode != http.StatusServiceUnavailable || answer.Header.Get("Retry-After") != "1" {
				t.Errorf("before the renditions: %d, %v", answer.StatusCode, answer.Header)
			}
			d.makeRenditions(t, first)
			for _, c := range []struct {
				query               string
				width, height, size int
			}{{"", 1600, 1200, 0}, {"rendition=LARGE", 1600, 1200, 0}, {"rendition=SMALL", 320, 240, 0}, {"rendition=ORIGINAL", 2400, 1800, len(file)}} {
				answer, body := d.content(t, first.GetName(), c.query)
				head, _, err := image.DecodeConfig(bytes.NewReader(body))
				if answer.StatusCode != http.StatusOK || err != nil || head.Width != c.width || head.Height != c.height || c.size != 0 && !bytes.Equal(body, file) {
					t.Errorf("%q: %d, %v, %v", c.query, answer.StatusCode, head, err)
				}
				if strings.Contains(c.query, "ORIGINAL") == bytes.Contains(body, []byte("A. Grower")) {
					t.Errorf("%q: credit", c.query)
				}
				tag := answer.Header.Get("ETag")
				if answer, body := d.content(t, first.GetName(), c.query, "If-None-Match", tag); answer.StatusCode != http.StatusNotModified || len(body) > 0 {
					t.Errorf("%q: not changed: %d", c.query, answer.StatusCode)
				}
				whole := body
				for _, r := range [][2]int{{0, 1}, {1, 2}, {0, 99}, {100, 1000}, {2, 3}, {len(whole) - 10, len(whole) - 1}} {
					answer, body := d.content(t, first.GetName(), c.query, "Range", fmt.Sprintf("bytes=%d-%d", r[0], r[1]))
					if answer.StatusCode != http.StatusPartialContent || !bytes.Equal(body, whole[r[0]:r[1]+1]) {
						t.Errorf("%q: range %v: %d, %d bytes", c.query, r, answer.StatusCode, len(body))
					}
				}
				answer, body = d.content(t, first.GetName(), c.query, "Range", fmt.Sprintf("bytes=%d-", len(whole)))
				if answer.StatusCode != http.StatusRequestedRangeNotSatisfiable || !strings.Contains(string(body), "RANGE_NOT_SATISFIABLE") {
					t.Errorf("%q: range behind the end: %d %s", c.query, answer.StatusCode, body)
				}
				var pieces []byte
				for {
					form := pb.Photo_Rendition(pb.Photo_Rendition_value[strings.TrimPrefix(c.query, "rendition=")])
					piece, err := calls.GetPhotoContent(ctx, &pb.GetPhotoContentRequest{Name: first.GetName(), Rendition: form, Offset: int32(len(pieces))})
					if err != nil {
						t.Fatal(err)
					}
					if len(piece.GetData()) == 0 {
						break
					}
					pieces = append(pieces, piece.GetData()...)
				}
				if !bytes.Equal(pieces, whole) {
					t.Errorf("%q: %d bytes over gRPC, %d over HTTP", c.query, len(pieces), len(whole))
				}
			}

			// It is measured: 1000 px are 40 mm.
			found, err := calls.MeasureRosette(ctx, &pb.MeasureRosetteRequest{Name: first.GetName()})
			if err != nil || found.GetDiameterPx() < 980 || found.GetDiameterPx() > 1020 || found.GetIndex() != pb.MeasureRosetteRequest_EXCESS_GREEN {
				t.Fatalf("%v, %v", found, err)
			}
			line := func(x1, y1, x2, y2 float64) *pb.Photo_Line {
				return &pb.Photo_Line{A: &pb.Photo_Point{X: x1, Y: y1}, B: &pb.Photo_Point{X: x2, Y: y2}}
			}
			changed, err := calls.UpdatePhoto(ctx, &pb.UpdatePhotoRequest{Photo: &pb.Photo{
				Name: first.GetName(), Etag: first.GetEtag(), Scale: &pb.Photo_Scale{Line: line(100, 1700, 1100, 1700), LengthMm: 40},
				Spans: []*pb.Photo_Span{found.GetSpan(), {Kind: pb.Photo_Span_OTHER, Label: "stalk", Line: line(0, 0, 0, 500)}},
			}})
			if err != nil {
				t.Fatal(err)
			}
			span := changed.GetSpans()[0]
			if span.GetLengthMm() < 39.2 || span.GetLengthMm() > 40.8 || span.GetUncertaintyMm() <= 0 || changed.GetSpans()[1].GetLengthMm() < 19.9 {
				t.Errorf("%v", changed)
			}
			o, err := calls.RecordMeasurement(ctx, &pb.RecordMeasurementRequest{Name: first.GetName(), RequestId: "size"})
			if err != nil || o.GetMeasurement().GetRosetteDiameterMm() != span.GetLengthMm() || o.GetPhoto() != first.GetName() || o.GetObserveDate() != "2026-05-10" {
				t.Errorf("%v, %v", o, err)
			}
			answer, err = d.client.Get(d.url("/v1/" + plant + "/photos:strip"))
			if err != nil {
				t.Fatal(err)
			}
			if answer.Header.Get("ETag") == "" || answer.Header.Get("Cache-Control") != "private, no-cache" {
				t.Errorf("strip: %v", answer.Header)
			}
			strip, err := png.Decode(answer.Body)
			if err != nil || answer.Body.Close() != nil || answer.Header.Get("Content-Type") != "image/png" || strip.Bounds().Dx() < 200 {
				t.Errorf("strip: %d, %v", answer.StatusCode, err)
			}

			// It is deleted, and sent again.
			if _, err := calls.DeletePhoto(ctx, &pb.DeletePhotoRequest{Name: first.GetName()}); err != nil {
				t.Error(err)
			}
			if list, err := calls.ListPhotos(ctx, &pb.ListPhotosRequest{Parent: plant}); err != nil || len(list.GetPhotos()) != 0 {
				t.Errorf("%v, %v", list, err)
			}
			again, err := d.upload(ctx, &pb.CreatePhotoRequest{Parent: plant}, file, 1<<20)
			if err != nil || again.GetName() != first.GetName() || again.GetDeleteTime() != nil || len(again.GetSpans()) != 2 {
				t.Errorf("%v, %v", again, err)
			}
			if _, err := d.upload(ctx, &pb.CreatePhotoRequest{Parent: plant, PhotoId: "second"}, jpegOf(t, rosetteOf(300, 200, 100)), 100); err != nil {
				t.Error(err)
			}
			if list, err := calls.ListPhotos(ctx, &pb.ListPhotosRequest{Parent: "collections/-/plants/-"}); err != nil || len(list.GetPhotos()) != 2 {
				t.Errorf("%v, %v", list, err)
			}
		})
	}
}
