package store_test

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

func (b bed) observe(all ...*pb.Observation) []*pb.Observation {
	b.Helper()
	return put(b, func(c *store.Collection) ([]*pb.Observation, error) { return c.CreateObservations(all, at(0)) })
}

func (b bed) observation(plant, id string) *pb.Observation {
	b.Helper()
	return get(b, func(c *store.Collection) (*pb.Observation, error) { return c.Observation(plant, id) })
}

// facts is at least one of each kind, by the name of its kind, at the edges of what
// the contract allows.
func facts() map[string][]*pb.Observation {
	type o = pb.Observation
	long := strings.Repeat("🌱", 1000)
	stalks := []*o{}
	for n := range pb.Observation_Stalk_name {
		stalks = append(stalks, &o{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_Stalk(n)}})
	}
	ends := []*o{{Fact: &pb.Observation_End_{End: &pb.Observation_End{State: pb.Observation_End_GIVEN_AWAY, Cause: long, Recipient: long}}}}
	for n := range pb.Observation_End_State_name {
		ends = append(ends, &o{Fact: &pb.Observation_End_{End: &pb.Observation_End{State: pb.Observation_End_State(n)}}})
	}
	return map[string][]*o{
		"measurement": {
			{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{}}},
			{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{WorkingTraps: proto.Int32(0)}}},
			{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{LeafCount: proto.Int32(0)}}},
			{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{
				RosetteDiameterMm: proto.Float64(math.SmallestNonzeroFloat64), HeightMm: proto.Float64(10_000), TrapWidthMm: proto.Float64(0.1 + 0.2),
				WorkingTraps: proto.Int32(1_000_000), LeafCount: proto.Int32(1_000_000),
			}}},
		},
		"stalk": stalks,
		"catchSurvey": {
			{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{}}},
			{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{TrapsExamined: 1_000_000, PreyFound: 999_999}}},
		},
		"count":     {{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: 100_000}}}},
		"end":       ends,
		"move":      {moved("b1")},
		"repotting": {repotted()},
		"restStart": {{Fact: &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}}},
		"restEnd":   {{Fact: &pb.Observation_RestEnd_{RestEnd: &pb.Observation_RestEnd{}}}},
		"hold": {
			{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{}}},
			{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: long, UntilDate: proto.String("9999-12-31")}}},
		},
		"treatment": {
			{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{}}},
			{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: long, Product: "soap's", UntilDate: proto.String("2026-03-02")}}},
		},
		"health": {{Fact: &pb.Observation_Health_{Health: &pb.Observation_Health{Text: strings.Repeat("ẞ", 4000)}}}},
	}
}

func TestObservationOfEachKind(t *testing.T) {
	// A kind that the contract gets later is missed here.
	kinds := (&pb.Observation{}).ProtoReflect().Descriptor().Oneofs().ByName("fact").Fields()
	for i := range kinds.Len() {
		if _, ok := facts()[kinds.Get(i).JSONName()]; !ok {
			t.Errorf("no case of %s", kinds.Get(i).JSONName())
		}
	}
	each(t, func(b bed) {
		b.plants("p")
		b.benches("b1")
		for kind, all := range facts() {
			for n, m := range all {
				id := fmt.Sprint(strings.ToLower(kind), "-", n)
				want := seen("p", id, noon, m)
				want.Note = strings.Repeat("ä", 4000)
				made := b.observe(want)[0]
				want.Plant, want.Recorder, want.Etag = "collections/c1/plants/p", "growers/g1", made.GetEtag()
				want.CreateTime, want.UpdateTime = stampOf(noon), stampOf(noon)
				tells(b, "made", made, want)
				tells(b, "read", b.observation("p", id), want)
				// Of what it was before nothing is left when it becomes another kind.
				for i, other := range []*pb.Observation{repotted(), facts()["hold"][0], m} {
					changed := put(b, func(c *store.Collection) (*pb.Observation, error) {
						return c.UpdateObservation("p", id, at(1), func(o *pb.Observation) error {
							o.Fact, o.Note = proto.CloneOf(other).Fact, fmt.Sprint("change ", i)
							return nil
						})
					})
					want.Fact, want.Note, want.Etag, want.UpdateTime = other.Fact, fmt.Sprint("change ", i), changed.GetEtag(), stampOf(noon+1)
					tells(b, "changed", b.observation("p", id), want)
				}
			}
		}
	})
}

