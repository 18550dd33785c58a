package table

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// Tags finds plants by what is on their labels.
type Tags struct {
	tags  []string
	index map[string]int // of the fold
	bad   map[string]int // line of the plant whose row has problems
	file  string         // of those
	// budget is how many comparisons of short tags may still be spent on telling
	// near ones, so that a table full of unknown tags is read about as quickly as
	// a good one. A longer tag costs more.
	budget int
}

// nearBudget is good for some tenths of a second.
const nearBudget = 2_000_000

// NewTags takes the tags of plants. Where two have the same Fold, the first
// counts.
func NewTags(tags []string) *Tags {
	t := &Tags{tags: tags, index: make(map[string]int, len(tags)), bad: map[string]int{}, budget: nearBudget}
	for i, tag := range tags {
		if _, twice := t.index[Fold(tag)]; !twice {
			t.index[Fold(tag)] = i
		}
	}
	return t
}

// PlantTags takes the tags of a table of plants, those of its bad rows too.
func PlantTags(plants *Result[Plant]) *Tags {
	tags := make([]string, len(plants.Rows))
	for i := range plants.Rows {
		tags[i] = plants.Rows[i].Tag
	}
	t := NewTags(tags)
	t.file = plants.file
	for _, b := range plants.Bad {
		fold := Fold(b.Tag)
		_, good := t.index[fold]
		_, named := t.bad[fold]
		if !good && !named && b.Tag != "" {
			t.bad[fold] = b.Line
		}
	}
	return t
}

// Find returns the place of a tag in the list, by Fold.
func (t *Tags) Find(tag string) (i int, ok bool) {
	i, ok = t.index[Fold(tag)]
	return i, ok
}

// tagged are the records that belong to a plant.
type tagged interface {
	Feeding | Observation
	label() (tag string, line int)
}

// Join finds the plant of each row of a table; R is Feeding or Observation. It
// returns, for each row that is left in t.Rows, the place of its plant among
// the tags. A row whose tag is not among them becomes a problem that names the
// nearest tags; so does the row of a plant whose own row has a problem.
func Join[R tagged](tags *Tags, t *Result[R]) (of []int) {
	out := list{file: t.file, max: max(t.max, 1)}
	kept := t.Rows[:0]
	for _, r := range t.Rows {
		tag, line := r.label()
		if i, ok := tags.Find(tag); ok {
			kept, of = append(kept, r), append(of, i)
			continue
		}
		out.add(line, t.Header("tag"), tag, tags.Unknown(tag))
	}
	clear(t.Rows[len(kept):])
	t.Rows = kept
	var more int
	t.Problems, more = byLine(append(t.Problems, out.all...), max(t.max, 1))
	t.MoreProblems += more + out.more
	return of
}

// Unknown says that no plant has a tag, and which tags are near.
func (t *Tags) Unknown(tag string) (rule string) {
	if line, bad := t.bad[Fold(tag)]; bad {
		where := "in line " + itoa(line)
		if t.file != "" {
			where = "in " + t.file + " line " + itoa(line)
		}
		return "is the tag of a plant that has a problem of its own, " + where
	}
	return "is the tag of no plant" + t.Near(tag)
}

// Near says which tags could have been meant by one that is not among them, to go
// behind what says so; nothing, if none is near or too many were asked for.
func (t *Tags) Near(tag string) string {
	if t.budget < 0 {
		return ""
	}
	n := utf8.RuneCountInString(tag)
	t.budget -= len(t.tags) * (1 + n*n/64)
	near := Nearest(tag, t.tags, 3)
	if len(near) == 0 {
		return ""
	}
	for i, n := range near {
		near[i] = fmt.Sprintf("%q", n)
	}
	return "; the nearest: " + strings.Join(near, ", ")
}
