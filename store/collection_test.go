package store_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// makeCollection adds a collection of g1 and returns what is then read of it.
func (b bed) makeCollection(id string, m *pb.Collection) (read *pb.Collection) {
	b.Helper()
	b.write(func(tx *store.Tx) error {
		_, err := tx.CreateCollection(id, "g1", m, at(0))
		return err
	})
	b.read(within(id, func(c *store.Collection) (err error) {
		read, err = c.Get()
		return err
	}))
	return read
}

func TestCollectionAtTheEdges(t *testing.T) {
	full := &pb.Regimen{
		IntervalDays: proto.Int32(1), ToleranceDays: proto.Int32(0), TrapsStart: proto.Int32(1), TrapsMax: proto.Int32(50),
		CleanRunsToStepUp: proto.Int32(20), FeedOneIn: proto.Int32(1), MaxItemPercent: proto.Int32(200), MouldPausePercent: proto.Int32(0),
		ResiduePausePercent: proto.Int32(1000), SettleDays: proto.Int32(0), DigestDays: proto.Int32(90), CheckDays: []int32{1, 60, 3, 2},
		HandFeed: pb.Regimen_NEVER.Enum(), CutStalks: proto.Bool(false),
	}
	week := []dayofweek.DayOfWeek{1, 2, 3, 4, 5, 6, 7}
	all := map[string]*pb.Collection{
		"nothing":           {},
		"south pole":        {LatitudeDeg: proto.Float64(-90)},
		"north pole":        {LatitudeDeg: proto.Float64(90)},
		"equator":           {LatitudeDeg: proto.Float64(0)},
		"just south of it":  {LatitudeDeg: proto.Float64(-1)},
		"northern half":     {Hemisphere: pb.Collection_NORTH},
		"southern half":     {Hemisphere: pb.Collection_SOUTH},
		"every day":         {FeedingWeekdays: week},
		"Mondays":           {FeedingWeekdays: week[:1]},
		"Sundays":           {FeedingWeekdays: week[6:]},
		"days out of order": {FeedingWeekdays: []dayofweek.DayOfWeek{7, 1, 3}},
		"absences":          {Absences: []*pb.Absence{{FromDate: "9998-12-31", UntilDate: "9999-12-31"}, {FromDate: "0001-01-01", UntilDate: "0001-01-02"}, {}}},
		"regimens": {Regimens: []*pb.Collection_GroupRegimen{
			{Group: &pb.Collection_GroupRegimen_Taxon{Taxon: "taxa/drosera-capensis"}, Regimen: full},
			{Group: &pb.Collection_GroupRegimen_Genus{Genus: "× Ölna"}, Regimen: &pb.Regimen{}},
			{Group: &pb.Collection_GroupRegimen_TrapType{TrapType: pb.Taxon_EEL}, Regimen: &pb.Regimen{CutStalks: proto.Bool(true)}},
		}},
		"text": {DisplayName: "  'Kö' \"%_\\ 🌱\n", TimeZone: "America/Argentina/ComodRivadavia"},
	}
	each(t, func(b bed) {
		for name, m := range all {
			b.Run(name, func(t *testing.T) {
				b := bed{t, b.s}
				id := strings.ReplaceAll(strings.ToLower(name), " ", "-")
				got := b.makeCollection(id, m)
				want := proto.CloneOf(m)
				if name == "days out of order" {
					want.FeedingWeekdays = []dayofweek.DayOfWeek{1, 3, 7} // kept in the order of the week
				}
				want.Name, want.Owner, want.Etag = store.CollectionName(id), "growers/g1", got.GetEtag()
				want.CreateTime, want.UpdateTime = stampOf(noon), stampOf(noon)
				tells(b, "the collection", got, want)
			})
		}
	})
}

