package table

import (
	"fmt"
	"strings"

	"dewbench/service/civil"
)

// Order is the order of day and month in a day such as 3/4/2026.
type Order int

const (
	// Unknown: not given, or nothing tells.
	Unknown Order = iota
	// DayFirst: 3/4/2026 is 3 April.
	DayFirst
	// MonthFirst: 3/4/2026 is 4 March.
	MonthFirst

	// torn: cells of one table prove both.
	torn
)

// String returns "unknown", "day first" or "month first".
func (o Order) String() string {
	switch o {
	case DayFirst:
		return "day first"
	case MonthFirst:
		return "month first"
	}
	return "unknown"
}

// Clock is a time of day.
type Clock struct {
	// Given tells whether there is one.
	Given bool
	// Seconds after midnight as clocks show it, 0 to 86,399.
	Seconds int
}

// String writes the time as HH:MM:SS, or nothing.
func (c Clock) String() string {
	if !c.Given {
		return ""
	}
	return fmt.Sprintf("%02d:%02d:%02d", c.Seconds/3600, c.Seconds/60%60, c.Seconds%60)
}

// The years that a day may have. Earlier ones are slips of the pen; the last is
// the API's.
const (
	minYear = 1800
	maxYear = 9990
)

const (
	ruleDay     = "is not a day; write it as YYYY-MM-DD"
	ruleNotADay = "is not a day of the calendar"
	ruleYear    = "has a year of two digits; write all four"
)

// ParseDay reads a day, with or without a time of day after it:
//
//	2026-05-01, 2026/05/01, 2026.05.01
//	1.5.2026                             the day first, always
//	1/5/2026, 1-5-2026                   by order
//	1 May 2026, May 1, 2026, 1-May-2026  English names, whole or three letters
//
// Which order dots mean and which names are read is common practice, no source;
// the first form is ISO 8601-1:2019. With order Unknown, a day in the third form
// is read only if the other order gives no day, or the same. Years run from 1800
// to 9990. Midnight after a day is no time of day: so spreadsheets write a day
// alone. The error says what is wrong, in words that go on after the value.
func ParseDay(s string, order Order) (civil.Day, Clock, error) {
	d, rule := scanDay(clean(s))
	if rule == "" {
		rule = d.resolve(order)
	}
	if rule != "" {
		return civil.None, Clock{}, ruleError(rule)
	}
	return d.day, d.clock, nil
}

type ruleError string

func (e ruleError) Error() string { return string(e) }

// dayCell is a day as far as its cell alone tells it.
type dayCell struct {
	day     civil.Day // None while it hangs on the order
	clock   Clock
	a, b, y int // of 3/4/2026, while it hangs on the order
}

// open tells whether the day hangs on the order.
func (d *dayCell) open() bool { return d.day == civil.None }

// readings returns the day read day first and month first; None where that is
// no day of the calendar.
func (d *dayCell) readings() (dayFirst, monthFirst civil.Day) {
	return realDay(d.y, d.b, d.a), realDay(d.y, d.a, d.b)
}

// proves returns the order that the cell is possible in, if it is only one.
func (d *dayCell) proves() Order {
	df, mf := d.readings()
	switch {
	case df != civil.None && mf == civil.None:
		return DayFirst
	case mf != civil.None && df == civil.None:
		return MonthFirst
	}
	return Unknown
}

// resolve gives the day the order of the table. The rule is empty if that can
// be.
func (d *dayCell) resolve(order Order) (rule string) {
	if !d.open() {
		return ""
	}
	df, mf := d.readings()
	switch {
	case df == civil.None && mf == civil.None:
		return ruleNotADay
	case df == mf, order == DayFirst && df != civil.None:
		d.day = df
	case order == MonthFirst && mf != civil.None:
		d.day = mf
	case order == DayFirst, order == MonthFirst:
		return ruleNotADay + " with the " + order.String()
	case order == Unknown && df == civil.None:
		d.day = mf
	case order == Unknown && mf == civil.None:
		d.day = df
	default:
		return fmt.Sprintf("may be %s or %s", df, mf)
	}
	return ""
}

