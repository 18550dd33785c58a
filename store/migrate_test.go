package store_test

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

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
