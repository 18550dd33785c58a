package table

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestFold(t *testing.T) {
	for _, same := range [][]string{
		{"d-1", "D-1", " D-1 ", "\u00a0d-1\u200b"},
		{"shelf 2", "Shelf  2", "SHELF\n2"},
		{"straße", "STRAẞE"},
		{"σίσυφος", "ΣΊΣΥΦΟΣ"},
		{"k", "K", "\u212a"}, // the Kelvin sign
	} {
		for _, s := range same {
			if Fold(s) != Fold(same[0]) {
				t.Errorf("%q and %q: %q and %q", s, same[0], Fold(s), Fold(same[0]))
			}
		}
	}
	for _, pair := range [][2]string{{"d-1", "d1"}, {"d 1", "d1"}, {"é", "e"}, {"İ", "i"}} {
		if Fold(pair[0]) == Fold(pair[1]) {
			t.Errorf("%q and %q are the same", pair[0], pair[1])
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s")
		f := Fold(s)
		if Fold(f) != f {
			t.Fatalf("%q: %q, again %q", s, f, Fold(f))
		}
		if c := clean(s); !strings.EqualFold(c, f) || Fold(c) != f {
			t.Fatalf("%q: %q, %q", s, c, f)
		}
	})
}

func TestNearest(t *testing.T) {
	tags := []string{"D-001", "D-002", "D-010", "D-100", "S-001", "Shelf 3/12", "d-001", strings.Repeat("x", 70), "Ä-1"}
	for _, c := range []struct {
		tag  string
		n    int
		want []string
	}{
		{"D-001", 3, []string{"D-001", "d-001", "D-002"}},
		{"d-0O1", 2, []string{"D-001", "d-001"}},
		{"D001", 1, []string{"D-001"}},
		{"D-0010", 9, []string{"D-001", "D-010", "d-001", "D-002", "D-100", "S-001"}},
		{"D-01", 9, []string{"D-001", "D-010", "d-001"}},
		{"shelf 12/3", 1, nil},
		{"Shelf 3/21", 1, []string{"Shelf 3/12"}},
		{"ä1", 1, []string{"Ä-1"}},
		{"zz", 3, nil},
		{"", 3, nil},
		{"D-001", 0, nil},
		{strings.Repeat("x", 65), 3, nil},
	} {
		if got := Nearest(c.tag, tags, c.n); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%q: got %q, want %q", c.tag, got, c.want)
		}
	}
}

// slow is the whole table of distances, straight from the recurrence.
func slow(a, b []rune) int {
	d := make([][]int, len(a)+1)
	for i := range d {
		d[i] = make([]int, len(b)+1)
		for j := range d[i] {
			switch {
			case i == 0:
				d[i][j] = j
			case j == 0:
				d[i][j] = i
			default:
				d[i][j] = min(d[i-1][j], d[i][j-1]) + 1
				if a[i-1] == b[j-1] {
					d[i][j] = min(d[i][j], d[i-1][j-1])
				} else {
					d[i][j] = min(d[i][j], d[i-1][j-1]+1)
				}
				if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
					d[i][j] = min(d[i][j], d[i-2][j-2]+1)
				}
			}
		}
	}
	return d[len(a)][len(b)]
}

func TestDistance(t *testing.T) {
	text := rapid.SliceOfN(rapid.SampledFrom([]rune("abcé")), 0, 12)
	var d distance
	rapid.Check(t, func(t *rapid.T) {
		a, b, most := text.Draw(t, "a"), text.Draw(t, "b"), rapid.IntRange(0, 12).Draw(t, "most")
		want := slow(a, b)
		got, ok := d.within(a, string(b), most)
		if ok != (want <= most) || ok && got != want {
			t.Fatal(got, ok, want)
		}
	})
}

// No list makes it slow: each of the tags costs little, near or not.
func TestNearestIsBounded(t *testing.T) {
	var tags []string
	for i := range 20_000 {
		tags = append(tags, fmt.Sprintf("%064d", i))
	}
	if got := Nearest(tags[777], tags, 2); !slices.Equal(got, []string{tags[777], tags[77]}) {
		t.Error(got)
	}
}
