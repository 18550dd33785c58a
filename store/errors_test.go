package store_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"testing"
	"time"

	"gorm.io/gorm"

	"dewbench/store"
	"dewbench/store/storetest"
)

func TestErrorsHaveKinds(t *testing.T) {
	hash := []byte("hash")
	insertToken := func(tx *store.Tx, grower, id string) error {
		return tx.Q().Exec("INSERT INTO tokens (grower_id, token_id, hash, display_name, scopes, create_us, version, stamp)"+
			" VALUES (?, ?, ?, '', '', 1, 1, 1)", grower, id, hash).Error
	}
	for name, c := range map[string]struct {
		do   func(tx *store.Tx) error
		want error
	}{
		"a row that is not there": {func(tx *store.Tx) error {
			_, err := tx.Grower("nobody").Get()
			return err
		}, store.ErrNotFound},
		"a primary key twice": {func(tx *store.Tx) error {
			_, err := tx.Grower("a").Create("Ada", 1)
			return err
		}, store.ErrExists},
		"a unique column twice": {func(tx *store.Tx) error {
			return errors.Join(insertToken(tx, "a", "1"), insertToken(tx, "a", "2"))
		}, store.ErrExists},
		"a reference to what is not there": {func(tx *store.Tx) error {
			return insertToken(tx, "nobody", "1")
		}, store.ErrReference},
		"what is still referred to": {func(tx *store.Tx) error {
			return errors.Join(insertToken(tx, "a", "1"), tx.Q().Exec("DELETE FROM growers WHERE grower_id = 'a'").Error)
		}, store.ErrReference},
	} {
		t.Run(name, func(t *testing.T) {
			storetest.Each(t, func(t *testing.T, s *store.Store) {
				add(t, s, "a")
				var inside error
				err := s.Write(t.Context(), func(tx *store.Tx) error {
					inside = c.do(tx)
					return inside
				})
				if !errors.Is(err, c.want) {
					t.Errorf("Write = %v, want %v", err, c.want)
				}
				if !errors.Is(inside, c.want) {
					t.Errorf("inside the transaction: %v, want %v", inside, c.want)
				}
			})
		})
	}
}

func TestFullDisk(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		add(t, s, "a")
		fill := func(tx *store.Tx) error { return raise(tx, "53100") }
		if s.Engine() == store.SQLite {
			if _, err := s.Writer().Exec("PRAGMA max_page_count = 1"); err != nil { // that is: no more than there are
				t.Fatal(err)
			}
			fill = func(tx *store.Tx) error {
				return tx.Q().Exec("INSERT INTO server_keys (key_name, secret, create_us) VALUES ('k', zeroblob(1000000), 1)").Error
			}
		}
		if err := s.Write(t.Context(), fill); !errors.Is(err, store.ErrFull) {
			t.Errorf("Write = %v, want ErrFull", err)
		}
		if !has(t, s, "a") {
			t.Error("a full disk cannot be read")
		}
		if s.Engine() == store.SQLite {
			if _, err := s.Writer().Exec("PRAGMA max_page_count = 1000000"); err != nil {
				t.Fatal(err)
			}
		}
		add(t, s, "b")
	})
}

func TestLockedFile(t *testing.T) {
	url := storetest.URL(t, store.SQLite)
	other := storetest.Open(t, url)
	s := storetest.Open(t, url, func(o *store.Options) { o.BusyTimeout = 10 * time.Millisecond })
	err := other.Write(t.Context(), func(*store.Tx) error {
		err := s.Write(t.Context(), func(*store.Tx) error { return nil })
		if !errors.Is(err, store.ErrUnavailable) {
			t.Errorf("Write while another program writes = %v, want ErrUnavailable", err)
		}
		has(t, s, "a") // readers do not wait
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	add(t, s, "a")
}

func TestTwoProgramsWriteOneFile(t *testing.T) {
	url := storetest.URL(t, store.SQLite)
	stores := []*store.Store{storetest.Open(t, url), storetest.Open(t, url)}
	err := writers(2, func(i int) error {
		for n := range 50 {
			err := stores[i].Write(t.Context(), func(tx *store.Tx) error {
				_, err := tx.Grower(fmt.Sprintf("g%d-%d", i, n)).Create("Ada", 1)
				return err
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func TestServerGone(t *testing.T) {
	s := storetest.New(t, store.Postgres)
	err := s.Write(t.Context(), func(tx *store.Tx) error {
		return tx.Q().Exec("SELECT pg_terminate_backend(pg_backend_pid())").Error
	})
	if !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("Write on a connection that the server closes = %v, want ErrUnavailable", err)
	}
	add(t, s, "after")
}

// The codes are those of appendix A of the PostgreSQL 15 manual.
func TestPostgresCodes(t *testing.T) {
	s := storetest.New(t, store.Postgres)
	for code, want := range map[string]error{
		"53100": store.ErrFull,        // disk_full
		"58030": store.ErrFull,        // io_error
		"53200": store.ErrUnavailable, // out_of_memory
		"53300": store.ErrUnavailable, // too_many_connections
		"55P03": store.ErrUnavailable, // lock_not_available
		"57014": store.ErrUnavailable, // query_canceled
		"57P03": store.ErrUnavailable, // cannot_connect_now
		"08006": store.ErrUnavailable, // connection_failure
		"25006": store.ErrUnavailable, // read_only_sql_transaction
		"22012": nil,                  // division_by_zero: a defect
	} {
		err := s.Write(t.Context(), func(tx *store.Tx) error { return raise(tx, code) })
		if err == nil {
			t.Errorf("%s is no error", code)
		}
		for _, kind := range []error{store.ErrFull, store.ErrUnavailable, store.ErrNotFound, store.ErrExists, store.ErrReference} {
			if errors.Is(err, kind) != errors.Is(want, kind) {
				t.Errorf("%s is %v, want %v", code, err, want)
			}
		}
	}
}

func TestTranslate(t *testing.T) {
	plain := errors.New("plain")
	for _, c := range []struct{ err, want error }{
		{nil, nil},
		{plain, plain},
		{context.Canceled, context.Canceled},
		{fmt.Errorf("query: %w", context.DeadlineExceeded), context.DeadlineExceeded},
		{fmt.Errorf("query: %w", gorm.ErrRecordNotFound), store.ErrNotFound},
		{io.ErrUnexpectedEOF, store.ErrUnavailable},
		{store.ErrStale, store.ErrStale},
	} {
		got := store.Translate(c.err)
		if !errors.Is(got, c.want) || !errors.Is(got, c.err) {
			t.Errorf("translate(%v) = %v, want %v with its cause", c.err, got, c.want)
		}
		if again := store.Translate(got); fmt.Sprint(again) != fmt.Sprint(got) {
			t.Errorf("translated twice: %v", again)
		}
	}
}
