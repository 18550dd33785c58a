package api

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// scaled is a database with a population.
type scaled struct {
	*population
	engine store.Engine
	url    string
	pg     *pgxpool.Pool // nil on SQLite
	lite   *sql.DB       // nil on Postgres
	store  *store.Store
	doors  *doors
	clock  func() time.Time
}

// scaleCache is the folder in which what was loaded is kept from run to run; "": nowhere.
func scaleCache(tb testing.TB) string {
	tb.Helper()
	folder := os.Getenv("DEWBENCH_SCALE_CACHE")
	if folder != "" && !filepath.IsAbs(folder) {
		tb.Fatalf("DEWBENCH_SCALE_CACHE=%q: must be an absolute path", folder)
	}
	return folder
}

// scaleServer is the URL of the server of Postgres for the populations, until b ends.
func scaleServer(b *testing.B) string {
	folder := scaleCache(b)
	if folder != "" {
		folder = filepath.Join(folder, "postgres")
	}
	// Writes do not wait for the disk, by whomever: that hides least of what each costs.
	return storetest.Kept(b, folder, "shared_buffers=512MB", "max_wal_size=2GB", "maintenance_work_mem=256MB", "checkpoint_timeout=30min")
}

// openScaled opens a database with a population and serves it until b ends. It is loaded
// first, unless the cache has it.
func openScaled(b *testing.B, engine store.Engine, server string, size int) *scaled {
	b.Helper()
	people, err := newPopulation(size)
	if err != nil {
		b.Fatal(err)
	}
	s := &scaled{population: people, engine: engine}
	cache, name := scaleCache(b), fmt.Sprintf("scale_%d_%d_%s", size, store.LatestSchema(), digestOfFiles(b, "scale_data_test.go"))
	fresh := false
	if engine == store.SQLite {
		folder := cache
		if folder == "" {
			folder = b.TempDir()
		}
		if err := os.MkdirAll(folder, 0o755); err != nil {
			b.Fatal(err)
		}
		file := filepath.Join(folder, name+".db")
		if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
			fresh = true
			s.loadSQLite(b, file)
		} else if err != nil {
			b.Fatal(err)
		}
		s.url = "sqlite:" + file
		if s.lite, err = sql.Open("sqlite", "file:"+file+"?_pragma=busy_timeout(10000)"); err != nil {
			b.Fatal(err)
		}
		s.lite.SetMaxOpenConns(8)
		s.lite.SetMaxIdleConns(8)
		b.Cleanup(func() {
			if err := s.lite.Close(); err != nil {
				b.Error(err)
			}
		})
	} else {
		s.url, fresh = s.preparePostgres(b, server, name, cache != "")
		s.pg = scalePool(b, s.url)
	}
	s.serve(b)
	began := time.Now()
	if err := s.doors.server.RefreshDue(b.Context()); err != nil {
		b.Fatal(err)
	}
	if took := time.Since(began); fresh {
		plants := s.number(b, "SELECT count(*) FROM plant_due")
		scaleNote("%s: %d plants in %d collections; all decided about in %.1f s, %.0f a second", engine, plants, s.collections(), took.Seconds(), float64(plants)/took.Seconds())
		if engine == store.Postgres { // as its autovacuum would, which is off here
			s.exec(b, "VACUUM (ANALYZE, FREEZE)")
		}
	}
	return s
}

// serve serves the database until b ends.
func (s *scaled) serve(b *testing.B) {
	began := time.Now()
	s.clock = func() time.Time { return scaleTime.Add(time.Since(began)) }
	s.store = storetest.Open(b, s.url, plainly)
	s.doors = openStore(b, s.store, service.Config{Now: s.clock, Version: scaleVersion(b)}, slog.DiscardHandler)
}

// plainly opens a store as it is opened to be served, but that SQLite does not wait for
// the disk, as the server of Postgres does not here.
func plainly(o *store.Options) { o.Guard, o.RelaxedSync = false, true }

