package table

import (
	"fmt"
	"slices"
	"strings"
)

// layout says which column of a table gives which field.
type layout[D any] struct {
	line    int
	width   int // cells of the header
	columns []column[D]

	nameless []bool // cells of the header that are empty
	order    Order  // that a header states
	stated   string // the header that states it
}

// column is a column that is read.
type column[D any] struct {
	at     int    // from 0
	header string // as written
	field  *field[D]
	unit   unit
}

// fit is what a header may mean.
type fit[D any] struct {
	field *field[D]
	rank  int // 0: a strong header; else 1 + its place among the weak
	unit  unit
}

// finder looks headers up.
type finder[D any] struct {
	s    *schema[D]
	keys map[string][]fit[D]
	ask  string // Options.AskColumns
}

func newFinder[D any](s *schema[D]) *finder[D] {
	f := &finder[D]{s: s, keys: map[string][]fit[D]{}}
	for i := range s.fields {
		fd := &s.fields[i]
		for _, h := range fd.strong {
			f.keys[key(h)] = append(f.keys[key(h)], fit[D]{field: fd})
		}
		for j, h := range fd.weak {
			f.keys[key(h)] = append(f.keys[key(h)], fit[D]{field: fd, rank: 1 + j})
		}
	}
	return f
}

// brackets splits "Diameter (mm)" into "Diameter " and "mm". Text after the
// bracket goes to the first part.
func brackets(h string) (base, inner string) {
	for _, pair := range [...]string{"()", "[]", "{}"} {
		from := strings.IndexByte(h, pair[0])
		to := strings.LastIndexByte(h, pair[1])
		if from >= 0 && to > from {
			return h[:from] + h[to+1:], h[from+1 : to]
		}
	}
	return h, ""
}

// look returns what a header may mean: as a whole, without its bracket, or
// without the unit that it ends in. rule says why a header that is known cannot
// be taken.
func (f *finder[D]) look(header string) (fits []fit[D], rule string) {
	whole := key(header)
	if whole == "" {
		return nil, ""
	}
	base, inner := brackets(header)
	if fits = f.keys[whole]; len(fits) > 0 {
		return f.withUnit(fits, noUnit), ""
	}
	if inner != "" {
		u, isUnit := unitOf(inner)
		fits = f.keys[key(base)]
		switch {
		case len(fits) == 0:
		case isUnit && u.base() == fits[0].field.unit:
			return f.withUnit(fits, u), ""
		case fits[0].field.unit != noUnit:
			return nil, fmt.Sprintf("the unit %q is not understood; accepted: %s", cut(clean(inner)), fits[0].field.unit.accepted())
		default:
			return fits, ""
		}
	}
	for word, u := range unitWords {
		if b, ok := strings.CutSuffix(whole, word); ok && len(word) > 1 {
			if fits = f.keys[b]; len(fits) > 0 && u.base() == fits[0].field.unit {
				return f.withUnit(fits, u), ""
			}
		}
	}
	return nil, ""
}

// withUnit returns the fits with the unit of the header.
func (f *finder[D]) withUnit(fits []fit[D], u unit) []fit[D] {
	out := make([]fit[D], len(fits))
	for i, x := range fits {
		if x.unit = u; u == noUnit {
			x.unit = x.field.unit
		}
		out[i] = x
	}
	return out
}

// known tells whether a cell could be a header.
func (f *finder[D]) known(header string) bool {
	if len(header) > 200 {
		return false
	}
	fits, rule := f.look(header)
	return len(fits) > 0 || rule != ""
}

// complete tells whether a row has the headers that are needed.
func (f *finder[D]) complete(cells []string) bool {
	have := map[string]bool{}
	for _, c := range cells {
		if len(c) <= 200 {
			fits, _ := f.look(c)
			for _, x := range fits {
				have[x.field.name] = true
			}
		}
	}
	for _, group := range f.s.need {
		if !anyOf(group, have) {
			return false
		}
	}
	return true
}

func anyOf(names []string, have map[string]bool) bool {
	for _, n := range names {
		if have[n] {
			return true
		}
	}
	return false
}

