package store_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
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
		all := map[string]*store.Due{
			"a": {
				Sizes: &pb.Plant_Sizes{
					RosetteDiameterMm: proto.Float64(0.1 + 0.2), HeightMm: proto.Float64(10_000), TrapWidthMm: proto.Float64(5e-324),
					WorkingTraps: proto.Int32(0), LeafCount: proto.Int32(1_000_000), MeasureTime: stampOf(-1),
				},
				LastFeedUs: proto.Int64(0), PendingUs: proto.Int64(-7), From: math.MinInt32, Until: store.NoDay, Class: store.DueHeld, DueFrom: -3, DueLast: 4,
				BenchWalk: store.NoWalk, PlantWalk: 7, TagKey: "ẞ'", Traps: 5_000_000, Decision: []byte{0, 1, 255, 0}, Record: []byte("rec\x00ord"), Settings: 1,
			},
			"b": {From: 20_000, Until: 20_001, Decision: []byte{0}, Settings: 1},
			"c": {Sizes: &pb.Plant_Sizes{MeasureTime: stampOf(0)}, Settings: 1}, // not there, so without a decision
		}
		kept := func(ids ...string) map[string]*store.Due {
			b.Helper()
			return get(b, func(c *store.Collection) (map[string]*store.Due, error) { return c.KeptDue(ids) })
		}
		b.in(func(c *store.Collection) error { return c.KeepDue("v1", nil) })
		tells(b, "nothing yet", kept("a", "b"), map[string]*store.Due{})
		b.in(func(c *store.Collection) error { return c.KeepDue("v1", all) })
		tells(b, "what is kept", kept("a", "b", "c", "d", "e", "a"), all)
		tells(b, "of one", kept("b"), map[string]*store.Due{"b": all["b"]})
		tells(b, "of none", kept(), map[string]*store.Due{})

		// What is kept later takes the place of all of it.
		swapped := map[string]*store.Due{"a": all["c"], "c": all["a"]}
		b.in(func(c *store.Collection) error { return c.KeepDue("v1", swapped) })
		tells(b, "after a change", kept("a", "b", "c"), map[string]*store.Due{"a": all["c"], "b": all["b"], "c": all["a"]})

		tells(b, "the plant, whose etag is the same", b.plant("a"), before)
		b.refusedIn(store.ErrReference, func(c *store.Collection) error { return c.KeepDue("v1", map[string]*store.Due{"a": {}, "e": {}}) })
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
		some := get(b, func(c *store.Collection) (map[string]*pb.Feeding, error) {
			return c.FeedingsByName(slices.Repeat([]string{store.FeedingName("c1", "a", "e1"), store.FeedingName("c1", "a", "e2")}, 600))
		})
		tells(b, "those that are there", slices.Sorted(maps.Keys(some)), []string{store.FeedingName("c1", "a", "e1"), store.FeedingName("c1", "a", "e2")})
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
				if err := c.KeepDue("v1", all); err != nil {
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

// keepOf keeps what is due of plants: class, window, walk orders and traps, true of the
// days 10 to 19.
func keepOf(version string, all map[string]store.Due) func(*store.Collection) error {
	return func(c *store.Collection) error {
		rows := map[string]*store.Due{}
		for id, d := range all {
			if d.Until == 0 {
				d.From, d.Until = 10, 20
			}
			d.Decision, d.Record = []byte(id), []byte("record of "+id)
			rows[id] = &d
		}
		return c.KeepDue(version, rows)
	}
}

func TestTrue(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c")
		check := func(version string, day int32, all bool, untrue ...string) {
			b.Helper()
			got := get(b, func(c *store.Collection) (bool, error) { return c.AllTrue(version, day), nil })
			n := get(b, func(c *store.Collection) (int, error) { return c.CountUntrue(version, day) })
			if got != all || n != len(untrue) {
				b.Errorf("version %s, day %d: all true %v, %d are not; want %v, %q", version, day, got, n, all, untrue)
			}
			plants, kept, err := []*store.Plant(nil), []*store.Due(nil), error(nil)
			b.look(func(c *store.Collection) error {
				plants, kept, err = c.DuePlants(version, day, noon, false)
				return err
			})
			var found []string
			for i, p := range plants {
				switch d := kept[i]; {
				case d == nil, !get(b, func(c *store.Collection) (bool, error) { return c.True(d, version, day), nil }):
					found = append(found, p.ID)
					if d != nil && string(d.Record) != "record of "+p.ID {
						b.Errorf("record %q of %s", d.Record, p.ID)
					}
				case d.Record != nil || string(d.Decision) != p.ID:
					b.Errorf("%s has record %q and decision %q", p.ID, d.Record, d.Decision)
				}
			}
			if !slices.Equal(found, untrue) {
				b.Errorf("version %s, day %d: not true of %q, want %q", version, day, found, untrue)
			}
		}
		check("v1", 10, true, "a", "b", "c") // nothing is kept, as the bed makes plants without; a server keeps with them
		b.in(keepOf("v1", map[string]store.Due{"a": {Class: 1}, "b": {Class: 2}, "c": {Class: 1, From: 12, Until: 15}}))
		check("v1", 12, true)
		check("v1", 14, true)
		check("v1", 15, false, "c")
		check("v1", 11, false, "c")
		check("v1", 9, false, "a", "b", "c")
		check("v2", 12, false, "a", "b", "c")

		// A change of what decides.
		b.in(func(c *store.Collection) error {
			_, err := c.Update(at(2), func(m *pb.Collection) error { m.DisplayName = "other"; return nil })
			return err
		})
		check("v1", 12, true) // a name decides nothing
		b.in(func(c *store.Collection) error {
			_, err := c.Update(at(3), func(m *pb.Collection) error { m.Hemisphere = pb.Collection_SOUTH; return nil })
			return err
		})
		check("v1", 12, false, "a", "b", "c")
		b.in(keepOf("v1", map[string]store.Due{"b": {Class: 1}}))
		check("v1", 12, false, "a", "c")
		ids := func(version string, want ...string) {
			b.Helper()
			var got []string
			b.in(func(c *store.Collection) (err error) {
				if err := c.TakeOver(version); err != nil {
					return err
				}
				got, err = c.Untrue(12, "", 2)
				return err
			})
			if !slices.Equal(got, want) {
				b.Errorf("not true of %q, want %q", got, want)
			}
		}
		ids("v1", "a", "c")
		b.in(func(c *store.Collection) error {
			got, err := c.Untrue(12, "a", 2)
			if !slices.Equal(got, []string{"c"}) {
				b.Errorf("after a: %q", got)
			}
			return err
		})
		b.in(keepOf("v1", map[string]store.Due{"a": {}, "c": {}}))
		check("v1", 12, false) // not noted yet
		ids("v1")
		b.in(func(c *store.Collection) error { return c.NowTrue() })
		check("v1", 12, true)
		check("v1", 20, false, "a", "b", "c")

		// Another version of the program writes beside the one that keeps what is due.
		b.in(keepOf("v2", map[string]store.Due{"a": {}}))
		check("v1", 12, false, "a")
		check("v2", 12, false, "a", "b", "c")
		// Then it takes over.
		ids("v2", "a", "b")
		check("v1", 12, false, "a", "b", "c")
		b.in(keepOf("v2", map[string]store.Due{"a": {}, "b": {}, "c": {}}))
		ids("v2")
		b.in(func(c *store.Collection) error { return c.NowTrue() })
		check("v2", 12, true)
		check("v1", 12, false, "a", "b", "c")

		others := func(version string, takeOver bool, day int32, want ...string) {
			b.Helper()
			var got []string
			err := b.s.Read(b.Context(), func(tx *store.Tx) (err error) {
				got, err = tx.UntrueCollections(version, day, takeOver, "", 5)
				return err
			})
			if err != nil || !slices.Equal(got, want) {
				b.Errorf("collections %q, %v; want %q", got, err, want)
			}
		}
		others("v2", false, 12)
		others("v2", false, 20, "c1")
		others("v2", true, 9, "c1")
		others("v1", true, 12, "c1")
		others("v1", false, 20) // another version keeps it
	})
}

