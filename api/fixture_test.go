package api

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// fixtureTime is when golden requests come, unless they say otherwise.
var fixtureTime = time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC)

// fixture is the database of the golden pairs: the bearers, and what the calls of
// testdata/rpc/fixture.json make.
var fixture = storetest.NewTemplate(fillFixture)

// bearer is a token of the fixture.
type bearer struct {
	grower  string
	scopes  []string
	expires time.Time // zero: never
	revoked bool
}

// bearers are by the names that pairs call them by in "as", which are also the ids
// of the tokens.
var bearers = map[string]bearer{
	"all":       {grower: "grower-a", scopes: service.Scopes},
	"read":      {grower: "grower-a", scopes: []string{service.ScopeRead}},
	"record":    {grower: "grower-a", scopes: []string{service.ScopeRecord}},
	"manage":    {grower: "grower-a", scopes: []string{service.ScopeManage}},
	"stock":     {grower: "grower-a", scopes: []string{service.ScopeStock}},
	"ending":    {grower: "grower-a", scopes: []string{service.ScopeManage}, expires: fixtureTime.AddDate(0, 0, 20)},
	"expired":   {grower: "grower-a", scopes: []string{service.ScopeManage}, expires: fixtureTime},
	"revoked":   {grower: "grower-a", scopes: []string{service.ScopeManage}, revoked: true},
	"other":     {grower: "grower-b", scopes: []string{service.ScopeManage}},
	"organiser": {grower: "grower-d", scopes: []string{service.ScopeManage}},
	"member":    {grower: "grower-e", scopes: []string{service.ScopeManage}},
	"keeper":    {grower: "grower-f", scopes: []string{service.ScopeManage}},
	"manager":   {grower: "grower-g", scopes: []string{service.ScopeManage}},
	"suspended": {grower: "grower-c", scopes: []string{service.ScopeManage}},
}

// secretOf returns the secret of a bearer. That of "all" is what other tests call
// with; "wrong" has one that opens nothing.
func secretOf(as string) string {
	if as == "all" {
		return testSecret
	}
	return service.SecretPrefix + as + strings.Repeat("-", 43-len(as))
}

// authorizationOf returns the header of that name for a bearer; "" is none.
func authorizationOf(t testing.TB, as string) string {
	t.Helper()
	switch _, known := bearers[as]; {
	case as == "":
		as = "manage"
	case as == "none":
		return ""
	case !known && as != "wrong":
		t.Fatalf("there is no %q to call as", as)
	}
	return "Bearer " + secretOf(as)
}

// fixtureCall is a call that is made before or after the request of a pair, or
// that makes the fixture. testdata/rpc/README.md tells what the fields mean.
type fixtureCall struct {
	Time   string            `json:"time,omitempty"`
	As     string            `json:"as,omitempty"`
	Method string            `json:"method"`
	Target string            `json:"target"`
	Header map[string]string `json:"header,omitempty"`
	Body   json.RawMessage   `json:"body,omitempty"`
	ID     string            `json:"id,omitempty"`
	Times  int               `json:"times,omitempty"`
	Fails  bool              `json:"fails,omitempty"`
	Only   []string          `json:"only,omitempty"`
}

// wound is a clock that stands where it was set.
type wound struct{ us atomic.Int64 }

func (c *wound) now() time.Time { return time.UnixMicro(c.us.Load()).UTC() }

// set sets the clock to an instant of RFC 3339, or for "" to the time of the fixture.
func (c *wound) set(text string) error {
	at := fixtureTime
	if text != "" {
		var err error
		if at, err = time.Parse(time.RFC3339, text); err != nil {
			return err
		}
	}
	c.us.Store(at.UnixMicro())
	return nil
}

// counter makes the ids prefix0001, prefix0002 and so on.
type counter struct {
	prefix string
	made   atomic.Int64
}

func (c *counter) next() string { return fmt.Sprintf("%s%04d", c.prefix, c.made.Add(1)) }

func fillFixture(ctx context.Context, s *store.Store) (err error) {
	if err := s.Write(ctx, addBearers); err != nil {
		return err
	}
	text, err := os.ReadFile("../testdata/rpc/fixture.json")
	if err != nil {
		return err
	}
	var calls []fixtureCall
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&calls); err != nil {
		return fmt.Errorf("read fixture.json: %w", err)
	}
	clock, ids, id, secret := &wound{}, &counter{prefix: "f"}, "", ""
	clock.us.Store(fixtureTime.UnixMicro())
	server, err := New(ctx, service.Config{
		Store: s, Log: slog.New(slog.DiscardHandler), Version: "1.2.3", Now: clock.now,
		NewID: func() string {
			if chosen := id; chosen != "" {
				id = ""
				return chosen
			}
			return ids.next()
		},
	})
	if err != nil {
		return err
	}
	defer server.stop()
	for i, c := range calls {
		if err := clock.set(c.Time); err != nil {
			return err
		}
		id = c.ID
		r := httptest.NewRequestWithContext(ctx, c.Method, c.Target, bytes.NewReader(bytes.ReplaceAll(c.Body, []byte("(secret)"), []byte(secret))))
		r.Header.Set("Authorization", "Bearer "+secretOf(c.As))
		w := httptest.NewRecorder()
		server.gateway.ServeHTTP(w, r)
		if failed := w.Code != http.StatusOK; failed != c.Fails {
			return fmt.Errorf("call %d, %s %s: status %d: %s", i, c.Method, c.Target, w.Code, w.Body)
		}
		var told struct{ Secret string }
		if json.Unmarshal(w.Body.Bytes(), &told) == nil && told.Secret != "" {
			secret = told.Secret
		}
	}
	return nil
}

