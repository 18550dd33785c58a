package store_test

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"dewbench/store"
	"dewbench/store/storetest"
)

// doing is what does each kind of job.
type doing = map[string]func(context.Context, store.Job) error

// quick looks for jobs all the time, and does not wait after failures.
func quick(t testing.TB) store.WorkOptions {
	return store.WorkOptions{
		Poll: 10 * time.Millisecond,
		Wait: func(int) time.Duration { return time.Millisecond },
		Log:  slog.New(slog.NewTextHandler(t.Output(), nil)),
	}
}

// work runs jobs until end is called, or the test ends. It returns what Work did.
func work(t testing.TB, s *store.Store, do doing, o store.WorkOptions) (end func() error) {
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error, 1)
	go func() { over <- s.Work(ctx, do, o) }()
	end = sync.OnceValue(func() error {
		cancel()
		return got(t, "the end of Work", over)
	})
	t.Cleanup(func() {
		if err := end(); err != nil {
			t.Error(err)
		}
	})
	return end
}

// got receives from a channel.
func got[V any](t testing.TB, what string, from <-chan V) (v V) {
	t.Helper()
	select {
	case v = <-from:
	case <-time.After(time.Minute):
		t.Errorf("waited a minute for %s", what)
	}
	return v
}

// enqueue adds jobs in a transaction of their own.
func enqueue(t testing.TB, s *store.Store, jobs ...store.Job) {
	t.Helper()
	err := s.Write(context.Background(), func(tx *store.Tx) error {
		for _, j := range jobs {
			if err := tx.Enqueue(j); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// states are the states of the jobs in the order in which they were added, with their
// number of attempts.
func states(t testing.TB, s *store.Store) (all []string) {
	t.Helper()
	rows, err := s.Writer().Query("SELECT state, attempt FROM river_job ORDER BY id")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var state string
		var attempt int
		if err := rows.Scan(&state, &attempt); err != nil {
			t.Fatal(err)
		}
		all = append(all, fmt.Sprint(state, " ", attempt))
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return all
}

// become waits until the jobs have these states.
func become(t testing.TB, s *store.Store, want ...string) {
	t.Helper()
	var now []string
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); {
		if now = states(t, s); slices.Equal(now, want) {
			return
		}
	}
	t.Fatalf("jobs are %v, want %v", now, want)
}

// tell sends each job to a channel.
func tell(to chan<- store.Job) func(context.Context, store.Job) error {
	return func(_ context.Context, j store.Job) error {
		to <- j
		return nil
	}
}

func TestFailedJobIsTriedAgain(t *testing.T) {
	each(t, func(b bed) {
		runs := make(chan store.Job, 10)
		log := &lockedBuffer{}
		o := quick(b)
		o.Log = slog.New(slog.NewTextHandler(log, nil))
		end := work(b, b.s, doing{"wash": func(_ context.Context, j store.Job) error {
			runs <- j
			switch j.Attempt {
			case 1:
				return errors.New("no water")
			case 2:
				panic("a burst pipe")
			}
			return nil
		}}, o)
		enqueue(b, b.s, store.Job{Kind: "wash", Collection: "c1", Args: "p1"})
		for attempt := 1; attempt <= 3; attempt++ {
			tells(b, "the job", got(b, "a job", runs), store.Job{Kind: "wash", Collection: "c1", Args: "p1", Attempt: attempt})
		}
		become(b, b.s, "completed 3")
		if err := end(); err != nil {
			b.Error(err)
		}
		text := log.String()
		for _, want := range []string{"kind=wash collection=c1 args=p1", `attempt=1 error="no water"`, `attempt=2 error="panic: a burst pipe" stack=`, "TestFailedJobIsTriedAgain"} {
			if !strings.Contains(text, want) {
				b.Errorf("the log has no %s:\n%s", want, text)
			}
		}
		if n := strings.Count(text, "level="); n != 2 || strings.Count(text, "a job failed and is tried again") != 2 {
			b.Errorf("the log has %d lines:\n%s", n, text)
		}
	})
}

// lockedBuffer is for logs of several goroutines.
type lockedBuffer struct {
	mu  sync.Mutex
	all bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.all.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.all.String()
}

func TestJobIsGivenUp(t *testing.T) {
	each(t, func(b bed) {
		const most = 8 // as WorkOptions.Wait says
		runs := make(chan store.Job, 2*most)
		log := &lockedBuffer{}
		o := quick(b)
		o.Log = slog.New(slog.NewTextHandler(log, nil))
		var waits []int
		o.Wait = func(attempt int) time.Duration {
			waits = append(waits, attempt)
			return 0
		}
		o.Workers = 1
		end := work(b, b.s, doing{"wash": func(_ context.Context, j store.Job) error {
			runs <- j
			return errMine
		}}, o)
		enqueue(b, b.s, store.Job{Kind: "wash"})
		become(b, b.s, fmt.Sprint("discarded ", most))
		for attempt := 1; attempt <= most; attempt++ {
			tells(b, "the job", got(b, "a job", runs), store.Job{Kind: "wash", Attempt: attempt, Last: attempt == most})
		}
		// It is no reason not to begin anew.
		enqueue(b, b.s, store.Job{Kind: "wash"})
		tells(b, "the job", got(b, "a job", runs), store.Job{Kind: "wash", Attempt: 1})
		become(b, b.s, fmt.Sprint("discarded ", most), fmt.Sprint("discarded ", most))
		if err := end(); err != nil {
			b.Error(err)
		}
		tells(b, "waits after", waits[:most-1], []int{1, 2, 3, 4, 5, 6, 7})
		if n := strings.Count(log.String(), "level=ERROR msg=\"a job failed and is given up\""); n != 2 {
			b.Errorf("%d jobs are given up:\n%s", n, log)
		}
	})
}

// A job that takes too long fails.
func TestJobHasALimit(t *testing.T) {
	each(t, func(b bed) {
		o := quick(b)
		o.Limit = 20 * time.Millisecond
		done := make(chan store.Job, 1)
		work(b, b.s, doing{"wash": func(ctx context.Context, j store.Job) error {
			if j.Attempt == 1 {
				<-ctx.Done()
				return ctx.Err()
			}
			done <- j
			return nil
		}}, o)
		enqueue(b, b.s, store.Job{Kind: "wash"})
		tells(b, "the job", got(b, "a job", done), store.Job{Kind: "wash", Attempt: 2})
	})
}

// Kinds that this program does not know are for another one.
func TestUnknownKindsAreLeft(t *testing.T) {
	each(t, func(b bed) {
		done := make(chan store.Job, 10)
		end := work(b, b.s, doing{"wash": tell(done)}, quick(b))
		enqueue(b, b.s, store.Job{Kind: "paint"}, store.Job{Kind: "wash"})
		got(b, "a job", done)
		become(b, b.s, "available 0", "completed 1")
		if err := end(); err != nil {
			b.Error(err)
		}
	})
}

// When Work is to end, jobs under way are let finish, and soon none is begun.
func TestWorkEndsInPeace(t *testing.T) {
	each(t, func(b bed) {
		const many = 200 // takes two seconds
		begun, finish := make(chan struct{}, many), make(chan struct{})
		ctx, cancel := context.WithCancel(b.Context())
		over := make(chan error, 1)
		o := quick(b)
		o.Drain = time.Minute
		o.Workers = 1
		go func() {
			over <- b.s.Work(ctx, doing{"wash": func(ctx context.Context, _ store.Job) error {
				begun <- struct{}{}
				<-finish
				return ctx.Err()
			}}, o)
		}()
		var jobs []store.Job
		for i := range many {
			jobs = append(jobs, store.Job{Kind: "wash", Args: strconv.Itoa(i)})
		}
		enqueue(b, b.s, jobs...)
		got(b, "a job", begun)
		cancel()
		close(finish)
		if err := got(b, "the end of Work", over); err != nil {
			b.Error(err)
		}
		n := map[string]int{}
		for _, state := range states(b, b.s) {
			n[state]++
		}
		if n["completed 1"] == 0 || n["available 0"] == 0 || n["completed 1"]+n["available 0"] != many {
			b.Errorf("jobs are %v", n)
		}
		if n["completed 1"] != len(begun)+1 {
			b.Errorf("%d jobs were begun, and are %v", len(begun)+1, n)
		}
	})
}

// What takes longer than Drain is cut off, and is run again as if it had not been begun.
func TestWorkCutsOff(t *testing.T) {
	each(t, func(b bed) {
		begun := make(chan struct{}, 1)
		o := quick(b)
		o.Drain = 10 * time.Millisecond
		end := work(b, b.s, doing{"wash": func(ctx context.Context, _ store.Job) error {
			begun <- struct{}{}
			<-ctx.Done()
			return fmt.Errorf("wash: %w", ctx.Err())
		}}, o)
		enqueue(b, b.s, store.Job{Kind: "wash"})
		got(b, "a job", begun)
		if err := end(); err != nil {
			b.Error(err)
		}
		tells(b, "jobs", states(b, b.s), []string{"available 0"})
		done := make(chan store.Job, 1)
		work(b, b.s, doing{"wash": tell(done)}, quick(b))
		tells(b, "the job", got(b, "a job", done), store.Job{Kind: "wash", Attempt: 1})
	})
}

func TestWorkDoesNotWaitForever(t *testing.T) {
	each(t, func(b bed) {
		begun, finish := make(chan struct{}), make(chan struct{})
		ctx, cancel := context.WithCancel(b.Context())
		over, left := make(chan error, 1), make(chan struct{})
		o := quick(b)
		o.Log = slog.New(slog.DiscardHandler) // River may log after the test
		o.Drain = time.Millisecond
		go func() {
			over <- b.s.Work(ctx, doing{"wash": func(context.Context, store.Job) error {
				close(begun)
				<-finish
				close(left)
				return nil
			}}, o)
		}()
		enqueue(b, b.s, store.Job{Kind: "wash"})
		got(b, "a job", begun)
		cancel()
		if err := got(b, "the end of Work", over); err == nil || !strings.Contains(err.Error(), "did not end in time") {
			b.Errorf("Work = %v", err)
		}
		close(finish)
		got(b, "the job", left)
		become(b, b.s, "completed 1")
	})
}

func TestManyJobs(t *testing.T) {
	each(t, func(b bed) {
		many := storetest.Fewer(1000, 100) // SQLite is slow under the race detector
		var jobs []store.Job
		for i := range many {
			jobs = append(jobs, store.Job{Kind: "wash", Collection: "c1", Args: strconv.Itoa(i)})
		}
		done := make(chan store.Job, 2*many)
		o := quick(b)
		o.Workers = 20
		end := work(b, b.s, doing{"wash": tell(done)}, o)
		enqueue(b, b.s, jobs...)
		seen := map[string]int{}
		for range many {
			seen[got(b, "a job", done).Args]++
		}
		if err := end(); err != nil {
			b.Error(err)
		}
		if len(seen) != many || len(done) > 0 {
			b.Errorf("%d of %d jobs were done, %d more often", len(seen), many, len(done))
		}
	})
}

// Several programs share the work, and each job goes to one.
func TestServersShareJobs(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t, store.Postgres)
	const servers, many = 2, 200
	var jobs []store.Job
	for i := range many {
		jobs = append(jobs, store.Job{Kind: "wash", Args: strconv.Itoa(i)})
	}
	done := make(chan string, 2*many)
	var first sync.WaitGroup // each server has to have had one
	first.Add(servers)
	var stores []*store.Store
	for range servers {
		s := storetest.Open(t, url)
		stores = append(stores, s)
		once := sync.OnceFunc(first.Done)
		work(t, s, doing{"wash": func(_ context.Context, j store.Job) error {
			once()
			first.Wait()
			done <- j.Args
			return nil
		}}, quick(t))
	}
	enqueue(t, stores[0], jobs...)
	seen := map[string]int{}
	for range many {
		seen[got(t, "a job", done)]++
	}
	if len(seen) != many || len(done) > 0 {
		t.Errorf("%d of %d jobs were done, %d more often", len(seen), many, len(done))
	}
}

// A new job is begun at once: on SQLite Write tells Work, on Postgres the server does.
func TestNewJobIsBegunAtOnce(t *testing.T) {
	t.Parallel()
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			looks := make(chan struct{}, 100)
			s := storetest.New(t, engine, func(o *store.Options) {
				o.Record = func(statement string, _ []any) {
					if strings.Contains(statement, "river_job") {
						looks <- struct{}{}
					}
				}
			})
			done := make(chan store.Job, 1)
			o := quick(t)
			o.Poll = time.Hour
			work(t, s, doing{"wash": tell(done)}, o)
			got(t, "a look for jobs", looks)
			if engine == store.SQLite {
				got(t, "a second look", looks) // the first is to see whether it can work at all
			}
			// On Postgres Work listens some time after it has begun.
			tick := time.NewTicker(50 * time.Millisecond)
			defer tick.Stop()
			added := 0
			for heard := false; !heard; added++ {
				enqueue(t, s, store.Job{Kind: "wash", Args: strconv.Itoa(added)})
				select {
				case <-tick.C:
				case <-done:
					heard = true
				}
			}
			for range added - 1 {
				got(t, "a job", done)
			}
			for range 3 {
				enqueue(t, s, store.Job{Kind: "wash"})
				got(t, "a job", done)
			}
		})
	}
}

