package season

import (
	"errors"
	"math"
	"slices"
	"testing"

	"dewbench/service/civil"

	"pgregory.net/rapid"
)

func span(from, until string) civil.Span {
	f, err1 := civil.Parse(from)
	u, err2 := civil.Parse(until)
	if err1 != nil || err2 != nil {
		panic("not a day")
	}
	return civil.Span{From: f, Until: u}
}

func at(lat float64) Place { return Place{LatitudeDeg: lat, HasLatitude: true} }

// Ranges of the calendar, worked out by hand.
func TestRestsByRange(t *testing.T) {
	novToFeb := Rule{Season: Winter, From: MonthDay{11, 1}, Until: MonthDay{2, 15}}
	rule := func(m1, d1, m2, d2 int) Rule {
		return Rule{Season: Summer, From: MonthDay{m1, d1}, Until: MonthDay{m2, d2}}
	}
	for name, c := range map[string]struct {
		rule  Rule
		place Place
		asked civil.Span
		want  []civil.Span
	}{
		"north, over New Year": {novToFeb, Place{}, span("2025-01-01", "2026-12-01"), []civil.Span{
			span("2024-11-01", "2025-02-15"), span("2025-11-01", "2026-02-15"), span("2026-11-01", "2027-02-15")}},
		"south": {novToFeb, Place{South: true}, span("2026-01-01", "2027-01-01"), []civil.Span{
			span("2026-05-01", "2026-08-15")}},
		"latitude without threshold": {novToFeb, at(-0.1), span("2026-01-01", "2027-01-01"), []civil.Span{
			span("2026-05-01", "2026-08-15")}},
		"the equator is north": {novToFeb, at(0), span("2026-06-01", "2026-12-01"), []civil.Span{
			span("2026-11-01", "2027-02-15")}},
		"latitude over the south flag": {novToFeb, Place{LatitudeDeg: 50, HasLatitude: true, South: true},
			span("2026-06-01", "2026-12-01"), []civil.Span{span("2026-11-01", "2027-02-15")}},
		"a latitude that is none": {novToFeb, Place{LatitudeDeg: math.NaN(), HasLatitude: true, South: true},
			span("2026-01-01", "2027-01-01"), []civil.Span{span("2026-05-01", "2026-08-15")}},
		"half-open: rest ends where asked":   {novToFeb, Place{}, span("2026-02-15", "2026-11-01"), nil},
		"half-open: one day more":            {novToFeb, Place{}, span("2026-02-14", "2026-11-02"), []civil.Span{span("2025-11-01", "2026-02-15"), span("2026-11-01", "2027-02-15")}},
		"29 February is read as 28":          {rule(2, 29, 6, 1), Place{}, span("2024-01-01", "2024-12-31"), []civil.Span{span("2024-02-28", "2024-06-01")}},
		"shifted to a shorter month":         {rule(8, 31, 10, 31), Place{South: true}, span("2024-01-01", "2024-12-31"), []civil.Span{span("2024-02-28", "2024-04-30")}},
		"29 February in the south":           {rule(2, 29, 6, 1), Place{South: true}, span("2024-01-01", "2025-01-01"), []civil.Span{span("2024-08-28", "2024-12-01")}},
		"over New Year in the south":         {rule(5, 10, 9, 20), Place{South: true}, span("2026-01-01", "2026-11-10"), []civil.Span{span("2025-11-10", "2026-03-20")}},
		"empty range":                        {rule(3, 1, 3, 1), Place{}, span("2026-01-01", "2027-01-01"), nil},
		"empty after the shift":              {rule(8, 30, 8, 31), Place{South: true}, span("2026-01-01", "2027-01-01"), nil},
		"no range":                           {rule(0, 0, 3, 1), Place{}, span("2026-01-01", "2027-01-01"), nil},
		"no day of any year":                 {rule(4, 31, 6, 1), Place{}, span("2026-01-01", "2027-01-01"), nil},
		"no such month":                      {rule(1, 1, 13, 1), Place{}, span("2026-01-01", "2027-01-01"), nil},
		"does not rest":                      {Rule{From: MonthDay{1, 1}, Until: MonthDay{2, 1}}, Place{}, span("2026-01-01", "2027-01-01"), nil},
		"enclosed":                           {novToFeb, Place{Enclosed: true}, span("2026-01-01", "2027-01-01"), nil},
		"nothing asked":                      {novToFeb, Place{}, span("2026-01-01", "2026-01-01"), nil},
		"asked backwards":                    {novToFeb, Place{}, span("2026-01-02", "2026-01-01"), nil},
		"the calendar's first days":          {novToFeb, Place{}, span("0001-01-01", "0001-01-02"), []civil.Span{span("0001-01-01", "0001-02-15")}},
		"the calendar's last days":           {novToFeb, Place{}, span("9999-12-30", "9999-12-31"), []civil.Span{span("9999-11-01", "9999-12-31")}},
		"threshold without a latitude":       {Rule{Winter, 10, MonthDay{11, 1}, MonthDay{2, 15}}, Place{}, span("2026-06-01", "2026-12-01"), []civil.Span{span("2026-11-01", "2027-02-15")}},
		"a threshold that is none":           {Rule{Winter, math.NaN(), MonthDay{11, 1}, MonthDay{2, 15}}, at(50), span("2026-06-01", "2026-12-01"), []civil.Span{span("2026-11-01", "2027-02-15")}},
		"range all but a day of a leap year": {rule(3, 1, 2, 29), Place{}, span("2024-02-28", "2024-03-01"), nil},
	} {
		if got := Rests(c.rule, c.place, c.asked.From, c.asked.Until); !slices.Equal(got, c.want) {
			t.Errorf("%s: got %v, want %v", name, got, c.want)
		}
	}
}

