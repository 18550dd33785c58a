// Package storetest gives tests databases of their own, on each engine.
//
// A package whose tests use it has one line for that:
//
//	func TestMain(m *testing.M) { storetest.Main(m) }
//
// Postgres is a server that is started when the first test asks for it and thrown
// away at the end. Its programs must be installed (PostgreSQL 15 or newer); they are
// looked for in PG_BINDIR, where Debian keeps them, and in PATH. Where
// DEWBENCH_TEST_POSTGRES has the URL of a server on which databases may be made,
// that one is used.
package storetest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"dewbench/store"
)

// PasswordRole is the name of a role that a test may make, of which the throw-away
// server asks a password. Others it lets in.
const PasswordRole = "dewbench_password"

// Engines are all that the store knows.
func Engines() []store.Engine { return []store.Engine{store.SQLite, store.Postgres} }

// Option changes how a store is opened.
type Option func(*store.Options)

// Each runs f as a subtest on every engine, with a database of its own that has the
// tables and no rows.
func Each(t *testing.T, f func(t *testing.T, s *store.Store), options ...Option) {
	t.Helper()
	for _, engine := range Engines() {
		t.Run(string(engine), func(t *testing.T) { f(t, New(t, engine, options...)) })
	}
}

// New opens a database that has the tables and no rows. It is gone when the test
// ends.
func New(tb testing.TB, engine store.Engine, options ...Option) *store.Store {
	tb.Helper()
	return Clone(tb, engine, bare, options...)
}

// URL is for a program that opens the database itself: one that has the tables and
// no rows. It is gone when the test ends.
func URL(tb testing.TB, engine store.Engine) string {
	tb.Helper()
	return bare.URL(tb, engine)
}

// EmptyURL is for a program that makes the tables itself.
func EmptyURL(tb testing.TB, engine store.Engine) string {
	tb.Helper()
	if engine == store.SQLite {
		return "sqlite:" + filepath.Join(tb.TempDir(), "dewbench.db")
	}
	name, err := newDatabase("template0")
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { dropLater(name) })
	return databaseURL(name)
}

// Clone opens a copy of what the template made.
func Clone(tb testing.TB, engine store.Engine, from *Template, options ...Option) *store.Store {
	tb.Helper()
	return Open(tb, from.URL(tb, engine), options...)
}

// Open opens the database at url until the test ends, with the guard on.
func Open(tb testing.TB, url string, options ...Option) *store.Store {
	tb.Helper()
	s, err := open(tb.Context(), url, options...)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := s.Close(); err != nil {
			tb.Error(err)
		}
	})
	return s
}

func open(ctx context.Context, url string, options ...Option) (*store.Store, error) {
	o := store.Options{Guard: true, RelaxedSync: true}
	for _, option := range options {
		option(&o)
	}
	return store.Open(ctx, url, o)
}

// bare has the tables and no rows.
var bare = NewTemplate(func(context.Context, *store.Store) error { return nil })

// Template is a database that is made once for each engine and then copied, which
// takes milliseconds.
type Template struct {
	fill func(context.Context, *store.Store) error
	lite made
	pg   made
}

type made struct {
	once sync.Once
	file []byte // SQLite: the file
	name string // Postgres: the database that is copied
	err  error
}

// NewTemplate tells how to fill a database that has the tables. Nothing happens
// before the first copy is asked for. A fill that fails fails every test that asks.
func NewTemplate(fill func(context.Context, *store.Store) error) *Template {
	return &Template{fill: fill}
}

// URL is a fresh copy, gone when the test ends.
func (p *Template) URL(tb testing.TB, engine store.Engine) string {
	tb.Helper()
	if engine == store.SQLite {
		p.lite.once.Do(func() { p.lite.file, p.lite.err = p.makeFile(tb.Context()) })
		if p.lite.err != nil {
			tb.Fatal(p.lite.err)
		}
		file := filepath.Join(tb.TempDir(), "dewbench.db")
		if err := os.WriteFile(file, p.lite.file, 0o600); err != nil {
			tb.Fatal(err)
		}
		return "sqlite:" + file
	}
	p.pg.once.Do(func() { p.pg.name, p.pg.err = p.makeDatabase(tb.Context()) })
	if p.pg.err != nil {
		tb.Fatal(p.pg.err)
	}
	name, err := newDatabase(p.pg.name)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { dropLater(name) })
	return databaseURL(name)
}

func (p *Template) makeFile(ctx context.Context) (file []byte, err error) {
	folder, err := os.MkdirTemp("", "dewbench-template-")
	if err != nil {
		return nil, err
	}
	defer func() {
		if e := os.RemoveAll(folder); err == nil {
			err = e
		}
	}()
	name := filepath.Join(folder, "template.db")
	if err := p.make(ctx, "sqlite:"+name); err != nil {
		return nil, err
	}
	// Closing moved the log into the file.
	return os.ReadFile(name)
}

func (p *Template) makeDatabase(ctx context.Context) (string, error) {
	name, err := newDatabase("template0")
	if err != nil {
		return "", err
	}
	dropAtStop(name)
	return name, p.make(ctx, databaseURL(name))
}

func (p *Template) make(ctx context.Context, url string) (err error) {
	s, err := open(ctx, url)
	if err != nil {
		return err
	}
	defer func() {
		if e := s.Close(); err == nil {
			err = e
		}
	}()
	if err := s.Migrate(ctx); err != nil {
		return err
	}
	if err := p.fill(ctx, s); err != nil {
		return fmt.Errorf("fill the template: %w", err)
	}
	return nil
}

// Main runs the tests, stops what they started, and exits. The checks run last, if
// no test failed.
func Main(m interface{ Run() int }, checks ...func() error) {
	code := m.Run()
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	fail(stop())
	if code == 0 {
		for _, check := range checks {
			fail(check())
		}
	}
	os.Exit(code)
}
