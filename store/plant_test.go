package store_test

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

func (b bed) plant(id string) *store.Plant {
	b.Helper()
	return get(b, func(c *store.Collection) (*store.Plant, error) { return c.Plant(id) })
}

// settle sets what follows from observations.
func (b bed) settle(id string, s store.Standing) *store.Plant {
	b.Helper()
	return put(b, func(c *store.Collection) (*store.Plant, error) { return c.Settle(id, s, at(1)) })
}

var (
	growing = store.Standing{Quantity: 1, State: pb.Plant_GROWING}
	dead    = store.Standing{Quantity: 1, State: pb.Plant_DEAD}
)

// retag gives a plant another tag.
func retag(id, tag string, us int64) func(c *store.Collection) error {
	return func(c *store.Collection) error {
		_, err := c.UpdatePlant(id, at(us), func(p *store.Plant) error {
			p.Tag = tag
			return nil
		})
		return err
	}
}

func TestPlantAtTheEdges(t *testing.T) {
	each(t, func(b bed) {
		b.benches("b1")
		all := []*pb.Plant{
			{},
			{WalkOrder: proto.Int32(0), AcquireDate: proto.String("0001-01-01")},
			{WalkOrder: proto.Int32(1_000_000), AcquireDate: proto.String("9999-12-31")},
			{Regimen: &pb.Regimen{}},
			{Regimen: &pb.Regimen{TrapsMax: proto.Int32(1)}, Bench: "collections/c1/benches/b1"},
			{Parents: []string{"collections/c1/plants/n0", "a wild one, <seed> & \"pollen\"", "\u2028", "null"}},
			{Taxon: "taxa/drosera-x-obovata", ScientificName: "Drosera × obovata", Cultivar: "'Ålesund'", Clone: "İı"},
			{Source: strings.Repeat("ß", 1000), Locality: strings.Repeat("🌱", 1000), Cultivar: strings.Repeat("ǰ", 200)},
			{ScientificName: strings.Repeat("𝅘𝅥𝅮", 300)}, // the text that grows most when it is folded, in an index
		}
		for n := range pb.Taxon_TrapType_name {
			all = append(all, &pb.Plant{TrapType: pb.Taxon_TrapType(n)})
		}
		for n := range pb.Taxon_Habit_name {
			all = append(all, &pb.Plant{Habit: pb.Taxon_Habit(n)})
		}
		for n := range pb.Plant_Propagation_name {
			all = append(all, &pb.Plant{Propagation: pb.Plant_Propagation(n)})
		}
		var sent []store.NewPlant
		for n, m := range all {
			m.Name, m.Tag = store.PlantName("c1", fmt.Sprint("n", n)), fmt.Sprintf(" %c-%d", 'Ä', n)
			sent = append(sent, store.NewPlant{Message: m, Kin: store.Kin{Genus: fmt.Sprint("Genus", n)}})
		}
		made := put(b, func(c *store.Collection) ([]*store.Plant, error) { return c.CreatePlants(sent, at(0)) })
		for n, p := range made {
			m := proto.CloneOf(all[n])
			m.Quantity, m.State, m.Etag = 1, pb.Plant_GROWING, p.GetEtag()
			m.CreateTime, m.UpdateTime = stampOf(noon), stampOf(noon)
			want := &store.Plant{
				Plant: m, ID: fmt.Sprint("n", n), Kin: store.Kin{Genus: fmt.Sprint("Genus", n)}, FirstBench: store.Segment(m.GetBench(), "benches"), Living: true,
			}
			tells(b, "made", p, want)
			tells(b, "read", b.plant(p.ID), want)
		}
	})
}