// The days on which the day passes a threshold, read off an ephemeris (see
// testdata/season/README.md) between its days five apart. The model may be two
// days off.
func TestRestsByDayLengthEphemeris(t *testing.T) {
	rows := readCSV(t, "ephemeris.csv")
	checked := 0
	for col := 2; col < len(rows[0]); col++ {
		lat := number(t, rows[0][col])
		if math.Abs(lat) < 30 || math.Abs(lat) > 60 {
			continue
		}
		for _, season := range []Season{Winter, Summer} {
			threshold := map[Season]float64{Winter: 10.5, Summer: 13.5}[season]
			sign := map[Season]float64{Winter: 1, Summer: -1}[season]
			rests := Rests(Rule{Season: season, ThresholdHours: threshold}, at(lat), civil.Date(2026, 1, 1), civil.Date(2027, 1, 1))
			for i := 2; i < len(rows); i++ {
				before := sign * (number(t, rows[i-1][col]) - threshold)
				after := sign * (number(t, rows[i][col]) - threshold)
				if before < 0 == (after < 0) {
					continue
				}
				from, to := number(t, rows[i-1][1]), number(t, rows[i][1])
				day := civil.Date(2026, 1, 1) + civil.Day(math.Ceil(from+(to-from)*before/(before-after))) - 1
				near := func(d civil.Day) bool { return d-day <= 2 && day-d <= 2 }
				checked++
				if !slices.ContainsFunc(rests, func(s civil.Span) bool {
					return after < 0 && near(s.From) || before < 0 && near(s.Until)
				}) {
					t.Errorf("at %v: the day passes %v h on %s; rests %v", lat, threshold, day, rests)
				}
			}
		}
	}
	if checked != 28 {
		t.Errorf("%d crossings checked", checked)
	}
}

// The rule of the day length, day by day.
func TestRestsByDayLengthBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lat := rapid.OneOf(rapid.Float64Range(-90, 90), rapid.SampledFrom([]float64{0, 90, -90, 66.5, 45, -34})).Draw(t, "lat")
		season := rapid.SampledFrom([]Season{Winter, Summer}).Draw(t, "season")
		threshold := rapid.OneOf(rapid.Float64Range(0.1, 24), rapid.SampledFrom([]float64{0.0001, 12.115, 24})).Draw(t, "threshold")
		if rapid.Bool().Draw(t, "on a day's own length") {
			threshold = max(0.0001, DayLength(lat, rapid.IntRange(1, 366).Draw(t, "day")))
		}
		from := civil.Date(rapid.IntRange(3, 9990).Draw(t, "year"), 1, 1) + civil.Day(rapid.IntRange(0, 365).Draw(t, "from"))
		to := from + civil.Day(rapid.IntRange(1, 1500).Draw(t, "length"))

		rests := func(d civil.Day) bool {
			hours := DayLength(lat, d.YearDay())
			return season == Winter && hours < threshold || season == Summer && hours > threshold
		}
		// Whole years around, so that each rest is seen from its first day.
		var want []civil.Span
		start := civil.None
		for d := from - 800; d < to+800; d++ {
			switch {
			case rests(d) && !rests(d-1):
				start = d
			case !rests(d) && rests(d-1) && start != civil.None:
				if s := (civil.Span{From: start, Until: d}); s.Until > from && s.From < to {
					want = append(want, s)
				}
			}
		}
		got := Rests(Rule{Season: season, ThresholdHours: threshold, From: MonthDay{1, 1}, Until: MonthDay{6, 1}}, at(lat), from, to)
		if !slices.Equal(got, want) {
			t.Fatalf("[%s, %s): got %v, want %v", from, to, got, want)
		}
	})
}

