package store_test

import (
	"strings"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

func (b bed) grower(id string) (m *pb.Grower) {
	b.Helper()
	b.read(func(tx *store.Tx) (err error) {
		m, err = tx.Grower(id).Get()
		return err
	})
	return m
}

func TestGrower(t *testing.T) {
	each(t, func(b bed) {
		want := &pb.Grower{
			Name: "growers/g3", DisplayName: "Ölna ẞ '\"", CreateTime: stampOf(noon + 1), UpdateTime: stampOf(noon + 1),
		}
		var made *pb.Grower
		b.write(func(tx *store.Tx) (err error) {
			made, err = tx.Grower("g3").Create(want.GetDisplayName(), noon+1)
			return err
		})
		if made.GetEtag() == "" {
			b.Error("no etag")
		}
		want.Etag = made.GetEtag()
		tells(b, "the answer", made, want)
		tells(b, "what is read", b.grower("g3"), want)

		var changed *pb.Grower
		b.write(func(tx *store.Tx) (err error) {
			changed, err = tx.Grower("g3").Update(noon+2, func(m *pb.Grower) error {
				tells(b, "what an update gets", m, want)
				m.DisplayName, m.Contact = strings.Repeat("ü", 200), strings.Repeat("🌱", 1000)
				m.Name, m.Etag, m.CreateTime = "growers/g1", "mine", nil // not the caller's to set
				return nil
			})
			return err
		})
		if changed.GetEtag() == made.GetEtag() {
			b.Error("the etag is the same after a change")
		}
		want = &pb.Grower{
			Name: "growers/g3", DisplayName: strings.Repeat("ü", 200), Contact: strings.Repeat("🌱", 1000),
			CreateTime: stampOf(noon + 1), UpdateTime: stampOf(noon + 2), Etag: changed.GetEtag(),
		}
		tells(b, "the answer to a change", changed, want)
		tells(b, "what is read after it", b.grower("g3"), want)

		b.write(func(tx *store.Tx) (err error) {
			changed, err = tx.Grower("g3").Update(noon+3, func(m *pb.Grower) error {
				m.Contact = ""
				return nil
			})
			return err
		})
		if changed.GetContact() != "" || b.grower("g3").GetContact() != "" {
			b.Error("what was cleared is still there")
		}
	})
}

func TestGrowerWhoIsNotThere(t *testing.T) {
	each(t, func(b bed) {
		for what, f := range map[string]func(g *store.Grower) error{
			"Get": func(g *store.Grower) error { _, err := g.Get(); return err },
			"Update": func(g *store.Grower) error {
				_, err := g.Update(noon, agree)
				return err
			},
			"Suspend": func(g *store.Grower) error { return g.Suspend(proto.Int64(noon), noon) },
			"Lock":    (*store.Grower).Lock,
		} {
			for _, id := range []string{"g3", "", "G1", "g%"} {
				b.Run(what+" "+id, func(t *testing.T) {
					b := bed{t, b.s}
					b.refused(store.ErrNotFound, func(tx *store.Tx) error { return f(tx.Grower(id)) })
				})
			}
		}
		b.refused(store.ErrExists, func(tx *store.Tx) error {
			_, err := tx.Grower("g1").Create("Another", noon)
			return err
		})
		if got := b.grower("g1").GetDisplayName(); got != "Grower g1" {
			b.Errorf("g1 is now %q", got)
		}
	})
}

func TestGrowerChangeThatIsRefused(t *testing.T) {
	each(t, func(b bed) {
		before := b.grower("g1")
		b.refused(errMine, func(tx *store.Tx) error {
			_, err := tx.Grower("g1").Update(noon+1, func(m *pb.Grower) error {
				m.DisplayName = "never"
				return errMine
			})
			return err
		})
		b.newer("growers", "grower_id = ?", "g1")
		b.refused(store.ErrNewer, func(tx *store.Tx) error {
			_, err := tx.Grower("g1").Update(noon+1, func(m *pb.Grower) error {
				m.DisplayName = "never"
				return nil
			})
			return err
		})
		b.refused(store.ErrNewer, func(tx *store.Tx) error { return tx.Grower("g1").Suspend(proto.Int64(noon), noon) })
		tells(b, "the grower", b.grower("g1"), before)
	})
}

// What an operator does is no change of what the grower sets.
func TestSuspend(t *testing.T) {
	each(t, func(b bed) {
		before := b.grower("g1")
		suspended := func() *int64 {
			var all []store.GrowerEntry
			b.read(func(tx *store.Tx) (err error) {
				all, err = tx.Growers("", 1)
				return err
			})
			return all[0].SuspendUs
		}
		if suspended() != nil {
			b.Error("suspended from the start")
		}
		for _, until := range []*int64{proto.Int64(noon + 5), proto.Int64(0), nil} {
			b.write(func(tx *store.Tx) error { return tx.Grower("g1").Suspend(until, noon+6) })
			tells(b, "since when", suspended(), until)
			if got := b.grower("g1"); got.GetEtag() != before.GetEtag() {
				b.Error("the etag changed")
			}
		}
	})
}

func TestGrowers(t *testing.T) {
	each(t, func(b bed) {
		b.write(func(tx *store.Tx) error {
			for _, id := range []string{"g10", "ga", "g-"} {
				if _, err := tx.Grower(id).Create("Name of "+id, noon+1); err != nil {
					return err
				}
			}
			return nil
		})
		for _, c := range []struct {
			after string
			limit int
			want  []string
		}{
			{"", 10, []string{"g-", "g1", "g10", "g2", "ga"}},
			{"", 2, []string{"g-", "g1"}},
			{"g1", 2, []string{"g10", "g2"}},
			{"g19", 1, []string{"g2"}},
			{"ga", 5, nil},
		} {
			var got []string
			b.read(func(tx *store.Tx) error {
				all, err := tx.Growers(c.after, c.limit)
				for _, g := range all {
					got = append(got, g.ID)
				}
				return err
			})
			tells(b, "growers after "+c.after, got, c.want)
		}
		b.read(func(tx *store.Tx) error {
			all, err := tx.Growers("g-", 2)
			tells(b, "entries", all, []store.GrowerEntry{
				{ID: "g1", DisplayName: "Grower g1", CreateUs: noon}, {ID: "g10", DisplayName: "Name of g10", CreateUs: noon + 1},
			})
			return err
		})
	})
}

// Two calls of one grower that keep their request ids, and then change the grower,
// do not wait for each other in a circle.
func TestGrowerIsLockedWithoutDeadlock(t *testing.T) {
	b := bed{t, cloneOf(t, store.Postgres)} // SQLite has one writer
	var ready, done sync.WaitGroup
	ready.Add(2)
	tries := make([]int, 2)
	errs := make([]error, 2)
	for n := range 2 {
		done.Go(func() {
			here := sync.OnceFunc(ready.Done)
			defer here()
			errs[n] = b.s.Write(b.Context(), func(tx *store.Tx) error {
				tries[n]++
				g := tx.Grower("g1")
				if _, _, err := g.Claim(asked("m", string(rune('a'+n)), "", 0)); err != nil {
					return err
				}
				here()
				ready.Wait()
				_, err := g.Update(noon+1, func(m *pb.Grower) error {
					m.DisplayName += "!"
					return nil
				})
				return err
			})
		})
	}
	done.Wait()
	tells(b, "errors", errs, []error{nil, nil})
	tells(b, "how often each was tried", tries, []int{1, 1})
	if got := b.grower("g1").GetDisplayName(); got != "Grower g1!!" {
		b.Errorf("the name is %q", got)
	}
}
