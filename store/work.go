package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/rivertype"
)

// WorkOptions are what a caller of Work may set. The zero value is what a server uses.
type WorkOptions struct {
	// Workers is how many jobs run at once (2 unless set).
	Workers int
	// Limit is how long a job may take (2 min unless set); then its context ends. A job
	// that began longer than that and a minute ago is taken to be lost with its program, and
	// is run again. The servers of a database should have the same.
	Limit time.Duration
	// Drain is how long jobs under way may go on after the context of Work has ended (10 s
	// unless set). Then their contexts end: what is cut off so is run again as if it had not
	// been begun.
	Drain time.Duration
	// Poll is how often to look for jobs that nothing told of (1 s unless set, on SQLite
	// 5 s).
	Poll time.Duration
	// Wait is how long a job waits after the attempt of this number failed, from 1 (10 s
	// unless set, then four times the last; a little is added by chance). A job that failed
	// 8 times is given up.
	Wait func(attempt int) time.Duration
	// Log hears of jobs that fail (slog.Default unless set).
	Log *slog.Logger
}

const (
	// lost is how long after its limit a job is taken to be lost.
	lost = time.Minute
	// How long jobs are kept that are done, and that were given up.
	doneKept, givenUpKept = 24 * time.Hour, 7 * 24 * time.Hour
)

func (o WorkOptions) withDefaults(e Engine) WorkOptions {
	poll := time.Second
	if e == SQLite {
		poll = 5 * time.Second
	}
	o.Workers = cmp.Or(o.Workers, 2)
	o.Limit = cmp.Or(o.Limit, 2*time.Minute)
	o.Drain = cmp.Or(o.Drain, 10*time.Second)
	o.Poll = cmp.Or(o.Poll, poll)
	if o.Wait == nil {
		o.Wait = jobWait
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	return o
}

// Work runs jobs until ctx ends, and returns once those under way have ended. do has what
// does each kind: an error or a panic is a failure. Jobs of other kinds are left to
// programs that know them. Several programs may work at the same database, on Postgres:
// each job goes to one.
//
// What does a job heeds its context. If one does not, Work returns an error some seconds
// after Drain, and the store must not be closed.
func (s *Store) Work(ctx context.Context, do map[string]func(context.Context, Job) error, o WorkOptions) error {
	o = o.withDefaults(s.engine)
	w := &work{s: s, o: o, troubles: &troubles{told: map[string]time.Time{}, away: make(chan struct{}, 1)}}
	w.log = slog.New(warnings{o.Log.Handler(), w.troubles})
	workers := river.NewWorkers()
	for kind, f := range do {
		if err := (Job{Kind: kind}).check(); err != nil {
			return err
		}
		river.AddWorkerArgs(workers, jobArgs{kind: kind}, &worker{do: f})
		w.kinds = append(w.kinds, kind)
	}
	slices.Sort(w.kinds)
	fetch := o.Poll
	if s.engine == SQLite {
		fetch = min(o.Poll, 100*time.Millisecond) // while River runs
	}
	w.config = &river.Config{
		Queues:  map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: o.Workers}},
		Workers: workers,
		// One of another kind is given up all the same if its program is killed while another
		// that does not know it keeps River's lease: that may be, for a moment, while servers
		// of two versions run.
		FetchOnlyKnownKinds:         true,
		JobTimeout:                  o.Limit,
		RescueStuckJobsAfter:        o.Limit + lost,
		CompletedJobRetentionPeriod: doneKept,
		CancelledJobRetentionPeriod: doneKept,
		DiscardedJobRetentionPeriod: givenUpKept,
		ErrorHandler:                failures{o.Log},
		RetryPolicy:                 waits(o.Wait),
		Logger:                      w.log,
		// Throughput is at most Workers in this time.
		FetchCooldown:     min(10*time.Millisecond, o.Poll),
		FetchPollInterval: fetch,
		PollOnly:          s.engine == SQLite,
	}
	if err := w.check(ctx); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	for {
		due, err := true, error(nil)
		if s.engine == SQLite {
			if due, err = w.due(ctx); err == nil {
				w.works()
			}
		}
		if err == nil && due {
			err = w.run(ctx)
		}
		switch {
		case errors.Is(err, errStuck):
			return err
		case ctx.Err() != nil:
			return nil
		case err != nil:
			w.log.Error("jobs are not worked at, it is tried again", "error", err)
		}
		w.pause(ctx)
	}
}

