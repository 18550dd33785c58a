package table

import (
	"fmt"
	"strings"

	"dewbench/service/due"
)

// Outcome reads a word for what became of food, as a table has it, or the beginning
// of one that means nothing else.
func Outcome(word string) (due.Outcome, error) { return outcomes().begin(word) }

// StalkStage reads a word for a stage of a flower stalk likewise.
func StalkStage(word string) (Stalk, error) { return stalks().begin(word) }

// Exposure reads a word for an exposure likewise.
func Exposure(word string) (due.Exposure, error) { return exposures().begin(word) }

// begin reads a word or the beginning of one. The error lists the best word of each
// value, and the nearest.
func (w *words[T]) begin(text string) (value T, err error) {
	if value, ok := w.match(text); ok {
		return value, nil
	}
	start := key(text)
	found := map[T]bool{}
	var best, all []string
	for _, v := range w.words {
		best = append(best, v.words[0])
		all = append(all, v.words...)
		for _, word := range v.words {
			if start != "" && strings.HasPrefix(key(word), start) {
				found[v.value] = true
			}
		}
	}
	if len(found) == 1 {
		for value := range found {
			return value, nil
		}
	}
	question := ""
	if near := Nearest(start, all, 1); len(near) > 0 {
		question = fmt.Sprintf("; did you mean %q?", near[0])
	}
	return value, fmt.Errorf("%q is not %s: it is one of %s%s", text, w.what, strings.Join(best, ", "), question)
}
