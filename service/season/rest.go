package season

import (
	"errors"
	"fmt"
	"math"

	"dewbench/service/civil"
)

// Season is the time of the year in which a taxon rests.
type Season uint8

// The seasons of rest.
const (
	None   Season = iota // it does not rest
	Winter               // while days are short
	Summer               // while days are long
)

// MonthDay is a day of every year: month 1-12, day 1-31. The zero value stands
// for "not given".
type MonthDay struct{ Month, Day int }

// Rule is how a taxon rests. The threshold is used where the latitude is known,
// the range elsewhere.
type Rule struct {
	Season Season

	// ThresholdHours is the day length, in hours, below which (Winter) or above
	// which (Summer) the taxon rests. 0 or less: none.
	ThresholdHours float64

	// From and Until are the range [From, Until) in the northern hemisphere. It
	// wraps over New Year where Until comes before From; it is empty where they
	// are equal or one of them is not given.
	From, Until MonthDay
}

// Place is what decides about seasons on a bench.
type Place struct {
	LatitudeDeg float64 // north positive; only with HasLatitude
	HasLatitude bool
	South       bool // southern hemisphere; only without a latitude
	Enclosed    bool // lamps instead of daylight: no seasons
}

// Rests returns the rests of the calendar that overlap [from, to), each whole,
// in order. They never overlap or touch.
//
// With a threshold and a latitude, a winter rest starts on the first day whose
// day length is below the threshold after one that is not, and ends on the
// first day not below; a summer rest likewise above. A year without a crossing
// has no rest. Otherwise the rest is the month-day range of the rule: 29
// February is read as the 28th, and in the south both ends are shifted by six
// months, clamped to the month's last day. With a latitude, south is below 0.
// A latitude or threshold that is NaN counts as not given.
//
// The calendar is [civil.Min, civil.Max]: the question and the rests are cut to
// it, so a rest that lasts over its last day ends on that day.
//
// It takes about 10 microseconds and one allocation for six years; time and
// memory grow with the years asked for.
func Rests(rule Rule, place Place, from, to civil.Day) []civil.Span {
	from, to = max(from, civil.Min), min(to, civil.Max)
	if rule.Season == None || place.Enclosed || from >= to {
		return nil
	}
	hasLatitude := place.HasLatitude && !math.IsNaN(place.LatitudeDeg)
	if hasLatitude && rule.ThresholdHours > 0 {
		return byDayLength(rule, place.LatitudeDeg, from, to)
	}
	south := place.South
	if hasLatitude {
		south = place.LatitudeDeg < 0
	}
	return byRange(rule, south, from, to)
}

// byDayLength finds the turns of one year, the days that differ from the day
// before in whether the plant rests, and lays them out over the years. The day
// length depends on the day of the year alone; day 366 lies between days 365
// and 1 in the length of its day, so a year with a turn has it among days 1-365
// or at New Year.
func byDayLength(rule Rule, latDeg float64, from, to civil.Day) []civil.Span {
	at := observer(latDeg)
	rests := func(yearDay int) bool {
		hours := at.dayLength(yearDay)
		if rule.Season == Summer {
			return hours > rule.ThresholdHours
		}
		return hours < rule.ThresholdHours
	}

	// At most four turns at the equator (two longest and two shortest days), two
	// elsewhere, one more at New Year.
	type turn struct {
		yearDay int
		rests   bool
	}
	var buf [8]turn
	turns := buf[:0]
	newYear := rests(1)
	last := newYear
	for j := 2; j <= yearDays; j++ {
		if now := rests(j); now != last {
			turns = append(turns, turn{j, now})
			last = now
		}
	}
	if len(turns) == 0 {
		return nil
	}

	out := list{from: from, to: to}
	y0, y1 := years(from, to)
	// The rest that holds on the first day began in the year before or earlier
	// in this one: a year has a day that is not rest.
	open := false
	var start civil.Day
	flip := func(d civil.Day, now bool) {
		switch {
		case now && !open:
			start = d
		case !now && open:
			out.add(start, d)
		}
		open = now
	}
	flip(civil.Date(y0-2, 1, 1), newYear)
	for y := y0 - 2; y <= y1+1; y++ {
		jan1 := civil.Date(y, 1, 1)
		flip(jan1, newYear)
		for _, t := range turns {
			if t.yearDay == yearDays && civil.DaysIn(y, 2) == 28 {
				break
			}
			flip(jan1+civil.Day(t.yearDay-1), t.rests)
		}
	}
	return out.spans
}

func byRange(rule Rule, south bool, from, to civil.Day) []civil.Span {
	a, b := rule.From, rule.Until
	if !a.valid() || !b.valid() {
		return nil
	}
	a, b = a.common(), b.common()
	if south {
		a, b = a.shifted(), b.shifted()
	}
	if a == b {
		return nil
	}
	wrap := 0
	if b.Month < a.Month || b.Month == a.Month && b.Day < a.Day {
		wrap = 1
	}
	out := list{from: from, to: to}
	y0, y1 := years(from, to)
	for y := y0 - 1; y <= y1; y++ {
		out.add(civil.Date(y, a.Month, a.Day), civil.Date(y+wrap, b.Month, b.Day))
	}
	return out.spans
}

func years(from, to civil.Day) (first, last int) {
	first, _, _ = from.Split()
	last, _, _ = (to - 1).Split()
	return first, last
}

// list gathers the spans that overlap [from, to), cut to the calendar.
type list struct {
	from, to civil.Day
	spans    []civil.Span
}

func (l *list) add(start, end civil.Day) {
	s := civil.Span{From: max(start, civil.Min), Until: min(end, civil.Max)}
	if s.Empty() || s.Until <= l.from || s.From >= l.to {
		return
	}
	if l.spans == nil {
		l.spans = make([]civil.Span, 0, (l.to-l.from)/365+2)
	}
	l.spans = append(l.spans, s)
}

// ErrMonthDay is what ParseMonthDay returns for text that is not of the form
// MM-DD or names a day that no year has.
var ErrMonthDay = errors.New("must be a day of the year in the form MM-DD")

// ParseMonthDay reads a day of the year in the form MM-DD. 02-29 is a day of
// some years, so it is read.
func ParseMonthDay(s string) (MonthDay, error) {
	if len(s) != 5 || s[2] != '-' {
		return MonthDay{}, ErrMonthDay
	}
	for _, i := range []int{0, 1, 3, 4} {
		if s[i] < '0' || s[i] > '9' {
			return MonthDay{}, ErrMonthDay
		}
	}
	m := MonthDay{
		Month: int(s[0]-'0')*10 + int(s[1]-'0'),
		Day:   int(s[3]-'0')*10 + int(s[4]-'0'),
	}
	if !m.valid() {
		return MonthDay{}, ErrMonthDay
	}
	return m, nil
}

// String writes the day in the form MM-DD.
func (m MonthDay) String() string { return fmt.Sprintf("%02d-%02d", m.Month, m.Day) }

func (m MonthDay) valid() bool {
	return m.Month >= 1 && m.Month <= 12 && m.Day >= 1 && m.Day <= civil.DaysIn(leapYear, m.Month)
}

const leapYear, commonYear = 2000, 2001

// common is the day in a year of 365 days.
func (m MonthDay) common() MonthDay {
	return MonthDay{m.Month, min(m.Day, civil.DaysIn(commonYear, m.Month))}
}

// shifted is the day six months on, in a year of 365 days.
func (m MonthDay) shifted() MonthDay {
	return MonthDay{Month: (m.Month+5)%12 + 1, Day: m.Day}.common()
}
