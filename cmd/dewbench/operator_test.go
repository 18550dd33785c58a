package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// operate runs a command in a folder to its end, which must be good, and returns its
// output.
func operate(t *testing.T, folder string, args ...string) string {
	t.Helper()
	var errs bytes.Buffer
	c := inFolder(t.Context(), folder, args...)
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%q: %v, %s", args, err, errs.String())
	}
	return string(out)
}

// lineOf returns what a line of an output says behind its key.
func lineOf(t *testing.T, output, key string) string {
	t.Helper()
	for line := range strings.Lines(output) {
		if value, ok := strings.CutPrefix(strings.TrimSuffix(line, "\n"), key+": "); ok {
			return value
		}
	}
	t.Fatalf("no line %q in %q", key, output)
	return ""
}

// TestOperatorBesideServer lets in and keeps out growers while a server runs on the
// same database.
func TestOperatorBesideServer(t *testing.T) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			folder, url := t.TempDir(), storetest.URL(t, engine)
			s := start(t, folder, "serve", "--database-url", url)
			if s.lines[2] != "There is no grower yet. Make the first in another window:" ||
				s.lines[4] != `  dewbench grower add "YOUR NAME" --database-url `+quoted(url) {
				t.Errorf("it prints %q", s.lines)
			}
			on := func(args ...string) string { return operate(t, folder, append(args, "--database-url", url)...) }
			call := func(token string, status int) string {
				t.Helper()
				return string(s.get(t, "/v1/growers/me", token, status))
			}

			added := on("grower", "add", "Fern Hollow", "--contact", "bench 12")
			grower, first := lineOf(t, added, "grower"), lineOf(t, added, "token")
			if !regexp.MustCompile(`^growers/[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`).MatchString(grower) {
				t.Errorf("%s is no UUID of version 7", grower)
			}
			var me pb.Grower
			if err := protojson.Unmarshal([]byte(call(first, http.StatusOK)), &me); err != nil {
				t.Fatal(err)
			}
			if me.GetName() != grower || me.GetDisplayName() != "Fern Hollow" || me.GetContact() != "bench 12" {
				t.Errorf("the grower is %v", &me)
			}
			// What the first token may do.
			s.send(t, http.MethodPost, "/v1/collections", first, `{"displayName": "Home", "timeZone": "UTC"}`, http.StatusOK)

			on("grower", "suspend", "Fern Hollow")
			if text := call(first, http.StatusUnauthorized); !strings.Contains(text, "TOKEN_INVALID") {
				t.Errorf("a suspended grower is answered %s", text)
			}
			if list := on("grower", "list"); !strings.Contains(list, "  suspended 2") {
				t.Errorf("the list says\n%s", list)
			}
			on("grower", "resume", grower)
			call(first, http.StatusOK)

			// A token that may only read.
			made := on("token", "add", grower, "--scope", "read", "--name", "morning list")
			reader := lineOf(t, made, "token")
			call(reader, http.StatusOK)
			if text := string(s.send(t, http.MethodPost, "/v1/collections", reader, `{"displayName": "B", "timeZone": "UTC"}`, http.StatusForbidden)); !strings.Contains(text, "SCOPE_MISSING") {
				t.Errorf("a reader who writes is answered %s", text)
			}
			list := on("token", "list", "Fern Hollow", "--json")
			var listed struct{ Tokens []map[string]any }
			if err := json.Unmarshal([]byte(list), &listed); err != nil || len(listed.Tokens) != 2 {
				t.Fatalf("%v: %s", err, list)
			}
			if got := listed.Tokens[1]; got["name"] != lineOf(t, made, "name") || got["displayName"] != "morning list" || got["lastUseTime"] == nil {
				t.Errorf("the second token is listed as %v", got)
			}
			if strings.Contains(list, service.SecretPrefix) {
				t.Errorf("the list tells secrets: %s", list)
			}
			on("token", "revoke", "Fern Hollow", "morning list")
			call(reader, http.StatusUnauthorized)
			call(first, http.StatusOK)

			reset := on("grower", "reset-token", grower)
			if lineOf(t, reset, "revoked") != "1 token" || lineOf(t, reset, "grower") != grower {
				t.Errorf("reset-token prints %s", reset)
			}
			call(first, http.StatusUnauthorized)
			again := lineOf(t, reset, "token")
			if s := string(s.get(t, "/v1/collections", again, http.StatusOK)); !strings.Contains(s, `"Home"`) {
				t.Errorf("the collections are %s", s)
			}
			// One that leaked is revoked by itself.
			on("token", "revoke", grower, again)
			call(again, http.StatusUnauthorized)
			s.end(t, os.Interrupt)
			if log := s.errors.String(); strings.Contains(log, service.SecretPrefix) {
				t.Errorf("the log tells secrets: %s", log)
			}
		})
	}
}

