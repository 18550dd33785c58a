package store_test

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/rivermigrate"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// onEmpty runs f on every engine with a database that has no tables.
func onEmpty(t *testing.T, f func(t *testing.T, url string)) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) { f(t, storetest.EmptyURL(t, engine)) })
	}
}

func TestMigrate(t *testing.T) {
	onEmpty(t, func(t *testing.T, url string) {
		s := storetest.Open(t, url)
		err := s.CheckSchema(t.Context())
		if !errors.Is(err, store.ErrOlderSchema) || !strings.Contains(err.Error(), "`dewbench migrate`") {
			t.Errorf("without tables CheckSchema = %v", err)
		}
		for range 2 { // the second has nothing to do
			if err := s.Migrate(t.Context()); err != nil {
				t.Fatal(err)
			}
			if err := s.CheckSchema(t.Context()); err != nil {
				t.Error(err)
			}
			if v, err := s.SchemaVersion(t.Context()); err != nil || v != store.LatestSchema() || v < 1 {
				t.Errorf("SchemaVersion = %d, %v, want %d", v, err, store.LatestSchema())
			}
		}
		add(t, s, "a")
	})
}

func TestSeveralMigrateAtOnce(t *testing.T) {
	onEmpty(t, func(t *testing.T, url string) {
		stores := make([]*store.Store, 4)
		for i := range stores {
			stores[i] = storetest.Open(t, url)
		}
		if err := writers(len(stores), func(i int) error { return stores[i].Migrate(t.Context()) }); err != nil {
			t.Fatal(err)
		}
		if err := stores[0].CheckSchema(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

func TestNewerSchemaIsRefused(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		_, err := s.Writer().Exec("UPDATE schema_versions SET version_id = version_id + 1 WHERE version_id > 0")
		if err != nil {
			t.Fatal(err)
		}
		for name, err := range map[string]error{
			"CheckSchema": s.CheckSchema(t.Context()),
			"Migrate":     s.Migrate(t.Context()),
		} {
			if !errors.Is(err, store.ErrNewer) {
				t.Errorf("%s = %v, want ErrNewer", name, err)
			}
		}
	})
	onEmpty(t, func(t *testing.T, url string) {
		s := storetest.Open(t, url)
		if err := s.Migrate(t.Context()); err != nil {
			t.Fatal(err)
		}
		_, err := s.Writer().Exec("UPDATE schema_versions SET version_id = version_id + 1 WHERE version_id > 0")
		if err != nil {
			t.Fatal(err)
		}
		if err := refused(t, url, store.Options{}); !errors.Is(err, store.ErrNewer) {
			t.Errorf("Open = %v, want ErrNewer", err)
		}
	})
}

func TestFailedStepLeavesNothing(t *testing.T) {
	onEmpty(t, func(t *testing.T, url string) {
		s := storetest.Open(t, url)
		// A view with the name of a table of the first step, not its first, is in the way.
		if _, err := s.Writer().Exec("CREATE VIEW plants AS SELECT 1 AS id"); err != nil {
			t.Fatal(err)
		}
		if err := s.Migrate(t.Context()); err == nil || !strings.Contains(err.Error(), "version 1") {
			t.Fatalf("Migrate = %v, want an error about version 1", err)
		}
		if v, err := s.SchemaVersion(t.Context()); err != nil || v != 0 {
			t.Errorf("SchemaVersion = %d, %v after a failed step", v, err)
		}
		names := make([]string, 0)
		for _, x := range ours(dump(t, s)) {
			names = append(names, x.name)
		}
		if len(names) > 0 { // views are not among them
			t.Errorf("after a failed step there are %v", names)
		}
		if _, err := s.Writer().Exec("DROP VIEW plants"); err != nil {
			t.Fatal(err)
		}
		if err := s.Migrate(t.Context()); err != nil {
			t.Errorf("Migrate once the way is free: %v", err)
		}
	})
}

// The step of jobs is several transactions on Postgres. One that was broken off goes on.
func TestBrokenOffJobsStep(t *testing.T) {
	url := storetest.EmptyURL(t, store.Postgres)
	s := storetest.Open(t, url)
	migrator, err := rivermigrate.New(riverdatabasesql.New(s.Writer()), nil)
	if err != nil {
		t.Fatal(err)
	}
	half := &rivermigrate.MigrateOpts{MaxSteps: len(migrator.AllVersions()) / 2}
	if done, err := migrator.Migrate(t.Context(), rivermigrate.DirectionUp, half); err != nil || len(done.Versions) == 0 {
		t.Fatalf("half of the step: %+v, %v", done, err)
	}
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	tells(t, "the schema", asSQL(dump(t, s)), asSQL(dump(t, storetest.New(t, store.Postgres))))
}

func TestEnginesTakeTheSameSteps(t *testing.T) {
	var steps [][]string
	for _, engine := range storetest.Engines() {
		files, err := os.ReadDir("migrations/" + string(engine))
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, f := range files {
			names = append(names, f.Name())
		}
		steps = append(steps, names)
	}
	if !slices.Equal(steps[0], steps[1]) {
		t.Errorf("SQLite takes %v, Postgres %v", steps[0], steps[1])
	}
}

// A SQLite file of another program is left alone.
func TestForeignFileIsLeftAlone(t *testing.T) {
	s := storetest.Open(t, storetest.EmptyURL(t, store.SQLite))
	if _, err := s.Writer().Exec("CREATE TABLE songs (title TEXT)"); err != nil {
		t.Fatal(err)
	}
	err := s.Migrate(t.Context())
	if err == nil || !strings.Contains(err.Error(), `another program: it holds a table "songs"`) {
		t.Errorf("Migrate = %v", err)
	}
	if v, err := s.SchemaVersion(t.Context()); v != 0 || err != nil {
		t.Errorf("SchemaVersion = %d, %v", v, err)
	}
}

// oldDatabase makes a database as programs of an older schema left it: with the rows of
// testdata/old, which has a file of each schema that tests begin from.
func oldDatabase(t *testing.T, url string, engine store.Engine, version int64) {
	t.Helper()
	driver, source, dialect := "pgx", url, goose.DialectPostgres
	if engine == store.SQLite {
		driver, source, dialect = "sqlite", strings.TrimPrefix(url, "sqlite:"), goose.DialectSQLite3
	}
	db, err := sql.Open(driver, source)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	}()
	steps, err := goose.NewProvider(dialect, db, os.DirFS("migrations/"+string(engine)), goose.WithTableName("schema_versions"), goose.WithDisableGlobalRegistry(true))
	if err == nil {
		_, err = steps.UpTo(t.Context(), version)
	}
	if err != nil {
		t.Fatal(err)
	}
	rows, err := os.ReadFile(fmt.Sprintf("../testdata/old/%04d.sql", version))
	if err == nil {
		_, err = db.ExecContext(t.Context(), string(rows))
	}
	if err != nil {
		t.Fatal(err)
	}
}

// contents are the rows of each table, by its columns of that time.
func contents(t *testing.T, s *store.Store, tables []table) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		for _, x := range tables {
			var columns []string
			for _, c := range x.columns {
				columns = append(columns, c.name)
			}
			catalogue{t, tx.SQL()}.query("SELECT "+strings.Join(columns, ", ")+" FROM "+x.name, func(v []string) {
				out[x.name] = append(out[x.name], fmt.Sprintf("%q", v))
			})
			slices.Sort(out[x.name])
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// What programs of schema 5 kept stays as it is, each collection its grower's and PRIVATE.
// The owner of a collection may be a society from then on, which on SQLite changes a table
// in place.
func TestUpgradeToPeople(t *testing.T) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			url := storetest.EmptyURL(t, engine)
			oldDatabase(t, url, engine, 5)
			s, err := store.Open(t.Context(), url, store.Options{RelaxedSync: true, Guard: true})
			if err != nil {
				t.Fatal(err)
			}
			closed := false
			end := func() {
				if err := s.Close(); err != nil && !closed {
					t.Error(err)
				}
				closed = true
			}
			defer end()
			tables := ours(dump(t, s))
			before := contents(t, s, tables)
			if len(before["collections"]) != 3 || len(before["revisions"]) != 1 {
				t.Fatalf("before there were %v", before)
			}
			if err := s.Migrate(t.Context()); err != nil {
				t.Fatal(err)
			}
			tells(t, "rows", contents(t, s, tables), before)
			tells(t, "what is new of collections", contents(t, s, []table{{name: "collections", columns: []column{{name: "collection_id"}, {name: "visibility"}, {name: "owner_society_id"}}}}),
				map[string][]string{"collections": {`["c1" "1" ""]`, `["c2" "1" ""]`, `["c3" "1" ""]`}})
			tells(t, "the schema", asSQL(dump(t, s)), asSQL(dump(t, storetest.New(t, engine))))
			sound(t, s)
			bed{t, s}.write(func(tx *store.Tx) error {
				if _, err := tx.CreateSociety("s1", &pb.Society{DisplayName: "Bog growers"}, by("grower-a")); err != nil {
					return err
				}
				if _, err := tx.CreateCollection("new", "grower-b", &pb.Collection{DisplayName: "New"}, by("grower-b")); err != nil {
					return err
				}
				for _, id := range []string{"new", "c1"} { // owner_id is NULL then
					err := within(id, func(c *store.Collection) error { _, err := c.Transfer("", "s1", by("grower-a"), agree); return err })(tx)
					if err != nil {
						return err
					}
				}
				return nil
			})
			// Who owns one must still be there.
			bed{t, s}.refused(store.ErrReference, func(tx *store.Tx) error {
				_, err := tx.CreateCollection("x", "nobody", &pb.Collection{}, by("grower-a"))
				return err
			})
			sound(t, s)
			end()

			// It opens again, and everybody has what is theirs.
			s = storetest.Open(t, url)
			if err := s.CheckSchema(t.Context()); err != nil {
				t.Error(err)
			}
			sound(t, s)
			for grower, want := range map[string][]string{"grower-a": {"societies/s1 Old shed", "growers/grower-a Owner_id TEXT NOT NULL", "societies/s1 New"}, "grower-b": {"growers/grower-b Größe"}} {
				bed{t, s}.read(func(tx *store.Tx) error {
					all, _, err := tx.Collections(grower, store.List{Limit: big, Deleted: true})
					var got []string
					for _, m := range all {
						got = append(got, m.GetOwner()+" "+m.GetDisplayName())
					}
					tells(t, "collections of "+grower, got, want)
					return err
				})
			}
		})
	}
}

// sound fails the test if SQLite finds anything wrong with its file. Postgres has no like
// of it, and does not need one: it changes no table in place.
func sound(t *testing.T, s *store.Store) {
	t.Helper()
	if s.Engine() != store.SQLite {
		return
	}
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		c := catalogue{t, tx.SQL()}
		c.query("PRAGMA integrity_check", func(v []string) {
			if v[0] != "ok" {
				t.Errorf("integrity: %v", v)
			}
		})
		c.query("PRAGMA foreign_key_check", func(v []string) { t.Errorf("a reference that leads nowhere: %v", v) })
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
