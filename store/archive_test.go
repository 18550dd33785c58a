package store_test

import (
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
		b.write(func(tx *store.Tx) error {
			return within("r1", func(c *store.Collection) error {
				return c.RestoreRevisions([]store.Revised{
					{Revision: &pb.Revision{Number: 1, Action: pb.Revision_UPDATED, CreateTime: when, Before: &pb.Revision_Collection{Collection: &pb.Collection{Owner: other}}}, Kind: store.CollectionKind, ID: "r1"},
					{Revision: &pb.Revision{Number: 1, Action: pb.Revision_UPDATED, CreateTime: when, Before: &pb.Revision_Feeding{Feeding: f}}, Kind: store.FeedingKind, Plant: "p", ID: "f"},
					{Revision: &pb.Revision{Number: 1, Action: pb.Revision_UPDATED, CreateTime: when, Before: &pb.Revision_Observation{Observation: o}}, Kind: store.ObservationKind, Plant: "p", ID: "o"},
				}, "g1")
			})(tx)
		})
		b.read(within("r1", func(c *store.Collection) error {
			for _, of := range []struct {
				kind      store.Kind
				plant, id string
			}{{store.CollectionKind, "", "r1"}, {store.FeedingKind, "p", "f"}, {store.ObservationKind, "p", "o"}} {
				all, _, err := c.Revisions(of.kind, of.plant, of.id, store.List{Limit: 9})
				if err != nil {
					return err
				}
				r := all[0]
				if who := r.GetCollection().GetOwner() + r.GetFeeding().GetRecorder() + r.GetObservation().GetRecorder(); who != "growers/g1" {
					b.Errorf("%v: %s", of, who)
				}
			}
			return nil
		}))
	})
}
