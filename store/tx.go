package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/riverqueue/river"
	"gorm.io/gorm"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Tx is a transaction under way. It is for one goroutine, and of no use after the
// function that it was given to has returned.
type Tx struct {
	db     *gorm.DB
	engine Engine
	watch  *watch // nil unless statements are watched

	readOnly bool
	audits   audits // what is put on record at the end

	raw   *sql.Tx // nil where there is only a connection, to read
	jobs  *river.Client[*sql.Tx]
	added []jobArgs // jobs that are added at the end
}

// ReadOnly tells whether the transaction only reads.
func (t *Tx) ReadOnly() bool { return t.readOnly }

// q begins a statement without conditions. A chain that has run keeps its
// conditions, so it is never used again.
func (t *Tx) q() *gorm.DB { return t.db.Session(&gorm.Session{NewDB: true}) }

// attempts is how often Write runs a function that Postgres gave up because of
// other transactions, before the error goes to the caller.
const attempts = 6

// Write runs f in a transaction that may write, and commits it unless f returns an
// error or panics.
//
// On SQLite one writer runs at a time, so what f reads nobody changes. On Postgres
// others may write in between (READ COMMITTED): rows that f reads in order to write
// them it locks. After a deadlock or a conflict f is run again from its start, so
// it may change nothing outside the transaction but what it sets anew each time.
//
// What f changed is put on record with it (see note).
//
// After a statement failed, f has to return: Postgres takes no further statement.
func (s *Store) Write(ctx context.Context, f func(*Tx) error) error {
	o := &sql.TxOptions{}
	if s.engine == Postgres {
		o.Isolation = sql.LevelReadCommitted
	}
	for attempt := 1; ; attempt++ {
		err := s.run(ctx, s.writer, o, f)
		if attempt == attempts || !again(err) {
			return err
		}
		// Not all at the same moment again: up to 5, 10, 20, ... ms.
		wait := time.NewTimer(rand.N(5 * time.Millisecond << (attempt - 1)))
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			return ctx.Err()
		}
	}
}

// Read runs f in a transaction that sees the database as it is at its first
// statement, all the way through, and cannot write.
func (s *Store) Read(ctx context.Context, f func(*Tx) error) error {
	o := &sql.TxOptions{ReadOnly: true}
	if s.engine == Postgres {
		o.Isolation = sql.LevelRepeatableRead
	}
	return s.run(ctx, s.reader, o, f)
}

func (s *Store) run(ctx context.Context, pool *sql.DB, o *sql.TxOptions, f func(*Tx) error) (err error) {
	raw, err := pool.BeginTx(ctx, o)
	if err != nil {
		return ended(ctx, fmt.Errorf("begin transaction: %w", err))
	}
	if s.record != nil {
		s.record(map[bool]string{false: "BEGIN", true: "BEGIN READ ONLY"}[o.ReadOnly], nil)
	}
	t := s.newTx(ctx, raw)
	t.readOnly, t.raw = o.ReadOnly, raw
	done := false
	defer func() {
		if done {
			return
		}
		// f failed or panics. A context that has ended rolled back already.
		if e := raw.Rollback(); e != nil && !errors.Is(e, sql.ErrTxDone) && err != nil {
			err = errors.Join(err, fmt.Errorf("roll back: %w", translate(e)))
		}
	}()
	err = f(t)
	if err == nil {
		err = t.writeAudits()
	}
	if err == nil {
		err = t.writeJobs()
	}
	if e := t.watch.violation(); e != nil {
		err = e
	}
	if err != nil {
		return ended(ctx, err)
	}
	done = true
	if s.record != nil {
		s.record("COMMIT", nil)
	}
	if err := raw.Commit(); err != nil {
		return ended(ctx, fmt.Errorf("commit: %w", err))
	}
	if len(t.added) > 0 {
		s.wake()
	}
	return nil
}

func (s *Store) newTx(ctx context.Context, raw gorm.ConnPool) *Tx {
	t := &Tx{engine: s.engine, jobs: s.jobs, db: s.gorm.Session(&gorm.Session{NewDB: true, Context: ctx})}
	t.db.Statement.ConnPool = raw
	if s.guard || s.record != nil {
		t.watch = &watch{ConnPool: raw, record: s.record}
		if s.guard {
			t.watch.check = guard
		}
		t.db.Statement.ConnPool = t.watch
	}
	return t
}

// ended translates an error, and turns those that drivers return because the
// context has ended into the context's.
func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		var lite *sqlite.Error
		interrupted := errors.As(err, &lite) && primary(lite) == sqlite3.SQLITE_INTERRUPT
		if interrupted || errors.Is(err, sql.ErrTxDone) || broken(err) {
			return fmt.Errorf("%w: %w", ctx.Err(), err)
		}
	}
	return translate(err)
}
