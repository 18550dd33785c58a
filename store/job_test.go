package store_test

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"dewbench/store"
	"dewbench/store/storetest"
)

func TestJobGoesWithItsTransaction(t *testing.T) {
	each(t, func(b bed) {
		done := make(chan store.Job, 10)
		work(b, b.s, doing{"wash": tell(done)}, quick(b))
		b.refused(errMine, func(tx *store.Tx) error {
			if err := tx.Enqueue(store.Job{Kind: "wash", Collection: "c1", Args: "rolled back"}); err != nil {
				return err
			}
			return errMine
		})
		enqueue(b, b.s, store.Job{Kind: "wash", Collection: "c1", Args: `"<&>' ü` + "\u2028\n"})
		tells(b, "the job", got(b, "a job", done), store.Job{Kind: "wash", Collection: "c1", Args: `"<&>' ü` + "\u2028\n", Attempt: 1})
		become(b, b.s, "completed 1")
		enqueue(b, b.s, store.Job{Kind: "wash"})
		tells(b, "the next job", got(b, "a job", done), store.Job{Kind: "wash", Attempt: 1})
	})
}

func TestEqualJobsWaitOnce(t *testing.T) {
	each(t, func(b bed) {
		j := store.Job{Kind: "wash", Collection: "c1", Args: "p1"}
		enqueue(b, b.s, j, j)
		enqueue(b, b.s, j)
		enqueue(b, b.s, store.Job{Kind: "wash", Collection: "c2", Args: "p1"}, store.Job{Kind: "wash", Collection: "c1", Args: "p2"},
			store.Job{Kind: "dry", Collection: "c1", Args: "p1"}, store.Job{Kind: "wash", Collection: "c1p1"})
		become(b, b.s, "available 0", "available 0", "available 0", "available 0", "available 0")
	})
}

// One that runs may have read what was before, so an equal one comes after it, once.
func TestRunningJobIsAddedAgain(t *testing.T) {
	each(t, func(b bed) {
		begun, finish := make(chan store.Job, 10), make(chan error)
		do := doing{"wash": func(_ context.Context, j store.Job) error {
			begun <- j
			return <-finish
		}}
		o := quick(b)
		o.Workers = 3
		o.Wait = func(int) time.Duration { return time.Hour }
		end := work(b, b.s, do, o)
		j := store.Job{Kind: "wash", Collection: "c1", Args: "p1"}
		for n := range 3 { // all run at once
			enqueue(b, b.s, j)
			got(b, "a job", begun)
			if all := states(b, b.s); len(all) != n+1 {
				b.Fatalf("jobs are %v", all)
			}
		}
		enqueue(b, b.s, j)
		enqueue(b, b.s, j)
		become(b, b.s, "running 1", "running 1", "running 1", "available 0")
		finish <- errMine
		got(b, "the fourth", begun)
		// One of the first three waits for another attempt.
		finish <- nil
		finish <- nil
		finish <- nil
		if err := end(); err != nil {
			b.Error(err)
		}
		all := states(b, b.s)
		slices.Sort(all)
		tells(b, "jobs", all, []string{"completed 1", "completed 1", "completed 1", "retryable 1"})
		enqueue(b, b.s, j)
		if all := states(b, b.s); len(all) != 4 {
			b.Errorf("beside one that waits for another attempt there is a new one: %v", all)
		}
	})
}

// A job that was found waiting begins only once the transaction that found it is committed,
// and so sees what that changed. On SQLite nothing begins beside a transaction that writes.
func TestJobFoundWaitingIsHeld(t *testing.T) {
	t.Parallel()
	var committing func()
	s := storetest.New(t, store.Postgres, func(o *store.Options) {
		o.Record = func(statement string, _ []any) {
			if statement == "COMMIT" && committing != nil {
				committing()
			}
		}
	})
	held, other := store.Job{Kind: "wash", Args: "held"}, store.Job{Kind: "wash", Args: "other"}
	enqueue(t, s, held, other)
	done := make(chan store.Job, 10)
	committing = sync.OnceFunc(func() {
		work(t, s, doing{"wash": tell(done)}, quick(t))
		if j := got(t, "the other job", done); j.Args != "other" {
			t.Errorf("%v was begun first", j)
		}
	})
	enqueue(t, s, held)
	if j := got(t, "the held job", done); j.Args != "held" {
		t.Errorf("then %v was begun", j)
	}
	become(t, s, "completed 1", "completed 1")
}

func TestBadJobs(t *testing.T) {
	each(t, func(b bed) {
		for name, c := range map[string]struct {
			j    store.Job
			want string
		}{
			"no kind":           {store.Job{}, "kind of job"},
			"a short kind":      {store.Job{Kind: "a"}, "kind of job"},
			"a long kind":       {store.Job{Kind: strings.Repeat("a", 65)}, "kind of job"},
			"upper case":        {store.Job{Kind: "Wash"}, "kind of job"},
			"long arguments":    {store.Job{Kind: "wash", Args: strings.Repeat("a", 1001)}, "have 1001 bytes, 1000 are allowed"},
			"arguments of NUL":  {store.Job{Kind: "wash", Args: "a\x00"}, "arguments of a job wash are no text"},
			"arguments in bits": {store.Job{Kind: "wash", Args: "\xff"}, "arguments of a job wash are no text"},
			"a bad collection":  {store.Job{Kind: "wash", Collection: "\xff"}, "collection of a job wash"},
		} {
			err := b.s.Write(b.Context(), func(tx *store.Tx) error { return tx.Enqueue(c.j) })
			if err == nil || !strings.Contains(err.Error(), c.want) {
				b.Errorf("%s: %v, want %q in it", name, err, c.want)
			}
		}
		err := b.s.Read(b.Context(), func(tx *store.Tx) error { return tx.Enqueue(store.Job{Kind: "wash"}) })
		if err == nil || !strings.Contains(err.Error(), "only reads") {
			b.Errorf("a read adds a job: %v", err)
		}
		enqueue(b, b.s, store.Job{Kind: strings.Repeat("a", 64), Args: strings.Repeat("\x01", 1000)}, store.Job{Kind: "a_"})
	})
}

// Transactions that add the same jobs in another order do not wait for each other on
// Postgres.
func TestJobsInAnyOrder(t *testing.T) {
	each(t, func(b bed) {
		var jobs []store.Job
		for i := range 5 {
			jobs = append(jobs, store.Job{Kind: "wash", Args: strconv.Itoa(i)})
		}
		const writing, times = 4, 20
		err := writers(writing, func(i int) error {
			for range times {
				err := b.s.Write(b.Context(), func(tx *store.Tx) error {
					mine := slices.Clone(jobs)
					if i%2 == 1 {
						slices.Reverse(mine)
					}
					for _, j := range mine {
						if err := tx.Enqueue(j); err != nil {
							return err
						}
					}
					return nil
				})
				if err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Error(err)
		}
		if all := states(b, b.s); len(all) != len(jobs) {
			b.Errorf("jobs are %v", all)
		}
	})
}
