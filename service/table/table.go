// Package table reads the tables that growers keep in a spreadsheet, saved as
// CSV, into plain records: plants, feedings and observations.
//
// The form is RFC 4180 with what spreadsheets make of it: comma, semicolon or
// tab, a byte order mark, a leading line `sep=;`, any line end, cells with line
// breaks in quotes. Headers are the trade's ordinary words in any case and
// punctuation (PlantColumns, FeedingColumns and ObservationColumns list them).
// Each bad row is named with its line, column, value and the rule that it
// breaks, all at once; the good rows are returned beside them.
//
// A cell is data and nothing else: one that begins with =, +, - or @ is never
// taken for a formula. Where a cell could mean two things, nothing is guessed.
//
// Sources: RFC 4180 (October 2005), section 2; ISO 8601-1:2019 for days; the
// International Code of Nomenclature for algae, fungi, and plants, articles H.2
// and H.3, for hybrids; the International Code of Nomenclature for Cultivated
// Plants, 9th edition 2016, for cultivars (what its articles say is given from
// memory). Which words growers use for a column
// or a value is common practice, no source.
package table

import (
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"
)

// Limits of a table. What is beyond is a problem of the file or the row.
const (
	MaxBytes   = 16 << 20 // bytes of the file
	MaxColumns = 200      // columns
	MaxRows    = 200_000  // rows that are not empty, without the header
	MaxCell    = 32_767   // bytes of one cell

	// DefaultMaxProblems is how many problems are named where Options say
	// nothing.
	DefaultMaxProblems = 1000
)

// Options say how to read a table. The zero value is good for UTF-8.
type Options struct {
	// File is the name of the table in problems, for instance "plants.csv". It
	// may be empty.
	File string
	// Order is the order of day and month in days such as 3/4/2026. Unknown:
	// the other days of the table decide.
	Order Order
	// AskOrder ends the sentence that asks for the order, for instance "give
	// --date-order dmy or --date-order mdy".
	AskOrder string
	// AskColumns ends the sentences about columns that are not known, for instance
	// "see the manual". It may be empty.
	AskColumns string
	// Encoding is that of the bytes, where no byte order mark tells it.
	Encoding Encoding
	// AskEncoding ends the sentence about bytes that are not UTF-8, for instance
	// "give --encoding windows-1252".
	AskEncoding string
	// MaxProblems is how many problems, and how many warnings, are named; the
	// rest is counted. 0 means DefaultMaxProblems.
	MaxProblems int
	// ByRef lets plants of one tag stand in a table if each has a ref and all but
	// one are dead, sold or given away.
	ByRef bool
}

func (o Options) maxProblems() int {
	if o.MaxProblems > 0 {
		return o.MaxProblems
	}
	return DefaultMaxProblems
}

// Result is what a table says.
type Result[R any] struct {
	// Rows are the good rows in the order of the table. A row with a problem is
	// not among them, nor is one with a day that hangs on an order of day and
	// month that nothing tells: those have one problem together.
	Rows []R
	// Problems are what keeps rows out, by line; those of the whole table have line 0
	// or that of the header. Rows are read all the same if the columns that are needed
	// are there, so that all that is wrong is told at once.
	Problems []Problem
	// MoreProblems counts those beyond Options.MaxProblems.
	MoreProblems int
	// Warnings keep no row out: a column that is not read, an odd spelling.
	Warnings []Problem
	// MoreWarnings counts those beyond Options.MaxProblems.
	MoreWarnings int
	// Read counts the rows that are not empty, good and bad.
	Read int
	// Order is the order of day and month that was given or found; Unknown
	// where no day needed it.
	Order Order

	// Bad are the rows that have problems, also where those are not among Problems:
	// a day may hang on an order that another row leaves open.
	Bad []BadRow
	// HeaderLine is the line of the header; 0 if there is none.
	HeaderLine int

	file    string
	max     int
	headers map[string]string
}

// BadRow is a row that has a problem.
type BadRow struct {
	Line int
	Tag  string // "" if it is not known
}

// OK tells whether the table has no problem.
func (r *Result[R]) OK() bool { return len(r.Problems) == 0 }

// Header returns the header, as written, of the column that gives something, by the
// name that Column has for it; "" if there is none.
func (r *Result[R]) Header(gives string) string { return r.headers[gives] }

// Problem is one thing that is wrong.
type Problem struct {
	// File is Options.File.
	File string
	// Line is the line of the file, from 1, on which the row starts; 0 if the
	// problem is that of the file.
	Line int
	// Column is the header as it is written; empty if the problem is that of the
	// row.
	Column string
	// Value is the cell as it is written, cut to 80 characters; empty if there is
	// none.
	Value string
	// Rule goes on after the value: what is wrong, and what would be right.
	Rule string
}

// String writes the problem as one line, for instance:
//
//	plants.csv line 12, column "Acquired": "31/02/2026" is not a day of the calendar
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(oneLine(p.File))
	if p.Line > 0 {
		if b.Len() > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "line %d", p.Line)
	}
	if p.Column != "" {
		if b.Len() > 0 {
			b.WriteString(", ")
		}
		b.WriteString("column " + strconv.Quote(p.Column))
	}
	if b.Len() > 0 {
		b.WriteString(": ")
	}
	if p.Value != "" {
		b.WriteString(strconv.Quote(p.Value) + " ")
	}
	b.WriteString(p.Rule)
	return b.String()
}

// Error is String: a problem is an error.
func (p Problem) Error() string { return p.String() }

func oneLine(s string) string {
	q := strconv.Quote(s)
	if q = q[1 : len(q)-1]; !strings.Contains(q, `\`) {
		return s
	}
	return q
}

// cut shortens a cell for a problem.
func cut(s string) string {
	const most = 80
	n := 0
	for i := range s {
		if n++; n > most {
			return s[:i] + "…"
		}
	}
	return s
}

// list gathers problems up to a limit and counts the rest.
type list struct {
	file string
	max  int
	all  []Problem
	more int
}

func (l *list) add(line int, column, value, rule string) {
	if len(l.all) >= l.max {
		l.more++
		return
	}
	l.all = append(l.all, Problem{File: l.file, Line: line, Column: cut(column), Value: cut(value), Rule: rule})
}

// byLine sorts problems by line, those of one line as they came, and cuts them
// to the limit.
func byLine(all []Problem, most int) (kept []Problem, more int) {
	sort.SliceStable(all, func(i, j int) bool { return all[i].Line < all[j].Line })
	if len(all) > most {
		return all[:most:most], len(all) - most
	}
	return all, 0
}

// Plants reads a table of plants, one row a pot. It needs a column for the tag
// and one for the name, the genus or the trap type. The error is the reader's
// own; all else is in the result.
func Plants(r io.Reader, o Options) (*Result[Plant], error) {
	return read(r, o, plantSchema(o), func(d *plantDraft) Plant { return d.Plant })
}

// Feedings reads a table of feedings, one row a session of one plant. It needs
// columns for the tag and the day. The error is the reader's own; all else is
// in the result.
func Feedings(r io.Reader, o Options) (*Result[Feeding], error) {
	return read(r, o, feedingSchema(), func(d *Feeding) Feeding { return *d })
}

// Observations reads a table of what was seen or done, one row a plant and day.
// It needs columns for the tag, the day and at least one thing to record. The
// error is the reader's own; all else is in the result.
func Observations(r io.Reader, o Options) (*Result[Observation], error) {
	return read(r, o, observationSchema(), func(d *observationDraft) Observation { return d.Observation })
}
