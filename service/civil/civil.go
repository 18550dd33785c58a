// Package civil holds civil days: a day on the calendar, without a time of
// day and without a zone. Every rule of the due engine counts in these.
package civil

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Day is a day of the proleptic Gregorian calendar, counted from 1 January
// 1970 (day 0). Differences and sums are in days.
type Day int32

const (
	// Min is the first day that can be written: 0001-01-01.
	Min Day = -719162
	// Max is the last day that can be written in four digits of year: 9999-12-31.
	Max Day = 2932896

	// None stands for a day that is not given. It sorts before all days.
	None Day = math.MinInt32

	// Never stands for the end of an interval that is open. It sorts after all
	// days.
	Never Day = math.MaxInt32
)

// Date returns the day of the given year (1-9999), month (1-12) and day of
// month. Values outside are normalised as time.Date does.
func Date(year, month, day int) Day {
	return fromTime(time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC))
}

// Of returns the civil day that instant t falls on in zone loc.
func Of(t time.Time, loc *time.Location) Day {
	y, m, d := t.In(loc).Date()
	return fromTime(time.Date(y, m, d, 0, 0, 0, 0, time.UTC))
}

func fromTime(t time.Time) Day {
	secs := t.Unix()
	day := secs / 86400
	if secs%86400 < 0 {
		day--
	}
	return Day(day)
}

// ErrFormat is what Parse returns for text that is not of the form YYYY-MM-DD,
// ErrNotADay for text that is, but names a day that the calendar lacks.
var (
	ErrFormat  = errors.New("must be a day in the form YYYY-MM-DD")
	ErrNotADay = errors.New("is not a day of the calendar")
)

// Parse reads a day in the form YYYY-MM-DD (ISO 8601-1:2019, 5.2.2.1, extended
// format). Years run from 0001 to 9999.
func Parse(s string) (Day, error) {
	if len(s) != 10 || s[4] != '-' || s[7] != '-' {
		return None, ErrFormat
	}
	digits := func(from, to int) (n int, ok bool) {
		for _, c := range []byte(s[from:to]) {
			if c < '0' || c > '9' {
				return 0, false
			}
			n = n*10 + int(c-'0')
		}
		return n, true
	}
	y, okY := digits(0, 4)
	m, okM := digits(5, 7)
	d, okD := digits(8, 10)
	if !okY || !okM || !okD {
		return None, ErrFormat
	}
	if y < 1 || m < 1 || m > 12 || d < 1 || d > DaysIn(y, m) {
		return None, ErrNotADay
	}
	return Date(y, m, d), nil
}

// DaysIn returns the number of days (28-31) of a month (1-12) of a year.
func DaysIn(year, month int) int {
	switch month {
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

func (d Day) time() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

// Split returns the year, the month (1-12) and the day of the month (1-31).
func (d Day) Split() (year, month, day int) {
	y, m, dd := d.time().Date()
	return y, int(m), dd
}

// YearDay returns the day of the year, 1-366.
func (d Day) YearDay() int { return d.time().YearDay() }

// Weekday returns the day of the week.
func (d Day) Weekday() time.Weekday {
	// 1 January 1970 was a Thursday.
	return time.Weekday(((int(d)+4)%7 + 7) % 7)
}

// AddYears returns the same day n years on; 29 February becomes the 28th where
// the year has none.
func (d Day) AddYears(n int) Day {
	y, m, dd := d.Split()
	return Date(y+n, m, min(dd, DaysIn(y+n, m)))
}

// Given tells whether the day is a real one: neither None nor Never.
func (d Day) Given() bool { return d != None && d != Never }

// Noon returns the instant at which clocks in zone loc show noon of the day.
func (d Day) Noon(loc *time.Location) time.Time {
	y, m, dd := d.Split()
	return time.Date(y, time.Month(m), dd, 12, 0, 0, 0, loc)
}

// String writes the day as YYYY-MM-DD, "none" or "never".
func (d Day) String() string {
	switch d {
	case None:
		return "none"
	case Never:
		return "never"
	}
	y, m, dd := d.Split()
	if y < 0 || y > 9999 {
		return fmt.Sprintf("%04d-%02d-%02d", y, m, dd)
	}
	digit := func(n int) byte { return byte('0' + n%10) }
	text := [...]byte{
		digit(y / 1000), digit(y / 100), digit(y / 10), digit(y), '-', digit(m / 10), digit(m), '-', digit(dd / 10), digit(dd),
	}
	return string(text[:])
}

// Span is a half-open interval of days: From belongs to it, Until does not.
// Until may be Never.
type Span struct{ From, Until Day }

// Contains tells whether the day lies in the span.
func (s Span) Contains(d Day) bool { return s.From <= d && d < s.Until }

// Empty tells whether no day lies in the span.
func (s Span) Empty() bool { return s.Until <= s.From }
