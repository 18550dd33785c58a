package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"path"
	"strconv"
	"strings"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/riverdriver/riversqlite"
	"github.com/riverqueue/river/rivermigrate"
)

// Steps are numbered files, the same numbers for both engines, and jobsStep. A step
// that was released is never edited.
//
//go:embed migrations
var migrations embed.FS

// versionTable is where goose keeps which steps were taken.
const versionTable = "schema_versions"

// LatestSchema is the version of the schema that this program works with.
func LatestSchema() int64 { return latestSchema }

var latestSchema = latest(SQLite)

// latest panics on files that are wrongly named: they are part of the program.
func latest(e Engine) int64 {
	files, err := fs.ReadDir(migrations, path.Join("migrations", string(e)))
	if err != nil {
		panic(err)
	}
	version := jobsStep
	for _, f := range files {
		number, _, _ := strings.Cut(f.Name(), "_")
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			panic(fmt.Sprintf("migration %s has no number", f.Name()))
		}
		version = max(version, n)
	}
	return version
}

// SchemaVersion is the last step that the database has taken, 0 before the first.
func (s *Store) SchemaVersion(ctx context.Context) (int64, error) {
	exists := "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = '" + versionTable + "'"
	if s.engine == Postgres {
		exists = "SELECT count(*) FROM pg_catalog.pg_class WHERE oid = to_regclass('" + versionTable + "')"
	}
	var version int64
	err := s.Read(ctx, func(t *Tx) error {
		var tables int
		if err := t.q().Raw(exists).Scan(&tables).Error; err != nil || tables == 0 {
			return err
		}
		return t.q().Raw("SELECT coalesce(max(version_id), 0) FROM " + versionTable).Scan(&version).Error
	})
	if err != nil {
		return 0, fmt.Errorf("read the version of the schema: %w", err)
	}
	return version, nil
}

// CheckSchema tells whether this program can work with the database: ErrNewer or
// ErrOlderSchema if not.
func (s *Store) CheckSchema(ctx context.Context) error {
	version, err := s.SchemaVersion(ctx)
	switch {
	case err != nil:
		return err
	case version > LatestSchema():
		return newer(version)
	case version < LatestSchema():
		return fmt.Errorf("%w: it has version %d, the program needs %d: run `dewbench migrate`",
			ErrOlderSchema, version, LatestSchema())
	}
	return nil
}

func newer(version int64) error {
	return fmt.Errorf("the schema of the database (version %d, this program knows %d): %w: use that version or a later one",
		version, LatestSchema(), ErrNewer)
}

// Migrate takes the steps that the database has not taken, each in a transaction of
// its own (jobsStep on Postgres in several). Several programs may call it at once.
func (s *Store) Migrate(ctx context.Context) error {
	version, err := s.SchemaVersion(ctx)
	if err != nil {
		return err
	}
	if version > LatestSchema() {
		return newer(version)
	}
	if version == 0 && s.engine == SQLite {
		if err := s.checkOwn(ctx); err != nil {
			return err
		}
	}
	err = s.migrate(ctx)
	if err != nil && s.engine == SQLite && ctx.Err() == nil {
		// There is no lock around all steps on SQLite: another program may have
		// taken the same step first, and ours failed and was rolled back.
		if now, e := s.SchemaVersion(ctx); e == nil && now > version {
			return s.Migrate(ctx)
		}
	}
	return err
}

// checkOwn refuses a file that holds the tables of another program.
func (s *Store) checkOwn(ctx context.Context) error {
	var tables []string
	err := s.Read(ctx, func(t *Tx) error {
		return t.q().Raw("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite|_%' ESCAPE '|'" +
			" AND NOT EXISTS (SELECT 1 FROM sqlite_master WHERE name = '" + versionTable + "') ORDER BY name LIMIT 1").Scan(&tables).Error
	})
	switch {
	case err != nil:
		return fmt.Errorf("look for tables of another program: %w", err)
	case len(tables) > 0:
		return fmt.Errorf("the file is a database of another program: it holds a table %q: give a file of its own", tables[0])
	}
	return nil
}

func (s *Store) migrate(ctx context.Context) (err error) {
	dialect, pool := goose.DialectSQLite3, s.writer
	options := []goose.ProviderOption{goose.WithTableName(versionTable), goose.WithDisableGlobalRegistry(true)}
	if s.engine == Postgres {
		dialect = goose.DialectPostgres
		// One connection holds the lock while jobsStep uses another: the pool of writers
		// may have one only.
		pool = s.connect(2)
		defer func() { err = errors.Join(err, translate(pool.Close())) }()
		// Asks once a second, for five minutes.
		locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300))
		if err != nil {
			return fmt.Errorf("prepare the lock of migrations: %w", err)
		}
		options = append(options, goose.WithSessionLocker(locker))
	}
	options = append(options, goose.WithGoMigrations(goose.NewGoMigration(jobsStep, s.migrateJobs(), nil)))
	files, err := fs.Sub(migrations, path.Join("migrations", string(s.engine)))
	if err != nil {
		return fmt.Errorf("find migrations: %w", err)
	}
	provider, err := goose.NewProvider(dialect, pool, files, options...)
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	if _, err := provider.Up(ctx); err != nil {
		var partial *goose.PartialError
		if errors.As(err, &partial) {
			return ended(ctx, fmt.Errorf("migrate the schema to version %d: %w", partial.Failed.Source.Version, partial.Err))
		}
		return ended(ctx, fmt.Errorf("migrate the schema: %w", err))
	}
	return nil
}

// jobsStep makes the tables of the job library, by its own statements. It has no file.
const jobsStep int64 = 9

// jobsSchema is the version of the job library's schema that jobsStep leads to. A later
// version needs a further step.
const jobsSchema = 8

// migrateJobs is jobsStep. River cannot take all of its steps in one transaction on
// Postgres (it uses a value that it has added to an enum). It keeps those that it has
// taken, so that one which was broken off goes on where it stood.
func (s *Store) migrateJobs() *goose.GoFunc {
	options := &rivermigrate.MigrateOpts{TargetVersion: jobsSchema}
	config := &rivermigrate.Config{Logger: slog.New(slog.DiscardHandler)}
	if s.engine == SQLite {
		return &goose.GoFunc{RunTx: func(ctx context.Context, tx *sql.Tx) error {
			migrator, err := rivermigrate.New(riversqlite.New(nil), config)
			if err != nil {
				return err
			}
			//nolint:staticcheck // deprecated for the sake of Postgres
			_, err = migrator.MigrateTx(ctx, tx, rivermigrate.DirectionUp, options)
			return err
		}}
	}
	return &goose.GoFunc{RunDB: func(ctx context.Context, pool *sql.DB) error {
		migrator, err := rivermigrate.New(riverdatabasesql.New(pool), config)
		if err != nil {
			return err
		}
		_, err = migrator.Migrate(ctx, rivermigrate.DirectionUp, options)
		return err
	}}
}
