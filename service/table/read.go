package table

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

func parseFloat(s string) (float64, error) { return strconv.ParseFloat(s, 64) }

// reading is a table being read.
type reading[D any] struct {
	o    Options
	s    *schema[D]
	find *finder[D]
	grid *grid
	lay  *layout[D]
	file list // problems met while the rows are taken in
	rows list // problems of cells
	warn list

	lines      []int
	cells      [][]string // of each row the cells of the layout's columns
	block      []string   // what cells are cut from
	lost       int        // rows that could not be read
	headerLine int
	bad        []BadRow
}

func read[D, R any](r io.Reader, o Options, s *schema[D], emit func(*D) R) (*Result[R], error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return nil, err
	}
	n := o.maxProblems()
	t := &reading[D]{
		o: o, s: s, find: newFinder(s),
		file: list{file: o.File, max: n}, rows: list{file: o.File, max: n}, warn: list{file: o.File, max: n},
	}
	t.find.ask = o.AskColumns
	res := &Result[R]{file: o.File, max: n}
	if t.begin(data) {
		t.take()
		res.Order = t.findOrder()
		res.Rows = convert(t, res.Order, emit)
		if res.Order == torn {
			res.Order = Unknown
		}
		res.headers = make(map[string]string, len(t.lay.columns))
		for _, c := range t.lay.columns {
			res.headers[c.field.name] = c.header
		}
		res.Bad = t.bad
		slices.SortStableFunc(res.Bad, func(a, b BadRow) int { return cmp.Compare(a.Line, b.Line) })
		res.Read = len(t.lines) + t.lost
	}
	res.HeaderLine = t.headerLine
	res.Problems, res.MoreProblems = byLine(append(t.file.all, t.rows.all...), n)
	res.MoreProblems += t.file.more + t.rows.more
	res.Warnings, res.MoreWarnings = t.warn.all, t.warn.more
	return res, nil
}

// begin reads up to the header. It returns false if there is nothing to read
// after it.
func (t *reading[D]) begin(data []byte) bool {
	if len(data) > MaxBytes {
		t.file.add(0, "", "", fmt.Sprintf("is larger than %d MiB", MaxBytes>>20))
		return false
	}
	text, line, rule := decode(data, t.o)
	if rule == "" {
		t.grid, line, rule = open(text, t.find.known)
	}
	if rule != "" {
		t.file.add(line, "", "", rule)
		return false
	}
	row, ok := t.grid.filled()
	if t.headerLine = row.line; !ok {
		t.headerLine = 0
	}
	switch {
	case !ok:
		t.file.add(0, "", "", "is empty; its first line must name the columns")
	case row.rule != "":
		t.file.add(row.line, "", "", row.rule)
	case len(row.cells) > MaxColumns:
		t.file.add(row.line, "", "", fmt.Sprintf("has %d columns; at most %d are read", len(row.cells), MaxColumns))
	default:
		return t.header(row)
	}
	return false
}

func (t *reading[D]) header(row gridRow) bool {
	cells := append([]string(nil), row.cells[:min(row.width, MaxColumns)]...)
	if t.find.complete(cells) {
		t.lay = t.find.header(cells, row.line, &t.file, &t.warn)
		return true
	}
	// Is it a title above the header?
	for range sniffRows {
		below, ok := t.grid.filled()
		if !ok || below.last {
			break
		}
		if len(below.cells) <= MaxColumns && t.find.complete(below.cells) {
			t.file.add(row.line, "", strings.TrimSpace(cells[0]),
				fmt.Sprintf("stands where the names of the columns belong; they are in line %d: delete the lines above it", below.line))
			return false
		}
	}
	t.find.header(cells, row.line, &t.file, &t.warn)
	return false
}

// filled returns the next row that has a cell with something in it, without the
// empty cells at its end.
func (g *grid) filled() (row gridRow, ok bool) {
	for {
		row, ok = g.next()
		if !ok || row.rule != "" {
			return row, ok
		}
		row.width = len(row.cells)
		for n := row.width; n > 0; n-- {
			if c := row.cells[n-1]; c != "" && clean(c) != "" {
				row.cells = row.cells[:n]
				return row, true
			}
		}
	}
}