// scaleVersion is that of a program whose decisions are those of the sources: what another
// one kept in the cache is decided anew.
func scaleVersion(tb testing.TB) string {
	return "scale-" + digestOfFiles(tb, "../service/*.go", "../service/*/*.go", "../store/due.go")
}

// digestOfFiles returns some digits that stand for what is in files.
func digestOfFiles(tb testing.TB, patterns ...string) string {
	tb.Helper()
	digest := sha256.New()
	for _, pattern := range patterns {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			tb.Fatalf("no files %s: %v", pattern, err)
		}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				tb.Fatal(err)
			}
			fmt.Fprintf(digest, "%s %d\n%s", file, len(text), text)
		}
	}
	return hex.EncodeToString(digest.Sum(nil))[:8]
}

func scalePool(b *testing.B, url string) *pgxpool.Pool {
	b.Helper()
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		b.Fatal(err)
	}
	config.MaxConns = 8
	pool, err := pgxpool.NewWithConfig(b.Context(), config)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(pool.Close)
	return pool
}

// preparePostgres returns the URL of the database, which is made unless the cache has it.
func (s *scaled) preparePostgres(b *testing.B, server, name string, keep bool) (where string, fresh bool) {
	ctx := b.Context()
	admin, err := pgx.Connect(ctx, server)
	if err != nil {
		b.Fatal(err)
	}
	defer admin.Close(ctx)
	u, err := url.Parse(server)
	if err != nil {
		b.Fatal(err)
	}
	u.Path = "/" + name
	if !keep {
		b.Cleanup(func() {
			if err := dropDatabase(server, name); err != nil {
				b.Error(err)
			}
		})
	}
	var there bool
	if err := admin.QueryRow(ctx, "SELECT EXISTS (SELECT 1 FROM pg_database WHERE datname = $1)", name).Scan(&there); err != nil {
		b.Fatal(err)
	}
	if there {
		return u.String(), false
	}
	// It gets its name once it is whole.
	loading := *u
	loading.Path = "/loading_" + name
	if err := dropDatabase(server, "loading_"+name); err != nil {
		b.Fatal(err)
	}
	if _, err := admin.Exec(ctx, "CREATE DATABASE loading_"+name+" TEMPLATE template0"); err != nil {
		b.Fatal(err)
	}
	s.loadPostgres(b, loading.String())
	if _, err := admin.Exec(ctx, "ALTER DATABASE loading_"+name+" RENAME TO "+name); err != nil {
		b.Fatal(err)
	}
	return u.String(), true
}

func dropDatabase(server, name string) error {
	ctx := context.Background()
	admin, err := pgx.Connect(ctx, server)
	if err != nil {
		return err
	}
	_, err = admin.Exec(ctx, "DROP DATABASE IF EXISTS "+name+" WITH (FORCE)")
	return errors.Join(err, admin.Close(ctx))
}

func migrateScaled(b *testing.B, url string) {
	b.Helper()
	s, err := store.Open(b.Context(), url, store.Options{RelaxedSync: true})
	if err != nil {
		b.Fatal(err)
	}
	if err := errors.Join(s.Migrate(b.Context()), s.Close()); err != nil {
		b.Fatal(err)
	}
}

// loadPostgres fills the tables by COPY.
func (s *scaled) loadPostgres(b *testing.B, url string) {
	ctx, began := b.Context(), time.Now()
	migrateScaled(b, url)
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close(ctx)
	// References are right by the way in which the rows are made: they need no looking up.
	if _, err := conn.Exec(ctx, "SET session_replication_role = replica"); err != nil {
		b.Fatal(err)
	}
	rows := int64(0)
	for _, t := range scaleTables {
		next, stop := iter.Pull(s.all(t))
		n, err := conn.CopyFrom(ctx, pgx.Identifier{t.name}, strings.Fields(t.columns), pgx.CopyFromFunc(func() ([]any, error) {
			row, ok := next()
			if !ok {
				return nil, nil
			}
			return row, nil
		}))
		stop()
		if err != nil {
			b.Fatalf("load %s: %v", t.name, err)
		}
		rows += n
	}
	scaleNote("postgres: %d rows loaded in %.1f s", rows, time.Since(began).Seconds())
}

