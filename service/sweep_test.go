package service

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"dewbench/store"
	"dewbench/store/storetest"

	pb "dewbench/proto/dewbench/v1"
)

func TestMain(m *testing.M) { storetest.Main(m) }

// dawn is when the collections of the tests were made.
var dawn = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

// makeCollections makes n collections of one grower. deleted has the numbers of those
// that are deleted, and how many days after dawn they are to be purged.
func makeCollections(t *testing.T, s *store.Store, n int, deleted map[int]int) {
	t.Helper()
	err := s.Write(t.Context(), func(tx *store.Tx) error {
		if _, err := tx.Grower("g").Create("Grower", dawn.UnixMicro()); err != nil {
			return err
		}
		by := store.By{Us: dawn.UnixMicro(), Grower: "g", Token: "t"}
		for i := range n {
			c, err := tx.CreateCollection(collectionID(i), "g", &pb.Collection{DisplayName: "Home", TimeZone: "UTC"}, by)
			if err != nil {
				return err
			}
			days, is := deleted[i]
			if !is {
				continue
			}
			agree := func(*pb.Collection) error { return nil }
			if _, err := c.Delete(by, dawn.AddDate(0, 0, days).UnixMicro(), agree); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func collectionID(i int) string { return fmt.Sprintf("c-%03d", i) }

// left are the ids of all collections.
func left(t *testing.T, s *store.Store) map[string]bool {
	t.Helper()
	ids := map[string]bool{}
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		all, err := tx.CollectionIDs("", 1000)
		for _, id := range all {
			ids[id] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return ids
}

func TestSweep(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		if rows, err := Sweep(t.Context(), s, dawn); rows != 0 || err != nil {
			t.Errorf("an empty database: %d rows, %v", rows, err)
		}
		// Their number is a whole number of batches, so the last page is empty.
		n := 2 * sweepBatch
		makeCollections(t, s, n, map[int]int{0: 30, sweepBatch - 1: 30, sweepBatch: 31, n - 1: 30})
		due := dawn.AddDate(0, 0, 30)
		if rows, err := Sweep(t.Context(), s, due.Add(-time.Microsecond)); rows != 0 || err != nil {
			t.Errorf("a moment before: %d rows, %v", rows, err)
		}
		// Of each the collection with two revisions and two entries of the audit.
		if rows, err := Sweep(t.Context(), s, due); rows != 15 || err != nil {
			t.Errorf("after 30 days: %d rows, %v, want 15", rows, err)
		}
		ids := left(t, s)
		if len(ids) != n-3 || ids[collectionID(0)] || ids[collectionID(sweepBatch-1)] || ids[collectionID(n-1)] {
			t.Errorf("%d collections are left, want %d", len(ids), n-3)
		}
		ended, end := context.WithCancel(t.Context())
		end()
		if _, err := Sweep(ended, s, due.AddDate(0, 0, 1)); !errors.Is(err, context.Canceled) {
			t.Errorf("with a context that has ended: %v", err)
		}
		if rows, err := Sweep(t.Context(), s, due.AddDate(0, 0, 1)); rows != 5 || err != nil {
			t.Errorf("after 31 days: %d rows, %v, want 5", rows, err)
		}
	})
}

// Where collections fail the others are swept all the same.
func TestSweepGoesOn(t *testing.T) {
	url := storetest.URL(t, store.SQLite)
	s := storetest.Open(t, url)
	deleted := map[int]int{}
	for i := range 20 {
		deleted[i] = 1
	}
	makeCollections(t, s, 21, deleted)
	db, err := sql.Open("sqlite", strings.TrimPrefix(url, "sqlite:"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.ExecContext(t.Context(), `CREATE TRIGGER stuck BEFORE DELETE ON collections WHEN OLD.collection_id < 'c-015'
		BEGIN SELECT RAISE(ABORT, 'stuck'); END`); err != nil {
		t.Fatal(err)
	}
	rows, err := Sweep(t.Context(), s, dawn.AddDate(0, 0, 2))
	if rows != 5*5 || err == nil {
		t.Fatalf("%d rows, %v, want 25 and an error", rows, err)
	}
	if text := err.Error(); strings.Count(text, "stuck") != sweepErrors || !strings.HasPrefix(text, "collections/c-000: ") ||
		!strings.HasSuffix(text, "\nand 5 more collections") {
		t.Errorf("it says: %s", text)
	}
	if ids := left(t, s); len(ids) != 16 {
		t.Errorf("%d collections are left, want 16", len(ids))
	}
}

func TestSweepStopsWithoutDatabase(t *testing.T) {
	s := storetest.New(t, store.SQLite)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Sweep(t.Context(), s, dawn); err == nil || !strings.Contains(err.Error(), "list collections") {
		t.Errorf("a closed store: %v", err)
	}
}
