package table

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"dewbench/service/civil"
)

// schema says which columns a table may have. D is the record in the making.
type schema[D any] struct {
	what   string     // "plants"
	fields []field[D] // in the order in which they are read
	need   [][]string // of each group at least one column is needed
	fresh  D          // the record before it is read
	finish func(d *D, r *row[D])
}

// field is one column.
type field[D any] struct {
	name   string   // what it gives, as said in messages
	strong []string // headers that mean this and nothing else
	weak   []string // headers taken for it, the first first, if no strong one is there
	unit   unit     // base unit of its numbers
	day    bool
	words  [][]string // what its cells take, if they are words: a list for each value
	set    func(d *D, c *cell) (rule string)
}

// cell is one cell to be read.
type cell struct {
	raw    string // as written
	text   string // clean
	unit   unit   // that of the header
	dotted bool   // a dot may be a thousands separator
	order  Order
	brief  bool // whether a rule is not going to be shown
}

// row is one row being read, for its finish.
type row[D any] struct {
	line  int
	cells []string // of the columns of the layout
	bad   bool
	lay   *layout[D]
	out   *list
	warn  *list
}

// has tells whether the table has a column for a field.
func (r *row[D]) has(field string) bool {
	for i := range r.lay.columns {
		if r.lay.columns[i].field.name == field {
			return true
		}
	}
	return false
}

// raw returns the row's cell for a field as it is written.
func (r *row[D]) raw(field string) string {
	for i := range r.lay.columns {
		if r.lay.columns[i].field.name == field {
			return r.cells[i]
		}
	}
	return ""
}

// fail names a problem of the row's column for a field; of the row, if there is
// no such column.
func (r *row[D]) fail(field, rule string) {
	r.bad = true
	for i := range r.lay.columns {
		if c := &r.lay.columns[i]; c.field.name == field {
			r.out.add(r.line, c.header, strings.TrimSpace(r.cells[i]), rule)
			return
		}
	}
	r.out.add(r.line, "", "", rule)
}

// caution names a warning likewise.
func (r *row[D]) caution(field, rule string) {
	for i := range r.lay.columns {
		if c := &r.lay.columns[i]; c.field.name == field {
			r.warn.add(r.line, c.header, strings.TrimSpace(r.cells[i]), rule)
			return
		}
	}
	r.warn.add(r.line, "", "", rule)
}

// told is the rule of a cell whose problem was named already.
const told = "\x00"

// textField reads free text of up to most characters. Line breaks stay in long
// text; in short text white space is collapsed.
func textField[D any](name string, most int, at func(*D) *string, strong, weak []string) field[D] {
	return field[D]{name: name, strong: strong, weak: weak, set: func(d *D, c *cell) string {
		text := c.text
		if most > 300 {
			text = strings.TrimSpace(c.raw)
		}
		if r, found := control(text); found {
			return fmt.Sprintf("has the control character U+%04X", r)
		}
		if n := len(text); n > most && utf8.RuneCountInString(text) > most {
			return fmt.Sprintf("is longer than %d characters", most)
		}
		*at(d) = text
		return ""
	}}
}

// countField reads a whole number.
func countField[D any, N int | int32](name string, low, high int64, at func(*D) **N, strong, weak []string) field[D] {
	return wholeField(name, noUnit, low, high, at, strong, weak)
}

// wholeField reads a whole number of a unit.
func wholeField[D any, N int | int32](name string, u unit, low, high int64, at func(*D) **N, strong, weak []string) field[D] {
	return field[D]{name: name, strong: strong, weak: weak, unit: u, set: func(d *D, c *cell) string {
		if none(c.text) {
			return ""
		}
		number, unit, rule := withUnit(c.text, u, c.unit)
		if rule != "" {
			return rule
		}
		most := high
		if unit == weeks {
			most /= 7
		}
		n, rule := wholeNumber(number, low, most, c.dotted)
		switch {
		case rule != "" && unit == weeks:
			return rule + " (weeks)"
		case rule != "":
			return rule
		case unit == weeks:
			n *= 7
		}
		v := N(n)
		*at(d) = &v
		return ""
	}}
}

// listField reads up to most different whole numbers.
func listField[D any](name string, most int, low, high int64, at func(*D) *[]int, strong []string) field[D] {
	return field[D]{name: name, strong: strong, set: func(d *D, c *cell) string {
		if none(c.text) {
			return ""
		}
		rule := fmt.Sprintf("must be up to %d different whole numbers from %d to %d, with commas or spaces between", most, low, high)
		parts := strings.FieldsFunc(c.text, func(r rune) bool { return strings.ContainsRune(" ,;/", r) })
		var list []int
		for _, p := range parts {
			n, bad := wholeNumber(p, low, high, false)
			if bad != "" || len(list) == most || slices.Contains(list, int(n)) {
				return rule
			}
			list = append(list, int(n))
		}
		if len(list) == 0 {
			return rule
		}
		*at(d) = list
		return ""
	}}
}

