package service

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func newPages(t testing.TB) *Pages {
	t.Helper()
	p, err := NewPages([32]byte{1})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPageTokens(t *testing.T) {
	one := newPages(t)
	other, err := NewPages([32]byte{2})
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		part := rapid.StringOfN(rapid.RuneFrom([]rune("aä \"=,\x00")), 0, 20, -1)
		cursor := rapid.StringN(1, 100, -1).Draw(t, "cursor")
		bound := rapid.SliceOfN(part, 1, 4).Draw(t, "bound")
		token := one.Token(cursor, bound...)
		if strings.Contains(token, cursor) && len(cursor) > 4 {
			t.Errorf("the token shows its cursor: %s", token)
		}
		if got, err := one.Cursor(token, bound...); err != nil || got != cursor {
			t.Fatalf("%q, %v", got, err)
		}
		changed := append([]string(nil), bound...)
		i := rapid.IntRange(0, len(bound)-1).Draw(t, "i")
		changed[i] += "x"
		for name, open := range map[string]func() (string, error){
			"another key":  func() (string, error) { return other.Cursor(token, bound...) },
			"another part": func() (string, error) { return one.Cursor(token, changed...) },
			"a part more":  func() (string, error) { return one.Cursor(token, append(bound, "x")...) },
			"a part less":  func() (string, error) { return one.Cursor(token, bound[1:]...) },
			"parts joined": func() (string, error) { return one.Cursor(token, strings.Join(append(bound, ""), "\x00")) },
			"no token":     func() (string, error) { return one.Cursor("x"+token, bound...) },
		} {
			if got, err := open(); reasonFor(err) != InvalidPageToken || got != "" {
				t.Errorf("%s: %q, %v", name, got, err)
			}
		}
	})
	if got, err := one.Cursor("", "a"); got != "" || err != nil {
		t.Errorf("the first page: %q, %v", got, err)
	}
	if first, second := one.Token("a", "b"), one.Token("a", "b"); first == second {
		t.Error("two tokens are the same")
	}
}

func TestPageSize(t *testing.T) {
	for asked, want := range map[int32]int{0: 50, 1: 1, 50: 50, 999: 999, 1000: 1000, 1001: 1000, math.MaxInt32: 1000} {
		if got := pageSize(asked); got != want {
			t.Errorf("asked for %d: %d, want %d", asked, got, want)
		}
	}
}