// TestTokenThatNobodyGetsToKnow runs commands whose reader has gone. A token that could
// not be shown is revoked again; one that is in a file is good.
func TestTokenThatNobodyGetsToKnow(t *testing.T) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			folder, url := t.TempDir(), storetest.URL(t, engine)
			on := func(args ...string) string { return operate(t, folder, append(args, "--database-url", url)...) }
			unread := func(args ...string) string {
				t.Helper()
				reader, writer, err := os.Pipe()
				if err == nil {
					err = reader.Close()
				}
				if err != nil {
					t.Fatal(err)
				}
				var errs bytes.Buffer
				c := inFolder(t.Context(), folder, append(args, "--database-url", url)...)
				c.Stdout, c.Stderr = writer, &errs
				if err := c.Run(); err == nil || c.ProcessState.ExitCode() != 1 {
					t.Errorf("%q: %v, want the exit code 1", args, err)
				}
				if err := writer.Close(); err != nil {
					t.Error(err)
				}
				if strings.Contains(errs.String(), service.SecretPrefix) {
					t.Errorf("%q tells the secret: %s", args, errs.String())
				}
				return errs.String()
			}
			// Whose token is revoked again, as the error says.
			again := regexp.MustCompile(`(?m)^dewbench: the token cannot be shown: .*\n(growers/(.*)/tokens/.*) is revoked again: make another one with dewbench token add (.*)$`)
			check := func(name string, live int, args ...string) string {
				t.Helper()
				text := unread(args...)
				said := again.FindStringSubmatch(text)
				if said == nil || said[2] != said[3] {
					t.Fatalf("%q says %q", args, text)
				}
				if name != "" && said[2] != name {
					t.Errorf("%q names %s, want %s", args, said[2], name)
				}
				var all, good struct {
					Tokens []struct{ Name, RevokeTime string }
				}
				for list, into := range map[string]any{
					on("token", "list", said[2], "--json"):              &good,
					on("token", "list", said[2], "--json", "--revoked"): &all,
				} {
					if err := json.Unmarshal([]byte(list), into); err != nil {
						t.Fatal(err)
					}
				}
				if last := all.Tokens[len(all.Tokens)-1]; last.Name != said[1] || last.RevokeTime == "" || len(good.Tokens) != live {
					t.Errorf("%q: %d good tokens, want %d, of %v", args, len(good.Tokens), live, all.Tokens)
				}
				return said[2]
			}
			grower := check("", 0, "grower", "add", "Fern Hollow")
			on("token", "add", grower, "--scope", "read", "--name", "first")
			check(grower, 1, "token", "add", grower, "--scope", "read", "--name", "second")
			check(grower, 0, "grower", "reset-token", grower)

			text := unread("grower", "reset-token", grower, "--token-file", "kept")
			if !regexp.MustCompile(`(?m)^growers/` + grower + `/tokens/.* is good and written to kept$`).MatchString(text) {
				t.Errorf("with a file it says %q", text)
			}
			secret, err := os.ReadFile(filepath.Join(folder, "kept"))
			if err != nil {
				t.Fatal(err)
			}
			on("token", "revoke", grower, strings.TrimSpace(string(secret)))
		})
	}
}

// TestOperatorKeepsToTheMostTokens gives a grower more than 100 tokens (README).
func TestOperatorKeepsToTheMostTokens(t *testing.T) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			folder, url := t.TempDir(), storetest.URL(t, engine)
			grower := strings.TrimPrefix(lineOf(t, operate(t, folder, "grower", "add", "Fern Hollow", "--database-url", url), "grower"), "growers/")
			err := storetest.Open(t, url).Write(t.Context(), func(tx *store.Tx) error {
				for n := range 99 {
					token, err := newToken(strconv.Itoa(n), []string{service.ScopeRead})
					if err == nil {
						err = token.create(tx, grower, time.Now().UnixMicro())
					}
					if err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			var errs bytes.Buffer
			c := inFolder(t.Context(), folder, "token", "add", grower, "--scope", "read", "--name", "x", "--token-file", "token", "--database-url", url)
			c.Stderr = &errs
			want := "dewbench: add token: 100 tokens are good already: revoke some that are not used\n"
			if err := c.Run(); err == nil || errs.String() != want {
				t.Errorf("%v, %q", err, errs.String())
			}
			if _, err := os.Stat(filepath.Join(folder, "token")); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("the file of a token that was not made: %v", err)
			}
			reset := operate(t, folder, "grower", "reset-token", grower, "--database-url", url)
			if lineOf(t, reset, "revoked") != "100 tokens" {
				t.Errorf("reset-token prints %s", reset)
			}
		})
	}
}