func TestCreatePlantsErrors(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a")
		create := func(all ...store.NewPlant) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.CreatePlants(all, at(1))
				return err
			}
		}
		for name, c := range map[string]struct {
			want error
			all  []store.NewPlant
		}{
			"id taken":             {store.ErrExists, []store.NewPlant{pot("c1", "b", "b"), pot("c1", "a", "another")}},
			"tag taken":            {store.ErrExists, []store.NewPlant{pot("c1", "b", "b"), pot("c1", "c", "a")}},
			"tag taken, folded":    {store.ErrExists, []store.NewPlant{pot("c1", "b", " A ")}},
			"id twice":             {store.ErrExists, []store.NewPlant{pot("c1", "b", "b"), pot("c1", "b", "c")}},
			"tag twice":            {store.ErrExists, []store.NewPlant{pot("c1", "b", "b"), pot("c1", "c", "b")}},
			"tag twice, folded":    {store.ErrExists, []store.NewPlant{pot("c1", "b", "Straße"), pot("c1", "c", "STRASSE")}},
			"tag twice, composed":  {store.ErrExists, []store.NewPlant{pot("c1", "b", "é"), pot("c1", "c", "E\u0301")}},
			"bench that is missed": {store.ErrReference, []store.NewPlant{{Message: &pb.Plant{Name: "collections/c1/plants/b", Bench: "collections/c1/benches/b"}}}},
		} {
			b.Run(name, func(t *testing.T) { bed{t, b.s}.refusedIn(c.want, create(c.all...)) })
		}
		b.in(create()) // none is none
		if n := get(b, (*store.Collection).CountLiving); n != 1 {
			b.Errorf("%d plants, want 1", n)
		}
		// Letters that look alike, and marks that are not of one letter, are not the same.
		b.in(create(pot("c1", "b", "А"), pot("c1", "c", "ä"), pot("c1", "d", "ı"), pot("c1", "e", "i"), pot("c1", "f", "a a"), pot("c1", "g", "a  a")))
	})
}

// More than fit in one statement.
func TestManyPlants(t *testing.T) {
	each(t, func(b bed) {
		const n = 501
		var all []store.NewPlant
		var ids, reversed, tags []string
		for i := range n {
			id := fmt.Sprintf("p%04d", (i*5)%n)
			all = append(all, pot("c1", id, "Tag "+id))
			ids, tags = append(ids, id), append(tags, "TAG "+id)
		}
		made := put(b, func(c *store.Collection) ([]*store.Plant, error) { return c.CreatePlants(all, at(0)) })
		for i, p := range made {
			if p.ID != ids[i] {
				b.Fatalf("plant %d is %s, want %s", i, p.ID, ids[i])
			}
		}
		if n := get(b, (*store.Collection).CountLiving); n != int64(len(all)) {
			b.Errorf("%d plants, want %d", n, len(all))
		}
		reversed = slices.Clone(ids)
		slices.Reverse(reversed)
		byID := get(b, func(c *store.Collection) (map[string]*store.Plant, error) {
			return c.PlantsByID(append(reversed, "none"))
		})
		tells(b, "ids", slices.Sorted(maps.Keys(byID)), slices.Sorted(slices.Values(ids)))
		tagged := get(b, func(c *store.Collection) (map[string][]store.Bearing, error) { return c.Tagged(append(tags, "none")) })
		if len(tagged) != n {
			b.Errorf("%d tags are borne, want %d", len(tagged), n)
		}
		tells(b, "who bears a tag", tagged["tag p0400"], []store.Bearing{{Plant: "p0400", Living: true}})

		dues := map[string]*store.Due{}
		for i, id := range ids {
			dues[id] = &store.Due{LastFeedUs: proto.Int64(int64(i)), From: 3, Settings: 1}
		}
		for range 2 { // made, then changed
			b.in(func(c *store.Collection) error { return c.KeepDue("v1", dues) })
			kept := get(b, func(c *store.Collection) (map[string]*store.Due, error) { return c.KeptDue(ids) })
			tells(b, "what is due", kept, dues)
			for _, d := range dues {
				d.Until++
			}
		}

		var feedings []*pb.Feeding
		var observations []*pb.Observation
		for i, id := range ids {
			feedings = append(feedings, fed(id, "f", noon+int64(i)))
			observations = append(observations, seen(id, "o", noon+int64(i), repotted()))
		}
		b.in(func(c *store.Collection) error {
			f, err := c.CreateFeedings(feedings, at(0))
			if err != nil {
				return err
			}
			o, err := c.CreateObservations(observations, at(0))
			for i, id := range ids {
				if f[i].GetPlant() != store.PlantName("c1", id) || o[i].GetPlant() != store.PlantName("c1", id) {
					b.Fatalf("event %d is of %s and %s, want %s", i, f[i].GetPlant(), o[i].GetPlant(), id)
				}
			}
			return err
		})
		for _, of := range [][]string{nil, ids} {
			histories := get(b, func(c *store.Collection) (map[string]*store.History, error) { return c.Histories(of) })
			if len(histories) != n {
				b.Errorf("%d histories, want %d", len(histories), n)
			}
			for id, h := range histories {
				if len(h.Feedings) != 1 || len(h.Observations) != 1 || h.Feedings[0].GetPlant() != store.PlantName("c1", id) {
					b.Fatalf("the history of %s: %v", id, h)
				}
			}
		}
		// Each has its revision.
		var revisions int64
		b.read(func(tx *store.Tx) error {
			return tx.Q().Raw("SELECT count(*) FROM revisions WHERE collection_id = ? AND number = 1", "c1").Scan(&revisions).Error
		})
		if want := int64(3*n + 1); revisions != want {
			b.Errorf("%d revisions, want %d", revisions, want)
		}
	})
}