func TestObservationErrors(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		b.observe(seen("p", "a", noon, repotted()))
		create := func(all ...*pb.Observation) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.CreateObservations(all, at(1))
				return err
			}
		}
		b.in(create())
		b.in(create(seen("q", "a", noon, repotted()))) // ids are the plant's
		b.refusedIn(store.ErrExists, create(seen("p", "b", noon, repotted()), seen("p", "a", noon, repotted())))
		b.refusedIn(store.ErrExists, create(seen("p", "b", noon, repotted()), seen("p", "b", noon, repotted())))
		b.refusedIn(store.ErrReference, create(seen("r", "b", noon, repotted())))
		b.refusedIn(store.ErrReference, create(seen("p", "b", noon, moved("none"))))
		err := b.s.Write(b.Context(), within("c1", create(seen("p", "b", noon, &pb.Observation{}))))
		if err == nil {
			b.Error("an observation of nothing was kept")
		}
		names := []string{
			store.ObservationName("c1", "p", "a"), store.ObservationName("c1", "p", "b"), store.ObservationName("c1", "p", "a"), store.ObservationName("c1", "q", "a"),
			store.ObservationName("c1", "q", "A"), store.ObservationName("c1", "q", ""), store.ObservationName("c1", "r", "a"),
		}
		byName := func() []string {
			found := get(b, func(c *store.Collection) (map[string]*pb.Observation, error) { return c.ObservationsByName(names) })
			for name, m := range found {
				tells(b, "name", m.GetName(), name)
			}
			return slices.Sorted(maps.Keys(found))
		}
		tells(b, "those that are there", byName(), []string{names[0], names[3]})
	})
}

// What a newer program saw is not made into something else.
func TestObservationOfNewerKind(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p")
		b.observe(seen("p", "a", noon, repotted()))
		b.write(func(tx *store.Tx) error {
			return tx.Q().Exec("UPDATE observations SET kind = 99 WHERE collection_id = ? AND plant_id = 'p'", "c1").Error
		})
		b.refusedIn(store.ErrNewer, func(c *store.Collection) error { _, err := c.Observation("p", "a"); return err })
		b.refusedIn(store.ErrNewer, func(c *store.Collection) error {
			_, _, err := c.Observations("p", store.List{Limit: big})
			return err
		})
		b.refusedIn(store.ErrNewer, func(c *store.Collection) error { _, err := c.Histories(nil); return err })
		b.refusedIn(store.ErrNewer, func(c *store.Collection) error { _, err := c.UpdateObservation("p", "a", at(1), agree); return err })
	})
}

func TestReassignObservation(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		b.observe(seen("p", "a", noon, repotted()), seen("q", "taken", noon, repotted()), seen("p", "taken", noon, repotted()))
		stood := b.observation("p", "a")
		reassign := func(plant, id, to string) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.ReassignObservation(plant, id, to, at(2), agree)
				return err
			}
		}
		b.refusedIn(store.ErrNotFound, reassign("p", "b", "q"))
		b.refusedIn(store.ErrNotFound, reassign("q", "a", "p"))
		b.refusedIn(store.ErrReference, reassign("p", "a", "none"))
		b.refusedIn(store.ErrExists, reassign("p", "taken", "q"))
		b.refusedIn(errMine, func(c *store.Collection) error {
			_, err := c.ReassignObservation("p", "a", "q", at(2), func(m *pb.Observation) error { m.Note = "never"; return errMine })
			return err
		})
		tells(b, "after refusals", b.observation("p", "a"), stood)
		moved := put(b, func(c *store.Collection) (*pb.Observation, error) {
			return c.ReassignObservation("p", "a", "q", at(2), func(m *pb.Observation) error {
				tells(b, "what the change gets", m, stood)
				m.Note = "moved"
				return nil
			})
		})
		want := proto.CloneOf(stood)
		want.Name, want.Plant, want.Note = "collections/c1/plants/q/observations/a", "collections/c1/plants/q", "moved"
		want.UpdateTime, want.Etag = stampOf(noon+2), moved.GetEtag()
		tells(b, "reassigned", moved, want)
		tells(b, "read", b.observation("q", "a"), want)
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.Observation("p", "a"); return err })
		b.look(func(c *store.Collection) error {
			old, _, err1 := c.Revisions(store.ObservationKind, "p", "a", store.List{Limit: big})
			all, _, err2 := c.Revisions(store.ObservationKind, "q", "a", store.List{Limit: big})
			if len(old) != 0 || len(all) != 2 {
				b.Fatalf("%d revisions stayed and %d came along", len(old), len(all))
			}
			if all[1].GetAction() != pb.Revision_REASSIGNED {
				b.Errorf("the last was %s", all[1].GetAction())
			}
			tells(b, "what stood before", all[1].GetObservation(), stood)
			return errors.Join(err1, err2)
		})
		b.newer("observations", "collection_id = 'c1' AND plant_id = ? AND observation_id = 'a'", "q")
		b.refusedIn(store.ErrNewer, reassign("q", "a", "p"))
	})
}
