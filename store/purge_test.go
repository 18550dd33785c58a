package store_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// purge tells how many rows went.
func (b bed) purge(us int64) int64 {
	b.Helper()
	return put(b, func(c *store.Collection) (gone int64, err error) {
		for more := true; more && err == nil; {
			var some int64
			some, more, err = c.Purge(us, 7)
			gone += some
		}
		return gone, err
	})
}

// counts are how many rows a collection has, by table.
func (b bed) counts(id string) map[string]int64 {
	b.Helper()
	out := map[string]int64{}
	b.read(func(tx *store.Tx) error {
		for _, table := range tenantTables["collection_id"] {
			var n int64
			if err := tx.Q().Table(table).Where("collection_id = ?", id).Count(&n).Error; err != nil {
				return err
			}
			out[table] = n
		}
		return nil
	})
	return out
}

// goes checks that a purge takes these rows and no others.
func (b bed) goes(us int64, want map[string]int64) {
	b.Helper()
	before := b.counts("c1")
	told := b.purge(us)
	after := b.counts("c1")
	var sum int64
	gone := map[string]int64{}
	for table, n := range before {
		if table == "collection_audits" && after[table] >= n { // it grows, as it tells of the purge
			continue
		}
		if n != after[table] {
			gone[table] = n - after[table]
			sum += gone[table]
		}
	}
	tells(b, "rows that went", gone, want)
	if told != sum {
		b.Errorf("it tells of %d rows, %d went", told, sum)
	}
}

func (b bed) removePlant(id string, us int64) {
	b.Helper()
	b.in(func(c *store.Collection) error {
		_, err := c.DeletePlant(id, at(us), noon+us+purgeAfter, agree)
		return err
	})
}

func (b bed) removeBench(id string, us int64) {
	b.Helper()
	b.in(func(c *store.Collection) error {
		_, err := c.DeleteBench(id, at(us), noon+us+purgeAfter, agree)
		return err
	})
}

func TestPurgeOfPlants(t *testing.T) {
	each(t, func(b bed) {
		b.twins()
		b.goes(noon+1000*day, map[string]int64{}) // nothing is deleted
		b.plants("stays", "dead", "restored")
		b.settle("dead", dead)
		b.feed(fed("stays", "f", noon), fed("stays", "e", noon), fed("dead", "f", noon))
		b.in(func(c *store.Collection) error { // what is voided stays: it is history
			_, err := c.DeleteFeeding("stays", "f", at(1), agree)
			return err
		})
		b.removePlant("restored", 1)
		b.in(func(c *store.Collection) error { _, err := c.UndeletePlant("restored", at(2), agree); return err })
		b.removePlant("p", 3)
		before := b.counts("c2")

		b.goes(noon+3+purgeAfter-1, map[string]int64{})
		// Six revisions: three of the plant, one of each event and one of the photo.
		b.goes(noon+3+purgeAfter, map[string]int64{
			"plants": 1, "plant_tags": 1, "plant_due": 1, "feedings": 1, "observations": 1, "photos": 1, "revisions": 6,
		})
		b.goes(noon+1000*day, map[string]int64{})
		tells(b, "rows of the other collection", b.counts("c2"), before)
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.Plant("p"); return err })
		left := get(b, func(c *store.Collection) (map[string]*store.Plant, error) {
			return c.PlantsByID([]string{"p", "q", "stays", "dead", "restored"})
		})
		tells(b, "plants that are left", slices.Sorted(maps.Keys(left)), []string{"dead", "q", "restored", "stays"})
		if b.feeding("stays", "f").GetDeleteTime() == nil {
			b.Error("a voided feeding counts again")
		}
		// Its id, tag and events may come again, with a history of their own.
		b.plants("p")
		b.feed(fed("p", "e", noon))
		b.in(retag("p", "p-tag", 5))
		history := get(b, func(c *store.Collection) ([]*pb.Revision, error) {
			all, _, err := c.Revisions(store.PlantKind, "", "p", store.List{Limit: big})
			return all, err
		})
		if len(history) != 2 {
			b.Errorf("%d revisions of a new plant, want 2", len(history))
		}
	})
}