func TestPlantsByID(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "gone")
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePlant("gone", at(1), noon, agree)
			return err
		})
		for _, ids := range [][]string{nil, {}, {"c", ""}, {"a", "a", "gone", "A"}} {
			var want []string
			for _, id := range ids {
				if id == "a" || id == "gone" {
					want = append(want, id)
				}
			}
			got := get(b, func(c *store.Collection) (map[string]*store.Plant, error) { return c.PlantsByID(ids) })
			tells(b, "ids", slices.Sorted(maps.Keys(got)), slices.Compact(want))
			for id, p := range got {
				tells(b, "plant "+id, p, b.plant(id))
			}
		}
	})
}

func TestUpdatePlant(t *testing.T) {
	each(t, func(b bed) {
		b.benches("b1", "b2")
		b.in(func(c *store.Collection) error {
			_, err := c.CreatePlants([]store.NewPlant{{
				Message: &pb.Plant{Name: "collections/c1/plants/a", Tag: "a", Bench: "collections/c1/benches/b1"}, Kin: store.Kin{Genus: "Drosera"},
			}}, at(0))
			return err
		})
		got := put(b, func(c *store.Collection) (*store.Plant, error) {
			return c.UpdatePlant("a", at(1), func(p *store.Plant) error {
				if p.ID != "a" || p.Genus != "Drosera" || p.FirstBench != "b1" || !p.Living {
					b.Errorf("the change gets %+v", p)
				}
				p.ScientificName = "Dionaea muscipula"
				// These follow from observations.
				p.Bench, p.Quantity, p.State, p.FirstBench, p.Living = "collections/c1/benches/b2", 9, pb.Plant_DEAD, "b2", false
				p.Genus = "Dionaea"
				return nil
			})
		})
		m := got.Plant
		want := &store.Plant{
			Plant: &pb.Plant{
				Name: "collections/c1/plants/a", Tag: "a", Bench: "collections/c1/benches/b1", ScientificName: "Dionaea muscipula", Quantity: 1,
				State: pb.Plant_GROWING, CreateTime: stampOf(noon), UpdateTime: stampOf(noon + 1), Etag: m.GetEtag(),
			},
			ID: "a", Kin: store.Kin{Genus: "Dionaea"}, FirstBench: "b1", Living: true,
		}
		tells(b, "the answer", got, want)
		tells(b, "what is read", b.plant("a"), want)
	})
}

