package growth

import (
	"math"
	"math/big"
	"strconv"
	"testing"

	"dewbench/service/civil"
	"dewbench/service/stats"

	"pgregory.net/rapid"
)

var first = civil.Date(2026, 1, 1)

// every returns measurements that many days apart, from 1 January 2026.
func every(days int, diameters ...float64) (series []Measurement) {
	for i, mm := range diameters {
		series = append(series, Measurement{first + civil.Day(i*days), mm})
	}
	return series
}

// The rule of shrinking, worked out by hand. The exact p-values are counts of
// orders, from the triangle of the On-Line Encyclopedia of Integer Sequences,
// A008302: row 4 is 1 3 5 6 5 3 1 (of 24), row 5 is 1 4 9 15 20 22 ... (of 120).
// The normal tails are from a table of the normal law: P(Z > 1.80) = 0.0359 and
// P(Z > 1.31) = 0.0951.
func TestJudge(t *testing.T) {
	for name, c := range map[string]struct {
		series []Measurement
		want   bool
		p      float64 // to 0.0005; 0 with fewer than four
	}{
		"none":                           {nil, false, 0},
		"one":                            {every(10, 30), false, 0},
		"two, 21 of 30 is 70 %":          {every(10, 30, 21), true, 0},
		"two, 21.1 of 30":                {every(10, 30, 21.1), false, 0},
		"two, 2.1 of 3.0":                {every(10, 3.0, 2.1), true, 0}, // 2.1/3.0 > 0.7 in float64
		"two, growing":                   {every(10, 21, 30), false, 0},
		"three, the largest between":     {every(10, 25, 30, 21), true, 0},
		"three, last larger again":       {every(10, 30, 10, 22), false, 0},
		"four falling, 24 of 30 is 80 %": {every(10, 30, 28, 26, 24), true, 1. / 24},
		"four falling, 2.4 of 3.0":       {every(10, 3.0, 2.8, 2.6, 2.4), true, 1. / 24}, // 0.8 * 3.0 is 2.4000000000000004
		"four falling, 0.24 of 0.3":      {every(10, 0.3, 0.28, 0.26, 0.24), true, 1. / 24},
		"four falling, 4.56 of 5.7":      {every(10, 5.7, 5.2, 5.0, 4.56), true, 1. / 24},
		"four falling, 24.1 of 30":       {every(10, 30, 28, 26, 24.1), false, 1. / 24},
		// One pair rises: S = -4, P = (1 + 3)/24 = 0.167. With four there is no
		// looking at 70 %.
		"four, one pair rising": {every(10, 30, 29, 20, 21), false, 4. / 24},
		// One pair rises: S = -8, P = (1 + 4)/120 = 0.042.
		"five, one pair rising": {every(10, 30, 29, 25, 20, 21), true, 5. / 120},
		// Two pairs rise: S = -6, P = (1 + 4 + 9)/120 = 0.117.
		"five, two pairs rising": {every(10, 30, 29, 20, 25, 21), false, 14. / 120},
		// 10 > the other five, 9 > four: S = -9. VarS = (6 5 17 - 4 3 13)/18 =
		// 19.667, z = -8/4.435 = -1.804. Of 15 slopes 9 fall: the median falls.
		"ties": {every(10, 10, 9, 8, 8, 8, 8), true, 0.0356},
		// S = -7. VarS = (8 7 21 - 7 6 19)/18 = 21, z = -6/4.583 = -1.309. But 21
		// of the 28 slopes are 0, and so is their median.
		"ties, median slope 0": {every(10, 10, 8, 8, 8, 8, 8, 8, 8), false, 0.0952},
		// 10, 9.5 > all below: S = -(3 + 2) of 6 with one tie. VarS = (4 3 13 - 2 1
		// 9)/18 = 7.667, z = -4/2.769 = -1.445, P = 0.0743.
		"four, a tie": {every(10, 10, 9.5, 8, 8), true, 0.0743},
		"all equal":   {every(10, 8, 8, 8, 8), false, 1},
		"growing":     {every(10, 10, 12, 14, 16, 18), false, 1},
	} {
		got := Judge(c.series, len(c.series)-1)
		if got.Shrinking != c.want || math.Abs(got.P-c.p) > 0.0005 || got.N != len(c.series) {
			t.Errorf("%s: got %+v, want %v, p %v", name, got, c.want, c.p)
		}
		since, last, shrinking := Run(c.series)
		if shrinking != c.want || shrinking != (since != civil.None) {
			t.Errorf("%s: Run = %s, %s, %v", name, since, last, shrinking)
		}
	}
}

