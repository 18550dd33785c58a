// Package growth judges from a plant's rosette diameters whether it is
// shrinking.
package growth

import (
	"cmp"
	"math"
	"strconv"

	"dewbench/service/civil"
	"dewbench/service/stats"
)

// Measurement is a rosette diameter, in millimetres (positive, finite), on a
// day.
type Measurement struct {
	Day        civil.Day
	DiameterMM float64
}

const (
	// Window is the length of time judged: the day of the measurement and the
	// 179 days before.
	Window = 180

	// fewest is how many measurements a trend needs; with fewer the last one is
	// compared with the largest only.
	fewest = 4

	// The last diameter is at most this share of the largest, in percent: with a
	// trend, and without one for want of measurements.
	shareWithTrend, shareAlone = 80, 70

	// The one-sided p-value for a fall is at most pNum/pDen.
	pNum, pDen = 1, 10

	// confidence is the level of the limits of the slope.
	confidence = 0.95
)

// Judgement tells whether a plant was shrinking at a measurement, and why.
type Judgement struct {
	Shrinking bool
	Day       civil.Day // of the measurement
	N         int       // measurements in the window; 0: there is no such measurement
	LargestMM float64
	LastMM    float64

	// With four or more measurements, else 0: the one-sided Mann-Kendall p-value
	// for a fall, whether it is exact, and the Theil-Sen slope with its limits at
	// 95 % confidence. HasInterval is false, and they are 0, where the series is too
	// short for limits: with fewer than six measurements.
	P             float64
	Exact         bool
	SlopeMMPerDay float64
	HasInterval   bool
	LowMMPerDay   float64
	HighMMPerDay  float64
}

// Judge tells whether the plant was shrinking at its i-th day of measurement
// (from 0), judged by the measurements of that day and the 179 days before. The
// series is in order of time; of several measurements on a day the last counts.
//
//	four or more: one-sided Mann-Kendall p for a fall <= 0.10,
//	              Theil-Sen slope < 0, and last <= 80 % of the largest
//	two or three: last <= 70 % of the largest
//	one:          not shrinking
//
// Diameters are compared as the decimals they are written as: 2.4 is 80 % of
// 3.0. The p-value is exact up to ten measurements without ties, and is then
// compared exactly.
//
// An index out of range gives the zero Judgement, and diameters that are not
// positive and finite are never shrinking.
//
// Sources: the rule is this product's own; the test and the slope are those of
// stats.MannKendall and stats.TheilSen.
func Judge(series []Measurement, i int) Judgement {
	end, seen := -1, -1
	for k := range series {
		if k+1 < len(series) && series[k+1].Day == series[k].Day {
			continue
		}
		if seen++; seen == i {
			end = k
			break
		}
	}
	if end < 0 {
		return Judgement{}
	}
	var w window
	w.fill(series, end)
	j := Judgement{
		Shrinking: w.shrinking(),
		Day:       series[end].Day,
		N:         w.n,
		LargestMM: w.largest,
		LastMM:    w.last,
	}
	if w.n < fewest {
		return j
	}
	y := w.values()
	if trend, err := stats.MannKendall(y); err == nil {
		j.P, j.Exact = trend.PFall, trend.Exact
	}
	var t [Window]float64
	for k, day := range w.days() {
		t[k] = float64(day)
	}
	if slope, err := stats.TheilSen(t[:w.n], y, confidence); err == nil {
		j.SlopeMMPerDay = slope.Slope
		j.HasInterval, j.LowMMPerDay, j.HighMMPerDay = slope.HasInterval, slope.Low, slope.High
	}
	return j
}

// Shrinking tells whether the plant is shrinking as judged at its last
// measurement. The series is as for Judge; without any it is not. It allocates
// nothing.
func Shrinking(series []Measurement) bool {
	if len(series) == 0 {
		return false
	}
	var w window
	w.fill(series, len(series)-1)
	return w.shrinking()
}

// Run tells whether the plant is shrinking as judged at its last measurement,
// and since when: the day of the first measurement of the unbroken run of
// measurements at which it was. The series is as for Judge; last is the day of
// the last measurement. Days that there are not are civil.None.
//
// It allocates nothing.
func Run(series []Measurement) (since, last civil.Day, shrinking bool) {
	since, last = civil.None, civil.None
	end := len(series) - 1
	if end < 0 {
		return since, last, false
	}
	last = series[end].Day
	var w window
	for end >= 0 {
		w.fill(series, end)
		if !w.shrinking() {
			break
		}
		since, shrinking = series[end].Day, true
		for day := since; end >= 0 && series[end].Day == day; {
			end--
		}
	}
	return since, last, shrinking
}