// lengthField reads a length in millimetres.
func lengthField[D any](name string, high float64, at func(*D) **float64, strong, weak []string) field[D] {
	return field[D]{name: name, strong: strong, weak: weak, unit: millimetre, set: func(d *D, c *cell) string {
		if none(c.text) {
			return ""
		}
		number, unit, rule := withUnit(c.text, millimetre, c.unit)
		if rule != "" {
			return rule
		}
		v, rule := measure(number, unit, high, c.dotted)
		if rule == "" {
			*at(d) = &v
		}
		return rule
	}}
}

// dayField reads a day; clock may be nil.
func dayField[D any](name string, at func(*D) *civil.Day, clock func(*D) *Clock, strong, weak []string) field[D] {
	return field[D]{name: name, strong: strong, weak: weak, day: true, set: func(d *D, c *cell) string {
		if none(c.text) {
			return ""
		}
		day, rule := scanDay(c.text)
		if rule != "" {
			return rule
		}
		if c.order == torn || c.order == Unknown {
			if df, mf := day.readings(); day.open() && df != mf {
				return told
			}
		}
		if rule := day.resolve(c.order); rule != "" {
			return rule
		}
		*at(d) = day.day
		if clock != nil && day.clock.Given {
			*clock(d) = day.clock
		}
		return ""
	}}
}

// clockField reads a time of day.
func clockField[D any](name string, at func(*D) *Clock, strong, weak []string) field[D] {
	return field[D]{name: name, strong: strong, weak: weak, set: func(d *D, c *cell) string {
		if none(c.text) {
			return ""
		}
		v, rule := scanClock(c.text)
		if rule == "" {
			*at(d) = v
		}
		return rule
	}}
}

// wordField reads one of some words.
func wordField[D any, T comparable](name string, w *words[T], at func(*D) *T, strong, weak []string) field[D] {
	return field[D]{name: name, strong: strong, weak: weak, words: w.lists(), set: func(d *D, c *cell) string {
		if none(c.text) {
			return ""
		}
		v, rule := w.find(c.text, c.brief)
		if rule == "" {
			*at(d) = v
		}
		return rule
	}}
}

// flagField reads yes or no.
func flagField[D any](name string, at func(*D) **bool, strong, weak []string) field[D] {
	w := yesNo()
	return field[D]{name: name, strong: strong, weak: weak, words: w.lists(), set: func(d *D, c *cell) string {
		if none(c.text) {
			return ""
		}
		v, rule := w.find(c.text, c.brief)
		if rule == "" {
			*at(d) = &v
		}
		return rule
	}}
}

// hoursField reads hours of a day.
func hoursField[D any](name string, at func(*D) **float64, strong, weak []string) field[D] {
	return field[D]{name: name, strong: strong, weak: weak, unit: hours, set: func(d *D, c *cell) string {
		if none(c.text) {
			return ""
		}
		number, _, rule := withUnit(c.text, hours, c.unit)
		if rule != "" {
			return rule
		}
		text, rule := decimal(number, c.dotted)
		if rule != "" {
			return rule
		}
		v, err := parseFloat(text)
		if err != nil || !(v >= 0 && v <= 24) || math.Signbit(v) {
			return "must be hours from 0 to 24"
		}
		*at(d) = &v
		return ""
	}}
}

// tagField reads what is on the label.
func tagField[D any](at func(*D) *string, strong, weak []string) field[D] {
	f := textField("tag", maxTag, at, strong, weak)
	set := f.set
	f.set = func(d *D, c *cell) string {
		if c.text == "" {
			return "must not be empty"
		}
		return set(d, c)
	}
	return f
}

// maxTag is the most characters of a tag: that of a key in the API.
const maxTag = 200

// The headers of columns that more than one table has.
func tagHeaders() (strong, weak []string) {
	return []string{"tag", "label", "tag no", "tag number", "label no", "label number", "plant tag", "plant label", "plant no", "plant number", "organism name"},
		[]string{"no", "number", "nr", "plant id", "id", "plant", "key"}
}

func noteHeaders() []string {
	return []string{"note", "notes", "remark", "remarks", "comment", "comments", "event remarks", "organism remarks", "occurrence remarks"}
}

// The headers of what names a row, or a plant, whatever its tag.
func refHeaders() []string      { return []string{"ref", "reference"} }
func organismHeaders() []string { return []string{"organism id", "plant ref", "plant reference"} }

// maxRef is the most characters of a ref.
const maxRef = 300