func TestJudgement(t *testing.T) {
	// Slopes per day: -2/10 three times, -4/20 twice, -6/30.
	got := Judge(every(10, 30, 28, 26, 24), 3)
	want := Judgement{
		Shrinking: true, Day: first + 30, N: 4, LargestMM: 30, LastMM: 24, P: 1. / 24, Exact: true, SlopeMMPerDay: -0.2,
	}
	if got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	// Six: VarS = (6 5 17)/18 = 28.33, C = 1.96 * 5.323 = 10.43, M1 = 2.28 and M2 + 1 =
	// 13.72 of the 15 slopes. Sorted they are -0.4 (the last step), -0.3, -0.2667,
	// -0.25, -0.24 and ten of -0.2. The limits lie at -0.3 + 0.28 * 0.0333 and at -0.2.
	six := Judge(every(10, 30, 28, 26, 24, 22, 18), 5)
	if !six.Shrinking || !six.HasInterval || math.Abs(six.SlopeMMPerDay+0.2) > 1e-12 || math.Abs(six.LowMMPerDay+0.2906) > 1e-4 || math.Abs(six.HighMMPerDay+0.2) > 1e-12 {
		t.Errorf("got %+v", six)
	}
	if five := Judge(every(10, 30, 28, 26, 24, 22), 4); five.HasInterval || five.LowMMPerDay != 0 || five.HighMMPerDay != 0 {
		t.Errorf("limits of five: %+v", five)
	}
	for _, i := range []int{-1, 4, 99} {
		if got := Judge(every(10, 30, 28, 26, 24), i); got != (Judgement{}) {
			t.Errorf("measurement %d: %+v", i, got)
		}
	}
}

// That day and the 179 before: a measurement 179 days back counts, one 180 days
// back does not.
func TestWindow(t *testing.T) {
	for _, c := range []struct {
		days, n   int
		shrinking bool
	}{{179, 2, true}, {180, 1, false}} {
		got := Judge(every(c.days, 30, 20), 1)
		if got.N != c.n || got.Shrinking != c.shrinking {
			t.Errorf("%d days apart: %+v", c.days, got)
		}
	}
	// 30 mm is out of the window, so that three are left: 21 of 29 is more than 70 %.
	series := []Measurement{{first, 30}, {first + 60, 29}, {first + 120, 25}, {first + 180, 21}}
	if got := Judge(series, 3); got.N != 3 || got.LargestMM != 29 || got.Shrinking {
		t.Errorf("got %+v", got)
	}
	// A day earlier there are four, falling.
	series[3].Day--
	if got := Judge(series, 3); got.N != 4 || !got.Shrinking {
		t.Errorf("got %+v", got)
	}
}

// Of several measurements on a day the last counts, also where it is the day
// judged.
func TestSameDay(t *testing.T) {
	series := []Measurement{
		{first, 10}, {first, 30}, // 30 counts
		{first + 10, 20}, {first + 10, 99}, {first + 10, 21}, // 21 counts
	}
	got := Judge(series, 1)
	if got.N != 2 || got.LargestMM != 30 || got.LastMM != 21 || !got.Shrinking {
		t.Errorf("got %+v", got)
	}
	if got := Judge(series, 0); got.N != 1 || got.LastMM != 30 {
		t.Errorf("got %+v", got)
	}
	if since, last, shrinking := Run(series); since != first+10 || last != first+10 || !shrinking {
		t.Errorf("Run = %s, %s, %v", since, last, shrinking)
	}
}