// window is the measurements that a judgement rests on, one a day. They are
// filled in from the back, so they are the last n.
type window struct {
	n             int
	last, largest float64
	y             [Window]float64
	day           [Window]civil.Day
}

func (w *window) values() []float64 { return w.y[Window-w.n:] }
func (w *window) days() []civil.Day { return w.day[Window-w.n:] }

// fill takes the measurements up to and with the one at end.
func (w *window) fill(series []Measurement, end int) {
	w.n, w.last, w.largest = 0, series[end].DiameterMM, 0
	last := int64(series[end].Day)
	for k := end; k >= 0 && w.n < Window; k-- {
		m := series[k]
		if last-int64(m.Day) >= Window {
			break
		}
		if w.n > 0 && w.day[Window-w.n] == m.Day {
			continue // a later one of that day counts
		}
		w.n++
		w.y[Window-w.n], w.day[Window-w.n] = m.DiameterMM, m.Day
		w.largest = max(w.largest, m.DiameterMM)
	}
}

// shrinking does the cheap tests first: most plants are none.
func (w *window) shrinking() bool {
	switch {
	case w.n < 2:
		return false
	case w.n < fewest:
		return atMostPercent(w.last, shareAlone, w.largest)
	}
	if !atMostPercent(w.last, shareWithTrend, w.largest) {
		return false
	}
	y := w.values()
	trend, err := stats.MannKendall(y)
	if err != nil || !trend.FallAtMost(pNum, pDen) {
		return false
	}
	return fallingSlope(y)
}

// fallingSlope tells whether the median slope of values on different days, of
// which more pairs fall than rise (a small p for a fall says so), is negative. It
// computes no slope. Of N slopes, sorted, the median is the
// middle one or the mean of the two in the middle. It is negative if more than
// half of the slopes are. With exactly half the next one is 0, since fewer rise
// than fall, and the mean of a negative slope and 0 is negative too.
func fallingSlope(y []float64) bool {
	falling, pairs := 0, len(y)*(len(y)-1)/2
	for i, a := range y {
		for _, b := range y[i+1:] {
			if b < a {
				falling++
			}
		}
	}
	return 2*falling >= pairs
}

// atMostPercent tells whether a <= percent/100 b, where a and b are positive and
// finite and stand for the shortest decimals that read back as them.
func atMostPercent(a float64, percent uint64, b float64) bool {
	if !(a > 0 && b > 0) || math.IsInf(a, 0) || math.IsInf(b, 0) {
		return false
	}
	// In float64 the two sides are off by less than 1e-15 of themselves, so only
	// a closer call needs the decimals.
	limit := float64(percent) / 100 * b
	if math.Abs(a-limit) > 1e-12*limit {
		return a < limit
	}
	da, db := decimalOf(a), decimalOf(b)
	return cmp.Compare(da.times(100, db.exp), db.times(percent, da.exp)) <= 0
}

// decimal is digits x 10^exp.
type decimal struct {
	digits uint64
	exp    int
}

// times returns n times the number in units of 10^min(exp, unit), n at most 100.
// The digits are at most 17, and those of the two numbers that are compared
// here differ by a factor of less than 2, so that it fits: see the caller.
func (d decimal) times(n uint64, unit int) uint64 {
	v := d.digits * n
	for e := d.exp; e > unit; e-- {
		v *= 10
	}
	return v
}

// decimalOf returns the shortest decimal that reads back as v (positive,
// finite), without trailing zeros.
func decimalOf(v float64) decimal {
	var buf [32]byte
	var d decimal
	text := strconv.AppendFloat(buf[:0], v, 'e', -1, 64) // d.ddde-dd
	for k, c := range text {
		switch {
		case c >= '0' && c <= '9':
			d.digits = d.digits*10 + uint64(c-'0')
			if k > 1 {
				d.exp--
			}
		case c == 'e':
			exp, _ := strconv.Atoi(string(text[k+1:]))
			d.exp += exp
			return d
		}
	}
	return d
}
