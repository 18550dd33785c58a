package table

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// otherWords are headers in their own right that differ from known ones by no
// more than a slip. What growers call their columns is common practice, no source.
var otherWords = []string{
	"pot", "pots", "plot", "form", "site", "feed", "feeds", "size", "weight", "weights", "rating",
	"watered", "planted", "created", "treated", "flowers", "sprayed", "seed", "seeds", "sort", "rows",
}

// slip returns the header that was most likely meant by one that is not known,
// or nothing: the one from which it differs by a slip or two in the letters, as
// slips are small and words are many. Of equals the first of the list is it.
func slip(header string, known []string) (meant string) {
	words := headerWords(header)
	joined := strings.Join(words, "")
	if n := utf8.RuneCountInString(joined); n < 3 || n > longest || slices.Contains(otherWords, joined) {
		return ""
	}
	best := 3
	var d distance
	for _, h := range known {
		if dist, ok := d.slips(words, headerWords(h), best-1); ok {
			meant, best = h, dist
		}
	}
	return meant
}

// slips returns how many slips part two headers, if they are at most most and
// few enough for their length. Where both have as many words, each word is
// judged by itself: "Entered by" is no slip for "entered on". Else one slip is the
// most: it is no slip for "entered" either.
func (d *distance) slips(a, b []string, most int) (dist int, ok bool) {
	if len(a) != len(b) {
		a, b, most = []string{strings.Join(a, "")}, []string{strings.Join(b, "")}, min(most, 1)
	}
	for i, word := range a {
		one, ok := d.within([]rune(word), b[i], slipsOf(word))
		if dist += one; !ok || dist > most {
			return 0, false
		}
	}
	return dist, true
}

// slipsOf is how many slips a word may have.
func slipsOf(word string) int {
	switch n := utf8.RuneCountInString(word); {
	case n >= 7:
		return 2
	case n >= 3:
		return 1
	}
	return 0
}

// headerWords are the words of a header as keys, without its bracket and the
// unit at its end.
func headerWords(header string) (words []string) {
	base, _ := brackets(header)
	for _, w := range strings.FieldsFunc(base, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }) {
		if w = key(w); w != "" {
			words = append(words, w)
		}
	}
	if n := len(words); n > 1 {
		if _, isUnit := unitWords[words[n-1]]; isUnit {
			words = words[:n-1]
		}
	}
	return words
}