func TestAged(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c")
		b.in(keepOf("v1", map[string]store.Due{"a": {Class: 1}, "b": {Class: 2, From: 12, Until: 15}, "c": {From: 10, Until: store.NoDay}}))
		check := func(version string, day int32, want ...string) {
			b.Helper()
			var got []string
			var ok bool
			b.look(func(c *store.Collection) (err error) { got, ok, err = c.Aged(version, day, 2); return err })
			slices.Sort(got)
			if ok != (version == "v1") || !slices.Equal(got, want) {
				b.Errorf("version %s, day %d: aged %q, %v; want %q", version, day, got, ok, want)
			}
		}
		check("v1", 12)
		check("v1", 11, "b")
		check("v1", 16, "b")
		check("v1", 25, "a", "b")
		check("v2", 12)
		b.in(func(c *store.Collection) error {
			_, err := c.Update(at(3), func(m *pb.Collection) error { m.Hemisphere = pb.Collection_SOUTH; return nil })
			return err
		})
		b.look(func(c *store.Collection) error {
			if _, ok, err := c.Aged("v1", 12, 2); ok || err != nil {
				b.Errorf("after a change of what decides: ok %v, %v", ok, err)
			}
			return nil
		})
	})
}

func TestDuePage(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c", "d", "e", "f", "g", "h")
		b.in(func(c *store.Collection) error {
			_, err := c.CreateBench(&pb.Bench{Name: store.BenchName(c.ID(), "other"), DisplayName: "other"}, at(2))
			if err != nil {
				return err
			}
			_, err = c.Settle("b", store.Standing{Bench: "other", Quantity: 1, State: pb.Plant_GROWING}, at(2))
			return err
		})
		const none = store.NoDay
		b.in(keepOf("v1", map[string]store.Due{
			"a": {Class: store.DueOpen, DueFrom: 8, DueLast: 12, Traps: 1},
			"b": {Class: store.DueOpen, DueFrom: 11, DueLast: 12, Traps: 2, BenchWalk: 3},
			"c": {Class: store.DueOpen, DueFrom: 10, DueLast: 12, Traps: 4, BenchWalk: 3, PlantWalk: 1},
			"d": {Class: store.DueOpen, DueFrom: 13, DueLast: 16, Traps: 8, TagKey: "z"},
			"e": {Class: store.DueOpen, DueFrom: 13, DueLast: 16, Traps: 16, TagKey: "A"},
			"f": {Class: store.DueHeld, DueFrom: none, DueLast: none, Traps: 32},
			"g": {Class: store.DueOpen, DueFrom: none, DueLast: none, Traps: 64},
			"h": {Class: store.DueNotHandFed, DueFrom: none, DueLast: none},
		}))
		// Of the days: the plants by status, OVERDUE first.
		for _, test := range []struct {
			day, horizon int32
			want         [6]string
		}{
			{10, 3, [6]string{"", "ac", "bed", "f", "g", "h"}},
			{10, 2, [6]string{"", "ac", "b", "f", "edg", "h"}},
			{12, 0, [6]string{"", "abc", "", "f", "edg", "h"}},
			{13, 7, [6]string{"abc", "ed", "", "f", "g", "h"}},
			{17, 7, [6]string{"abced", "", "", "f", "g", "h"}},
			{17, math.MaxInt32, [6]string{"abced", "", "", "f", "g", "h"}},
		} {
			traps := map[string]int64{"a": 1, "b": 2, "c": 4, "d": 8, "e": 16, "f": 32, "g": 64}
			q := store.DueQuery{Statuses: dueStatuses, Day: test.day, Horizon: test.horizon}
			totals := map[pb.DueFeeding_Status]store.DueTotal{}
			for _, n := range get(b, func(c *store.Collection) ([]store.DueTotal, error) { return c.DueTotals(q) }) {
				totals[n.Status] = n
			}
			for i, status := range dueStatuses {
				want := store.DueTotal{Status: status, Plants: int64(len(test.want[i]))}
				for _, id := range test.want[i] {
					want.Traps += traps[string(id)]
				}
				if totals[status] != want {
					b.Errorf("day %d, horizon %d: totals of %s are %v, want %v", test.day, test.horizon, status, totals[status], want)
				}
			}
			// In pages, of each choice of statuses.
			for choice := 1; choice < 1<<len(dueStatuses); choice++ {
				var statuses []pb.DueFeeding_Status
				want := ""
				for i, status := range dueStatuses {
					if choice&(1<<i) != 0 {
						statuses, want = append(statuses, status), want+test.want[i]
					}
				}
				for _, size := range []int{1, 2, 3, 100}[choice%4:][:1] {
					got := ""
					q := store.DueQuery{Statuses: statuses, Day: test.day, Horizon: test.horizon, Limit: size}
					for more := true; more; {
						page := get(b, func(c *store.Collection) ([]store.DueEntry, error) { return c.DuePage(q) })
						more = len(page) > 0
						for i := range page {
							e := &page[i]
							got += e.Key.Plant
							q.After = &e.Key
							if e.Tag != e.Key.Plant || string(e.Decision) != e.Key.Plant || e.From != 10 || e.Key.Status != e.Status {
								b.Errorf("entry %v", e)
							}
						}
					}
					if got != want {
						b.Errorf("day %d, horizon %d, pages of %d: %v are %q, want %q", test.day, test.horizon, size, statuses, got, want)
					}
				}
			}
		}
		for _, test := range []struct {
			where []store.Condition
			want  string
		}{
			{[]store.Condition{{Field: "bench", Op: "=", Value: "other"}}, "b"},
			{[]store.Condition{{Field: "bench", Op: "!=", Value: "other"}}, "aced"},
			{[]store.Condition{{Field: "bench", Op: "=", Value: ""}, {Field: "tag", Op: "!=", Value: " E"}}, "acd"},
			{[]store.Condition{{Field: "tag", Op: "=", Value: "D "}}, "d"},
			{[]store.Condition{{Field: "taxon", Op: "=", Value: "taxa/x"}}, ""},
			{[]store.Condition{{Field: "taxon", Op: "!=", Value: "taxa/x"}}, "abced"},
		} {
			got := ""
			q := store.DueQuery{Statuses: dueStatuses[:1], Day: 18, Limit: 9, Where: test.where}
			for _, e := range get(b, func(c *store.Collection) ([]store.DueEntry, error) { return c.DuePage(q) }) {
				got += e.Key.Plant
			}
			if got != test.want {
				b.Errorf("%v: %q, want %q", test.where, got, test.want)
			}
		}
		// From a key on, with the plant of the key itself.
		from := store.DueQuery{
			Statuses: dueStatuses, Day: 18, Limit: 1, From: true, After: &store.DueKey{Status: pb.DueFeeding_OVERDUE, Last: 12, BenchWalk: 3, Plant: "b"},
		}
		if all := get(b, func(c *store.Collection) ([]store.DueEntry, error) { return c.DuePage(from) }); len(all) != 1 || all[0].Key.Plant != "b" {
			b.Errorf("from b: %v", all)
		}

		// The same in one round trip.
		b.write(func(tx *store.Tx) error {
			_, err := tx.Grower("g1").CreateToken(&pb.Token{Name: store.TokenName("g1", "t1")}, []byte("hash"), noon)
			return err
		})
		q := store.DueQuery{Statuses: dueStatuses, Day: 13, Horizon: 7, Limit: 6}
		now, err := b.s.DueNow(b.Context(), "c1", "g1", "t1", []byte("hash"), q, true)
		if b.s.Engine() == store.SQLite {
			if !errors.Is(err, store.ErrLong) {
				b.Errorf("got error %v", err)
			}
			return
		}
		if err != nil {
			b.Fatal(err)
		}
		tells(b, "the page", now.Entries, get(b, func(c *store.Collection) ([]store.DueEntry, error) { return c.DuePage(q) }))
		tells(b, "the totals", now.Totals, get(b, func(c *store.Collection) ([]store.DueTotal, error) { return c.DueTotals(q) }))
		if !now.AllTrue("v1", 12) || now.AllTrue("v1", 20) || now.TimeZone() != "UTC" || now.Deleted() {
			b.Errorf("all true %v, %v; zone %s", now.AllTrue("v1", 12), now.AllTrue("v1", 20), now.TimeZone())
		}
		if now, err = b.s.DueNow(b.Context(), "c1", "g1", "t1", []byte("hash"), store.DueQuery{}, false); err != nil || len(now.Entries)+len(now.Totals) > 0 {
			b.Errorf("nothing was asked: %v, %v", now, err)
		}
		if now.Bearer.Revoked || now.Bearer.Suspended || now.Bearer.ExpireUs != nil {
			b.Errorf("bearer %v", now.Bearer)
		}
		if now, err = b.s.DueNow(b.Context(), "none", "g1", "t1", []byte("hash"), q, false); err != nil || now.Collection != nil {
			b.Errorf("a collection that is not there: %v, %v", now, err)
		}
		if _, err := b.s.DueNow(b.Context(), "c1", "g2", "t1", []byte("hash"), q, false); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("a token that is not there: error %v", err)
		}
		if _, err := b.s.DueNow(b.Context(), "c1", "g1", "t1", []byte("other"), q, false); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("a secret that is none of the token's: error %v", err)
		}
		b.write(func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RevokeToken("t1", 7, agree)
			return err
		})
		if now, err = b.s.DueNow(b.Context(), "c1", "g1", "t1", []byte("hash"), q, false); err != nil || !now.Bearer.Revoked {
			b.Errorf("a token that was revoked: %v, %v", now, err)
		}
		over, cancel := context.WithCancel(b.Context())
		cancel()
		for range 20 { // a connection that was left in the middle is not used again
			if _, err := b.s.DueNow(over, "c1", "g1", "t1", []byte("hash"), q, true); !errors.Is(err, context.Canceled) {
				b.Errorf("got error %v", err)
			}
			if _, err := b.s.DueNow(b.Context(), "c1", "g1", "t1", []byte("hash"), store.DueQuery{Statuses: dueStatuses, Horizon: 3, Limit: -1}, true); err == nil {
				b.Error("a page of -1 rows")
			}
			if _, err := b.s.DueNow(b.Context(), "c1", "g1", "t1", []byte("hash"), q, true); err != nil {
				b.Error(err)
			}
		}
	})
}
