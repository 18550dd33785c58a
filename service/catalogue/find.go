package catalogue

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"dewbench/service/table"
)

// Names finds taxa by the names that growers write. T is whatever stands for a taxon.
type Names[T comparable] struct {
	byKey  map[string]T
	name   map[T]string // the scientific name
	genera []string     // by the alphabet
}

// NewNames returns an index of taxa; named tells their scientific name and synonyms.
func NewNames[T comparable](taxa []T, named func(T) (scientific string, synonyms []string)) *Names[T] {
	n := &Names[T]{byKey: map[string]T{}, name: map[T]string{}}
	for _, t := range taxa {
		scientific, synonyms := named(t)
		n.name[t] = scientific
		for _, name := range synonyms {
			n.byKey[Normalise(name)] = t
		}
		n.byKey[Normalise(scientific)] = t
		if !strings.Contains(scientific, " ") {
			n.genera = append(n.genera, scientific)
		}
	}
	slices.Sort(n.genera)
	n.genera = slices.Compact(n.genera)
	return n
}

// Found is the taxon of a name.
type Found[T comparable] struct {
	Taxon T
	OK    bool
	// Exact tells whether the name is one of the taxon's. Else the taxon stands in: it
	// is the species with which the name begins, or its genus.
	Exact bool
	// Name is the name with its genus in full.
	Name string
	// Maybe says what may have been meant, where no taxon was found.
	Maybe string
}

// Find returns the taxon of a name. Where there is none, the species that the name
// begins with stands in, else its genus.
func (n *Names[T]) Find(name string) Found[T] {
	if letter, rest, ok := shortGenus(name); ok {
		if f := n.findShort(letter, rest); f.OK || f.Maybe != "" {
			return f
		}
	}
	f := Found[T]{Name: name}
	key := Normalise(name)
	if f.Taxon, f.Exact, f.OK = n.begins(key, strings.Contains(name, " × ")); f.OK {
		return f
	}
	genus, _, _ := strings.Cut(key, " ")
	if f.Taxon, f.OK = n.byKey[genus]; !f.OK {
		f.Maybe = n.guess(name)
	}
	return f
}

// begins returns the taxon of the longest known beginning of a key, of at least two
// words. A cross that is unknown is no form of its first parent.
func (n *Names[T]) begins(key string, cross bool) (t T, whole, ok bool) {
	if t, ok = n.byKey[key]; ok || cross {
		return t, ok, ok
	}
	words := strings.Fields(key)
	for end := len(words) - 1; end >= 2; end-- {
		if t, ok = n.byKey[strings.Join(words[:end], " ")]; ok {
			return t, false, true
		}
	}
	return t, false, false
}

// shortGenus splits a name that begins with the first letter of its genus, as in
// "D. capensis".
func shortGenus(name string) (letter, rest string, ok bool) {
	first, rest, _ := strings.Cut(strings.TrimLeft(name, "× "), " ")
	letter = strings.ToLower(strings.TrimSuffix(first, "."))
	return letter, rest, utf8.RuneCountInString(letter) == 1
}

// findShort returns the taxon of a name whose genus is one letter, if only one fits,
// or else says which genera it may be.
func (n *Names[T]) findShort(letter, rest string) (f Found[T]) {
	var genera []string
	fits := map[T]bool{} // whether the whole name is that taxon's
	for _, genus := range n.genera {
		key := strings.ToLower(genus)
		if !strings.HasPrefix(key, letter) {
			continue
		}
		genera = append(genera, genus)
		full := genus + " " + rest
		if t, whole, ok := n.begins(Normalise(full), strings.Contains(full, " × ")); ok && t != n.byKey[key] {
			f.Taxon, f.Name = t, full
			fits[t] = fits[t] || whole
		}
	}
	switch {
	case len(fits) == 1:
		f.OK, f.Exact = true, fits[f.Taxon]
		return f
	case len(genera) == 0:
		return Found[T]{}
	case len(genera) == 1 && len(fits) == 0:
		return Found[T]{Taxon: n.byKey[strings.ToLower(genera[0])], OK: true, Name: strings.TrimSpace(genera[0] + " " + rest)}
	}
	return Found[T]{Maybe: "has a genus that may be " + strings.Join(genera, ", ") + ": write it in full"}
}

// guess says which name may have been meant by one of an unknown genus; nothing, if
// no genus is near.
func (n *Names[T]) guess(name string) string {
	genus, _, _ := strings.Cut(name, " ")
	near := table.Nearest(genus, n.genera, 1)
	if len(near) == 0 {
		return ""
	}
	of := map[string]bool{}
	for _, scientific := range n.name {
		if strings.HasPrefix(scientific, near[0]) {
			of[scientific] = true
		}
	}
	if whole := table.Nearest(name, slices.Sorted(maps.Keys(of)), 1); len(whole) > 0 {
		near = whole
	}
	return fmt.Sprintf("did you mean %q?", near[0])
}

// Note says what a grower should know of a name that was looked up; scientific is the
// name of the taxon that was found. It is empty if there is nothing to say. A plant
// whose trap type is given is fed all the same.
func (f Found[T]) Note(scientific string, trapTypeGiven bool) string {
	question := strings.HasSuffix(f.Maybe, "?")
	switch {
	case f.OK && f.Exact, !f.OK && f.Maybe == "" && trapTypeGiven:
		return ""
	case f.OK:
		return "is not in the catalogue: the figures of " + scientific + " stand in"
	case f.Maybe == "":
		return "is not in the catalogue, nor is its genus: add a column for the trap type to have it fed"
	case question && trapTypeGiven:
		return "is not in the catalogue, nor is its genus; " + f.Maybe
	case question:
		return "is not in the catalogue, nor is its genus; " + f.Maybe + " If not, add a column for the trap type to have it fed"
	}
	return f.Maybe
}