// header makes the layout out of a header. Problems go to out, what is not read
// to warn.
func (f *finder[D]) header(cells []string, line int, out, warn *list) *layout[D] {
	lay := &layout[D]{line: line, width: len(cells), nameless: make([]bool, len(cells))}
	taken := map[string]string{} // field to header
	used := make([]bool, len(cells))
	fitsOf := make([][]fit[D], len(cells))
	for i, c := range cells {
		header := strings.TrimSpace(c)
		if clean(header) == "" {
			lay.nameless[i] = true
			continue
		}
		if len(c) > 200 {
			out.add(line, header, "", "is too long for a header (200 bytes)")
			continue
		}
		fits, rule := f.look(header)
		if rule != "" {
			out.add(line, header, "", rule)
			used[i] = true
			continue
		}
		fitsOf[i] = fits
		for _, x := range fits {
			if x.rank > 0 {
				continue
			}
			used[i] = true
			if first, twice := taken[x.field.name]; twice {
				out.add(line, header, "", x.field.twice(first))
				break
			}
			lay.take(i, header, x, taken)
			break
		}
	}
	// Weak headers, the best first: each field takes one, each header serves one.
	for rank := 1; ; rank++ {
		more := false
		for i, fits := range fitsOf {
			for _, x := range fits {
				more = more || x.rank > rank
				if used[i] || x.rank != rank {
					continue
				}
				header := strings.TrimSpace(cells[i])
				if first, isTaken := taken[x.field.name]; !isTaken {
					used[i] = true
					lay.take(i, header, x, taken)
				} else if key(first) == key(header) {
					used[i] = true
					out.add(line, header, "", x.field.twice(first))
				}
			}
		}
		if !more {
			break
		}
	}
	slices.SortFunc(lay.columns, func(a, b column[D]) int { return a.at - b.at })
	f.unread(cells, used, fitsOf, taken, line, out, warn)
	f.missing(cells, taken, line, out)
	return lay
}

// headers lists the headers for a field, the best first.
func (f *field[D]) headers() []string { return slices.Concat(f.strong, f.weak) }

// twice says that two columns give a field.
func (f *field[D]) twice(first string) (rule string) {
	return fmt.Sprintf("gives the %s, as column %q does; keep one of them (accepted headers: %s)", f.name, cut(first), strings.Join(f.headers(), ", "))
}

func (lay *layout[D]) take(i int, header string, x fit[D], taken map[string]string) {
	taken[x.field.name] = header
	lay.columns = append(lay.columns, column[D]{at: i, header: header, field: x.field, unit: x.unit})
	if _, inner := brackets(header); x.field.day && lay.order == Unknown {
		lay.order, lay.stated = headerOrder(inner), header
	}
}

// unread warns of columns that are not read. A slip of the pen is a problem: what
// the column says would be missing without a word.
func (f *finder[D]) unread(cells []string, used []bool, fitsOf [][]fit[D], taken map[string]string, line int, out, warn *list) {
	var free []string
	for _, fd := range f.s.fields {
		if _, is := taken[fd.name]; !is {
			free = append(free, fd.headers()...)
		}
	}
	for i, c := range cells {
		header := strings.TrimSpace(c)
		if used[i] || clean(header) == "" || len(c) > 200 {
			continue
		}
		rule := "is not known, so it is not read"
		if len(fitsOf[i]) > 0 {
			name := fitsOf[i][0].field.name
			rule = fmt.Sprintf("is not read: column %q gives the %s", taken[name], name)
		} else if meant := slip(header, free); meant != "" {
			rule = fmt.Sprintf("is not known; did you mean %q? Rename the column so, or delete it", meant)
			if f.ask != "" {
				rule += " (" + f.ask + ")"
			}
			out.add(line, header, "", rule)
			continue
		}
		warn.add(line, header, "", rule)
	}
}

// missing names the columns that are needed and not there.
func (f *finder[D]) missing(cells []string, taken map[string]string, line int, out *list) {
	for _, group := range f.s.need {
		have := false
		for _, n := range group {
			_, is := taken[n]
			have = have || is
		}
		if have {
			continue
		}
		var names, accepted []string
		for _, n := range group {
			for _, fd := range f.s.fields {
				if fd.name == n {
					names = append(names, "the "+n)
					accepted = append(accepted, fd.headers()...)
				}
			}
		}
		rule := "no column gives " + strings.Join(names, " or ") + "; accepted headers: " + strings.Join(accepted, ", ")
		if f.ask != "" {
			rule += " (" + f.ask + ")"
		}
		if len(cells) == 1 {
			rule += " (the table has one column; cells are parted by commas, semicolons or tabs)"
		}
		out.add(line, "", "", rule)
	}
}

// Column is a column that a table may have.
type Column struct {
	// Gives is what it gives.
	Gives string
	// Headers are the headers for it, the best first. Case, spaces and
	// punctuation do not matter.
	Headers []string
	// Unit is the unit of its numbers where none is written, with those that may
	// be written in brackets in the header or after the number; empty if it has
	// none.
	Unit string
	// Day tells whether its cells are days.
	Day bool
	// Words are the words that its cells take, a list for each value, the best
	// word first; nil if it takes others than these.
	Words [][]string
}

func columnsOf[D any](s *schema[D]) []Column {
	var out []Column
	for _, f := range s.fields {
		out = append(out, Column{
			Gives:   f.name,
			Headers: f.headers(),
			Unit:    f.unit.accepted(),
			Day:     f.day,
			Words:   f.words,
		})
	}
	return out
}

// PlantColumns lists the columns of a table of plants.
func PlantColumns() []Column { return columnsOf(plantSchema(Options{})) }

// FeedingColumns lists the columns of a table of feedings.
func FeedingColumns() []Column { return columnsOf(feedingSchema()) }

// ObservationColumns lists the columns of a table of observations.
func ObservationColumns() []Column { return columnsOf(observationSchema()) }
