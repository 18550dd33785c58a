package store_test

import (
	"fmt"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

func TestDue(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c", "d")
		before := b.plant("a")
		decision := &pb.DueFeeding{
			Plant: "collections/c1/plants/a", Tag: "ẞ'", ScientificName: "Drosera × obovata", Bench: "collections/c1/benches/b1",
			Status: pb.DueFeeding_HELD, CoverDate: proto.String("2026-03-01"), DueFromDate: proto.String("2026-03-02"),
			DueLastDate: proto.String("9999-12-31"), FeedDate: proto.String("2026-03-04"), Traps: 5_000_000, MaxItemLengthMm: proto.Float64(0.1),
			Foods: []string{"foods/a", "foods/b"}, Instructions: []pb.DueFeeding_Instruction{pb.DueFeeding_CUT_STALK, pb.DueFeeding_FED_TODAY},
			Reasons: []*pb.DueFeeding_Reason{
				{Code: pb.DueFeeding_Reason_ON_HOLD, Message: "On hold: \"why\".", FromDate: proto.String("2026-02-01"), UntilDate: proto.String("2026-03-05")}, {},
			},
			AsOfDate: "2026-03-01",
		}
		all := map[string]*store.Due{
			"a": {
				Sizes: &pb.Plant_Sizes{
					RosetteDiameterMm: proto.Float64(0.1 + 0.2), HeightMm: proto.Float64(10_000), TrapWidthMm: proto.Float64(5e-324),
					WorkingTraps: proto.Int32(0), LeafCount: proto.Int32(1_000_000), MeasureTime: stampOf(-1),
				},
				LastFeedUs: proto.Int64(0), PendingUs: proto.Int64(-7), AsOfDate: "0001-01-01", Settings: 1 << 40, Catalogue: "2026.1", Decision: decision,
			},
			"b": {AsOfDate: "2026-03-01", Decision: &pb.DueFeeding{}},
			"c": {Sizes: &pb.Plant_Sizes{MeasureTime: stampOf(0)}}, // not there, so without a decision
		}
		kept := func(ids ...string) map[string]*store.Due {
			b.Helper()
			return get(b, func(c *store.Collection) (map[string]*store.Due, error) { return c.KeptDue(ids) })
		}
		b.in(func(c *store.Collection) error { return c.KeepDue(nil) })
		tells(b, "nothing yet", kept("a", "b"), map[string]*store.Due{})
		b.in(func(c *store.Collection) error { return c.KeepDue(all) })
		tells(b, "what is kept", kept("a", "b", "c", "d", "e", "a"), all)
		tells(b, "of one", kept("b"), map[string]*store.Due{"b": all["b"]})
		tells(b, "of none", kept(), map[string]*store.Due{})

		// What is kept later takes the place of all of it.
		swapped := map[string]*store.Due{"a": all["c"], "c": all["a"]}
		b.in(func(c *store.Collection) error { return c.KeepDue(swapped) })
		tells(b, "after a change", kept("a", "b", "c"), map[string]*store.Due{"a": all["c"], "b": all["b"], "c": all["a"]})

		tells(b, "the plant, whose etag is the same", b.plant("a"), before)
		b.refusedIn(store.ErrReference, func(c *store.Collection) error { return c.KeepDue(map[string]*store.Due{"a": {}, "e": {}}) })
		tells(b, "after a refusal", kept("a"), map[string]*store.Due{"a": all["c"]})
	})
}