// When there is nothing to do, the file of SQLite is left alone.
func TestIdleWorkDoesNotWrite(t *testing.T) {
	t.Parallel()
	looks := make(chan struct{}, 10_000)
	url := storetest.URL(t, store.SQLite)
	s := storetest.Open(t, url, func(o *store.Options) {
		o.Record = func(statement string, _ []any) {
			if strings.Contains(statement, "river_job") {
				looks <- struct{}{}
			}
		}
	})
	done := make(chan store.Job, 1)
	end := work(t, s, doing{"wash": tell(done)}, quick(t))
	enqueue(t, s, store.Job{Kind: "wash"}, store.Job{Kind: "paint"})
	got(t, "a job", done)
	// A connection sees by this number whether others wrote (PRAGMA data_version, SQLite's
	// list of pragmas).
	db, err := sql.Open("sqlite", strings.TrimPrefix(url, "sqlite:"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	}()
	db.SetMaxOpenConns(1)
	version := func() (v int) {
		if err := db.QueryRow("PRAGMA data_version").Scan(&v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	before := version()
	for still := 0; still < 100; still++ {
		got(t, "a look", looks)
		if now := version(); now != before {
			before, still = now, 0
		}
	}
	var leaders int
	if err := db.QueryRow("SELECT count(*) FROM river_leader").Scan(&leaders); err != nil || leaders > 0 {
		t.Errorf("River still has a lease: %d, %v", leaders, err)
	}
	if err := end(); err != nil {
		t.Error(err)
	}
	if now := version(); now != before {
		t.Error("the end of Work wrote")
	}
}

func TestWorkOfAClosedStore(t *testing.T) {
	each(t, func(b bed) {
		done := make(chan store.Job, 1)
		end := work(b, b.s, doing{"wash": tell(done)}, quick(b))
		enqueue(b, b.s, store.Job{Kind: "wash"})
		got(b, "a job", done)
		if err := errors.Join(end(), b.s.Close()); err != nil {
			b.Error(err)
		}
		if err := b.s.Work(b.Context(), doing{"wash": tell(done)}, quick(b)); err == nil {
			b.Error("a closed store works")
		}
	})
}

func TestWorkNeedsTables(t *testing.T) {
	onEmpty(t, func(t *testing.T, url string) {
		s := storetest.Open(t, url)
		if err := s.Work(t.Context(), doing{"wash": nil}, quick(t)); err == nil || !strings.Contains(err.Error(), "river_job") {
			t.Errorf("without tables Work = %v", err)
		}
	})
}

func TestWorkRefuses(t *testing.T) {
	each(t, func(b bed) {
		if err := b.s.Work(b.Context(), nil, quick(b)); err == nil || !strings.Contains(err.Error(), "no kind of job") {
			b.Errorf("without kinds Work = %v", err)
		}
		if err := b.s.Work(b.Context(), doing{"Wash": nil}, quick(b)); err == nil || !strings.Contains(err.Error(), "kind of job") {
			b.Errorf("with a bad kind Work = %v", err)
		}
		o := quick(b)
		o.Workers = -1
		if err := b.s.Work(b.Context(), doing{"wash": nil}, o); err == nil || !strings.Contains(err.Error(), "number of workers") {
			b.Errorf("with -1 workers Work = %v", err)
		}
		ctx, cancel := context.WithCancel(b.Context())
		cancel()
		if err := b.s.Work(ctx, doing{"wash": nil}, quick(b)); err != nil {
			b.Errorf("Work that ends before it begins = %v", err)
		}
	})
}

// Jobs that are done go after a day, those that were given up after a week. On SQLite some
// hours more may pass: see jobsDue.
func TestOldJobsGo(t *testing.T) {
	each(t, func(b bed) {
		enqueue(b, b.s, store.Job{Kind: "wash", Args: "1"}, store.Job{Kind: "wash", Args: "2"}, store.Job{Kind: "wash", Args: "3"}, store.Job{Kind: "wash", Args: "4"})
		for id, c := range map[int]struct {
			state string
			hours int
		}{1: {"completed", 31}, 2: {"completed", 23}, 3: {"discarded", 7*24 + 7}, 4: {"discarded", 7*24 - 1}} {
			at := fmt.Sprintf("datetime('now', 'subsec', '-%d hours')", c.hours)
			if b.s.Engine() == store.Postgres {
				at = fmt.Sprintf("now() - interval '%d hours'", c.hours)
			}
			if _, err := b.s.Writer().Exec(fmt.Sprintf("UPDATE river_job SET state = '%s', finalized_at = %s WHERE id = %d", c.state, at, id)); err != nil {
				b.Fatal(err)
			}
		}
		work(b, b.s, doing{"wash": nil}, quick(b))
		become(b, b.s, "completed 0", "discarded 0")
	})
}

// What is wrong for a while is logged once, and that it is over.
func TestOutageIsLoggedOnce(t *testing.T) {
	each(t, func(b bed) {
		log := &lockedBuffer{}
		o := quick(b)
		o.Log = slog.New(slog.NewTextHandler(log, nil))
		done := make(chan store.Job, 1)
		end := work(b, b.s, doing{"wash": tell(done)}, o)
		enqueue(b, b.s, store.Job{Kind: "wash"})
		got(b, "a job", done)
		become(b, b.s, "completed 1")
		// The table is gone for as long as it takes.
		rename := func(from, to string) {
			if _, err := b.s.Writer().Exec("ALTER TABLE " + from + " RENAME TO " + to); err != nil {
				b.Fatal(err)
			}
		}
		rename("river_job", "elsewhere")
		for deadline := time.Now().Add(time.Minute); !strings.Contains(log.String(), "level=ERROR"); {
			if time.Now().After(deadline) {
				b.Fatal("no error is logged")
			}
		}
		rename("elsewhere", "river_job")
		for deadline := time.Now().Add(time.Minute); !strings.Contains(log.String(), "level=INFO msg=\"the database answers again"); {
			if time.Now().After(deadline) {
				b.Fatal("it is not logged that it is over")
			}
		}
		enqueue(b, b.s, store.Job{Kind: "wash"})
		got(b, "a job", done)
		if err := end(); err != nil {
			b.Error(err)
		}
		lines := map[string]int{}
		for line := range strings.Lines(log.String()) {
			_, message, _ := strings.Cut(line, "msg=")
			message, _, _ = strings.Cut(message, " err")
			lines[message]++
		}
		for message, n := range lines {
			if n > 1 && !strings.Contains(message, "a job failed") && !strings.Contains(message, "the database answers again") {
				b.Errorf("%d times %s", n, message)
			}
		}
	})
}

func TestWorkLeavesNothing(t *testing.T) { // not in parallel: it looks at all goroutines
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		done := make(chan store.Job, 1)
		enqueue(t, s, store.Job{Kind: "wash", Args: "0"}) // so that there are connections
		present := goleak.IgnoreCurrent()
		end := work(t, s, doing{"wash": tell(done)}, quick(t))
		got(t, "a job", done)
		if err := end(); err != nil {
			t.Error(err)
		}
		// Connections of the store's own pools may have come.
		goleak.VerifyNone(t, present, goleak.IgnoreAnyFunction("database/sql.(*DB).connectionOpener"))
	})
}

// washer is what a process does that is to be killed: see TestJobOfAKilledProgram.
const washer = "DEWBENCH_TEST_WASHER"

// wash takes a job, and never ends it.
func wash(url string) {
	s, err := store.Open(context.Background(), url, store.Options{RelaxedSync: true})
	if err == nil {
		err = s.Work(context.Background(), doing{"wash": func(ctx context.Context, _ store.Job) error {
			fmt.Println("begun")
			<-ctx.Done()
			return ctx.Err()
		}}, store.WorkOptions{})
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// A job of a program that was killed is run again by another one.
func TestJobOfAKilledProgram(t *testing.T) {
	t.Parallel()
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			url := storetest.URL(t, engine)
			s := storetest.Open(t, url)
			enqueue(t, s, store.Job{Kind: "wash", Collection: "c1", Args: "p1"})
			self, err := os.Executable()
			if err != nil {
				t.Fatal(err)
			}
			child := exec.Command(self)
			child.Env, child.Stderr = append(os.Environ(), washer+"="+url), t.Output()
			out, err := child.StdoutPipe()
			if err == nil {
				err = child.Start()
			}
			if err != nil {
				t.Fatal(err)
			}
			line, err := bufio.NewReader(out).ReadString('\n')
			if err != nil || line != "begun\n" {
				t.Errorf("the process says %q, %v", line, err)
			}
			if err := child.Process.Kill(); err != nil { // SIGKILL
				t.Fatal(err)
			}
			if err := child.Wait(); err == nil {
				t.Error("the process was not killed")
			}
			tells(t, "jobs", states(t, s), []string{"running 1"})
			// As if an hour had passed: the lease of River has run out, and the job would have
			// ended by itself.
			for _, statement := range map[store.Engine][]string{
				store.SQLite: {
					"UPDATE river_leader SET expires_at = datetime(expires_at, 'subsec', '-1 hour')",
					"UPDATE river_job SET attempted_at = datetime(attempted_at, 'subsec', '-1 hour')",
				},
				store.Postgres: {
					"UPDATE river_leader SET expires_at = expires_at - interval '1 hour'",
					"UPDATE river_job SET attempted_at = attempted_at - interval '1 hour'",
				},
			}[engine] {
				if _, err := s.Writer().Exec(statement); err != nil {
					t.Fatal(err)
				}
			}
			done := make(chan store.Job, 1)
			work(t, s, doing{"wash": tell(done)}, quick(t))
			tells(t, "the job", got(t, "the job", done), store.Job{Kind: "wash", Collection: "c1", Args: "p1", Attempt: 2})
			become(t, s, "completed 2")
		})
	}
}