func anyRule(t *rapid.T) Rule {
	monthDay := func(label string) MonthDay {
		return MonthDay{rapid.IntRange(0, 13).Draw(t, label+" month"), rapid.IntRange(0, 32).Draw(t, label+" day")}
	}
	return Rule{
		Season:         rapid.SampledFrom([]Season{None, Winter, Summer, 9}).Draw(t, "season"),
		ThresholdHours: rapid.OneOf(rapid.Just(0.), rapid.Float64Range(-1, 25), rapid.Float64()).Draw(t, "threshold"),
		From:           monthDay("from"),
		Until:          monthDay("until"),
	}
}

func anyPlace(t *rapid.T) Place {
	return Place{
		LatitudeDeg: rapid.OneOf(rapid.Float64Range(-91, 91), rapid.Float64()).Draw(t, "lat"),
		HasLatitude: rapid.Bool().Draw(t, "has latitude"),
		South:       rapid.Bool().Draw(t, "south"),
	}
}

// In order, apart, on the calendar, and the same however the question is cut.
func TestRestsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rule, place := anyRule(t), anyPlace(t)
		anyDay := rapid.OneOf(
			rapid.Map(rapid.IntRange(-400, 2000), func(d int) civil.Day { return civil.Min + civil.Day(d) }),
			rapid.Map(rapid.IntRange(-2000, 400), func(d int) civil.Day { return civil.Max + civil.Day(d) }),
			rapid.Map(rapid.IntRange(15000, 25000), func(d int) civil.Day { return civil.Day(d) }),
		)
		from := anyDay.Draw(t, "from")
		to := from + civil.Day(rapid.IntRange(-10, 2500).Draw(t, "length"))
		got := Rests(rule, place, from, to)
		for i, s := range got {
			if s.Empty() || s.From < civil.Min || s.Until > civil.Max || s.Until <= from || s.From >= to {
				t.Fatalf("[%s, %s): %v", from, to, got)
			}
			if i > 0 && s.From <= got[i-1].Until {
				t.Fatalf("not apart: %v", got)
			}
		}
		if len(got) == 0 {
			return
		}
		cut := from + civil.Day(rapid.IntRange(0, int(to-from)).Draw(t, "cut"))
		joined := append(Rests(rule, place, from, cut), Rests(rule, place, cut, to)...)
		if joined = slices.Compact(joined); !slices.Equal(joined, got) {
			t.Fatalf("cut at %s: %v, whole %v", cut, joined, got)
		}
		if rule.ThresholdHours > 0 && place.HasLatitude {
			return
		}
		// By range: the other hemisphere rests half a year later, and twice
		// shifted is where it was, but for days that months lack.
		if rule.From.Day <= 28 && rule.Until.Day <= 28 {
			shifted := rule
			shifted.From, shifted.Until = rule.From.shifted(), rule.Until.shifted()
			other := Place{South: !(place.HasLatitude && place.LatitudeDeg < 0 || !place.HasLatitude && place.South)}
			if again := Rests(shifted, other, from, to); !slices.Equal(again, got) {
				t.Fatalf("shifted twice: %v, %v", again, got)
			}
		}
	})
}

// The north pole of a rule is the south pole of its mirror half a year on: a
// winter rest at a latitude lies in the summer of the other hemisphere.
func TestRestsInTheOtherHemisphere(t *testing.T) {
	from, to := civil.Date(2026, 1, 1), civil.Date(2027, 1, 1)
	for _, lat := range []float64{30, 45, 60} {
		for _, s := range Rests(Rule{Season: Winter, ThresholdHours: 11}, at(-lat), from, to) {
			middle := s.From + (s.Until-s.From)/2
			if off := middle - civil.Date(2026, 6, 21); off < -3 || off > 3 {
				t.Errorf("winter at %v: %v", -lat, s)
			}
		}
	}
}

