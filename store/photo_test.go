package store_test

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// digestOf is a digest that is another for each text. The store takes it as it is.
func digestOf(text string) string {
	digits := hex.EncodeToString([]byte(text))
	return digits + strings.Repeat("0", 64-len(digits))
}

// shot is a photo with nothing but its file and a time.
func shot(collection, plant, id, digest string) *store.Photo {
	return &store.Photo{Photo: &pb.Photo{
		Name: store.PhotoName(collection, plant, id), TakenTime: stampOf(noon), Sha256: digest, SizeBytes: 9, WidthPx: 4, HeightPx: 3,
	}}
}

// scaled is a scale of 10 mm.
func scaled() *pb.Photo_Scale {
	return &pb.Photo_Scale{Line: &pb.Photo_Line{A: &pb.Photo_Point{}, B: &pb.Photo_Point{X: 4}}, LengthMm: 10}
}

func (b bed) photos(all ...*store.Photo) {
	b.Helper()
	b.in(func(c *store.Collection) error {
		for _, p := range all {
			if _, err := c.CreatePhoto(p, at(0)); err != nil {
				return err
			}
		}
		return nil
	})
}

func (b bed) photo(plant, id string) *store.Photo {
	b.Helper()
	return get(b, func(c *store.Collection) (*store.Photo, error) { return c.Photo(plant, id) })
}

// tellsPhoto compares photos with what the store knows beside their messages.
func tellsPhoto(b bed, what string, got, want *store.Photo) {
	b.Helper()
	tells(b, what, got.Photo, want.Photo)
	tells(b, what+": the format", got.Format, want.Format)
	tells(b, what+": the orientation", got.Orientation, want.Orientation)
	tells(b, what+": the time of the camera", got.CameraUs, want.CameraUs)
	tells(b, what+": the source of that", got.CameraSource, want.CameraSource)
}

func TestPhotoIsKept(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		us := noon - 7*day + 1
		p := shot("c1", "p", "a", digestOf("a"))
		p.Format, p.Orientation, p.CameraUs, p.CameraSource = 2, 6, &us, pb.Photo_CAMERA_WITH_OFFSET
		p.TakenSource, p.Credit, p.License, p.Note = pb.Photo_TOLD, strings.Repeat("ẞ", 200), "CC-BY-4.0", strings.Repeat("🌱", 4000)
		p.SizeBytes, p.WidthPx, p.HeightPx = 25<<20, 50_000, 1000
		p.Scale = scaled()
		p.Scale.TiltDeg = 0.1 + 0.2
		for n := range 100 { // as many as the contract allows
			p.Spans = append(p.Spans, &pb.Photo_Span{
				Kind: pb.Photo_Span_OTHER, Label: fmt.Sprint("span ", n), Line: &pb.Photo_Line{A: &pb.Photo_Point{X: 0.1}, B: &pb.Photo_Point{Y: float64(n) / 3}, PointingErrorPx: proto.Float64(0.5)},
			})
		}
		made := put(b, func(c *store.Collection) (*store.Photo, error) { return c.CreatePhoto(p, at(1)) })
		want := *p
		want.Photo = proto.CloneOf(p.Photo)
		want.Plant, want.Recorder, want.Etag = "collections/c1/plants/p", "growers/g1", made.GetEtag()
		want.CreateTime, want.UpdateTime = stampOf(noon+1), stampOf(noon+1)
		tellsPhoto(b, "made", made, &want)
		tellsPhoto(b, "read", b.photo("p", "a"), &want)
		tellsPhoto(b, "found by its file", get(b, func(c *store.Collection) (*store.Photo, error) { return c.SamePhoto("p", digestOf("a")) }), &want)
		tellsPhoto(b, "found by its file in the collection", get(b, func(c *store.Collection) (*store.Photo, error) { return c.FileOf(digestOf("a")) }), &want)

		// What the file says is not changed with what users say; without a scale and spans
		// there are none.
		changed := put(b, func(c *store.Collection) (*store.Photo, error) {
			return c.UpdatePhoto("p", "a", at(2), func(p *store.Photo) error {
				p.Scale, p.Spans, p.Sha256, p.WidthPx, p.Format, p.CameraUs = nil, nil, digestOf("other"), 1, 9, nil
				return nil
			})
		})
		want.Scale, want.Spans, want.Etag, want.UpdateTime = nil, nil, changed.GetEtag(), stampOf(noon+2)
		tellsPhoto(b, "changed", changed, &want)
		tellsPhoto(b, "read after the change", b.photo("p", "a"), &want)
	})
}

