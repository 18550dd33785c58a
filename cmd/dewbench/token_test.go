package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// TestLastDay reads the last day on which a token is good: to its end in UTC.
func TestLastDay(t *testing.T) {
	for _, c := range []struct{ now, day, ends string }{
		{"2026-05-11T12:00:00Z", "2026-05-11", "2026-05-12T00:00:00Z"},
		{"2026-05-11T23:59:59.999Z", "2026-05-11", "2026-05-12T00:00:00Z"},
		{"2026-05-12T00:00:00Z", "2026-05-11", "--expires 2026-05-11: is past: it must be today (2026-05-12 in UTC) or later"},
		{"2026-05-11T12:00:00Z", "2026-12-31", "2027-01-01T00:00:00Z"},
		{"2026-05-11T12:00:00Z", "2028-02-28", "2028-02-29T00:00:00Z"},
		{"2026-05-11T12:00:00Z", "", ""},
	} {
		now, err := time.Parse(time.RFC3339, c.now)
		if err != nil {
			t.Fatal(err)
		}
		token, err := askedToken("x", []string{"read"}, c.day, now)
		got := ""
		if err != nil {
			got = err.Error()
		} else {
			got = timeText(token.message.GetExpireTime())
		}
		if got != c.ends {
			t.Errorf("at %s the last day %s: %s, want %s", c.now, c.day, got, c.ends)
		}
	}
}

func TestListTokens(t *testing.T) {
	now := time.Date(2026, 5, 11, 12, 0, 0, 0, time.UTC)
	at := func(hours int) *timestamppb.Timestamp {
		return timestamppb.New(now.Add(time.Duration(hours) * time.Hour))
	}
	all := []*pb.Token{
		{Name: "growers/g/tokens/a", DisplayName: "first", Scopes: []string{"read", "record"}, CreateTime: at(-3), LastUseTime: at(-1), ExpireTime: at(1)},
		{Name: "growers/g/tokens/b", DisplayName: "ends now\x07", Scopes: []string{"read"}, CreateTime: at(-3), ExpireTime: at(0)},
		{Name: "growers/g/tokens/c", DisplayName: "gone", Scopes: []string{"stock"}, CreateTime: at(-3), ExpireTime: at(-1), RevokeTime: at(-2)},
	}
	var table bytes.Buffer
	if err := listTokens(&table, all, now, false); err != nil {
		t.Fatal(err)
	}
	want := `
TOKEN  NAME          SCOPES       MADE                  LAST USED             ENDS                  STATE
a      first         read record  2026-05-11T09:00:00Z  2026-05-11T11:00:00Z  2026-05-11T13:00:00Z  good
b      "ends now\a"  read         2026-05-11T09:00:00Z  never                 2026-05-11T12:00:00Z  expired
c      gone          stock        2026-05-11T09:00:00Z  never                 2026-05-11T11:00:00Z  revoked 2026-05-11T10:00:00Z
`
	if got := "\n" + table.String(); got != want {
		t.Errorf("got%swant%s", got, want)
	}
}

// TestDeliver writes a token to a file before it is made, and takes it back if it is
// not made.
func TestDeliver(t *testing.T) {
	token := &freshToken{secret: "dwb_x", message: &pb.Token{}}
	s := storetest.New(t, store.SQLite)
	file := filepath.Join(t.TempDir(), "token")
	var out, notes bytes.Buffer
	in := inOut{nil, &out, &notes}
	mine := errors.New("mine")
	err := (&tokenFile{file}).deliver(t.Context(), s, in, token, func() (string, error) {
		if text, err := os.ReadFile(file); err != nil || string(text) != "dwb_x\n" {
			t.Errorf("the file has %q (%v)", text, err)
		}
		return "name: n\n", mine
	})
	if !errors.Is(err, mine) || out.Len() > 0 {
		t.Errorf("%v, %q", err, out.String())
	}
	if _, err := os.Stat(file); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the file of a token that was not made: %v", err)
	}
	made := func() (string, error) { return "name: n\n", nil }
	if err := (&tokenFile{file}).deliver(t.Context(), s, in, token, made); err != nil || out.String() != "name: n\ntoken: written to "+file+"\n" || notes.Len() > 0 {
		t.Errorf("%v, %q, %q", err, out.String(), notes.String())
	}
	out.Reset()
	never := func() (string, error) {
		t.Error("a token was made that could not be written")
		return "", nil
	}
	if err := (&tokenFile{file}).deliver(t.Context(), s, in, token, never); err == nil || !strings.Contains(err.Error(), "is there already") {
		t.Errorf("a file that is there: %v", err)
	}
	if err := (&tokenFile{}).deliver(t.Context(), s, in, token, made); err != nil || out.String() != "name: n\ntoken: dwb_x\n" || !strings.Contains(notes.String(), "not shown again") {
		t.Errorf("%v, %q, %q", err, out.String(), notes.String())
	}
}