// Questions without an end must end.
func TestRestsOfAllDays(t *testing.T) {
	rule := Rule{Season: Winter, ThresholdHours: 10.5, From: MonthDay{11, 1}, Until: MonthDay{2, 15}}
	for _, place := range []Place{{}, at(51.5)} {
		got := Rests(rule, place, civil.None, civil.Never)
		if len(got) != 10000 || got[0].From != civil.Min || got[len(got)-1].Until != civil.Max {
			t.Errorf("%d rests, the last %v", len(got), got[len(got)-1])
		}
	}
	if got := Rests(rule, at(51.5), civil.Max, civil.Never); got != nil {
		t.Errorf("after the last day: %v", got)
	}
	if got := Rests(rule, at(51.5), civil.None, civil.Min); got != nil {
		t.Errorf("before the first day: %v", got)
	}
}

func TestParseMonthDay(t *testing.T) {
	for _, c := range []struct {
		in   string
		want MonthDay
		ok   bool
	}{
		{"11-01", MonthDay{11, 1}, true},
		{"02-29", MonthDay{2, 29}, true},
		{"02-30", MonthDay{}, false},
		{"04-31", MonthDay{}, false},
		{"12-31", MonthDay{12, 31}, true},
		{"00-10", MonthDay{}, false},
		{"13-01", MonthDay{}, false},
		{"01-00", MonthDay{}, false},
		{"1-1", MonthDay{}, false},
		{"01/01", MonthDay{}, false},
		{"+1-01", MonthDay{}, false},
		{"01-0x", MonthDay{}, false},
		{"--01-01", MonthDay{}, false},
		{"", MonthDay{}, false},
	} {
		got, err := ParseMonthDay(c.in)
		if got != c.want || (err == nil) != c.ok || err != nil && !errors.Is(err, ErrMonthDay) {
			t.Errorf("ParseMonthDay(%q) = %v, %v", c.in, got, err)
		}
		if c.ok && got.String() != c.in {
			t.Errorf("String = %q, want %q", got, c.in)
		}
	}
}

func BenchmarkRests(b *testing.B) {
	rule := Rule{Season: Winter, ThresholdHours: 10.5, From: MonthDay{11, 1}, Until: MonthDay{2, 15}}
	from, to := civil.Date(2024, 1, 1), civil.Date(2030, 1, 1)
	for name, place := range map[string]Place{"range": {}, "day length": at(51.5)} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Rests(rule, place, from, to)
			}
		})
	}
}

// How far the model's error moves a rest, as the README says: an error of 8 minutes,
// the most that it has up to 60 degrees, moves the rest of a threshold of 10.5 hours
// by five days at most from 35 degrees on, by two from 52. At 25 degrees there is
// no rest.
func TestErrorMovesARestByDays(t *testing.T) {
	from, to := civil.Date(2026, 7, 1), civil.Date(2027, 7, 1)
	rest := func(lat, threshold float64) []civil.Span {
		return Rests(Rule{Season: Winter, ThresholdHours: threshold}, Place{LatitudeDeg: lat, HasLatitude: true}, from, to)
	}
	const minutes = 8.0 / 60
	for lat := 35.0; lat <= 60; lat++ {
		told := rest(lat, 10.5)
		if len(told) != 1 {
			t.Fatalf("%g degrees: rests %v", lat, told)
		}
		moved := 0
		for _, off := range []float64{-minutes, minutes} {
			other := rest(lat, 10.5+off)
			if len(other) != 1 {
				t.Fatalf("%g degrees: rests %v", lat, other)
			}
			for _, d := range []civil.Day{other[0].From - told[0].From, other[0].Until - told[0].Until} {
				moved = max(moved, int(max(d, -d)))
			}
		}
		if moved > 5 || lat >= 52 && moved > 2 {
			t.Errorf("%g degrees: moved by %d days", lat, moved)
		}
	}
	if r := rest(25, 10.5); len(r) != 0 {
		t.Errorf("25 degrees: rests %v", r)
	}
}