// The unbroken run, judged by hand at each of the days 0, 10, 20, ...
func TestRun(t *testing.T) {
	for name, c := range map[string]struct {
		series []Measurement
		since  int // days; -1: not shrinking
	}{
		"nothing": {nil, -1},
		// 20/30: yes, of two. 20.5/30: yes, of three. Then four: S = -4, p 0.167: no.
		"three are judged otherwise than four": {every(10, 30, 20, 20.5, 20.2), -1},
		// Days 30 and 40: all fall, 24 and 22 of 30.
		"since the fourth": {every(10, 30, 28, 26, 24, 22), 30},
		// Day 10: 20/30, yes. Day 20: 29/30, no. Day 30: 20 of 30, but one pair
		// rises of four (20 to 29) and one is tied: z = -3/2.769, p 0.139: no. Day
		// 40: 30 falls below all (4), 20 rises above 19 and 20, 29 falls (2), 20
		// falls: S = -4 + (1 - 1) - 2 - 1 = -7; VarS = (5 4 15 - 2 1 9)/18 =
		// 15.667, z = -6/3.958 = -1.516, p 0.065: yes.
		"a run is broken": {every(10, 30, 20, 29, 20, 19), 40},
	} {
		since, last, shrinking := Run(c.series)
		want, wantLast := civil.None, civil.None
		if c.since >= 0 {
			want = first + civil.Day(c.since)
		}
		if len(c.series) > 0 {
			wantLast = c.series[len(c.series)-1].Day
		}
		if since != want || last != wantLast || shrinking != (c.since >= 0) {
			t.Errorf("%s: got %s, %s, %v; want %s, %s", name, since, last, shrinking, want, wantLast)
		}
	}
}

func anySeries(t *rapid.T) (series []Measurement) {
	day := first
	diameter := rapid.OneOf(
		rapid.Map(rapid.IntRange(1, 30), func(k int) float64 { return float64(k) }),
		rapid.Map(rapid.IntRange(1, 400), func(k int) float64 { return float64(k) / 10 }),
		rapid.Map(rapid.IntRange(1, 40000), func(k int) float64 { return float64(k) / 1000 }),
		rapid.Float64Range(1, 60),
	)
	mm := diameter.Draw(t, "mm")
	for range rapid.IntRange(0, 40).Draw(t, "n") {
		series = append(series, Measurement{day, mm})
		day += civil.Day(rapid.SampledFrom([]int{0, 1, 7, 14, 30, 59, 60, 179, 180}).Draw(t, "days"))
		switch rapid.IntRange(0, 4).Draw(t, "how") {
		case 0:
			mm = diameter.Draw(t, "mm")
		case 1, 2:
			mm = max(1, math.Round(mm*9.3)/10)
		}
	}
	return series
}

// shrinkingAt is the rule once more, slowly: decimals as fractions, the slope
// itself.
func shrinkingAt(t *rapid.T, series []Measurement, day civil.Day) bool {
	var days, y []float64
	for i, m := range series {
		if m.Day > day || m.Day < day-179 || i+1 < len(series) && series[i+1].Day == m.Day {
			continue
		}
		days, y = append(days, float64(m.Day)), append(y, m.DiameterMM)
	}
	largest := new(big.Rat)
	for _, v := range y {
		if r := fraction(v); r.Cmp(largest) > 0 {
			largest = r
		}
	}
	share := new(big.Rat).Quo(fraction(y[len(y)-1]), largest)
	switch {
	case len(y) < 2:
		return false
	case len(y) < 4:
		return share.Cmp(big.NewRat(7, 10)) <= 0
	}
	trend, err := stats.MannKendall(y)
	if err != nil {
		t.Fatal(err)
	}
	slope, err := stats.TheilSen(days, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	small := trend.PFall <= 0.1
	if trend.Exact {
		small = big.NewRat(trend.Fall, trend.Orders).Cmp(big.NewRat(1, 10)) <= 0
	}
	return small && slope.Slope < 0 && share.Cmp(big.NewRat(8, 10)) <= 0
}

func fraction(v float64) *big.Rat {
	r, ok := new(big.Rat).SetString(strconv.FormatFloat(v, 'f', -1, 64))
	if !ok {
		panic("not a number")
	}
	return r
}

func TestAgainstSlowRule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		series := anySeries(t)
		var days []civil.Day
		for _, m := range series {
			if len(days) == 0 || days[len(days)-1] != m.Day {
				days = append(days, m.Day)
			}
		}
		wantSince, wantLast, wantNow := civil.None, civil.None, false
		for i, day := range days {
			now := shrinkingAt(t, series, day)
			if got := Judge(series, i); got.Shrinking != now || got.Day != day {
				t.Fatalf("measurement %d: %+v, want %v", i, got, now)
			}
			switch {
			case !now:
				wantSince = civil.None
			case !wantNow:
				wantSince = day
			}
			wantLast, wantNow = day, now
		}
		if since, last, now := Run(series); since != wantSince || last != wantLast || now != wantNow {
			t.Fatalf("Run = %s, %s, %v; want %s, %s, %v", since, last, now, wantSince, wantLast, wantNow)
		}
	})
}

