package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

func TestMain(m *testing.M) {
	if url := os.Getenv(washer); url != "" {
		wash(url)
	}
	storetest.Main(m)
}

// add adds a grower.
func add(t *testing.T, s *store.Store, id string) {
	t.Helper()
	err := s.Write(t.Context(), func(tx *store.Tx) error {
		_, err := tx.Grower(id).Create("Ada", 1)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// has tells whether a grower is there.
func has(t *testing.T, s *store.Store, id string) bool {
	t.Helper()
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		_, err := tx.Grower(id).Get()
		return err
	})
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		t.Fatal(err)
	}
	return err == nil
}

func TestWriteKeepsAllOrNothing(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		add(t, s, "kept")
		mine := errors.New("mine")
		err := s.Write(t.Context(), func(tx *store.Tx) error {
			if _, err := tx.Grower("failed").Create("Ada", 1); err != nil {
				return err
			}
			return mine
		})
		if !errors.Is(err, mine) {
			t.Errorf("Write = %v, want the error of its function", err)
		}
		func() {
			defer func() {
				if recover() != "mine" {
					t.Error("a panic did not come through")
				}
			}()
			err := s.Write(t.Context(), func(tx *store.Tx) error {
				if _, err := tx.Grower("panicked").Create("Ada", 1); err != nil {
					return err
				}
				panic("mine")
			})
			t.Errorf("Write = %v after a panic", err)
		}()
		for id, want := range map[string]bool{"kept": true, "failed": false, "panicked": false} {
			if got := has(t, s, id); got != want {
				t.Errorf("grower %q is there: %v, want %v", id, got, want)
			}
		}
	})
}

func TestReadSeesOneMoment(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		add(t, s, "before")
		err := s.Read(t.Context(), func(tx *store.Tx) error {
			if _, err := tx.Grower("before").Get(); err != nil {
				return err
			}
			add(t, s, "between")
			if _, err := tx.Grower("between").Get(); !errors.Is(err, store.ErrNotFound) {
				return fmt.Errorf("get what came later, want ErrNotFound: %w", err)
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
		if !has(t, s, "between") {
			t.Error("what was written during a read is not there after it")
		}
	})
}

func TestReadCannotWrite(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		err := s.Read(t.Context(), func(tx *store.Tx) error {
			_, err := tx.Grower("a").Create("Ada", 1)
			return err
		})
		if err == nil || has(t, s, "a") {
			t.Errorf("a read wrote: %v", err)
		}
	})
}

// endless is a statement that runs until it is stopped.
var endless = map[store.Engine]string{
	store.SQLite:   "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n",
	store.Postgres: "SELECT count(*) FROM (SELECT pg_sleep(3600)) AS n",
}

func TestContextEndsTransactions(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		var n int64
		run := func(tx *store.Tx) error { return tx.Q().Raw(endless[s.Engine()]).Scan(&n).Error }
		for name, do := range map[string]func(context.Context, func(*store.Tx) error) error{"write": s.Write, "read": s.Read} {
			ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
			if err := do(ctx, run); !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("%s after its deadline: %v", name, err)
			}
			cancel()
			ctx, cancel = context.WithCancel(t.Context())
			cancel()
			if err := do(ctx, run); !errors.Is(err, context.Canceled) {
				t.Errorf("%s without a caller: %v", name, err)
			}
			ctx, cancel = context.WithCancel(t.Context())
			err := do(ctx, func(tx *store.Tx) error {
				cancel()
				_, err := tx.Grower("late").Create("Ada", 1)
				return err
			})
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%s whose caller left: %v", name, err)
			}
		}
		add(t, s, "after") // the connections still work
		if has(t, s, "late") {
			t.Error("a transaction whose caller left was kept")
		}
	})
}

func TestWaitingForTheWriterEndsWithTheContext(t *testing.T) {
	s := storetest.New(t, store.SQLite)
	err := s.Write(t.Context(), func(*store.Tx) error {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		defer cancel()
		return s.Write(ctx, func(*store.Tx) error { return errors.New("two write at once") })
	})
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("the second writer: %v", err)
	}
}

// writers run f at once and return their errors.
func writers(n int, f func(i int) error) error {
	var group sync.WaitGroup
	errs := make([]error, n)
	for i := range n {
		group.Go(func() { errs[i] = f(i) })
	}
	group.Wait()
	return errors.Join(errs...)
}

func TestUpdatesAreNotLost(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		add(t, s, "a")
		const n, times = 8, 50
		err := writers(n, func(int) error {
			for range times {
				err := s.Write(t.Context(), func(tx *store.Tx) error {
					_, err := tx.Grower("a").Update(2, func(m *pb.Grower) error {
						m.DisplayName += "."
						return nil
					})
					return err
				})
				if err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		var m *pb.Grower
		err = s.Read(t.Context(), func(tx *store.Tx) (err error) {
			m, err = tx.Grower("a").Get()
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		if got := len(m.GetDisplayName()) - len("Ada"); got != n*times {
			t.Errorf("%d of %d updates are there", got, n*times)
		}
	})
}

func TestDeadlockIsTriedAgain(t *testing.T) {
	s := storetest.New(t, store.Postgres) // one writer at a time cannot deadlock
	names := []string{"a", "b"}
	for _, name := range names {
		add(t, s, name)
	}
	rename := func(tx *store.Tx, id, name string) error {
		_, err := tx.Grower(id).Update(2, func(m *pb.Grower) error {
			m.DisplayName += name
			return nil
		})
		return err
	}
	var both sync.WaitGroup // hold the first lock
	both.Add(2)
	tries := make([]int, 2)
	err := writers(2, func(i int) error {
		return s.Write(t.Context(), func(tx *store.Tx) error {
			tries[i]++
			if err := rename(tx, names[i], "x"); err != nil {
				return err
			}
			if tries[i] == 1 {
				both.Done()
				both.Wait()
			}
			return rename(tx, names[1-i], "y")
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	if tries[0]+tries[1] < 3 {
		t.Errorf("the writers were run %v times: there was no deadlock", tries)
	}
	err = s.Read(t.Context(), func(tx *store.Tx) error {
		for _, name := range names {
			m, err := tx.Grower(name).Get()
			if err != nil {
				return err
			}
			if got := len(m.GetDisplayName()); got != len("Ada")+2 {
				t.Errorf("grower %s is %q: each writer has to be there once", name, m.GetDisplayName())
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func TestConflictsEndInTheEnd(t *testing.T) {
	s := storetest.New(t, store.Postgres)
	tries := 0
	err := s.Write(t.Context(), func(tx *store.Tx) error {
		tries++
		return raise(tx, "40001")
	})
	if !errors.Is(err, store.ErrUnavailable) || tries < 2 || tries > 20 {
		t.Errorf("Write = %v after %d tries, want ErrUnavailable after a few", err, tries)
	}
}

// raise makes Postgres fail with a code.
func raise(tx *store.Tx, code string) error {
	_, err := tx.SQL().Exec("DO $$ BEGIN RAISE EXCEPTION USING ERRCODE = '" + code + "'; END $$")
	return err
}
