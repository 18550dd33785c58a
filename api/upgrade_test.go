package api

import (
	"context"
	"database/sql"
	"os"
	"strings"
	"testing"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// oldDatabase makes a database as programs of schema 1 left it.
func oldDatabase(t *testing.T, engine store.Engine) (url string) {
	t.Helper()
	url = storetest.EmptyURL(t, engine)
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
	steps, err := goose.NewProvider(dialect, db, os.DirFS("../store/migrations/"+string(engine)),
		goose.WithTableName("schema_versions"), goose.WithDisableGlobalRegistry(true))
	if err == nil {
		_, err = steps.UpTo(t.Context(), 1)
	}
	if err != nil {
		t.Fatal(err)
	}
	old, err := os.ReadFile("../testdata/old/0001.sql")
	if err == nil {
		_, err = db.ExecContext(t.Context(), string(old))
	}
	if err != nil {
		t.Fatal(err)
	}
	return url
}

// What programs of schema 1 kept stays, and what is due is decided anew: at once for who
// asks, and then kept.
func TestUpgrade(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s, err := store.Open(t.Context(), oldDatabase(t, engine), store.Options{RelaxedSync: true, Guard: true})
		if err == nil {
			err = s.Migrate(t.Context())
		}
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		})
		err = s.Write(t.Context(), func(tx *store.Tx) error {
			_, err := tx.Grower("grower-a").CreateToken(&pb.Token{Name: store.TokenName("grower-a", "t"), Scopes: service.Scopes}, service.HashSecret(testSecret), 1)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		d := openStore(t, s, service.Config{Now: func() time.Time { return time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC) }})
		calls := clientsOf(d.conn)
		// D2 was never fed: due since it was entered, on 1 March, which is long over. D1:
		// fed in full on 1 May, so due from 11 May on (due.md, example 1, for a large plant).
		check := func() {
			t.Helper()
			list, err := calls.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: "collections/c1"})
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, m := range list.GetDueFeedings() {
				got = append(got, m.GetTag(), m.GetStatus().String(), m.GetDueFromDate(), m.GetDueLastDate())
			}
			if want := "D2 OVERDUE 2026-03-01 2026-03-04 D1 DUE 2026-05-11 2026-05-14"; strings.Join(got, " ") != want {
				t.Errorf("due are %q, want %s", got, want)
			}
			p, err := calls.GetPlant(t.Context(), &pb.GetPlantRequest{Name: "collections/c1/plants/p1"})
			if err != nil {
				t.Fatal(err)
			}
			if p.GetLastSizes().GetRosetteDiameterMm() != 91.5 || p.GetLastFeedTime().GetSeconds() != 1777629600 || p.GetDue().GetStatus() != pb.DueFeeding_DUE {
				t.Errorf("the plant is %v", p)
			}
		}
		check()
		if err := d.server.RefreshDue(t.Context()); err != nil {
			t.Fatal(err)
		}
		err = s.Read(t.Context(), func(tx *store.Tx) error {
			c, err := tx.Collection("c1", "", func(store.Ties) bool { return true })
			if err != nil {
				return err
			}
			kept, err := c.KeptDue([]string{"p1", "p2"})
			for id, k := range kept {
				if len(k.Decision) == 0 || len(k.Record) == 0 || k.Settings == 0 {
					t.Errorf("of %s is kept %+v", id, k)
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		check()
		m := &pb.Feeding{FedDate: proto.String("2026-05-11"), TrapsFed: proto.Int32(4)}
		if _, err := calls.CreateFeeding(context.Background(), &pb.CreateFeedingRequest{Parent: "collections/c1/plants/p2", Feeding: m}); err != nil {
			t.Error(err)
		}
	})
}
