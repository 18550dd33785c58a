package main

import (
	"fmt"
	"io"
	"strings"

	"dewbench/service/table"
)

// columnTables are the tables of due, each with its columns.
var columnTables = []struct {
	flag, of string
	columns  func() []table.Column
}{
	{"--plants", "a row for each pot", table.PlantColumns},
	{"--feedings", "a row for each session", table.FeedingColumns},
	{"--observations", "a row for what was seen or done", table.ObservationColumns},
}

// writeColumns prints every column of every table: the headers that it is found
// by, its unit and the words that it takes.
func writeColumns(w io.Writer) error {
	var b strings.Builder
	b.WriteString(`The columns of the tables. Each is found by any of its headers, the first one
first. Case, spaces and punctuation do not matter. A unit may stand in brackets
in the header or after the number; the first one is meant where none stands. The
words of one list mean the same.
`)
	for _, t := range columnTables {
		fmt.Fprintf(&b, "\n%s (%s)\n", t.flag, t.of)
		for _, c := range t.columns() {
			fmt.Fprintf(&b, "\n  %s\n", c.Gives)
			listed(&b, "headers", c.Headers)
			if c.Unit != "" {
				listed(&b, "unit", []string{c.Unit})
			}
			if c.Day {
				listed(&b, "takes", []string{"a day, best as YYYY-MM-DD"})
			}
			title := "words"
			for _, words := range c.Words {
				listed(&b, title, words)
				title = "or"
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// The lines of a list: how wide they are, and where what is listed begins.
const (
	lineWidth = 80
	listStart = 13
)

// listed writes a list with its title. Lines break between the parts.
func listed(b *strings.Builder, title string, parts []string) {
	width, _ := fmt.Fprintf(b, "    %-*s", listStart-4, title)
	for i, part := range parts {
		if i+1 < len(parts) {
			part += ","
		}
		n := len([]rune(part))
		switch {
		case i == 0:
		case width+1+n > lineWidth:
			fmt.Fprintf(b, "\n%*s", listStart, "")
			width = listStart
		default:
			b.WriteByte(' ')
			width++
		}
		b.WriteString(part)
		width += n
	}
	b.WriteByte('\n')
}