// A deleted photo goes when its days are over, with its history; the others of its plant
// stay, and so does what was measured on it.
func TestPurgeOfPhotos(t *testing.T) {
	each(t, func(b bed) {
		b.twins()
		before := b.counts("c2")
		b.plants("a")
		b.photos(shot("c1", "a", "gone", digestOf("1")), shot("c1", "a", "stays", digestOf("2")), shot("c1", "a", "restored", digestOf("3")))
		m := seen("a", "o", noon, repotted())
		m.Photo = store.PhotoName("c1", "a", "gone")
		b.observe(m)
		for id, us := range map[string]int64{"gone": 1, "restored": 1} {
			b.in(func(c *store.Collection) error {
				_, err := c.DeletePhoto("a", id, at(us), noon+us+purgeAfter, agree)
				return err
			})
		}
		b.in(func(c *store.Collection) error { _, err := c.UndeletePhoto("a", "restored", at(2), agree); return err })

		b.goes(noon+1+purgeAfter-1, map[string]int64{})
		b.goes(noon+1+purgeAfter, map[string]int64{"photos": 1, "revisions": 2})
		b.goes(noon+1000*day, map[string]int64{})
		tells(b, "rows of the other collection", b.counts("c2"), before)
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.Photo("a", "gone"); return err })
		tells(b, "where it was measured", b.observation("a", "o").GetPhoto(), store.PhotoName("c1", "a", "gone"))
		if entries := b.entries(); !strings.HasSuffix(entries[len(entries)-1], " PURGED    collections/c1/plants/a/photos/gone") {
			b.Errorf("the last of the audit: %s", entries[len(entries)-1])
		}
		// Its id and its file may come again, with a history of their own.
		b.photos(shot("c1", "a", "gone", digestOf("1")))
		history := get(b, func(c *store.Collection) ([]*pb.Revision, error) {
			return both(c.Revisions(store.PhotoKind, "a", "gone", store.List{Limit: big}))
		})
		if len(history) != 1 {
			b.Errorf("%d revisions of a new photo, want 1", len(history))
		}
		// More than one chunk go too.
		var many []*store.Photo
		for n := range 20 {
			many = append(many, shot("c1", "a", fmt.Sprint("m", n), digestOf(fmt.Sprint("m", n))))
		}
		b.photos(many...)
		b.in(func(c *store.Collection) error {
			for n := range many {
				if _, err := c.DeletePhoto("a", fmt.Sprint("m", n), at(3), noon+3+purgeAfter, agree); err != nil {
					return err
				}
			}
			return nil
		})
		b.goes(noon+3+purgeAfter, map[string]int64{"photos": 20, "revisions": 40})
	})
}

// A bench goes when nothing refers to it any more; until then it is hidden.
func TestPurgeOfBenches(t *testing.T) {
	each(t, func(b bed) {
		b.benches("unused", "restored", "stands", "stood-first", "moved-to", "voided", "living", "only-of-deleted")
		b.in(func(c *store.Collection) error {
			for id, bench := range map[string]string{"a": "stood-first", "gone": "only-of-deleted"} {
				p := pot("c1", id, id)
				p.Message.Bench = store.BenchName("c1", bench)
				if _, err := c.CreatePlants([]store.NewPlant{p}, at(0)); err != nil {
					return err
				}
			}
			return nil
		})
		b.settle("a", store.Standing{Bench: "stands", Quantity: 1, State: pb.Plant_DEAD})
		b.observe(seen("a", "m1", noon, moved("moved-to")), seen("a", "m2", noon, moved("voided")))
		b.in(func(c *store.Collection) error { _, err := c.DeleteObservation("a", "m2", at(1), agree); return err })
		for _, id := range []string{"unused", "restored", "stands", "stood-first", "moved-to", "voided", "only-of-deleted"} {
			b.removeBench(id, 0)
		}
		b.in(func(c *store.Collection) error { _, err := c.UndeleteBench("restored", at(1), agree); return err })
		settings := get(b, func(c *store.Collection) (int64, error) { return c.Settings(), nil })

		left := func() (ids []string) {
			for _, m := range get(b, (*store.Collection).AllBenches) {
				ids = append(ids, store.Segment(m.GetName(), "benches"))
			}
			return ids
		}
		b.goes(noon+purgeAfter-1, map[string]int64{})
		b.goes(noon+purgeAfter, map[string]int64{"benches": 1, "revisions": 2})
		tells(b, "benches that are left", left(), []string{"living", "moved-to", "only-of-deleted", "restored", "stands", "stood-first", "voided"})
		if now := get(b, func(c *store.Collection) (int64, error) { return c.Settings(), nil }); now != settings {
			b.Errorf("settings %d, before %d: nothing that a decision depends on went", now, settings)
		}
		// With the plant that needed it, a bench goes in the same purge.
		b.removePlant("gone", 1)
		b.goes(noon+1+purgeAfter, map[string]int64{"plants": 1, "benches": 1, "revisions": 4})
		b.removePlant("a", 1)
		b.goes(noon+1+purgeAfter, map[string]int64{"plants": 1, "observations": 2, "benches": 4, "revisions": 3 + 3 + 8})
		tells(b, "benches that are left at last", left(), []string{"living", "restored"})
		b.benches("unused") // its id may come again
	})
}