// addBearers adds the growers and their tokens, for which there is no call.
func addBearers(tx *store.Tx) error {
	made := fixtureTime.AddDate(0, -8, 0).UnixMicro()
	for _, id := range []string{"grower-a", "grower-b", "grower-c", "grower-d", "grower-e", "grower-f", "grower-g"} {
		if _, err := tx.Grower(id).Create("Grower "+strings.ToUpper(id[len(id)-1:]), made); err != nil {
			return err
		}
	}
	for id, b := range bearers {
		m := &pb.Token{Name: store.TokenName(b.grower, id), DisplayName: "For golden pairs: " + id, Scopes: b.scopes}
		if !b.expires.IsZero() {
			m.ExpireTime = timestamppb.New(b.expires)
		}
		if _, err := tx.Grower(b.grower).CreateToken(m, service.HashSecret(secretOf(id)), made); err != nil {
			return err
		}
		if b.revoked {
			if _, err := tx.Grower(b.grower).RevokeToken(id, made, func(*pb.Token) error { return nil }); err != nil {
				return err
			}
		}
	}
	for _, of := range []string{"grower-a", "grower-b"} {
		m := &pb.Identity{Name: store.IdentityName(of, of+"-elsewhere"), Issuer: "https://id.example", Subject: of}
		if _, err := tx.Grower(of).CreateIdentity(m, made); err != nil {
			return err
		}
	}
	return tx.Grower("grower-c").Suspend(&made, made)
}

// fixtureDoors serves a copy of the fixture.
type fixtureDoors struct {
	*doors
	clock *wound
	ids   *counter
	reset func() error // makes the database the fixture again
}

// openFixture serves a copy of the fixture until the test ends.
func openFixture(t *testing.T, engine store.Engine) *fixtureDoors {
	t.Helper()
	f := &fixtureDoors{clock: &wound{}, ids: &counter{prefix: "n"}}
	if err := f.clock.set(""); err != nil {
		t.Fatal(err)
	}
	url := fixture.URL(t, engine)
	f.reset = resetter(t, engine, url)
	log := slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError})
	f.doors = openStore(t, storetest.Open(t, url), service.Config{Now: f.clock.now, NewID: f.ids.next}, log)
	return f
}

// resetter returns what makes the database at url again what it is now. That takes
// less than a copy, as the server goes on with its connections.
func resetter(t *testing.T, engine store.Engine, url string) func() error {
	t.Helper()
	prepare := "CREATE SCHEMA pristine"
	// In the order in which they were made: what others refer to comes first. Only societies
	// are younger than the collections that refer to them.
	list := "SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace ORDER BY relname <> 'societies', oid"
	if engine == store.SQLite {
		prepare = "PRAGMA busy_timeout = 10000; ATTACH DATABASE '" + strings.TrimPrefix(fixture.URL(t, engine), "sqlite:") + "' AS pristine"
		list = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name <> 'societies', rowid"
	}
	db := openRaw(t, engine, url)
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(t.Context(), prepare); err != nil {
		t.Fatal(err)
	}
	rows, err := db.QueryContext(t.Context(), list)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var deletes, inserts []string
	for rows.Next() {
		var table string
		if err := rows.Scan(&table); err != nil {
			t.Fatal(err)
		}
		deletes = append(deletes, "DELETE FROM "+table)
		inserts = append(inserts, "INSERT INTO "+table+" SELECT * FROM pristine."+table)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	if engine == store.Postgres {
		for _, insert := range inserts {
			table := insert[strings.LastIndexByte(insert, '.')+1:]
			if _, err := db.ExecContext(t.Context(), "CREATE TABLE pristine."+table+" AS TABLE public."+table); err != nil {
				t.Fatal(err)
			}
		}
	}
	slices.Reverse(deletes)
	all := "BEGIN;" + strings.Join(slices.Concat(deletes, inserts), ";") + ";COMMIT"
	return func() error {
		_, err := db.ExecContext(context.Background(), all)
		return err
	}
}

// ask sends a call over HTTP, with what earlier answers fill in.
func (d *fixtureDoors) ask(t *testing.T, c *fixtureCall, filled *strings.Replacer) httpAnswer {
	t.Helper()
	if err := d.clock.set(c.Time); err != nil {
		t.Fatal(err)
	}
	header := headerOf(t, c.As, c.Header, filled)
	return d.sendRaw(t, c.Method, filled.Replace(c.Target), header, []byte(filled.Replace(string(c.Body))))
}

// headerOf returns the header of a request, with the token of the bearer unless it
// has one of its own.
func headerOf(t *testing.T, as string, set map[string]string, filled *strings.Replacer) [][2]string {
	t.Helper()
	header := [][2]string{{"X-Request-Id", exampleID}}
	own := false
	for _, name := range slices.Sorted(maps.Keys(set)) {
		header = append(header, [2]string{name, filled.Replace(set[name])})
		own = own || strings.EqualFold(name, "Authorization")
	}
	if !own {
		header = append(header, [2]string{"Authorization", authorizationOf(t, as)})
	}
	return header
}