// realDay returns a day of the calendar, or None.
func realDay(y, m, d int) civil.Day {
	if m < 1 || m > 12 || d < 1 || y < 1 || d > civil.DaysIn(y, m) {
		return civil.None
	}
	return civil.Date(y, m, d)
}

// scanDay reads a clean cell that is not empty.
func scanDay(s string) (d dayCell, rule string) {
	d.day = civil.None
	if len(s) > 60 {
		return d, ruleDay
	}
	if i := strings.IndexByte(s, ':'); i >= 0 {
		for i > 0 && isDigit(s[i-1]) {
			i--
		}
		if i < 2 || s[i-1] != ' ' && (s[i-1] != 'T' || !isDigit(s[i-2])) {
			return d, ruleDay
		}
		if d.clock, rule = scanClock(s[i:]); rule != "" {
			return d, rule
		}
		if d.clock.Seconds == 0 { // how spreadsheets write a day alone
			d.clock = Clock{}
		}
		s = strings.TrimRight(s[:i-1], ", ")
	}
	for i := range len(s) {
		if s[i] >= 'A' && s[i] <= 'Z' || s[i] >= 'a' && s[i] <= 'z' {
			return d, d.named(s)
		}
	}
	return d, d.numeric(s)
}

// numeric reads a day that has no letters.
func (d *dayCell) numeric(s string) (rule string) {
	s = strings.ReplaceAll(s, ". ", ".") // 1. 5. 2026
	sep := strings.IndexAny(s, "-/.")
	if sep < 0 {
		return digitsOnly(s)
	}
	var parts [3]string
	var two, three bool
	mark := s[sep : sep+1]
	parts[0], parts[1], two = strings.Cut(s, mark)
	parts[1], parts[2], three = strings.Cut(parts[1], mark)
	if two && !three && mark == "." && len(parts[0]) == 5 {
		return digitsOnly(parts[0]) // a serial number with its time of day
	}
	if !three {
		return ruleDay
	}
	var n [3]int
	for i, p := range parts {
		if p == "" || len(p) > 4 || len(p) == 3 {
			return ruleDay
		}
		for _, c := range []byte(p) {
			if !isDigit(c) {
				return ruleDay
			}
			n[i] = n[i]*10 + int(c-'0')
		}
	}
	switch {
	case len(parts[0]) == 4 && len(parts[1]) <= 2 && len(parts[2]) <= 2:
		return d.set(n[0], n[1], n[2])
	case len(parts[0]) > 2 || len(parts[1]) > 2:
		return ruleDay
	case len(parts[2]) <= 2:
		return ruleYear
	case s[sep] == '.':
		return d.set(n[2], n[1], n[0])
	}
	d.a, d.b, d.y = n[0], n[1], n[2]
	df, mf := d.readings()
	switch {
	case df == civil.None && mf == civil.None:
		return ruleNotADay
	case d.y < minYear || d.y > maxYear:
		return ruleYears(d.y)
	}
	return ""
}

func (d *dayCell) set(y, m, dd int) (rule string) {
	switch d.day = realDay(y, m, dd); {
	case d.day == civil.None:
		return ruleNotADay
	case y < minYear || y > maxYear:
		return ruleYears(y)
	}
	return ""
}

func ruleYears(y int) string {
	return fmt.Sprintf("has the year %d; it must be from %d to %d", y, minYear, maxYear)
}

// digitsOnly says what is wrong with a day that is one number.
func digitsOnly(s string) (rule string) {
	if whole, part, ok := strings.Cut(s, ","); ok && len(whole) == 5 && part != "" {
		s = whole // a spreadsheet's number with its time of day
	}
	for i := range len(s) {
		if !isDigit(s[i]) {
			return ruleDay
		}
	}
	switch len(s) {
	case 8:
		return "is not a day; write it with hyphens, as YYYY-MM-DD"
	case 5:
		return "is a spreadsheet's own number for a day, and which day depends on the spreadsheet; format the column as a date, YYYY-MM-DD, and save again"
	}
	return ruleDay
}

// months are the English names of the months.
var months = [...]string{
	"january", "february", "march", "april", "may", "june",
	"july", "august", "september", "october", "november", "december",
}

