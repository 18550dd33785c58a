package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	gormsqlite "github.com/libtnb/sqlite"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

func (s *Store) openSQLite(ctx context.Context, path string, o Options) (plain func(error) error, err error) {
	if path == "" {
		return nil, errors.New("the path of the file is missing: give sqlite:PATH")
	}
	if strings.Contains(path, ":memory:") {
		return nil, errors.New("a database in memory cannot be shared by readers and the writer: give the path of a file")
	}
	absolute, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("find %s: %w", path, err)
	}
	path = absolute
	plain = func(err error) error { return sqliteOpenError(ctx, path, err) }
	if err := prepareFile(path, o.MustExist); err != nil {
		return nil, err
	}
	busy := o.BusyTimeout
	if busy == 0 {
		busy = 5 * time.Second
	}
	sync := "FULL"
	if o.RelaxedSync {
		sync = "NORMAL"
	}
	common := url.Values{
		"_busy_timeout": {strconv.FormatInt(busy.Milliseconds(), 10)},
		"_foreign_keys": {"1"},
		"_synchronous":  {sync},
		// A misspelt column in double quotes is an error, not a text.
		"_dqs": {"0"},
	}
	// A transaction that writes takes the lock at its start: one that reads first
	// and then asks for the lock fails when another has written in between,
	// whatever the timeout.
	s.writer, err = sqlitePool(path, common, url.Values{"_journal_mode": {"WAL"}, "_txlock": {"immediate"}}, 1)
	if err != nil {
		return nil, err
	}
	if err := s.writer.PingContext(ctx); err != nil {
		return nil, plain(err)
	}
	readers := o.MaxConns
	if readers == 0 {
		readers = 8
	}
	s.reader, err = sqlitePool(path, common, url.Values{"_query_only": {"1"}, "_txlock": {"deferred"}}, readers)
	if err != nil {
		return nil, err
	}
	if err := s.session(gormsqlite.New(gormsqlite.Config{Conn: s.reader})); err != nil {
		return nil, plain(err)
	}
	return plain, nil
}

// prepareFile makes the file, for its owner only, unless it is there. The
// system's words for what is wrong with a path are better than SQLite's.
func prepareFile(path string, mustExist bool) error {
	flags := os.O_RDWR
	if !mustExist {
		flags |= os.O_CREATE
	}
	f, err := os.OpenFile(path, flags, 0o600)
	switch {
	case errors.Is(err, fs.ErrNotExist) && mustExist:
		return fmt.Errorf("there is no file %s", path)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no folder %s", filepath.Dir(path))
	case err != nil:
		return err // names the path
	}
	return f.Close()
}

func sqlitePool(path string, common, own url.Values, size int) (*sql.DB, error) {
	query := url.Values{}
	for _, part := range []url.Values{common, own} {
		for key, values := range part {
			query[key] = values
		}
	}
	uriPath := filepath.ToSlash(path)
	if runtime.GOOS == "windows" {
		uriPath = "/" + uriPath
	}
	connector, err := sqlite.NewConnector((&url.URL{Scheme: "file", Path: uriPath, RawQuery: query.Encode()}).String())
	if err != nil {
		return nil, fmt.Errorf("the path %s cannot be used", path)
	}
	pool := sql.OpenDB(connector)
	pool.SetMaxOpenConns(size)
	pool.SetMaxIdleConns(size)
	return pool, nil
}

// sqliteOpenError says in plain words what is wrong with the file.
func sqliteOpenError(ctx context.Context, path string, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return fmt.Errorf("%s cannot be opened", path)
	}
	switch primary(e) {
	case sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%s is not a SQLite database", path)
	case sqlite3.SQLITE_CORRUPT:
		return fmt.Errorf("%s is damaged", path)
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
		return fmt.Errorf("%s cannot be written: the file and its folder must be writable", path)
	}
	if kind := sqliteKind(e); kind != nil {
		return fmt.Errorf("%s: %w", path, kind)
	}
	return fmt.Errorf("%s cannot be opened (SQLite code %d)", path, e.Code())
}

// primary is the code without the bits that extend it.
func primary(e *sqlite.Error) int { return e.Code() & 0xff }

// sqliteKind tells what the code means to callers, or nil.
func sqliteKind(e *sqlite.Error) error {
	switch e.Code() {
	case sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_IOERR_DIR_FSYNC,
		sqlite3.SQLITE_IOERR_TRUNCATE, sqlite3.SQLITE_IOERR_SHMSIZE:
		return ErrFull
	case sqlite3.SQLITE_IOERR_NOMEM:
		return ErrUnavailable
	case sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY, sqlite3.SQLITE_CONSTRAINT_ROWID:
		return ErrExists
	case sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY:
		return ErrReference
	}
	switch primary(e) {
	case sqlite3.SQLITE_FULL:
		return ErrFull
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_NOMEM,
		sqlite3.SQLITE_CANTOPEN:
		return ErrUnavailable
	}
	return nil
}