// A tag is unique among the living.
func TestTagOfTheLiving(t *testing.T) {
	each(t, func(b bed) {
		create := func(id, tag string) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.CreatePlants([]store.NewPlant{pot("c1", id, tag)}, at(1))
				return err
			}
		}
		settle := func(id string, s store.Standing) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.Settle(id, s, at(1))
				return err
			}
		}
		remove := func(id string) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.DeletePlant(id, at(1), noon, agree)
				return err
			}
		}
		restore := func(id string) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.UndeletePlant(id, at(1), agree)
				return err
			}
		}
		b.in(create("first", "Größe"))
		b.refusedIn(store.ErrExists, create("second", "GRÖSSE"))
		b.in(create("other", "other"))
		b.refusedIn(store.ErrExists, retag("other", "grösse", 1))
		b.in(retag("first", "GRÖSSE", 1)) // its own
		if p := b.plant("other"); p.GetTag() != "other" {
			b.Errorf("after a refusal the tag is %q", p.GetTag())
		}

		// One that died frees its tag, and cannot take it back.
		for _, state := range []pb.Plant_State{pb.Plant_DEAD, pb.Plant_SOLD, pb.Plant_GIVEN_AWAY} {
			end := store.Standing{Quantity: 1, State: state}
			b.in(settle("first", end))
			b.in(create("second", "größe"))
			b.refusedIn(store.ErrExists, settle("first", growing))
			if b.plant("first").Living || !b.plant("second").Living {
				b.Error("the wrong one lives")
			}
			b.in(settle("second", end))
			b.in(settle("first", growing))
			b.in(retag("second", "freed by "+state.String(), 1)) // a dead one may bear any
			b.in(retag("second", "größe", 2))
			b.in(remove("second"))
			b.in(func(c *store.Collection) error { _, _, err := c.Purge(noon+5, 9); return err })
		}
		// One that was deleted likewise.
		b.in(remove("first"))
		b.in(create("second", "größe"))
		b.refusedIn(store.ErrExists, restore("first"))
		b.in(remove("second"))
		b.in(restore("first"))
		b.refusedIn(store.ErrExists, restore("second"))
		// One that is dead and deleted comes back as a dead one.
		b.in(settle("second", dead))
		b.in(restore("second"))
		if b.plant("second").Living || b.plant("second").GetDeleteTime() != nil {
			b.Error("a dead plant came back to life, or not at all")
		}
		b.refusedIn(store.ErrExists, settle("second", growing))
		// And one that is deleted may die and live again.
		b.in(remove("other"))
		b.in(settle("other", dead))
		b.in(settle("other", growing))
		if b.plant("other").Living {
			b.Error("a deleted plant lives")
		}
	})
}

func TestSettle(t *testing.T) {
	each(t, func(b bed) {
		b.benches("b1", "b2")
		b.plants("a")
		made := b.plant("a")
		revisions := func() (all []*pb.Revision) {
			return get(b, func(c *store.Collection) ([]*pb.Revision, error) {
				all, _, err := c.Revisions(store.PlantKind, "", "a", store.List{Limit: big})
				return all, err
			})
		}
		same := func(what string, got *store.Plant, change func(p *store.Plant)) {
			b.Helper()
			want := &store.Plant{Plant: proto.CloneOf(made.Plant), ID: "a", Living: true}
			change(want)
			tells(b, what, got, want)
			tells(b, what+", read", b.plant("a"), want)
			made = got
		}
		same("nothing new", b.settle("a", growing), func(*store.Plant) {})
		same("a count", b.settle("a", store.Standing{Quantity: 100_000, State: pb.Plant_GROWING}), func(p *store.Plant) { p.Quantity = 100_000 })
		for n := range pb.Plant_State_name {
			state := pb.Plant_State(n)
			same(state.String(), b.settle("a", store.Standing{Quantity: 1, State: state}), func(p *store.Plant) {
				p.Quantity, p.State, p.Living = 1, state, state == pb.Plant_GROWING
			})
		}
		made = b.settle("a", growing)
		if n := len(revisions()); n != 1 {
			b.Errorf("%d revisions of what no user set, want 1", n)
		}

		for n, bench := range []string{"b1", "b2", ""} {
			stood := made.Plant
			moved := b.settle("a", store.Standing{Bench: bench, Quantity: int32(n) + 2, State: pb.Plant_GROWING})
			if moved.GetEtag() == stood.GetEtag() {
				b.Error("a move is no change")
			}
			same("a move", moved, func(p *store.Plant) {
				p.Bench, p.Quantity, p.Etag, p.UpdateTime = store.BenchName("c1", bench), int32(n)+2, moved.GetEtag(), stampOf(noon+1)
			})
			all := revisions()
			if len(all) != n+2 {
				b.Fatalf("%d revisions, want %d", len(all), n+2)
			}
			last := all[n+1]
			if last.GetAction() != pb.Revision_UPDATED || last.GetNumber() != int32(n)+2 {
				b.Errorf("the last revision is %v", last)
			}
			tells(b, "what stood before", last.GetPlant(), stood)
		}
		b.refusedIn(store.ErrReference, func(c *store.Collection) error {
			_, err := c.Settle("a", store.Standing{Bench: "b3", Quantity: 1, State: pb.Plant_GROWING}, at(2))
			return err
		})
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error {
			_, err := c.Settle("b", growing, at(2))
			return err
		})
		b.newer("plants", "collection_id = 'c1' AND plant_id = ?", "a")
		b.refusedIn(store.ErrNewer, func(c *store.Collection) error {
			_, err := c.Settle("a", dead, at(2))
			return err
		})
		same("at last", b.plant("a"), func(*store.Plant) {})
	})
}