// work is a call of Work.
//
// River keeps a lease on its upkeep, which it renews every 5 s, and looks for jobs by a
// statement that takes the lock of writers. On Postgres that is nothing. On SQLite it would
// wear out the card of a small computer, so there River only runs while there is
// something to do; else the pool of readers looks.
//
// On SQLite River shares the one connection that writes: so its statements queue with
// those of Write, and none fails as the file is locked. It never holds the connection
// while a job runs, nor asks for a second one.
type work struct {
	s      *Store
	o      WorkOptions
	kinds  []string
	config *river.Config

	*troubles
	log *slog.Logger // tells of them
}

// check finds what cannot work at all, such as a store that is closed. Later the database
// may be away for a while.
func (w *work) check(ctx context.Context) error {
	if len(w.kinds) == 0 {
		return errors.New("there is no kind of job to work at")
	}
	if _, err := river.NewClient(w.s.jobDriver(w.s.writer), w.config); err != nil {
		return fmt.Errorf("prepare to work at jobs: %w", err)
	}
	_, err := w.due(ctx)
	return err
}

var errStuck = errors.New("jobs did not end in time")

// stuck is how long after Drain the last job may take to heed its context.
const stuck = 5 * time.Second

// run lets River work until ctx ends, on SQLite until there is nothing to do.
func (w *work) run(ctx context.Context) error {
	driver := w.s.jobDriver(w.s.writer)
	if w.s.engine == Postgres {
		pool, err := w.s.listen(ctx)
		if err != nil {
			return ended(ctx, fmt.Errorf("listen for jobs: %w", err))
		}
		defer pool.Close()
		driver = riverdatabasesql.NewWithPgxListener(w.s.writer, pool)
	}
	client, err := river.NewClient(driver, w.config)
	if err != nil {
		return fmt.Errorf("prepare to work at jobs: %w", err)
	}
	if err := client.Start(context.WithoutCancel(ctx)); err != nil {
		return ended(ctx, fmt.Errorf("begin to work at jobs: %w", err))
	}
	if w.s.engine == Postgres {
		w.watch(ctx)
	} else {
		w.quiet(ctx)
	}
	return w.stop(ctx, client)
}

// stop lets the jobs under way end: as long as they take while ctx is alive, and for Drain
// after it has ended. A job that came just as River fell quiet is one of them, and those
// after it wait for it.
func (w *work) stop(ctx context.Context, client *river.Client[*sql.Tx]) error {
	drain, over := context.WithCancel(context.Background())
	defer over()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(w.o.Drain, over) })()
	if client.Stop(drain) == nil {
		return nil
	}
	late, cancel := context.WithTimeout(context.Background(), stuck)
	defer cancel()
	if client.StopAndCancel(late) != nil {
		return errStuck
	}
	return nil
}

// watch returns when ctx has ended. After trouble it tells when the database answers again.
func (w *work) watch(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-w.away:
		}
		for {
			w.pause(ctx)
			if ctx.Err() != nil {
				return
			}
			if _, err := w.due(ctx); err == nil {
				break
			}
		}
		w.again()
	}
}

// works tells that the database answers, if there was trouble before.
func (w *work) works() {
	select {
	case <-w.away:
		w.again()
	default:
	}
}

func (w *work) again() { w.o.Log.Info("the database answers again, jobs are worked at") }

// quiet returns when there was nothing to do twice in a row, or when ctx has ended.
func (w *work) quiet(ctx context.Context) {
	tick := time.NewTicker(w.o.Poll)
	defer tick.Stop()
	for idle := 0; idle < 2; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		due, err := w.due(ctx)
		if err == nil {
			w.works()
		}
		switch {
		case err != nil && ctx.Err() == nil:
			w.log.Error("jobs cannot be looked for, it is tried again", "error", err)
		case due:
			idle = 0
		default:
			idle++
		}
	}
}

// pause waits for a new job, or until it is time to look.
func (w *work) pause(ctx context.Context) {
	timer := time.NewTimer(w.o.Poll)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-w.s.woken:
	case <-timer.C:
	}
}

// What River has to do on SQLite: jobs that wait and may run (it makes them ready 5 s
// before their time), jobs that run or were lost, jobs that were kept long enough. The last
// are let go in batches of some hours. Each is found by an index of River's.
const jobsDue = "SELECT EXISTS (SELECT 1 FROM river_job WHERE state IN ('available', 'retryable', 'scheduled')" +
	" AND scheduled_at <= datetime('now', 'subsec', '+5 seconds') AND kind IN (SELECT value FROM json_each(?)))" +
	" OR EXISTS (SELECT 1 FROM river_job WHERE state = 'running')" +
	" OR EXISTS (SELECT 1 FROM river_job WHERE state IN ('completed', 'cancelled') AND finalized_at < datetime('now', 'subsec', '-30 hours'))" +
	" OR EXISTS (SELECT 1 FROM river_job WHERE state = 'discarded' AND finalized_at < datetime('now', 'subsec', '-174 hours'))"

