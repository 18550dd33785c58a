package store_test

import (
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// TestRefs gives refs, finds by them, and moves events between plants that use the same.
func TestRefs(t *testing.T) {
	each(t, func(b bed) {
		b.twins()
		by := at(2)
		b.write(within("c1", func(c *store.Collection) error {
			before, err := c.Plant("q")
			if err != nil {
				return err
			}
			if err := c.ReferPlant("q", "accession 7"); err != nil {
				return err
			}
			found, err := c.PlantsByRef([]string{"accession 7", "p-ref", "none"})
			if err != nil {
				return err
			}
			tells(b, "plants", len(found), 2)
			tells(b, "plant", found["accession 7"]+found["p-ref"], "qp")
			after, err := c.Plant("q")
			if err != nil {
				return err
			}
			tells(b, "ref", after.Ref, "accession 7")
			tells(b, "etag", after.GetEtag(), before.GetEtag())
			if _, err := c.CreateReferredFeedings([]*pb.Feeding{{Name: store.FeedingName("c1", "q", "own"), FedTime: stampOf(noon)}}, []string{"e-ref"}, by); err != nil {
				return err
			}
			if _, err := c.ReassignFeeding("p", "e", "q", by, agree); err != nil {
				return err
			}
			refs, err := c.EventRefs(store.FeedingKind, []string{"p", "q"})
			if err != nil {
				return err
			}
			tells(b, "refs after reassigning", refs, []store.Referred{{Ref: "e-ref", Plant: "q", ID: "own"}})
			if _, err := c.ReassignObservation("p", "e", "q", by, agree); err != nil {
				return err
			}
			if err := c.ReferEvent(store.FeedingKind, "q", "e", "e-2"); err != nil {
				return err
			}
			_, listed, _, err := c.ReferredFeedings(store.List{Limit: 10})
			if err != nil {
				return err
			}
			tells(b, "refs of a list", listed, []string{"e-2", "e-ref"})
			seen, err := c.EventsByRef(store.ObservationKind, []string{"e-ref"})
			if err != nil {
				return err
			}
			tells(b, "observations", seen, []store.Referred{{Ref: "e-ref", Plant: "q", ID: "e", Fact: store.Move}})
			return nil
		}))
		b.refused(store.ErrExists, within("c1", func(c *store.Collection) error { return c.ReferPlant("q", "p-ref") }))
		b.refused(store.ErrNotFound, within("c1", func(c *store.Collection) error { return c.ReferPlant("none", "x") }))
	})
}
