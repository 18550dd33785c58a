package store_test

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// What is done to many at once is what the calls for one do: the same rows, and the
// same history.
func TestManyAtOnce(t *testing.T) {
	type of[M proto.Message] struct {
		one  func(c *store.Collection, plant, id string, by store.By, f func(M) error) (M, error)
		many pb.Revision_Action
		f    func(M) error
	}
	each(t, func(b bed) {
		const n = 501 // more than one statement
		var plants, names []string
		var fedAll []*pb.Feeding
		var seenAll []*pb.Observation
		for i := range n {
			id := fmt.Sprintf("p%03d", i)
			plants, names = append(plants, id), append(names, store.FeedingName("c1", id, "e"))
			fedAll, seenAll = append(fedAll, fed(id, "e", noon), fed(id, "f", noon)), append(seenAll, seen(id, "e", noon, repotted()))
		}
		b.plants(append(plants, "one")...)
		b.in(func(c *store.Collection) error {
			if _, err := c.CreateFeedings(append(fedAll, fed("one", "e", noon)), at(0)); err != nil {
				return err
			}
			_, err := c.CreateObservations(append(seenAll, seen("one", "e", noon, repotted())), at(0))
			return err
		})
		renamed := func(m proto.Message) string {
			return strings.NewReplacer("one", "p007", "  ", " ").Replace(fmt.Sprint(m))
		}
		check := func(what string, one, many proto.Message, kind store.Kind) {
			b.Helper()
			if renamed(one) != renamed(many) {
				b.Errorf("%s: one is %v, of many %v", what, one, many)
			}
			b.look(func(c *store.Collection) error {
				a, _, err := c.Revisions(kind, "one", "e", store.List{Limit: big})
				if err != nil {
					return err
				}
				m, _, err := c.Revisions(kind, "p007", "e", store.List{Limit: big})
				for i := range a {
					if len(a) != len(m) || renamed(a[i]) != renamed(m[i]) {
						b.Errorf("%s: history of one %v, of many %v", what, a, m)
					}
				}
				return err
			})
		}
		note := func(m *pb.Feeding) error { m.Note, m.Outcome = "changed", pb.Feeding_CLEAN; return nil }
		for i, x := range []of[*pb.Feeding]{
			{(*store.Collection).UpdateFeeding, pb.Revision_UPDATED, note},
			{(*store.Collection).UpdateFeeding, pb.Revision_UPDATED, note}, // nothing new
			{(*store.Collection).DeleteFeeding, pb.Revision_DELETED, agree[*pb.Feeding]},
			{(*store.Collection).UndeleteFeeding, pb.Revision_UNDELETED, agree[*pb.Feeding]},
		} {
			var one *pb.Feeding
			var many []*pb.Feeding
			b.in(func(c *store.Collection) (err error) {
				if one, err = x.one(c, "one", "e", at(int64(i)), x.f); err != nil {
					return err
				}
				many, err = c.ChangeFeedings(names, at(int64(i)), x.many, x.f)
				return err
			})
			if len(many) != n {
				b.Fatalf("%d of %d were changed", len(many), n)
			}
			check(x.many.String(), one, many[7], store.FeedingKind)
			now := get(b, func(c *store.Collection) (map[string]*pb.Feeding, error) { return c.FeedingsByName(names) })
			for i, name := range names {
				tells(b, name, now[name], many[i])
			}
			if len(now) != n {
				b.Errorf("%d of %d are found", len(now), n)
			}
		}
		moveOut := func(m *pb.Observation) error {
			m.Fact = &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: 3}}
			return nil
		}
		seenNames := []string{store.ObservationName("c1", "p007", "e")}
		for i, x := range []of[*pb.Observation]{
			{(*store.Collection).UpdateObservation, pb.Revision_UPDATED, moveOut},
			{(*store.Collection).DeleteObservation, pb.Revision_DELETED, agree[*pb.Observation]},
			{(*store.Collection).UndeleteObservation, pb.Revision_UNDELETED, agree[*pb.Observation]},
		} {
			var one *pb.Observation
			var many []*pb.Observation
			b.in(func(c *store.Collection) (err error) {
				if one, err = x.one(c, "one", "e", at(int64(i)), x.f); err != nil {
					return err
				}
				many, err = c.ChangeObservations(seenNames, at(int64(i)), x.many, x.f)
				return err
			})
			check(x.many.String(), one, many[0], store.ObservationKind)
		}

		// All or none.
		before := get(b, func(c *store.Collection) (*pb.Feeding, error) { return c.Feeding("p000", "f") })
		some := []string{store.FeedingName("c1", "p000", "f"), store.FeedingName("c1", "p001", "none")}
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error {
			_, err := c.ChangeFeedings(some, at(9), pb.Revision_DELETED, agree)
			return err
		})
		b.refusedIn(errMine, func(c *store.Collection) error {
			_, err := c.ChangeFeedings(some[:1], at(9), pb.Revision_UPDATED, refuse)
			return err
		})
		b.newer("feedings", "collection_id = 'c1' AND plant_id = 'p000' AND feeding_id = 'f'")
		b.refusedIn(store.ErrNewer, func(c *store.Collection) error {
			_, err := c.ChangeFeedings(some[:1], at(9), pb.Revision_UPDATED, note)
			return err
		})
		tells(b, "after refusals", get(b, func(c *store.Collection) (*pb.Feeding, error) { return c.Feeding("p000", "f") }), before)
	})
}