func TestTagged(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c", "d")
		tagged := func(tags ...string) map[string][]store.Bearing {
			b.Helper()
			return get(b, func(c *store.Collection) (map[string][]store.Bearing, error) { return c.Tagged(tags) })
		}
		tells(b, "no tags", tagged(), map[string][]store.Bearing{})
		tells(b, "unknown tags", tagged("x", ""), map[string][]store.Bearing{})
		tells(b, "folded and twice", tagged("A", " a", "b"), map[string][]store.Bearing{
			"a": {{Plant: "a", Living: true}}, "b": {{Plant: "b", Living: true}},
		})
		// a gives its tag to b, whose tag goes to nobody; d dies and its tag goes to c.
		b.in(retag("a", "Neu", 1))
		b.in(retag("b", "A", 2))
		b.settle("d", dead)
		b.in(retag("c", "D", 3))
		tells(b, "after changes", tagged("a", "b", "c", "d", "neu"), map[string][]store.Bearing{
			"a":   {{Plant: "b", Living: true}, {Plant: "a", Living: true, Former: true, UntilUs: at(1).Us}},
			"b":   {{Plant: "b", Living: true, Former: true, UntilUs: at(2).Us}},
			"c":   {{Plant: "c", Living: true, Former: true, UntilUs: at(3).Us}},
			"d":   {{Plant: "c", Living: true}, {Plant: "d"}},
			"neu": {{Plant: "a", Living: true}},
		})
		tells(b, "tags of the living", get(b, (*store.Collection).LivingTags), []string{"A", "D", "Neu"})
		// What is deleted is told as such.
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePlant("a", at(4), noon, agree)
			return err
		})
		tells(b, "after a deletion", tagged("a", "neu"), map[string][]store.Bearing{
			"a": {{Plant: "b", Living: true}, {Plant: "a", Former: true, UntilUs: at(1).Us, Deleted: true}}, "neu": {{Plant: "a", Deleted: true}},
		})
	})
}

func TestFormerTags(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c")
		former := func(ids ...string) map[string][]string {
			b.Helper()
			return get(b, func(c *store.Collection) (map[string][]string, error) { return c.FormerTags(ids) })
		}
		tells(b, "none", former("a", "b", "x"), map[string][]string{})
		tells(b, "of nobody", former(), map[string][]string{})
		b.in(retag("a", "Two", 1))
		b.in(retag("a", "TWO", 2)) // the same tag, better written
		b.in(retag("a", "Drei'", 3))
		b.in(retag("b", "x", 3))
		tells(b, "the latest first, as it was last written", former("a", "b", "c"), map[string][]string{"a": {"TWO", "a"}, "b": {"b"}})
		b.in(retag("a", "two", 4)) // borne again, so no longer former
		tells(b, "borne again", former("a"), map[string][]string{"a": {"Drei'", "a"}})
		b.in(retag("a", "drei'", 5))
		b.in(retag("a", "x2", 6))
		tells(b, "given up again", former("a"), map[string][]string{"a": {"drei'", "two", "a"}})
		// A change that fails leaves no former tag.
		b.refusedIn(store.ErrExists, retag("a", "C", 7))
		b.refusedIn(errMine, func(c *store.Collection) error { return errors.Join(retag("a", "y", 7)(c), errMine) })
		tells(b, "after refusals", former("a"), map[string][]string{"a": {"drei'", "two", "a"}})
	})
}

