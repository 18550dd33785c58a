package store_test

import (
	"strings"
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// restored is a collection that is being taken in, with a bench whose time is up.
func (b bed) restored() {
	b.Helper()
	b.write(func(tx *store.Tx) error {
		when := stampOf(noon)
		c, err := tx.RestoreCollection("r1", &pb.Collection{DisplayName: "R", TimeZone: "UTC", CreateTime: when, UpdateTime: when, Etag: `"a-1"`}, noon, noon+hour)
		if err != nil {
			return err
		}
		return c.RestoreBenches([]*pb.Bench{{Name: store.BenchName("r1", "once"), CreateTime: when, UpdateTime: when, DeleteTime: when, PurgeTime: when, Etag: `"a-2"`}})
	})
}

// A sweep while a collection is restored leaves benches whose plants are still to come,
// and puts nothing on record; when its time is over all of it goes.
func TestPurgeOfRestored(t *testing.T) {
	each(t, func(b bed) {
		b.restored()
		before := b.counts("r1")
		b.write(func(tx *store.Tx) error {
			return within("r1", func(c *store.Collection) error {
				gone, more, err := c.Purge(noon+1, 10)
				if gone != 0 || more {
					b.Errorf("%d rows went, more %v", gone, more)
				}
				return err
			})(tx)
		})
		tells(b, "rows after a sweep", b.counts("r1"), before)
		b.write(func(tx *store.Tx) error {
			return within("r1", func(c *store.Collection) error { _, _, err := c.Purge(noon+hour, 10); return err })(tx)
		})
		for table, n := range b.counts("r1") {
			if n != 0 {
				b.Errorf("%d rows of %s are left", n, table)
			}
		}
	})
}

// What stood before a change that was made elsewhere names nobody but who restored it:
// others may be strangers, or erased.
func TestRestoredHistoryNamesNobodyElse(t *testing.T) {
	each(t, func(b bed) {
		b.restored()
		when, other := stampOf(noon), store.GrowerName(erased)
		f, o := fed("p", "f", noon), seen("p", "o", noon, repotted())
		f.Recorder, o.Recorder = other, other
		h := &pb.Photo{Name: store.PhotoName("r1", "p", "h"), Recorder: other}
		b.write(func(tx *store.Tx) error {
			return within("r1", func(c *store.Collection) error {
				return c.RestoreRevisions([]store.Revised{
					{Revision: &pb.Revision{Number: 1, Action: pb.Revision_UPDATED, CreateTime: when, Before: &pb.Revision_Collection{Collection: &pb.Collection{Owner: other}}}, Kind: store.CollectionKind, ID: "r1"},
					{Revision: &pb.Revision{Number: 1, Action: pb.Revision_UPDATED, CreateTime: when, Before: &pb.Revision_Feeding{Feeding: f}}, Kind: store.FeedingKind, Plant: "p", ID: "f"},
					{Revision: &pb.Revision{Number: 1, Action: pb.Revision_UPDATED, CreateTime: when, Before: &pb.Revision_Observation{Observation: o}}, Kind: store.ObservationKind, Plant: "p", ID: "o"},
					{Revision: &pb.Revision{Number: 1, Action: pb.Revision_UPDATED, CreateTime: when, Before: &pb.Revision_Photo{Photo: h}}, Kind: store.PhotoKind, Plant: "p", ID: "h"},
				}, "g1")
			})(tx)
		})
		b.read(within("r1", func(c *store.Collection) error {
			for _, of := range []struct {
				kind      store.Kind
				plant, id string
			}{{store.CollectionKind, "", "r1"}, {store.FeedingKind, "p", "f"}, {store.ObservationKind, "p", "o"}, {store.PhotoKind, "p", "h"}} {
				all, _, err := c.Revisions(of.kind, of.plant, of.id, store.List{Limit: 9})
				if err != nil {
					return err
				}
				r := all[0]
				if who := r.GetCollection().GetOwner() + r.GetFeeding().GetRecorder() + r.GetObservation().GetRecorder() + r.GetPhoto().GetRecorder(); who != "growers/g1" {
					b.Errorf("%v: %s", of, who)
				}
			}
			return nil
		}))
	})
}

// Of the photos that are to be archived files come once each, in the order of their digests,
// from any on; what is to be purged by then, or is of a plant that is, is not there, nor is
// its history.
func TestArchivedPhotos(t *testing.T) {
	each(t, func(b bed) {
		const one, two, three, four = "1111", "2222", "3333", "4444"
		b.in(func(c *store.Collection) error {
			if _, err := c.CreatePlants([]store.NewPlant{pot("c1", "p1", "A"), pot("c1", "p2", "B"), pot("c1", "p3", "C")}, at(0)); err != nil {
				return err
			}
			for _, p := range []struct{ plant, id, sha256 string }{
				{"p1", "b", two}, {"p1", "a", one}, {"p2", "c", one}, {"p2", "d", three}, {"p3", "e", four}, {"p3", "f", two},
			} {
				m := &pb.Photo{Name: store.PhotoName("c1", p.plant, p.id), Sha256: p.sha256, SizeBytes: int32(len(p.sha256)) * 10, TakenTime: stampOf(noon)}
				if _, err := c.CreatePhoto(&store.Photo{Photo: m, Format: 1, Orientation: 1}, at(0)); err != nil {
					return err
				}
			}
			if _, err := c.DeletePhoto("p2", "d", at(1), noon+hour, func(*store.Photo) error { return nil }); err != nil {
				return err
			}
			_, err := c.DeletePlant("p3", at(1), noon+2*hour, func(*store.Plant) error { return nil })
			return err
		})
		for _, c := range []struct {
			us     int64
			photos string
			files  string
			size   int64
		}{
			{noon, "p1/a p1/b p2/c p2/d p3/e p3/f", "1111 2222 3333 4444", 160},
			{noon + hour, "p1/a p1/b p2/c p3/e p3/f", "1111 2222 4444", 120},
			{noon + 2*hour, "p1/a p1/b p2/c", "1111 2222", 80},
		} {
			b.read(within("c1", func(of *store.Collection) error {
				var photos, history, files []string
				all, _, err := of.ArchivedPhotos(store.List{Limit: 9, GoneUs: c.us})
				if err != nil {
					return err
				}
				for _, p := range all {
					photos = append(photos, store.Segment(p.GetName(), "plants")+"/"+store.Segment(p.GetName(), "photos"))
				}
				changes, _, err := of.ArchivedRevisions(store.PhotoKind, store.List{Limit: 99, GoneUs: c.us})
				if err != nil {
					return err
				}
				for _, r := range changes {
					if r.GetNumber() == 1 {
						history = append(history, r.Plant+"/"+r.ID)
					}
				}
				for from := ""; ; { // one after another
					some, err := of.ArchivedFiles(from, 2, c.us)
					if err != nil {
						return err
					}
					if len(files) > 0 {
						some = some[1:]
					}
					if len(some) == 0 {
						break
					}
					from = some[0].Sha256
					files = append(files, from)
				}
				tells(b, "photos", strings.Join(photos, " "), c.photos)
				tells(b, "history", strings.Join(history, " "), c.photos)
				tells(b, "files", strings.Join(files, " "), c.files)
				n, size, err := of.CountArchivedFiles(c.us)
				tells(b, "how many files", n, int64(len(files)))
				tells(b, "their size", size, c.size)
				return err
			}))
		}
	})
}