// Shares at and next to the limit, against fractions of whole numbers.
func TestAtMostPercent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		scale := rapid.SampledFrom([]float64{1, 10, 100, 1000, 1e6, 1e9}).Draw(t, "scale")
		b := float64(rapid.IntRange(1, 1_000_000).Draw(t, "b")) / scale
		if rapid.IntRange(0, 3).Draw(t, "any") == 0 {
			b = rapid.Float64Range(1e-3, 1e6).Draw(t, "b")
		}
		percent := rapid.SampledFrom([]uint64{70, 80}).Draw(t, "percent")
		limit := new(big.Rat).Mul(fraction(b), big.NewRat(int64(percent), 100))
		a, _ := limit.Float64() // the nearest to the limit
		for range rapid.IntRange(0, 3).Draw(t, "steps") {
			a = math.Nextafter(a, rapid.SampledFrom([]float64{0, math.Inf(1)}).Draw(t, "towards"))
		}
		if rapid.IntRange(0, 4).Draw(t, "far") == 0 {
			a *= rapid.Float64Range(0.5, 2).Draw(t, "factor")
		}
		if got, want := atMostPercent(a, percent, b), fraction(a).Cmp(limit) <= 0; got != want {
			t.Fatalf("%v at most %d %% of %v: %v, want %v", a, percent, b, got, want)
		}
	})
}

// What was not validated must not panic, and is never shrinking.
func TestInvalid(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, v := range []float64{nan, inf, -inf, 0, -3} {
		for _, series := range [][]Measurement{
			every(10, 30, v), every(10, v, v), every(10, v, v, v, v, v), every(10, 30, 20, 15, 10, v),
		} {
			if got := Judge(series, len(series)-1); got.Shrinking {
				t.Errorf("%v: %+v", series, got)
			}
			if _, _, shrinking := Run(series); shrinking {
				t.Errorf("%v is shrinking", series)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		var series []Measurement
		for range rapid.IntRange(0, 300).Draw(t, "n") {
			series = append(series, Measurement{civil.Day(rapid.Int32().Draw(t, "day")), rapid.Float64().Draw(t, "mm")})
		}
		Run(series)
		Judge(series, rapid.IntRange(-1, 300).Draw(t, "i"))
	})
}

// Judge is not in it: it returns the limits of the slope, for which all slopes are sorted.
func TestNoAllocation(t *testing.T) {
	ties := make([]float64, 64)
	for i := range ties {
		ties[i] = 40 - float64(i/3)
	}
	for name, series := range map[string][]Measurement{
		"exact p, last exactly 80 %": every(20, 3, 2.9, 2.8, 2.7, 2.6, 2.5, 2.4),
		"64 days, ties":              every(2, ties...),
		"every day of the window":    every(1, make([]float64, 400)...),
	} {
		if n := testing.AllocsPerRun(100, func() { Run(series) }); n != 0 {
			t.Errorf("%s: Run allocates %v times", name, n)
		}
		if n := testing.AllocsPerRun(100, func() { Shrinking(series) }); n != 0 {
			t.Errorf("%s: Shrinking allocates %v times", name, n)
		}
	}
}

func BenchmarkRun(b *testing.B) {
	growing, falling, ties := make([]float64, 24), make([]float64, 24), make([]float64, 24)
	for i := range growing {
		growing[i], falling[i], ties[i] = 20+float64(i)/2, 40-float64(i), 40-float64(i/2*2)
	}
	for _, c := range []struct {
		name   string
		series []Measurement
	}{
		{"two", every(14, 30, 29)},
		{"24 growing", every(14, growing...)},
		{"24 falling, a run of 20", every(14, falling...)},
		{"24 falling, ties", every(7, ties...)},
		{"exactly 80 %", every(20, 3, 2.9, 2.8, 2.7, 2.6, 2.5, 2.4)},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Run(c.series)
			}
		})
	}
}

func BenchmarkJudge24(b *testing.B) {
	diameters := make([]float64, 24)
	for i := range diameters {
		diameters[i] = 40 - float64(i)
	}
	series := every(7, diameters...)
	b.ReportAllocs()
	for b.Loop() {
		Judge(series, 23)
	}
}