func TestCollectionHandle(t *testing.T) {
	each(t, func(b bed) {
		b.refused(store.ErrReference, func(tx *store.Tx) error {
			_, err := tx.CreateCollection("x", "g3", &pb.Collection{}, at(0))
			return err
		})
		for _, do := range []func(func(*store.Tx) error) error{
			func(f func(*store.Tx) error) error { return b.s.Read(b.Context(), f) },
			func(f func(*store.Tx) error) error { return b.s.Write(b.Context(), f) },
		} {
			err := do(func(tx *store.Tx) error {
				asked := store.Ties{}
				c, err := tx.Collection("c1", "g1", func(t store.Ties) bool { asked = t; return true })
				if err != nil {
					return err
				}
				if c.ID() != "c1" || c.Owner() != "g1" || !asked.Owns || c.Deleted() {
					b.Errorf("id %q, owner %q (asked about %v), deleted %v", c.ID(), c.Owner(), asked, c.Deleted())
				}
				// What one may not see is not there.
				c, hidden := tx.Collection("c2", "g1", func(t store.Ties) bool { return t.Owns })
				if !errors.Is(hidden, store.ErrNotFound) || c != nil {
					b.Errorf("another's collection: %v, %v", c, hidden)
				}
				for _, id := range []string{"c3", "", "C1", "c%"} {
					if _, err := tx.Collection(id, "", anyone); !errors.Is(err, store.ErrNotFound) {
						b.Errorf("collection %q: %v", id, err)
					}
				}
				return nil
			})
			if err != nil {
				b.Error(err)
			}
		}
		// A deleted one is still there; what is in it too.
		b.plants("p")
		b.in(func(c *store.Collection) error {
			m, err := c.Delete(at(1), noon+purgeAfter, agree)
			if !c.Deleted() || m.GetDeleteTime() == nil {
				b.Error("not deleted")
			}
			return err
		})
		b.look(func(c *store.Collection) error {
			if !c.Deleted() {
				b.Error("not deleted")
			}
			_, err := c.Plant("p")
			return err
		})
	})
}

// A handle goes on to tell what stands after a change that was refused.
func TestCollectionHandleAfterRefusal(t *testing.T) {
	each(t, func(b bed) {
		b.in(func(c *store.Collection) error {
			before, err := c.Get()
			if err != nil {
				return err
			}
			settings := c.Settings()
			_, err1 := c.Delete(at(1), noon+purgeAfter, refuse)
			_, err2 := c.Update(at(1), func(m *pb.Collection) error {
				m.DisplayName = "never"
				return errMine
			})
			_, err3 := c.Undelete(at(1), refuse)
			for _, err := range []error{err1, err2, err3} {
				if !errors.Is(err, errMine) {
					b.Error(err)
				}
			}
			after, err := c.Get()
			tells(b, "the collection", after, before)
			if c.Deleted() || c.Settings() != settings {
				b.Errorf("deleted %v, settings %d, before %d", c.Deleted(), c.Settings(), settings)
			}
			// So another change of the same handle works.
			if err == nil {
				_, err = c.Update(at(2), agree)
			}
			return err
		})
	})
}