// TestServeKeepsRecords stops a server as the system does and starts another one.
func TestServeKeepsRecords(t *testing.T) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			folder, url := t.TempDir(), storetest.EmptyURL(t, engine)
			if engine == store.Postgres {
				operate(t, folder, "migrate", "--database-url", url)
			}
			operate(t, folder, "grower", "add", "Fern Hollow", "--database-url", url, "--token-file", "token")
			secret, err := os.ReadFile(filepath.Join(folder, "token"))
			if err != nil {
				t.Fatal(err)
			}
			token := strings.TrimSpace(string(secret))

			s := start(t, folder, "serve", "--database-url", url)
			var home pb.Collection
			if err := protojson.Unmarshal(s.send(t, http.MethodPost, "/v1/collections", token,
				`{"displayName": "Home", "timeZone": "Europe/Berlin", "latitudeDeg": 52}`, http.StatusOK), &home); err != nil {
				t.Fatal(err)
			}
			path := "/v1/" + home.GetName()
			s.send(t, http.MethodPost, path+"/benches?benchId=south", token, `{"displayName": "South window", "exposure": "WINDOWSILL"}`, http.StatusOK)
			s.send(t, http.MethodPost, path+"/plants?plantId=d12", token,
				`{"tag": "D12", "taxon": "taxa/drosera-spatulata", "bench": "`+home.GetName()+`/benches/south"}`, http.StatusOK)
			s.send(t, http.MethodPost, path+"/plants/d12/feedings", token, `{"fedDate": "2026-05-01", "trapsFed": 2}`, http.StatusOK)
			ask := func(s *started) *pb.ListDueFeedingsResponse {
				t.Helper()
				var answer pb.ListDueFeedingsResponse
				if err := protojson.Unmarshal(s.get(t, path+"/dueFeedings?asOfDate=2026-05-11", token, http.StatusOK), &answer); err != nil {
					t.Fatal(err)
				}
				return &answer
			}
			before := ask(s)
			s.end(t, syscall.SIGTERM)

			s = start(t, folder, "serve", "--database-url", url)
			if len(s.lines) != 4 || !strings.HasPrefix(s.lines[0], "database: ") {
				t.Errorf("with a grower it prints %q", s.lines)
			}
			after := ask(s)
			if len(after.GetDueFeedings()) != 1 || len(before.GetDueFeedings()) != 1 {
				t.Fatalf("before %v, after %v, want a row each", before, after)
			}
			// Two of the two traps of a small rosette cover ten days (README).
			if d := after.GetDueFeedings()[0]; d.GetStatus() != pb.DueFeeding_DUE || d.GetTag() != "D12" || d.GetDueFromDate() != "2026-05-11" {
				t.Errorf("after the second start: %v", d)
			}
			s.end(t, syscall.SIGTERM)
		})
	}
}

// longAgo fills a database with two collections, one of which was deleted 31 days
// before a day.
func longAgo(t *testing.T, s *store.Store, today time.Time) {
	t.Helper()
	by := store.By{Us: today.AddDate(0, 0, -31).UnixMicro(), Grower: "g", Token: "t"}
	err := s.Write(t.Context(), func(tx *store.Tx) error {
		if _, err := tx.Grower("g").Create("Grower", by.Us); err != nil {
			return err
		}
		for _, id := range []string{"kept", "deleted"} {
			c, err := tx.CreateCollection(id, "g", &pb.Collection{DisplayName: id, TimeZone: "UTC"}, by)
			if err != nil {
				return err
			}
			if id == "deleted" {
				agree := func(*pb.Collection) error { return nil }
				if _, err := c.Delete(by, today.AddDate(0, 0, -1).UnixMicro(), agree); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestServeSweeps starts a server on what was deleted long ago.
func TestServeSweeps(t *testing.T) {
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			url := storetest.URL(t, engine)
			longAgo(t, storetest.Open(t, url), time.Now())
			s := start(t, t.TempDir(), "serve", "--database-url", url)
			s.errors.await(t, `msg="removed what was deleted long ago" rows=5`) // and its two revisions, with what the audit has of them
			s.end(t, os.Interrupt)
		})
	}
}

// TestSweepAtEveryTick gives a sweep its clock and its ticks.
func TestSweepAtEveryTick(t *testing.T) {
	s := storetest.New(t, store.SQLite)
	today := time.Date(2026, 5, 11, 6, 0, 0, 0, time.UTC)
	longAgo(t, s, today)
	log := &lockedBuffer{}
	clock, ticks, ended := make(chan time.Time), make(chan time.Time), make(chan struct{})
	ctx, stop := context.WithCancel(t.Context())
	go func() {
		defer close(ended)
		sweep(ctx, s, newLog(log, false, slog.LevelInfo), func() time.Time { return <-clock }, ticks)
	}()
	clock <- today.AddDate(0, 0, -2)
	ticks <- today // taken when the first sweep is over
	if text := log.String(); text != "" {
		t.Errorf("with nothing to remove it says %s", text)
	}
	clock <- today
	ticks <- today
	if text := log.String(); !strings.Contains(text, "level=INFO") || !strings.Contains(text, "rows=5") {
		t.Errorf("of what it removed it says %s", text)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	clock <- today
	ticks <- today
	if text := log.String(); !strings.Contains(text, "level=ERROR") || !strings.Contains(text, "it is tried again in an hour") {
		t.Errorf("of a closed database it says %s", text)
	}
	stop()
	clock <- today
	<-ended
	if text := log.String(); strings.Count(text, "level=ERROR") != 1 {
		t.Errorf("when it is stopped it says %s", text)
	}
}