// due tells whether there is something to do.
func (w *work) due(ctx context.Context) (bool, error) {
	kinds, err := json.Marshal(w.kinds)
	if err != nil {
		return false, err
	}
	statement, args := jobsDue, []any{string(kinds)}
	if w.s.engine == Postgres { // River looks by itself
		statement, args = "SELECT EXISTS (SELECT 1 FROM river_job)", nil
	}
	if w.s.record != nil {
		w.s.record(statement, args)
	}
	var due bool
	if err := w.s.reader.QueryRowContext(ctx, statement, args...).Scan(&due); err != nil {
		return false, ended(ctx, fmt.Errorf("look for jobs: %w", err))
	}
	return due, nil
}

// worker does the jobs of a kind.
type worker struct {
	river.WorkerDefaults[jobArgs]
	do func(context.Context, Job) error
}

// Work implements river.Worker.
func (w *worker) Work(ctx context.Context, j *river.Job[jobArgs]) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &panicked{value: v, stack: debug.Stack()}
		}
	}()
	return w.do(ctx, Job{
		Kind: j.Kind, Collection: j.Args.Collection, Args: j.Args.Args,
		Attempt: j.Attempt, Last: j.Attempt >= j.MaxAttempts,
	})
}

type panicked struct {
	value any
	stack []byte
}

func (p *panicked) Error() string { return fmt.Sprintf("panic: %v", p.value) }

// failures logs failures. Those of jobs that are cut off by the end of Work are none.
type failures struct{ log *slog.Logger }

// HandleError implements river.ErrorHandler.
func (f failures) HandleError(ctx context.Context, row *rivertype.JobRow, err error) *river.ErrorHandlerResult {
	var args jobArgs
	if e := json.Unmarshal(row.EncodedArgs, &args); e != nil {
		err = errors.Join(err, e)
	}
	attributes := []any{
		"kind", row.Kind, "collection", args.Collection, "args", args.Args, "job", row.ID, "attempt", row.Attempt, "error", err,
	}
	var p *panicked
	if errors.As(err, &p) {
		attributes = append(attributes, "stack", string(p.stack))
	}
	if row.Attempt < row.MaxAttempts {
		f.log.WarnContext(ctx, "a job failed and is tried again", attributes...)
	} else {
		f.log.ErrorContext(ctx, "a job failed and is given up", attributes...)
	}
	return nil
}

// HandlePanic implements river.ErrorHandler. Panics of what does jobs come as errors.
func (f failures) HandlePanic(ctx context.Context, row *rivertype.JobRow, value any, stack string) *river.ErrorHandlerResult {
	return f.HandleError(ctx, row, &panicked{value: value, stack: []byte(stack)})
}

// waits says when a job that failed is tried again.
type waits func(attempt int) time.Duration

// NextRetry implements river.ClientRetryPolicy. It adds up to a tenth by chance, so that
// jobs which failed together do not come together again.
func (f waits) NextRetry(row *rivertype.JobRow) time.Time {
	wait := f(row.Attempt)
	return time.Now().UTC().Add(wait + rand.N(wait/10+1))
}

// warnings leaves out what River tells of every job and every look, and tells what is
// repeated, as it is several times a second while the database is away, once a minute.
type warnings struct {
	slog.Handler
	*troubles
}

// troubles are what was told of.
type troubles struct {
	mu   sync.Mutex
	told map[string]time.Time // when a message was told last, by its text
	away chan struct{}        // has one after an error, until the database answers
}

// tell tells whether it is time for a message.
func (t *troubles) tell(r *slog.Record) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	last, before := t.told[r.Message]
	if before && r.Time.Sub(last) < time.Minute {
		return false
	}
	t.told[r.Message] = r.Time
	if r.Level >= slog.LevelError {
		select {
		case t.away <- struct{}{}:
		default:
		}
	}
	return true
}

// Enabled implements slog.Handler.
func (w warnings) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelWarn && w.Handler.Enabled(ctx, level)
}

// Handle implements slog.Handler.
func (w warnings) Handle(ctx context.Context, r slog.Record) error {
	if !w.tell(&r) {
		return nil
	}
	return w.Handler.Handle(ctx, r)
}

// WithAttrs implements slog.Handler.
func (w warnings) WithAttrs(attributes []slog.Attr) slog.Handler {
	return warnings{w.Handler.WithAttrs(attributes), w.troubles}
}

// WithGroup implements slog.Handler.
func (w warnings) WithGroup(name string) slog.Handler {
	return warnings{w.Handler.WithGroup(name), w.troubles}
}