func TestPurgeOfCollection(t *testing.T) {
	each(t, func(b bed) {
		b.twins()
		before := b.counts("c2")
		b.in(func(c *store.Collection) error { _, err := c.Delete(at(0), noon+purgeAfter, agree); return err })
		b.goes(noon+purgeAfter-1, map[string]int64{})
		all := b.counts("c1")
		var sum int64
		for table, n := range all {
			if n == 0 {
				b.Errorf("there is nothing in %s", table)
			}
			sum += n
		}
		if told := b.purge(noon + purgeAfter); told != sum {
			b.Errorf("it tells of %d rows, there were %d", told, sum)
		}
		for table, n := range b.counts("c1") {
			if n != 0 {
				b.Errorf("%d rows of %s are left", n, table)
			}
		}
		tells(b, "rows of the other collection", b.counts("c2"), before)
		b.refusedIn(store.ErrNotFound, func(*store.Collection) error { return nil })
		b.grower("g1")                           // who owned it stays
		b.makeCollection("c1", &pb.Collection{}) // its id may come again, with a history of its own
		if n := b.counts("c1")["revisions"]; n != 1 {
			b.Errorf("%d revisions of a new collection", n)
		}
	})
}

// A purge that comes late takes all that is due, and one that is undone nothing.
func TestPurgeOfMuch(t *testing.T) {
	each(t, func(b bed) {
		var all []store.NewPlant
		var feedings []*pb.Feeding
		for n := range 60 {
			id := fmt.Sprint("p", n)
			all, feedings = append(all, pot("c1", id, id)), append(feedings, fed(id, "f", noon))
		}
		b.in(func(c *store.Collection) error {
			if _, err := c.CreatePlants(all, at(0)); err != nil {
				return err
			}
			_, err := c.CreateFeedings(feedings, at(0))
			return err
		})
		b.write(func(tx *store.Tx) error {
			return tx.Q().Exec("UPDATE plants SET living = 0, delete_us = ?, purge_us = ? WHERE collection_id = ?", noon, noon, "c1").Error
		})
		before := b.counts("c1")
		b.refusedIn(errMine, func(c *store.Collection) error {
			if _, _, err := c.Purge(noon, 9); err != nil {
				return err
			}
			return errMine
		})
		tells(b, "after an undone purge", b.counts("c1"), before)
		b.goes(noon, map[string]int64{"plants": 60, "feedings": 60, "revisions": 120})
	})
}

// NUL is text for SQLite and not for Postgres, so it is refused before it comes here.
// If it came, nothing else would be written with it, and nothing be cut off.
func TestTextWithNUL(t *testing.T) {
	const text = "before\x00after"
	each(t, func(b bed) {
		err := b.s.Write(b.Context(), within("c1", func(c *store.Collection) error {
			m := pot("c1", "nul", "nul")
			m.Message.Source = text
			_, err := c.CreatePlants([]store.NewPlant{pot("c1", "a", "a"), m}, at(0))
			return err
		}))
		n := get(b, (*store.Collection).CountLiving)
		switch {
		case err != nil && n != 0:
			b.Errorf("%d plants of a call that failed: %v", n, err)
		case err == nil && b.plant("nul").GetSource() != text:
			b.Errorf("read %q", b.plant("nul").GetSource())
		}
		// In lists it is written in another way, which both take.
		b.in(func(c *store.Collection) error {
			m := pot("c1", "b", "b")
			m.Message.Parents = []string{text}
			_, err := c.CreatePlants([]store.NewPlant{m}, at(0))
			return err
		})
		if got := b.plant("b").GetParents(); strings.Join(got, "") != text {
			b.Errorf("read %q", got)
		}
	})
}