func TestHistories(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c", "gone")
		// Ids do not follow time, and several have one time.
		var feedings []*pb.Feeding
		var observations []*pb.Observation
		for n, us := range []int64{3, 1, 2, 1, -5, 3, 1} {
			for _, plant := range []string{"b", "a"} {
				id := fmt.Sprint("e", (n*3)%7)
				feedings = append(feedings, fed(plant, id, us))
				observations = append(observations, seen(plant, id, us, repotted()))
			}
		}
		b.feed(feedings...)
		b.observe(observations...)
		b.feed(fed("gone", "f", noon))
		b.in(func(c *store.Collection) error {
			if _, err := c.DeleteFeeding("a", "e0", at(1), agree); err != nil {
				return err
			}
			if _, err := c.DeleteObservation("a", "e3", at(1), agree); err != nil {
				return err
			}
			_, err := c.DeletePlant("gone", at(1), noon, agree)
			return err
		})
		// Times of e0, e3, e6, e2, e5, e1, e4 are 3, 1, 2, 1, -5, 3, 1.
		order := []string{"e5", "e2", "e3", "e4", "e6", "e0", "e1"}
		type ids struct{ fed, seen []string }
		look := func(of []string) map[string]ids {
			b.Helper()
			out := map[string]ids{}
			for plant, h := range get(b, func(c *store.Collection) (map[string]*store.History, error) { return c.Histories(of) }) {
				var all ids
				for _, m := range h.Feedings {
					all.fed = append(all.fed, store.Segment(m.GetName(), "feedings"))
					tells(b, "a feeding", m, b.feeding(plant, store.Segment(m.GetName(), "feedings")))
				}
				for _, m := range h.Observations {
					all.seen = append(all.seen, store.Segment(m.GetName(), "observations"))
					tells(b, "an observation", m, b.observation(plant, store.Segment(m.GetName(), "observations")))
				}
				out[plant] = all
			}
			return out
		}
		without := func(id string) (rest []string) {
			for _, other := range order {
				if other != id {
					rest = append(rest, other)
				}
			}
			return rest
		}
		a, bb, gone := ids{without("e0"), without("e3")}, ids{order, order}, ids{fed: []string{"f"}}
		check := func(of []string, want map[string]ids) {
			b.Helper()
			got := look(of)
			if fmt.Sprint(got) != fmt.Sprint(want) {
				b.Errorf("histories of %q:\n%v\nwant\n%v", of, got, want)
			}
		}
		check(nil, map[string]ids{"a": a, "b": bb, "gone": gone})
		check([]string{}, map[string]ids{})
		check([]string{"c", "x", ""}, map[string]ids{})
		check([]string{"b", "c", "a", "b"}, map[string]ids{"a": a, "b": bb})
		// An id that is asked for again and again, in more than one statement.
		often := slices.Repeat([]string{"a", "b"}, 600)
		check(often, map[string]ids{"a": a, "b": bb})
		b.in(retag("a", "x", 2))
		former := get(b, func(c *store.Collection) (map[string][]string, error) { return c.FormerTags(often) })
		tells(b, "former tags", former, map[string][]string{"a": {"a"}})
		some := get(b, func(c *store.Collection) ([]string, error) {
			return c.FeedingIDs("a", slices.Repeat([]string{"e1", "e2"}, 600))
		})
		slices.Sort(some)
		tells(b, "ids", some, []string{"e1", "e2"})
	})
}

func TestPending(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c", "d")
		keep := func(us map[string]*int64) {
			b.Helper()
			all := map[string]*store.Due{}
			for id, us := range us {
				all[id] = &store.Due{PendingUs: us}
			}
			b.in(func(c *store.Collection) error {
				if err := c.KeepDue(all); err != nil {
					return err
				}
				return c.KeepPending()
			})
		}
		check := func(first *int64, want ...string) {
			b.Helper()
			tells(b, "the first", get(b, func(c *store.Collection) (*int64, error) { return c.PendingUs(), nil }), first)
			got := get(b, func(c *store.Collection) ([]string, error) { return c.Pending(noon+3, 3) })
			if !slices.Equal(got, want) {
				b.Errorf("pending are %q, want %q", got, want)
			}
		}
		etag := b.plant("a").GetEtag()
		check(nil)
		keep(map[string]*int64{"a": proto.Int64(noon + 2), "b": proto.Int64(noon + 1), "c": proto.Int64(noon + 3), "d": nil})
		check(proto.Int64(noon+1), "b", "a")
		keep(map[string]*int64{"b": nil})
		check(proto.Int64(noon+2), "a")
		keep(map[string]*int64{"d": proto.Int64(noon - 9), "b": proto.Int64(noon - 8), "c": proto.Int64(noon)})
		check(proto.Int64(noon-9), "d", "b", "c") // a page of them
		keep(map[string]*int64{"a": nil, "b": nil, "c": nil, "d": nil})
		check(nil)
		tells(b, "the etag of the plant", b.plant("a").GetEtag(), etag)
	})
}

func TestRecorded(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c")
		b.feed(fed("a", "e", noon), fed("a", "f", noon+1), fed("b", "e", noon-1), fed("c", "e", noon+2), fed("c", "void", noon))
		b.observe(seen("b", "e", noon+1, repotted()), seen("a", "late", noon+9, repotted()))
		b.in(func(c *store.Collection) error { _, err := c.DeleteFeeding("c", "void", at(1), agree); return err })
		got := get(b, func(c *store.Collection) (map[string][]int64, error) { return c.Recorded(noon, noon+2) })
		for _, all := range got {
			slices.Sort(all)
		}
		tells(b, "records", got, map[string][]int64{"a": {noon, noon + 1}, "b": {noon + 1}})
	})
}