// The settings are those that decisions depend on beside a plant's own record.
func TestSettings(t *testing.T) {
	each(t, func(b bed) {
		settings := func() int64 {
			b.Helper()
			return get(b, func(c *store.Collection) (int64, error) { return c.Settings(), nil })
		}
		rises := func(want bool, f func(c *store.Collection) error) {
			b.Helper()
			before, inside := settings(), int64(0)
			b.in(func(c *store.Collection) error {
				err := f(c)
				inside = c.Settings()
				if c.Changed() != want {
					b.Errorf("changed %v, want %v", c.Changed(), want)
				}
				return err
			})
			after := settings()
			if inside != after {
				b.Errorf("settings %d inside the transaction, %d after it", inside, after)
			}
			if (after > before) != want {
				b.Errorf("settings %d, before %d", after, before)
			}
		}
		b.benches("b1")
		b.plants("p")
		before := get(b, (*store.Collection).Get)
		names := 0
		rename := func(c *store.Collection) error {
			names++
			_, err := c.Update(at(1), func(m *pb.Collection) error { m.DisplayName = fmt.Sprint("name ", names); return nil })
			return err
		}
		renameBench := func(c *store.Collection) error {
			names++
			_, err := c.UpdateBench("b1", at(1), func(m *pb.Bench) error { m.DisplayName = fmt.Sprint("name ", names); return nil })
			return err
		}
		rises(false, renameBench)
		walk := func(order int32) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.UpdateBench("b1", at(1), func(m *pb.Bench) error { m.WalkOrder = &order; return nil })
				return err
			}
		}
		rises(true, walk(1))
		rises(false, func(c *store.Collection) error { _, err := c.UpdateBench("b1", at(1), agree); return err })
		rises(false, func(c *store.Collection) error { _, err := c.DeleteBench("b1", at(1), noon, agree); return err })
		rises(false, func(c *store.Collection) error { _, err := c.UndeleteBench("b1", at(1), agree); return err })
		tells(b, "the collection, whose etag is the same", get(b, (*store.Collection).Get), before)
		rises(false, rename)
		stay := func(days int) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.Update(at(1), func(m *pb.Collection) error {
					m.Absences = []*pb.Absence{{FromDate: "2026-01-01", UntilDate: fmt.Sprintf("2026-01-%02d", 1+days)}}
					return nil
				})
				return err
			}
		}
		rises(true, stay(1))
		rises(false, func(c *store.Collection) error { _, err := c.Update(at(1), agree); return err })
		rises(false, func(c *store.Collection) error { _, err := c.Delete(at(1), noon, agree); return err })
		rises(false, func(c *store.Collection) error { _, err := c.Undelete(at(1), agree); return err })
		rises(true, func(c *store.Collection) error { // each time anew
			for i := range 3 {
				if err := errors.Join(walk(int32(2+i))(c), stay(2+i)(c)); err != nil {
					return err
				}
			}
			return nil
		})
		rises(false, func(c *store.Collection) error {
			_, err := c.UpdatePlant("p", at(1), func(*store.Plant) error { return nil })
			return err
		})
		rises(false, func(c *store.Collection) error {
			_, err := c.Settle("p", store.Standing{Bench: "b1", Quantity: 1, State: pb.Plant_GROWING}, at(1))
			return err
		})
		rises(false, func(c *store.Collection) error {
			_, err := c.CreateFeedings([]*pb.Feeding{fed("p", "f", noon)}, at(1))
			return err
		})
	})
}

func TestCollectionIDs(t *testing.T) {
	each(t, func(b bed) {
		for _, id := range []string{"c10", "a", "c-"} {
			b.makeCollection(id, &pb.Collection{})
		}
		b.in(func(c *store.Collection) error { // deleted ones are to be purged
			_, err := c.Delete(at(1), noon, agree)
			return err
		})
		for _, c := range []struct {
			after string
			limit int
			want  []string
		}{
			{"", 10, []string{"a", "c-", "c1", "c10", "c2"}}, {"", 2, []string{"a", "c-"}}, {"c-", 2, []string{"c1", "c10"}},
			{"c15", 2, []string{"c2"}}, {"c2", 2, nil},
		} {
			b.read(func(tx *store.Tx) error {
				ids, err := tx.CollectionIDs(c.after, c.limit)
				if len(ids) == 0 {
					ids = nil
				}
				tells(b, "ids after "+c.after, ids, c.want)
				return err
			})
		}
	})
}

// Who waits for a collection while it is given away finds it to be another's.
func TestLockOfWhatIsGivenAway(t *testing.T) {
	each(t, func(b bed) {
		given, finish, first := make(chan struct{}), make(chan struct{}), make(chan error, 1)
		go func() {
			first <- b.s.Write(b.Context(), within("c1", func(c *store.Collection) error {
				_, err := c.Transfer("g2", "", at(1), func(*pb.Collection) error { return nil })
				close(given)
				<-finish
				return err
			}))
		}()
		<-given
		second := make(chan error, 1)
		go func() {
			second <- b.s.Write(b.Context(), func(tx *store.Tx) error {
				_, err := tx.Collection("c1", "g1", func(t store.Ties) bool { return t.Owns })
				return err
			})
		}()
		b.waiting()
		close(finish)
		if err := <-first; err != nil {
			b.Error(err)
		}
		if err := <-second; !errors.Is(err, store.ErrNotFound) {
			b.Errorf("the former owner: %v", err)
		}
		b.write(func(tx *store.Tx) error {
			_, err := tx.Collection("c1", "g2", func(t store.Ties) bool { return t.Owns })
			return err
		})
	})
}
