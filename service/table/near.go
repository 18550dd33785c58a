package table

import (
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"
)

// longest is the most characters of a text that is looked for among others. A
// longer one is near nothing.
const longest = 64

// foldRune returns one and the same character for all that differ in case only
// (simple case folding of the Unicode Standard): the lower-case letter where
// the script has one.
func foldRune(r rune) rune {
	if r < 0x80 {
		if r >= 'A' && r <= 'Z' {
			return r + 'a' - 'A'
		}
		return r
	}
	least := r
	for f := unicode.SimpleFold(r); f != r; f = unicode.SimpleFold(f) {
		least = min(least, f)
	}
	if least == r && unicode.SimpleFold(r) == r {
		return r
	}
	return unicode.ToLower(least)
}

// Fold returns what tags are compared by: the tag without spaces around it,
// runs of white space as one space, case folded. Two tags are the same if and
// only if their folds are.
func Fold(tag string) string {
	tag = clean(tag)
	for i := 0; i < len(tag); i++ {
		if c := tag[i]; c >= 0x80 || c >= 'A' && c <= 'Z' {
			return strings.Map(foldRune, tag)
		}
	}
	return tag
}

// Nearest returns up to n of the tags that could have been meant by tag, the
// nearest first, each once. Near is a small optimal string alignment distance
// (insert, delete, change or swap neighbours, one each) of the folded tags: at
// most (characters of tag + 1) / 3, rounded down, and at least one. Ties go by the
// alphabet. A tag of more than 64 characters has no neighbours. The tag itself,
// if it is among them, comes first. Cost: the number of tags times the square
// of the length at worst; most are dismissed by their length.
func Nearest(tag string, tags []string, n int) []string {
	want := []rune(Fold(tag))
	if len(want) == 0 || len(want) > longest || n <= 0 {
		return nil
	}
	most := max(1, (len(want)+1)/3)
	type near struct {
		tag  string
		dist int
	}
	var found []near
	var d distance
	for _, t := range tags {
		// A folded character has at most four bytes, so by bytes too it can be told
		// which texts are out of reach, before they are folded.
		if len(t) > 8*longest || utf8.RuneCountInString(t) < len(want)-most {
			continue
		}
		if dist, ok := d.within(want, Fold(t), most); ok {
			found = append(found, near{t, dist})
		}
	}
	sort.Slice(found, func(i, j int) bool {
		if found[i].dist != found[j].dist {
			return found[i].dist < found[j].dist
		}
		return found[i].tag < found[j].tag
	})
	var out []string
	for i, f := range found {
		if i > 0 && f.tag == found[i-1].tag {
			continue
		}
		if out = append(out, f.tag); len(out) == n {
			break
		}
	}
	return out
}

// distance holds the rows of the table of distances for use again.
type distance struct {
	text            []rune
	two, one, three [longest + 1]int
}

// within returns the optimal string alignment distance of a, at most 64
// characters, and b, if it is at most most. Source: the recurrence of Damerau
// (1964, doi 10.1145/363958.363994) restricted so that no part of a text is
// edited twice.
func (d *distance) within(a []rune, b string, most int) (dist int, ok bool) {
	d.text = d.text[:0]
	for _, r := range b {
		if d.text = append(d.text, r); len(d.text) > len(a)+most {
			return 0, false
		}
	}
	if len(d.text) < len(a)-most {
		return 0, false
	}
	before, last, row := &d.two, &d.one, &d.three // rows of characters i-2, i-1 and i of b
	for j := range len(a) + 1 {
		last[j] = j
	}
	for i, rb := range d.text {
		row[0] = i + 1
		least := row[0]
		for j, ra := range a {
			v := last[j]
			if ra != rb {
				v = 1 + min(v, last[j+1], row[j])
				if i > 0 && j > 0 && ra == d.text[i-1] && a[j-1] == rb {
					v = min(v, before[j-1]+1)
				}
			}
			row[j+1] = v
			least = min(least, v)
		}
		if least > most+1 { // a swap can still gain one
			return 0, false
		}
		before, last, row = last, row, before
	}
	return last[len(a)], last[len(a)] <= most
}