// monthOf returns the month, 1 to 12, of a name or its first letters (three or
// more); 0 if it is none.
func monthOf(s string) int {
	if len(s) < 3 {
		return 0
	}
	s = strings.ToLower(s)
	for i, m := range months {
		if strings.HasPrefix(m, s) {
			return i + 1
		}
	}
	return 0
}

// named reads a day with the name of its month.
func (d *dayCell) named(s string) (rule string) {
	parts := strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(" ,.-/", r) })
	if len(parts) == 4 && parts[1] == "of" { // 1st of May 2026
		parts = append(parts[:1], parts[2:]...)
	}
	if len(parts) != 3 {
		if len(parts) == 2 && (monthOf(parts[0]) > 0 || monthOf(parts[1]) > 0) {
			return "is not a whole day; write day, month and year, as YYYY-MM-DD"
		}
		return ruleDay
	}
	year, month, day := "", 0, ""
	switch m0, m1 := monthOf(parts[0]), monthOf(parts[1]); {
	case m1 > 0 && len(parts[0]) == 4 && isDigit(parts[0][3]): // 2026 May 1
		year, month, day = parts[0], m1, parts[2]
	case m1 > 0: // 1 May 2026
		day, month, year = parts[0], m1, parts[2]
	case m0 > 0: // May 1, 2026
		month, day, year = m0, parts[1], parts[2]
	default:
		return ruleDay
	}
	for _, end := range [...]string{"st", "nd", "rd", "th"} {
		day = strings.TrimSuffix(day, end)
	}
	n, okDay := small(day, 2)
	y, okYear := small(year, 4)
	switch {
	case !okDay || !okYear || len(year) == 3:
		return ruleDay
	case len(year) <= 2:
		return ruleYear
	}
	return d.set(y, month, n)
}

// small reads a number of up to the given digits.
func small(s string, digits int) (n int, ok bool) {
	if s == "" || len(s) > digits {
		return 0, false
	}
	for i := range len(s) {
		if !isDigit(s[i]) {
			return 0, false
		}
		n = n*10 + int(s[i]-'0')
	}
	return n, true
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

const ruleClock = "is not a time of day; write it as HH:MM, 00:00 to 23:59"

// scanClock reads HH:MM or HH:MM:SS, with zeros of a second after it, or with
// am or pm.
func scanClock(s string) (c Clock, rule string) {
	half := 0
	if l := strings.ToLower(strings.ReplaceAll(s, ".", "")); strings.HasSuffix(l, "am") || strings.HasSuffix(l, "pm") {
		half = 1
		if strings.HasSuffix(l, "pm") {
			half = 2
		}
		s = strings.TrimSpace(l[:len(l)-2])
	} else if i := strings.IndexByte(s, '.'); i >= 0 {
		if strings.Trim(s[i+1:], "0") != "" {
			return c, ruleClock
		}
		s = s[:i]
	}
	if strings.ContainsAny(s, "zZ+-") {
		return c, "is an instant of some time zone; write the day and time where the plants are, without a zone"
	}
	parts := strings.Split(s, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return c, ruleClock
	}
	var n [3]int
	for i, p := range parts {
		v, ok := small(p, 2)
		if !ok || i > 0 && (len(p) != 2 || v > 59) {
			return c, ruleClock
		}
		n[i] = v
	}
	switch {
	case half == 0 && n[0] > 23, half > 0 && (n[0] < 1 || n[0] > 12):
		return c, ruleClock
	case half > 0:
		n[0] = n[0]%12 + 12*(half-1)
	}
	return Clock{Given: true, Seconds: n[0]*3600 + n[1]*60 + n[2]}, ""
}

// headerOrder returns the order that a header states, as in "Date (dd/mm/yyyy)".
func headerOrder(bracket string) Order {
	var b strings.Builder
	last := rune(0)
	for _, r := range key(bracket) {
		if r != last {
			b.WriteRune(r)
		}
		last = r
	}
	switch b.String() {
	case "dmy", "dm":
		return DayFirst
	case "mdy", "md":
		return MonthFirst
	}
	return Unknown
}