func TestPhotoErrors(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		b.photos(shot("c1", "p", "a", digestOf("a")))
		create := func(p *store.Photo) func(c *store.Collection) error {
			return func(c *store.Collection) error { _, err := c.CreatePhoto(p, at(1)); return err }
		}
		b.in(create(shot("c1", "q", "a", digestOf("a")))) // ids and files are the plant's
		b.refusedIn(store.ErrExists, create(shot("c1", "p", "a", digestOf("b"))))
		b.refusedIn(store.ErrExists, create(shot("c1", "p", "b", digestOf("a"))))
		b.refusedIn(store.ErrReference, create(shot("c1", "none", "b", digestOf("b"))))
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePhoto("p", "a", at(1), noon+purgeAfter, agree)
			return err
		})
		b.refusedIn(store.ErrExists, create(shot("c1", "p", "b", digestOf("a")))) // deleted is not gone
		for _, digest := range []string{digestOf("b"), "", strings.ToUpper(digestOf("k"))} {
			b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.SamePhoto("p", digest); return err })
			b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.FileOf(digest); return err })
		}
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.SamePhoto("none", digestOf("a")); return err })
	})
}

func TestCountPhotos(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		b.photos(shot("c1", "p", "a", digestOf("a")), shot("c1", "p", "b", digestOf("b")), shot("c1", "q", "a", digestOf("a")))
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePhoto("p", "a", at(1), noon+purgeAfter, agree)
			return err
		})
		for plant, want := range map[string]int64{"p": 2, "q": 1, "none": 0} { // with the one that is deleted
			tells(b, "photos of "+plant, get(b, func(c *store.Collection) (int64, error) { return c.CountPhotos(plant) }), want)
		}
		photographed := func() map[string]bool {
			return get(b, func(c *store.Collection) (map[string]bool, error) { return c.Photographed([]string{"p", "q", "none"}) })
		}
		tells(b, "photographed", photographed(), map[string]bool{"p": true, "q": true})
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePhoto("q", "a", at(1), noon+purgeAfter, agree)
			return err
		})
		tells(b, "photographed", photographed(), map[string]bool{"p": true})
	})
}

// Renditions are of a file, and so of all photos of it in a collection. That they are there
// is no change of a photo, and no change of a photo forgets it.
func TestRendered(t *testing.T) {
	each(t, func(b bed) {
		b.twins()
		b.plants("v", "w")
		b.photos(shot("c1", "v", "a", digestOf("a")), shot("c1", "w", "b", digestOf("a")), shot("c1", "v", "other", digestOf("b")))
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePhoto("w", "b", at(1), noon+purgeAfter, agree)
			return err
		})
		stood := b.photo("v", "a")
		rendered := func(us int64) {
			b.Helper()
			b.in(func(c *store.Collection) error { return c.Rendered(digestOf("a"), us) })
		}
		times := func() (all []int64) {
			b.read(func(tx *store.Tx) error {
				return tx.Q().Table("photos").Where("collection_id = ? AND render_us IS NOT NULL", "c1").Order("plant_id, photo_id").Pluck("render_us", &all).Error
			})
			return all
		}
		rendered(noon + 5)
		stood.RenditionsReady = true
		tellsPhoto(b, "with renditions", b.photo("v", "a"), stood)
		if !b.photo("w", "b").GetRenditionsReady() {
			b.Error("the photo of the same file has none")
		}
		if b.photo("v", "other").GetRenditionsReady() {
			b.Error("the photo of another file has some")
		}
		rendered(noon + 6) // a job that ran twice
		tells(b, "when they were made", times(), []int64{noon + 5, noon + 5})

		// A change that was read before they were made leaves them be.
		b.in(func(c *store.Collection) error {
			_, err := c.UpdatePhoto("v", "other", at(2), func(p *store.Photo) error {
				p.Note = "changed"
				return c.Rendered(digestOf("b"), noon+7)
			})
			return err
		})
		if m := b.photo("v", "other"); !m.GetRenditionsReady() || m.GetNote() != "changed" {
			b.Errorf("after a change meanwhile: %v", m.Photo)
		}
		b.in(func(c *store.Collection) error { return c.Rendered(digestOf("none"), noon) }) // it was purged
		b.read(within("c2", func(c *store.Collection) error {
			p, err := c.Photo(shared.plant, shared.event)
			if err == nil && p.GetRenditionsReady() {
				b.Error("another collection has some")
			}
			return err
		}))
	})
}