// loadSQLite fills the tables by inserts of many rows, in one transaction.
func (s *scaled) loadSQLite(b *testing.B, file string) {
	ctx, began := b.Context(), time.Now()
	loading := file + ".loading"
	for _, end := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(loading + end); err != nil && !errors.Is(err, fs.ErrNotExist) {
			b.Fatal(err)
		}
	}
	migrateScaled(b, "sqlite:"+loading)
	db, err := sql.Open("sqlite", "file:"+loading+"?_pragma=synchronous(OFF)&_pragma=foreign_keys(0)&_pragma=cache_size(-400000)")
	if err != nil {
		b.Fatal(err)
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		b.Fatal(err)
	}
	rows := int64(0)
	for _, t := range scaleTables {
		columns := strings.Fields(t.columns)
		one := ", (?" + strings.Repeat(", ?", len(columns)-1) + ")"
		insert := func(values []any) {
			n := len(values) / len(columns)
			if _, err := tx.ExecContext(ctx, "INSERT INTO "+t.name+" ("+strings.Join(columns, ", ")+") VALUES "+strings.Repeat(one, n)[2:], values...); err != nil {
				b.Fatalf("load %s: %v", t.name, err)
			}
			rows += int64(n)
		}
		var values []any
		for row := range s.all(t) {
			if values = append(values, row...); len(values) >= 100*len(columns) {
				insert(values)
				values = values[:0]
			}
		}
		if len(values) > 0 {
			insert(values)
		}
	}
	if err := errors.Join(tx.Commit(), db.Close()); err != nil {
		b.Fatal(err)
	}
	if err := os.Rename(loading, file); err != nil {
		b.Fatal(err)
	}
	scaleNote("sqlite: %d rows loaded in %.1f s", rows, time.Since(began).Seconds())
}

// exec changes the database behind the server's back. Parameters are written $1, $2.
func (s *scaled) exec(b *testing.B, statement string, args ...any) {
	b.Helper()
	var err error
	if s.engine == store.Postgres {
		_, err = s.pg.Exec(b.Context(), statement, args...)
	} else {
		_, err = s.lite.ExecContext(b.Context(), statement, args...)
	}
	if err != nil {
		b.Fatalf("%s: %v", statement, err)
	}
}

func (s *scaled) number(b *testing.B, query string, args ...any) (n int64) {
	b.Helper()
	var err error
	if s.engine == store.Postgres {
		err = s.pg.QueryRow(b.Context(), query, args...).Scan(&n)
	} else {
		err = s.lite.QueryRowContext(b.Context(), query, args...).Scan(&n)
	}
	if err != nil {
		b.Fatalf("%s: %v", query, err)
	}
	return n
}

// restore makes the collections from one number on again what was loaded, but for what the
// database leaves on the disk.
func (s *scaled) restore(b *testing.B, from int) {
	b.Helper()
	first, us := collectionID(from), scaleTime.UnixMicro()
	s.exec(b, "DELETE FROM revisions WHERE collection_id >= $1 AND create_us >= $2", first, us)
	s.exec(b, "DELETE FROM feedings WHERE collection_id >= $1 AND create_us >= $2", first, us)
	s.exec(b, "DELETE FROM plant_due WHERE collection_id >= $1 AND last_feed_us >= $2", first, us)
	s.exec(b, "UPDATE collections SET due_until = 0 WHERE collection_id >= $1", first)
	if err := s.doors.server.RefreshDue(b.Context()); err != nil {
		b.Fatal(err)
	}
	if n := s.number(b, "SELECT count(*) FROM plants p WHERE NOT EXISTS (SELECT 1 FROM plant_due d WHERE d.collection_id = p.collection_id AND d.plant_id = p.plant_id) AND collection_id >= $1", first); n > 0 {
		b.Fatalf("of %d plants nothing is kept", n)
	}
}
