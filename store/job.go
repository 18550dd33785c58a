package store

import (
	"cmp"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/riverdriver/riversqlite"
	"github.com/riverqueue/river/rivertype"
)

// Job is work that is done after the transaction which caused it. It is run at least
// once: again after a failure, or after the program that ran it was killed, and perhaps
// beside an equal one. So whoever does it looks at what there is, and does what is
// missing. What it is about may be gone.
type Job struct {
	Kind       string // what does it: lower case letters, digits and _, 2 to 64
	Collection string // "" for what is of no collection
	Args       string // what tells it from others of its kind, such as an id; 1,000 bytes at most. Nothing about a person: rows of jobs outlive an erasure by a week

	// Attempt counts from 1; Last tells that a failure will be the end of it. Work sets
	// them, Enqueue ignores them.
	Attempt int
	Last    bool
}

// maxJobArgs keeps rows small: what is large has a row of its own to point to.
const maxJobArgs = 1000

var jobKind = regexp.MustCompile(`^[a-z][a-z0-9_]{1,63}$`)

// check is against mistakes of the program: users do not name jobs.
func (j Job) check() error {
	switch {
	case !jobKind.MatchString(j.Kind):
		return fmt.Errorf("the kind of job %q is not of lower case letters, digits and _, 2 to 64", j.Kind)
	case len(j.Args) > maxJobArgs:
		return fmt.Errorf("the arguments of a job %s have %d bytes, %d are allowed", j.Kind, len(j.Args), maxJobArgs)
	}
	// Postgres keeps no NUL in JSON.
	for name, text := range map[string]string{"collection": j.Collection, "arguments": j.Args} {
		if !utf8.ValidString(text) || strings.ContainsRune(text, 0) {
			return fmt.Errorf("the %s of a job %s are no text", name, j.Kind)
		}
	}
	return nil
}

// jobArgs is what River keeps of a job, as JSON. No two that are unfinished are the same.
type jobArgs struct {
	kind       string
	Collection string `json:"collection"`
	Args       string `json:"args"`
	Place      int    `json:"place"`
}

// Kind implements river.JobArgs.
func (a jobArgs) Kind() string { return a.kind }

// unfinished makes River add no second job with the same kind and arguments.
var unfinished = river.UniqueOpts{ByArgs: true, ByState: []rivertype.JobState{
	rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRetryable, rivertype.JobStateRunning, rivertype.JobStateScheduled,
}}

// Enqueue adds a job to those that wait, if and when the transaction is committed. One
// that is equal to a job which waits already, be it for another attempt, is not added.
//
// A job that runs is no reason not to add it: it may have read what this transaction
// changes.
func (t *Tx) Enqueue(j Job) error {
	if err := j.check(); err != nil {
		return err
	}
	if t.readOnly || t.raw == nil {
		return errors.New("a transaction that only reads adds no job")
	}
	t.added = append(t.added, jobArgs{kind: j.Kind, Collection: j.Collection, Args: j.Args})
	return nil
}

// writeJobs adds what was enqueued, at the end of the transaction.
//
// River locks the job that is in the way until the transaction ends, so one that is found
// waiting does not begin before it is committed. All take these locks in the same order,
// so as not to wait for each other.
//
// River counts a job that runs with those that wait, as one that fails becomes one of
// them. So an equal job gets the next place, which is part of its key.
//
// River's statements go past the guard: they do not name their tenant.
func (t *Tx) writeJobs() error {
	slices.SortFunc(t.added, func(a, b jobArgs) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.Collection, b.Collection), cmp.Compare(a.Args, b.Args))
	})
	for left := slices.Compact(t.added); len(left) > 0; {
		params := make([]river.InsertManyParams, len(left))
		for i, args := range left {
			params[i] = river.InsertManyParams{Args: args, InsertOpts: &river.InsertOpts{UniqueOpts: unfinished}}
		}
		results, err := t.jobs.InsertManyTx(t.db.Statement.Context, t.raw, params)
		if err != nil {
			return translate(fmt.Errorf("add jobs: %w", err))
		}
		left = nil
		for _, r := range results {
			if !r.UniqueSkippedAsDuplicate || r.Job.State != rivertype.JobStateRunning {
				continue
			}
			args := jobArgs{kind: r.Job.Kind}
			if err := json.Unmarshal(r.Job.EncodedArgs, &args); err != nil {
				return fmt.Errorf("read a job %s: %w", r.Job.Kind, err)
			}
			args.Place++
			left = append(left, args)
		}
	}
	return nil
}

// jobAttempts is how often a job is run before it is given up.
const jobAttempts = 8

// jobWait is how long a job waits after the attempt of this number failed: 10 s, 40 s,
// 3 min, 11 min, 43 min, 3 h, 11 h. Together they outlast a night.
func jobWait(attempt int) time.Duration {
	return 10 * time.Second << (2 * min(attempt-1, jobAttempts))
}

// openJobs makes what adds jobs. It runs none.
func (s *Store) openJobs() error {
	config := &river.Config{Logger: slog.New(slog.DiscardHandler), MaxAttempts: jobAttempts}
	if s.engine == Postgres {
		// River tells servers of new jobs at most so often. It tells when a job is added, not when
		// it is committed, so what it leaves out may be missed until the next poll.
		config.FetchCooldown = river.FetchCooldownMin
	} else {
		// On SQLite it would write a row that nobody reads: see (*Store).Work.
		config.FetchCooldown, config.FetchPollInterval = 24*time.Hour, 24*time.Hour
	}
	var err error
	if s.jobs, err = river.NewClient(s.jobDriver(nil), config); err != nil {
		return fmt.Errorf("prepare jobs: %w", err)
	}
	return nil
}

// jobDriver makes River speak to the pool. It is nil for what uses transactions only.
func (s *Store) jobDriver(pool *sql.DB) riverdriver.Driver[*sql.Tx] {
	if s.engine == Postgres {
		return riverdatabasesql.New(pool)
	}
	return riversqlite.New(pool)
}

// wake tells Work that there is a new job. On Postgres the server tells.
func (s *Store) wake() {
	select {
	case s.woken <- struct{}{}:
	default: // it has not looked since it was told last
	}
}