// take takes the rows in.
func (t *reading[D]) take() {
	headless := make(map[int]bool)
	for {
		row, ok := t.grid.filled()
		if !ok {
			return
		}
		if len(t.lines)+t.lost >= MaxRows {
			t.file.add(row.line, "", "", fmt.Sprintf("is row %d; at most %d are read", MaxRows+1, MaxRows))
			return
		}
		rule := row.rule
		for i := 0; rule == "" && i < len(row.cells); i++ {
			if len(row.cells[i]) > MaxCell {
				rule = fmt.Sprintf("cell %d has %d bytes; at most %d are read", i+1, len(row.cells[i]), MaxCell)
				if n := strings.Count(row.cells[i], "\n"); n > 0 {
					rule += fmt.Sprintf(" (it goes on for %d lines: is a quotation mark not closed?)", n+1)
				}
			}
		}
		if n := len(row.cells); rule == "" && n > t.lay.width {
			rule = fmt.Sprintf("has %d cells, but the header has %d; a cell with a %s in it must stand in quotation marks", n, t.lay.width, separatorName(t.grid.sep))
		}
		if rule != "" {
			t.file.add(row.line, "", "", rule)
			t.bad = append(t.bad, BadRow{Line: row.line})
			t.lost++
			if row.last {
				return
			}
			continue
		}
		t.lines = append(t.lines, row.line)
		n := len(t.lay.columns)
		if len(t.block) < n {
			t.block = make([]string, max(n, blockCells))
		}
		kept := t.block[:n:n]
		t.block = t.block[n:]
		for i, c := range t.lay.columns {
			if c.at < len(row.cells) {
				kept[i] = row.cells[c.at]
			}
		}
		t.cells = append(t.cells, kept)
		for i := range row.cells {
			if t.lay.nameless[i] && !headless[i] && clean(row.cells[i]) != "" {
				headless[i] = true
				t.warn.add(t.lay.line, "", "", fmt.Sprintf("column %s has cells, the first in line %d, but no header, so it is not read", letters(i), row.line))
			}
		}
	}
}

// blockCells is how many cells are set aside at a time.
const blockCells = 8192

func separatorName(sep rune) string {
	switch sep {
	case ';':
		return "semicolon"
	case '\t':
		return "tab"
	}
	return "comma"
}

// proof is a cell that tells the order of day and month.
type proof struct {
	line   int
	column string
	value  string
	given  bool
}

// findOrder looks through the days for the order of day and month.
func (t *reading[D]) findOrder() Order {
	if t.o.Order == DayFirst || t.o.Order == MonthFirst {
		return t.o.Order
	}
	var proofs [MonthFirst + 1]proof
	var first proof // the first cell that hangs on the order
	var either string
	open := 0
	if o := t.lay.order; o != Unknown {
		proofs[o] = proof{line: t.lay.line, column: t.lay.stated, given: true}
	}
	for i, line := range t.lines {
		for j := range t.lay.columns {
			c := &t.lay.columns[j]
			if !c.field.day {
				continue
			}
			text := clean(Bare(t.cells[i][j]))
			if none(text) {
				continue
			}
			d, rule := scanDay(text)
			if rule != "" || !d.open() {
				continue
			}
			here := proof{line: line, column: c.header, value: strings.TrimSpace(t.cells[i][j]), given: true}
			if o := d.proves(); o != Unknown {
				if !proofs[o].given {
					proofs[o] = here
				}
			} else if df, mf := d.readings(); df != mf {
				if open++; open == 1 {
					first, either = here, d.resolve(Unknown)
				}
			}
		}
	}
	df, mf := proofs[DayFirst], proofs[MonthFirst]
	ask := t.o.AskOrder
	if ask == "" {
		ask = "say whether the day or the month comes first"
	}
	switch {
	case df.given && mf.given:
		if later := df; later.line > mf.line {
			t.file.add(later.line, later.column, later.value, "puts the day first, but "+mf.says()+" puts the month first: write all days as YYYY-MM-DD, or "+ask)
		} else {
			t.file.add(mf.line, mf.column, mf.value, "puts the month first, but "+df.says()+" puts the day first: write all days as YYYY-MM-DD, or "+ask)
		}
		return torn
	case df.given:
		return DayFirst
	case mf.given:
		return MonthFirst
	case open > 0:
		cells := "this is the one such cell"
		if open > 1 {
			cells = fmt.Sprintf("%d cells are like this", open)
		}
		t.file.add(first.line, first.column, first.value, either+", and no day of the table tells which ("+cells+"): "+ask)
	}
	return Unknown
}

// says names a proof.
func (p proof) says() string {
	if p.value == "" {
		return fmt.Sprintf("column %q", cut(p.column))
	}
	return fmt.Sprintf("%q in line %d, column %q,", cut(p.value), p.line, cut(p.column))
}

// convert reads the cells of all rows.
func convert[D, R any](t *reading[D], order Order, emit func(*D) R) []R {
	var out []R
	var d D
	r := row[D]{lay: t.lay, out: &t.rows, warn: &t.warn}
	c := cell{order: order, dotted: t.grid.sep != ','}
	for i, line := range t.lines {
		r.line, r.cells, r.bad = line, t.cells[i], false
		d = t.s.fresh
		for j := range t.lay.columns {
			col := &t.lay.columns[j]
			c.raw, c.unit = Bare(r.cells[j]), col.unit
			c.text, c.brief = clean(c.raw), len(t.rows.all) >= t.rows.max
			if rule := col.field.set(&d, &c); rule != "" {
				if r.bad = true; rule != told {
					t.rows.add(line, col.header, strings.TrimSpace(c.raw), rule)
				}
			}
		}
		t.s.finish(&d, &r)
		if r.bad {
			t.bad = append(t.bad, BadRow{Line: line, Tag: clean(Bare(r.raw("tag")))})
			continue
		}
		if out == nil {
			out = make([]R, 0, len(t.lines)-i)
		}
		out = append(out, emit(&d))
	}
	return out
}
