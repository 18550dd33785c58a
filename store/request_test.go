package store_test

import (
	"errors"
	"runtime"
	"testing"
	"time"

	"dewbench/store"
)

// asked is a call of g1 with a request id.
func asked(method, id, body string, us int64) store.Request {
	return store.Request{Method: method, ID: id, Digest: []byte(body), Us: noon + us, KeptUs: 7 * day}
}

// claim tells what a call learns, and fulfils it with names if it is the first.
func (b bed) claim(grower string, r store.Request, names ...string) (before bool, kept []string) {
	b.Helper()
	b.write(func(tx *store.Tx) (err error) {
		g := tx.Grower(grower)
		if kept, before, err = g.Claim(r); err != nil || before {
			return err
		}
		return g.Fulfil(r, names)
	})
	return before, kept
}

func TestClaim(t *testing.T) {
	each(t, func(b bed) {
		r := asked("CreatePlant", "id", "body", 0)
		names := []string{"collections/c1/plants/a", "ü'\"\\", ""}
		if before, kept := b.claim("g1", r, names...); before || kept != nil {
			b.Errorf("the first call: %v, %q", before, kept)
		}
		for range 2 {
			before, kept := b.claim("g1", r)
			if !before {
				b.Error("the second call was taken for the first")
			}
			tells(b, "names", kept, names)
		}
		// Another grower, method or id is another call.
		for _, other := range []struct {
			grower string
			store.Request
		}{
			{"g2", r}, {"g1", asked("UpdatePlant", "id", "body", 0)}, {"g1", asked("CreatePlant", "ID", "body", 0)},
		} {
			if before, _ := b.claim(other.grower, other.Request); before {
				b.Errorf("%+v was taken for another", other)
			}
		}
		b.refused(store.ErrExists, func(tx *store.Tx) error {
			_, _, err := tx.Grower("g1").Claim(asked("CreatePlant", "id", "another body", 1))
			return err
		})
		if before, kept := b.claim("g1", r); !before || len(kept) != 3 {
			b.Errorf("after another body: %v, %q", before, kept)
		}
		b.refused(store.ErrReference, func(tx *store.Tx) error {
			_, _, err := tx.Grower("g3").Claim(r)
			return err
		})
		b.refused(store.ErrNotFound, func(tx *store.Tx) error {
			return tx.Grower("g1").Fulfil(asked("CreatePlant", "never claimed", "", 0), nil)
		})
	})
}

// A call that wrote nothing that has a name is still known.
func TestClaimWithoutNames(t *testing.T) {
	each(t, func(b bed) {
		for _, names := range [][]string{nil, {}} {
			r := asked("m", string(rune('a'+len(names))), "", 0)
			b.claim("g1", r, names...)
			before, kept := b.claim("g1", r)
			if !before || len(kept) != 0 {
				b.Errorf("%v, %q", before, kept)
			}
		}
	})
}

func TestFailedCallLeavesNothing(t *testing.T) {
	each(t, func(b bed) {
		r := asked("m", "id", "body", 0)
		b.refused(errMine, func(tx *store.Tx) error {
			g := tx.Grower("g1")
			if _, before, err := g.Claim(r); err != nil || before {
				return errors.Join(err, errors.New("not the first"))
			}
			if err := g.Fulfil(r, []string{"x"}); err != nil {
				return err
			}
			return errMine
		})
		// So even another body may come.
		if before, _ := b.claim("g1", asked("m", "id", "another", 0)); before {
			b.Error("a failed call was kept")
		}
	})
}

func TestRequestsAreForgotten(t *testing.T) {
	each(t, func(b bed) {
		r := asked("m", "id", "body", 0)
		b.claim("g1", r, "x")
		b.claim("g2", r, "x")
		r.Us = noon + 7*day
		if before, _ := b.claim("g1", r, "y"); !before {
			b.Error("forgotten too early")
		}
		// Any call of the grower forgets.
		b.claim("g1", asked("n", "other", "", 7*day+1))
		b.read(func(tx *store.Tx) error {
			for grower, want := range map[string]int64{"g1": 1, "g2": 1} {
				var n int64
				err := tx.Q().Raw("SELECT count(*) FROM requests WHERE grower_id = ?", grower).Scan(&n).Error
				if n != want || err != nil {
					b.Errorf("%d requests of %s are kept, want %d (%v)", n, grower, want, err)
				}
			}
			return nil
		})
		r.Us, r.Digest = noon+7*day+1, []byte("another")
		if before, _ := b.claim("g1", r, "z"); before {
			b.Error("not forgotten")
		}
	})
}

// Of two calls with one id that run at once, one does it and the other waits for it
// and gets its names.
func TestDuplicateInFlight(t *testing.T) {
	each(t, func(b bed) {
		r := asked("m", "id", "body", 0)
		claimed, finish := make(chan struct{}), make(chan struct{})
		first := make(chan error, 1)
		go func() {
			first <- b.s.Write(b.Context(), func(tx *store.Tx) error {
				g := tx.Grower("g1")
				_, before, err := g.Claim(r)
				if err != nil || before {
					return errors.Join(err, errors.New("not the first"))
				}
				close(claimed)
				<-finish
				return g.Fulfil(r, []string{"made by the first"})
			})
		}()
		select {
		case <-claimed:
		case err := <-first:
			b.Fatal(err)
		}
		second := make(chan error, 1)
		go func() {
			second <- b.s.Write(b.Context(), func(tx *store.Tx) error {
				kept, before, err := tx.Grower("g1").Claim(r)
				if err == nil && (!before || len(kept) != 1 || kept[0] != "made by the first") {
					err = errors.New("the second learned nothing of the first")
				}
				return err
			})
		}()
		b.waiting()
		close(finish)
		if err := errors.Join(<-first, <-second); err != nil {
			b.Error(err)
		}
	})
}

// If the first fails, the one that waited does it.
func TestDuplicateInFlightOfFailedCall(t *testing.T) {
	each(t, func(b bed) {
		r := asked("m", "id", "body", 0)
		claimed, finish := make(chan struct{}), make(chan struct{})
		first := make(chan error, 1)
		go func() {
			first <- b.s.Write(b.Context(), func(tx *store.Tx) error {
				if _, _, err := tx.Grower("g1").Claim(r); err != nil {
					return err
				}
				close(claimed)
				<-finish
				return errMine
			})
		}()
		select {
		case <-claimed:
		case err := <-first:
			b.Fatal(err)
		}
		second := make(chan bool, 1)
		go func() {
			var before bool
			err := b.s.Write(b.Context(), func(tx *store.Tx) (err error) {
				_, before, err = tx.Grower("g1").Claim(r)
				return err
			})
			if err != nil {
				b.Error(err)
			}
			second <- before
		}()
		b.waiting()
		close(finish)
		if err := <-first; !errors.Is(err, errMine) {
			b.Error(err)
		}
		if <-second {
			b.Error("the second took the failed call for done")
		}
	})
}

// waiting returns once a transaction waits for another one.
func (b bed) waiting() {
	b.Helper()
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); {
		if b.s.Engine() == store.SQLite {
			if b.s.Writer().Stats().WaitCount > 0 {
				return
			}
			runtime.Gosched()
			continue
		}
		var n int
		const query = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
		if err := b.s.Writer().QueryRowContext(b.Context(), query).Scan(&n); err != nil {
			b.Fatal(err)
		}
		if n > 0 {
			return
		}
	}
	b.Fatal("no transaction waits for another one")
}
