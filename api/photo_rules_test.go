package api

import (
	"context"
	"net/http"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// A scale that a mask would make of a part is refused, as one has to have both ends.
func TestPartOfAScale(t *testing.T) {
	d, plant := openGallery(t, store.SQLite)
	m, err := d.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, pngOf(t, rosetteOf(60, 40, 20)), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"scale.length_mm", "scale.tilt_deg"} {
		_, err := pb.NewPhotoServiceClient(d.conn).UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{
			Photo:      &pb.Photo{Name: m.GetName(), Scale: &pb.Photo_Scale{Line: pxLine(1, 1, 50, 1), LengthMm: 5, TiltDeg: 3}},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{path}},
		})
		if service.Reason(reasonIn(err)) != service.InvalidFields {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// What is longer than a measurement takes is not taken over.
func TestMeasuredTooLong(t *testing.T) {
	d, plant := openGallery(t, store.SQLite)
	calls := pb.NewPhotoServiceClient(d.conn)
	m, err := d.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, pngOf(t, rosetteOf(1000, 100, 20)), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	for kind, most := range map[pb.Photo_Span_Kind]float64{pb.Photo_Span_ROSETTE_DIAMETER: 10_000, pb.Photo_Span_TRAP_WIDTH: 1000, pb.Photo_Span_HEIGHT: 10_000} {
		for _, c := range []struct {
			mm   float64 // of 500 pixels
			want service.Reason
		}{{most / 2, ""}, {most/2 + 1, service.InvalidFields}} {
			_, err := calls.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{Photo: &pb.Photo{
				Name:  m.GetName(),
				Scale: &pb.Photo_Scale{Line: pxLine(0, 10, 500, 10), LengthMm: c.mm},
				Spans: []*pb.Photo_Span{{Kind: kind, Line: pxLine(0, 50, 1000, 50)}},
			}})
			if err != nil {
				t.Fatal(err)
			}
			_, err = calls.RecordMeasurement(t.Context(), &pb.RecordMeasurementRequest{Name: m.GetName()})
			if service.Reason(reasonIn(err)) != c.want {
				t.Errorf("%s of %v mm: %v", kind, 2*c.mm, err)
			}
		}
	}
}

// A plant that has got a photo since is not deleted by an undo, as one with a feeding.
func TestUndoLeavesPhotographed(t *testing.T) {
	d, plant := openGallery(t, store.SQLite)
	collection := store.CollectionName(store.Segment(plant, "collections"))
	made, err := pb.NewPlantServiceClient(d.conn).CreatePlant(t.Context(), &pb.CreatePlantRequest{
		Parent: collection, Plant: &pb.Plant{Tag: "D2", Taxon: "taxa/drosera-spatulata"}, RequestId: "made"})
	if err != nil {
		t.Fatal(err)
	}
	m, err := d.upload(t.Context(), &pb.CreatePhotoRequest{Parent: made.GetName(), RequestId: "photo"}, pngOf(t, rosetteOf(60, 40, 20)), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	undo := func(id string) service.Reason {
		_, err := pb.NewSessionServiceClient(d.conn).Undo(t.Context(), &pb.UndoRequest{Name: collection, RequestId: id})
		return service.Reason(reasonIn(err))
	}
	if got := undo("photo"); got != service.NotUndoable {
		t.Errorf("undo of the upload: %q", got)
	}
	if got := undo("made"); got != service.ChangedSince {
		t.Errorf("undo of the plant: %q", got)
	}
	if _, err := pb.NewPhotoServiceClient(d.conn).DeletePhoto(t.Context(), &pb.DeletePhotoRequest{Name: m.GetName()}); err != nil {
		t.Fatal(err)
	}
	if got := undo("made"); got != "" {
		t.Errorf("undo of the plant without photos: %q", got)
	}
}

// The bytes of a photo whose time is over make a new one, on both engines.
func TestSentAfterItsTime(t *testing.T) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			clock := &wound{}
			clock.us.Store(time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC).UnixMicro())
			d := openStore(t, storetest.New(t, engine), service.Config{Now: clock.now})
			plant := d.newPlant(t)
			file := pngOf(t, rosetteOf(60, 40, 20))
			first, err := d.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant, PhotoId: "p", Note: "first"}, file, 1<<20)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := pb.NewPhotoServiceClient(d.conn).DeletePhoto(t.Context(), &pb.DeletePhotoRequest{Name: first.GetName()}); err != nil {
				t.Fatal(err)
			}
			clock.us.Add((30*24*time.Hour + time.Minute).Microseconds())
			second, err := d.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant, PhotoId: "p", Note: "second"}, file, 1<<20)
			if err != nil || second.GetNote() != "second" || second.GetCreateTime().AsTime().Equal(first.GetCreateTime().AsTime()) {
				t.Errorf("%v, %v", second, err)
			}
		})
	}
}

// Of one grower so many pictures go out at once; of others others.
func TestPicturesGoingOut(t *testing.T) {
	d, plant := openGallery(t, store.SQLite)
	m, err := d.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, pngOf(t, rosetteOf(60, 40, 20)), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	d.makeRenditions(t, m)
	for range photosOut.atOnceOfOne {
		end, err := d.server.gateway.underWay[photosOut].begin(d.grower)
		if err != nil {
			t.Fatal(err)
		}
		defer end()
	}
	if answer, _ := d.content(t, m.GetName(), ""); answer.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("status %d", answer.StatusCode)
	}
}

func pxLine(x1, y1, x2, y2 float64) *pb.Photo_Line {
	return &pb.Photo_Line{A: &pb.Photo_Point{X: x1, Y: y1}, B: &pb.Photo_Point{X: x2, Y: y2}}
}

// newPlant makes a collection with one plant.
func (d *doors) newPlant(t testing.TB) string {
	t.Helper()
	c, err := pb.NewCollectionServiceClient(d.conn).CreateCollection(context.Background(), &pb.CreateCollectionRequest{
		Collection: &pb.Collection{DisplayName: "Windowsill", TimeZone: "Europe/Berlin"}})
	if err != nil {
		t.Fatal(err)
	}
	p, err := pb.NewPlantServiceClient(d.conn).CreatePlant(context.Background(), &pb.CreatePlantRequest{
		Parent: c.GetName(), Plant: &pb.Plant{Tag: "D1", Taxon: "taxa/drosera-spatulata"}})
	if err != nil {
		t.Fatal(err)
	}
	return p.GetName()
}