// The changes of a call are found by its request id, without those that only follow
// from them.
func TestRevisionsOf(t *testing.T) {
	each(t, func(b bed) {
		b.benches("b1")
		b.plants("p")
		by := at(1)
		by.Request = "r"
		b.in(func(c *store.Collection) error {
			if _, err := c.CreateFeedings([]*pb.Feeding{fed("p", "e", noon)}, by); err != nil {
				return err
			}
			if _, err := c.CreateObservations([]*pb.Observation{seen("p", "m", noon, moved("b1"))}, by); err != nil {
				return err
			}
			if _, err := c.Settle("p", store.Standing{Bench: "b1", Quantity: 1, State: pb.Plant_GROWING}, by); err != nil {
				return err
			}
			_, err := c.UpdateFeeding("p", "e", by, func(m *pb.Feeding) error { m.Note = "changed"; return nil })
			return err
		})
		of := func(grower, request string, us int64) (out []string) {
			for _, r := range get(b, func(c *store.Collection) ([]store.Revised, error) { return c.RevisionsOf(grower, request, us) }) {
				out = append(out, fmt.Sprint(r.Kind, " ", r.Plant, "/", r.ID, " ", r.GetNumber(), " ", r.GetAction()))
			}
			return out
		}
		tells(b, "changes", of("g1", "r", noon+1), []string{"4 p/e 1 CREATED", "4 p/e 2 UPDATED", "5 p/m 1 CREATED"})
		for _, other := range [][]string{of("g2", "r", 0), of("g1", "R", 0), of("g1", "r", noon+2)} {
			if len(other) > 0 {
				b.Errorf("changes of another call: %v", other)
			}
		}
		f := get(b, func(c *store.Collection) (*pb.Feeding, error) { return c.Feeding("p", "e") })
		if n := store.LastRevision(f.GetEtag()); n != 2 {
			b.Errorf("the etag %s is of change %d", f.GetEtag(), n)
		}
		for _, etag := range []string{"", "x", `"-x"`} {
			if n := store.LastRevision(etag); n != 0 {
				b.Errorf("the etag %q is of change %d", etag, n)
			}
		}
	})
}

func TestRequests(t *testing.T) {
	each(t, func(b bed) {
		b.claim("g1", asked("m", "id", "", 0), "a", "b")
		b.claim("g1", asked("n", "id", "", 5), "c")
		b.claim("g1", asked("m", "other", "", 5), "d")
		b.claim("g2", asked("m", "id", "", 5), "e")
		for us, want := range map[int64]int{noon: 2, noon + 1: 1, noon + 6: 0} {
			b.read(func(tx *store.Tx) error {
				all, err := tx.Grower("g1").Requests("id", us)
				if len(all) != want || want > 0 && all[want-1].Names[0] != "c" || want == 2 && (len(all[0].Names) != 2 || all[0].Us != noon) {
					b.Errorf("since %d: %v", us-noon, all)
				}
				return err
			})
		}
	})
}

func TestPlantsOn(t *testing.T) {
	each(t, func(b bed) {
		b.benches("b1", "b2")
		b.plants("stands", "dead", "deleted", "left", "never")
		b.in(func(c *store.Collection) error {
			for id, s := range map[string]store.Standing{
				"stands": {Bench: "b1", State: pb.Plant_GROWING}, "dead": {Bench: "b1", State: pb.Plant_DEAD},
				"deleted": {Bench: "b1", State: pb.Plant_GROWING}, "left": {Bench: "b2", State: pb.Plant_GROWING},
			} {
				s.Quantity = 1
				if _, err := c.Settle(id, s, at(1)); err != nil {
					return err
				}
			}
			_, err := c.DeletePlant("deleted", at(2), noon, agree)
			return err
		})
		got := map[string]bool{}
		for _, p := range get(b, func(c *store.Collection) ([]*store.Plant, error) { return c.PlantsOn("b1") }) {
			got[p.ID] = p.Living
		}
		tells(b, "plants", got, map[string]bool{"stands": true, "dead": false})
	})
}