// Of many who make a plant with one tag at once, one succeeds.
func TestOneTagAtOnce(t *testing.T) {
	each(t, func(b bed) {
		const n = 8
		var made atomic.Int32
		var group sync.WaitGroup
		for i := range n {
			group.Go(func() {
				err := b.s.Write(b.Context(), within("c1", func(c *store.Collection) error {
					_, err := c.CreatePlants([]store.NewPlant{pot("c1", fmt.Sprint("p", i), "tag")}, at(0))
					return err
				}))
				switch {
				case err == nil:
					made.Add(1)
				case !errors.Is(err, store.ErrExists):
					b.Error(err)
				}
			})
		}
		group.Wait()
		if made.Load() != 1 {
			b.Errorf("%d were made", made.Load())
		}
	})
}

// 8 writers with 50 changes each of one plant: none is lost, and the history has all.
func TestNoUpdateOfPlantIsLost(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a")
		const writers, times = 8, 50
		var group sync.WaitGroup
		for range writers {
			group.Go(func() {
				for range times {
					err := b.s.Write(b.Context(), within("c1", func(c *store.Collection) error {
						_, err := c.UpdatePlant("a", at(1), func(p *store.Plant) error {
							p.WalkOrder = proto.Int32(p.GetWalkOrder() + 1)
							return nil
						})
						return err
					}))
					if err != nil {
						b.Error(err)
						return
					}
				}
			})
		}
		group.Wait()
		if got := b.plant("a").GetWalkOrder(); got != writers*times {
			b.Errorf("%d of %d changes are there", got, writers*times)
		}
		history := get(b, func(c *store.Collection) ([]*pb.Revision, error) {
			all, _, err := c.Revisions(store.PlantKind, "", "a", store.List{Limit: big})
			return all, err
		})
		if len(history) != writers*times+1 {
			b.Errorf("%d revisions, want %d", len(history), writers*times+1)
		}
		for n, r := range history {
			if int(r.GetNumber()) != n+1 || n > 0 && int(r.GetPlant().GetWalkOrder()) != n-1 {
				b.Fatalf("revision %d has number %d and stood at %d", n+1, r.GetNumber(), r.GetPlant().GetWalkOrder())
			}
		}
	})
}

// Living plants can hand on their tags to each other in one transaction.
func TestFreeTags(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c")
		swap := func(c *store.Collection) error {
			if err := retag("a", "b", 1)(c); err != nil {
				return err
			}
			return retag("b", "a", 1)(c)
		}
		b.refusedIn(store.ErrExists, swap)
		b.in(func(c *store.Collection) error {
			if err := c.FreeTags([]string{"a", "b"}); err != nil {
				return err
			}
			return swap(c)
		})
		borne := get(b, func(c *store.Collection) (map[string][]store.Bearing, error) {
			return c.Tagged([]string{"a", "b", "c", " a"})
		})
		tells(b, "who bears the tags", borne, map[string][]store.Bearing{
			"a": {{Plant: "b", Living: true}, {Plant: "a", Living: true, Former: true, UntilUs: at(1).Us}},
			"b": {{Plant: "a", Living: true}, {Plant: "b", Living: true, Former: true, UntilUs: at(1).Us}},
			"c": {{Plant: "c", Living: true}},
		})
		tells(b, "the tag of c", b.plant("c").GetTag(), "c")
	})
}