// Of the photos of a file the first by name is told, deleted or not.
func TestFileOf(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		b.photos(shot("c1", "q", "a", digestOf("a")), shot("c1", "p", "z", digestOf("a")))
		find := func() string {
			return get(b, func(c *store.Collection) (*store.Photo, error) { return c.FileOf(digestOf("a")) }).GetName()
		}
		tells(b, "the first", find(), store.PhotoName("c1", "p", "z"))
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePhoto("p", "z", at(1), noon+purgeAfter, agree)
			return err
		})
		tells(b, "the first, deleted", find(), store.PhotoName("c1", "p", "z"))
	})
}

// The sweep of the bucket asks about many files at once.
func TestPhotoFiles(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		b.photos(shot("c1", "p", "a", digestOf("a")), shot("c1", "q", "a", digestOf("a")), shot("c1", "p", "b", digestOf("b")))
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePhoto("p", "b", at(1), noon+purgeAfter, agree)
			return err
		})
		ask := []string{digestOf("a"), "", "%"}
		for n := range 1500 {
			ask = append(ask, digestOf(fmt.Sprint("none ", n)))
		}
		ask = append(ask, digestOf("b")) // at the end
		for _, c := range []struct {
			ask  []string
			want map[string]bool
		}{
			{ask, map[string]bool{digestOf("a"): true, digestOf("b"): true}},
			{ask[1:100], map[string]bool{}},
			{nil, map[string]bool{}},
		} {
			tells(b, "files", get(b, func(x *store.Collection) (map[string]bool, error) { return x.PhotoFiles(c.ask) }), c.want)
		}
		b.read(within("c2", func(c *store.Collection) error {
			found, err := c.PhotoFiles(ask)
			tells(b, "files of another collection", found, map[string]bool{})
			return err
		}))
	})
}

func TestScaledPhotos(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		photo := func(plant, id string, us int64, scale *pb.Photo_Scale) *store.Photo {
			p := shot("c1", plant, id, digestOf(id))
			p.TakenTime, p.Scale = stampOf(us), scale
			return p
		}
		b.photos(photo("p", "late", noon+2, scaled()), photo("p", "b", noon, scaled()), photo("p", "a", noon, scaled()), photo("p", "none", noon, nil),
			photo("p", "gone", noon, scaled()), photo("q", "x", noon, scaled()), photo("p", "first", noon-day, scaled()))
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePhoto("p", "gone", at(1), noon+purgeAfter, agree)
			return err
		})
		names := func(plant string, limit int) (ids []string) {
			for _, p := range get(b, func(c *store.Collection) ([]*store.Photo, error) { return c.ScaledPhotos(plant, limit) }) {
				if p.GetScale().GetLengthMm() != 10 {
					b.Errorf("the scale of %s: %v", p.GetName(), p.GetScale())
				}
				ids = append(ids, store.Segment(p.GetName(), "photos"))
			}
			return ids
		}
		tells(b, "in order", names("p", big), []string{"first", "a", "b", "late"})
		tells(b, "the first two", names("p", 2), []string{"first", "a"})
		tells(b, "of another plant", names("q", big), []string{"x"})
		if none := names("none", big); len(none) != 0 {
			b.Errorf("of no plant: %v", none)
		}
		// A scale that is taken away counts no more.
		b.in(func(c *store.Collection) error {
			_, err := c.UpdatePhoto("p", "a", at(2), func(p *store.Photo) error { p.Scale = nil; return nil })
			return err
		})
		if slices.Contains(names("p", big), "a") {
			b.Error("a photo without scale is among them")
		}
	})
}

// What was measured on a photo names it.
func TestObservationOnPhoto(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		b.photos(shot("c1", "q", "a", digestOf("a")))
		m := seen("p", "o", noon, repotted())
		m.Photo = store.PhotoName("c1", "q", "a")
		b.observe(m, seen("p", "without", noon, repotted()))
		tells(b, "the photo", b.observation("p", "o").GetPhoto(), store.PhotoName("c1", "q", "a"))
		tells(b, "no photo", b.observation("p", "without").GetPhoto(), "")
		b.in(func(c *store.Collection) error {
			_, err := c.UpdateObservation("p", "o", at(1), func(o *pb.Observation) error { o.Note, o.Photo = "changed", ""; return nil })
			return err
		})
		tells(b, "the photo after a change, which is not the user's to set", b.observation("p", "o").GetPhoto(), store.PhotoName("c1", "q", "a"))
	})
}
