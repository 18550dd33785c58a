package main

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"dewbench/service/table"
)

// named is something that the operator may mean.
type named struct{ name, id, display string }

// String shows it in messages.
func (n named) String() string { return n.name + "  " + printable(n.display) }

// mostShown is how many things a message lists.
const mostShown = 10

// fitting returns the places of those that text may mean: the one with that full name
// or id, else all whose id begins so or who are shown by it.
func fitting(text string, all []named) (fits []int) {
	for i, n := range all {
		if text == n.name || text == n.id {
			return []int{i}
		}
		folder := strings.TrimSuffix(n.name, n.id)
		if strings.HasPrefix(n.id, text) || len(text) > len(folder) && strings.HasPrefix(n.name, text) || text == n.display {
			fits = append(fits, i)
		}
	}
	return fits
}

// pick returns the place of the one that text means. what says what it is, list names
// the command that lists all.
func pick(what, text string, all []named, list string) (int, error) {
	if text == "" {
		return 0, fmt.Errorf("give a %s by its name, its id or its display name: %s lists all", what, list)
	}
	fits := fitting(text, all)
	switch len(fits) {
	case 0:
		return 0, fmt.Errorf("there is no %s %q%s", what, text, nearest(text, all, list))
	case 1:
		return fits[0], nil
	}
	var lines strings.Builder
	for _, i := range fits[:min(len(fits), mostShown)] {
		fmt.Fprintf(&lines, "\n  %s", all[i])
	}
	if more := len(fits) - mostShown; more > 0 {
		fmt.Fprintf(&lines, "\n  and %d more", more)
	}
	return 0, fmt.Errorf("%q may be %d %ss: give the whole id of one%s", text, len(fits), what, lines.String())
}

// nearest says which may have been meant by a text that means none.
func nearest(text string, all []named, list string) string {
	of := map[string][]named{}
	for _, n := range all {
		for _, t := range []string{n.name, n.id, n.display} {
			of[t] = append(of[t], n)
		}
	}
	near := table.Nearest(text, slices.Sorted(maps.Keys(of)), 1)
	if len(near) == 0 {
		return fmt.Sprintf(": %s lists all", list)
	}
	meant := of[near[0]]
	if len(meant) > 1 {
		return fmt.Sprintf("; did you mean %q? There are %d: %s lists all", near[0], len(meant), list)
	}
	return fmt.Sprintf("; did you mean %q, %s?", meant[0].display, meant[0].name)
}

// printable writes text that others chose so that it does nothing to a terminal.
func printable(text string) string {
	if strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return strconv.Quote(text)
	}
	return text
}
