package service

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func newPages(t testing.TB) *Pages { return pagesOf(t, 1) }

// pagesOf returns a maker of tokens whose key is first and zeros.
func pagesOf(t testing.TB, first byte) *Pages {
	t.Helper()
	p, err := NewPages([32]byte{first})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPageTokens(t *testing.T) {
	one, other := newPages(t), pagesOf(t, 2)
	again := newPages(t) // as after a restart
	rapid.Check(t, func(t *rapid.T) {
		part := rapid.StringOfN(rapid.RuneFrom([]rune("aä \"=,\x00")), 0, 20, -1)
		cursor := rapid.StringN(1, 100, -1).Draw(t, "cursor")
		bound := rapid.SliceOfN(part, 1, 4).Draw(t, "bound")
		token := one.Token(cursor, bound...)
		if strings.Contains(token, cursor) && len(cursor) > 4 {
			t.Errorf("the token shows its cursor: %s", token)
		}
		for _, pages := range []*Pages{one, again} {
			if got, err := pages.Cursor(token, bound...); err != nil || got != cursor {
				t.Fatalf("%q, %v", got, err)
			}
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
	// The same page has the same token, others share no part of theirs.
	token := one.Token("a", "b")
	if again.Token("a", "b") != token {
		t.Error("the token is another one after a restart")
	}
	for name, other := range map[string]string{
		"another cursor": one.Token("b", "b"), "another part": one.Token("a", "c"), "moved": one.Token("ab"), "another key": other.Token("a", "b"),
	} {
		if other[:16] == token[:16] {
			t.Errorf("%s: the nonce is the same", name)
		}
	}
}

// A cursor comes back as it was.
func TestCursors(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.OneOf(
			rapid.Map(rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"", "n\x02", "t\x00", strings.Repeat("é", 200)})),
				func(s string) any { return s }),
			rapid.Map(rapid.OneOf(rapid.Int64(), rapid.SampledFrom([]int64{0, -1, math.MinInt64, math.MaxInt64})),
				func(n int64) any { return n }),
		)
		values := rapid.SliceOfN(value, 1, 4).Draw(t, "values")
		cursor, err := EncodeCursor(values)
		if err != nil || cursor == "" {
			t.Fatalf("%q, %v", cursor, err)
		}
		if got, err := DecodeCursor(cursor); err != nil || !cmp.Equal(got, values) {
			t.Fatalf("%v, %v", got, err)
		}
		for name, bad := range map[string]string{"longer": cursor + "x", "other": "x" + cursor, "cut": cursor[:len(cursor)-1]} {
			if got, err := DecodeCursor(bad); err == nil && cmp.Equal(got, values) || err != nil && reasonFor(err) != InvalidPageToken {
				t.Errorf("%s: %v, %v", name, got, err)
			}
		}
	})
	// A column may be of 32 bits.
	if cursor, err := EncodeCursor([]any{int32(-7)}); err != nil {
		t.Error(err)
	} else if got, err := DecodeCursor(cursor); err != nil || !cmp.Equal(got, []any{int64(-7)}) {
		t.Errorf("%v, %v", got, err)
	}
	for _, bad := range [][]any{nil, {}, {nil}, {1.5}, {"a", true}} {
		if cursor, err := EncodeCursor(bad); err == nil {
			t.Errorf("%v became %q", bad, cursor)
		}
	}
}

func FuzzDecodeCursor(f *testing.F) {
	for _, cursor := range []string{"", "n\x02", "t\x01a", "t\x01an\x05", "t\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01", "n\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80", "t", "x"} {
		f.Add(cursor)
	}
	f.Fuzz(func(t *testing.T, cursor string) {
		values, err := DecodeCursor(cursor)
		if err != nil {
			if reasonFor(err) != InvalidPageToken || values != nil {
				t.Errorf("%v, %v", values, err)
			}
			return
		}
		again, err := EncodeCursor(values)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := DecodeCursor(again); err != nil || !cmp.Equal(got, values) {
			t.Errorf("%v became %v, %v", values, got, err)
		}
	})
}

func TestPageSize(t *testing.T) {
	for asked, want := range map[int32]int{0: 50, 1: 1, 50: 50, 999: 999, 1000: 1000, 1001: 1000, math.MaxInt32: 1000} {
		if got := pageSize(asked); got != want {
			t.Errorf("asked for %d: %d, want %d", asked, got, want)
		}
	}
}
