package store_test

import (
	"testing"
	"unicode"

	"golang.org/x/text/unicode/norm"
	"pgregory.net/rapid"

	"dewbench/store"
)

// Expected values were made with Python 3.11.7 (Unicode 14.0):
//
//	unicodedata.normalize("NFC", unicodedata.normalize("NFC", s.strip()).casefold())
func TestFold(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", ""},
		{" \t\u00a0A-1\u3000\n", "a-1"},
		{"a  B", "a  b"},
		{"Größe", "grösse"},
		{"GRÖSSE", "grösse"},
		{"Gro\u0308ße", "grösse"},
		{"ẞ", "ss"},
		{"ß", "ss"},
		{"İ", "i\u0307"},
		{"I", "i"},
		{"ı", "ı"},
		{"ΣΊΣΥΦΟΣ", "σίσυφοσ"},
		{"ς", "σ"},
		{"ﬁ", "fi"},
		{"E\u0301", "é"},
		{"J\u030c", "ǰ"},
		{"ǰ", "ǰ"},
		{"ΐ", "ΐ"},
		{"Ａ", "ａ"},
		{"Ⓐ", "ⓐ"},
		{"\u212b", "å"},
		{"\u2126", "ω"},
		{"K", "k"},
		{"ſ", "s"},
		{"Ꭰ", "Ꭰ"},
		{"ꭰ", "Ꭰ"},
		{"Ǆ", "ǆ"},
		{"白い花 🌱", "白い花 🌱"},
	} {
		if got := store.Fold(c.text); got != c.want {
			t.Errorf("Fold(%q) = %+q, want %+q", c.text, got, c.want)
		}
	}
}

// Letters that differ in case alone by the simple mappings of Unicode, which the
// standard library has, fold to the same.
func TestFoldJoinsCases(t *testing.T) {
	t.Parallel()
	for r := rune(1); r <= unicode.MaxRune; r++ {
		for other := unicode.SimpleFold(r); other != r; other = unicode.SimpleFold(other) {
			if a, b := store.Fold(string(r)), store.Fold(string(other)); a != b {
				t.Errorf("Fold(%+q) = %+q, but Fold(%+q) = %+q", r, a, other, b)
			}
		}
	}
}

func TestFoldOfFolded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.OneOf(rapid.String(), rapid.StringMatching(`[\x{0300}-\x{0370}\x{1F00}-\x{1FFF}a-zA-Z ß]{0,8}`)).Draw(t, "text")
		once := store.Fold(s)
		if twice := store.Fold(once); twice != once {
			t.Errorf("Fold(%+q) = %+q, folded again %+q", s, once, twice)
		}
		for _, same := range []string{norm.NFD.String(s), " " + s + "\u2003"} {
			if got := store.Fold(same); got != once {
				t.Errorf("Fold(%+q) = %+q, but Fold(%+q) = %+q", s, once, same, got)
			}
		}
	})
}
