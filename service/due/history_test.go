package due_test

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"
	"time"

	"pgregory.net/rapid"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// drawFacts draws a history of one plant, the day asked about and the horizon.
// Most days lie close to that day and close to each other, so that events meet.
// Fields that mean nothing for an observation's kind hold noise.
func drawFacts(t *rapid.T) (*due.Facts, civil.Day, int) {
	h := histories.Draw(t, "history")
	return &h.f, h.asOf, h.horizon
}

// histories is a generator of its own so that a failure writes down the history
// and not each draw that went into it.
var histories = rapid.Custom(func(t *rapid.T) *history {
	h := &history{t: t, asOf: civil.Date(2024, 1, 1) + civil.Day(rapid.IntRange(0, 1600).Draw(t, "as of"))}
	if h.chance(3) {
		h.asOf = civil.Date(2024, 2, 29)
	}
	h.horizon = h.pick(14, 7, 0, 1, 30, 120)
	h.rules()
	for range h.pick(1, 2, 3, 5) {
		h.pool = append(h.pool, h.freshDay())
	}
	h.place()
	h.calendar()
	h.feedings()
	h.observations()
	h.diameters()
	h.foods()
	if h.chance(85) {
		h.f.Sort()
	}
	return h
})

type history struct {
	t       *rapid.T
	pool    []civil.Day // days that more than one event may share
	f       due.Facts
	asOf    civil.Day
	horizon int
}

// GoString writes a history as Go that can be pasted into a test, and the events
// once more as a list to read.
func (h *history) GoString() string {
	return fmt.Sprintf("\nasOf, horizon := civil.Day(%d), %d // %v\n%s", h.asOf, h.horizon, h.asOf, dumpFacts(&h.f))
}

// chance is true in about percent of the cases. It shrinks to false. (A plain
// range would be biased towards small numbers; seven single bits are not.)
func (h *history) chance(percent int) bool {
	n := 0
	for range 7 {
		n <<= 1
		if rapid.Bool().Draw(h.t, "bit") {
			n++
		}
	}
	return n >= 128-(128*percent+50)/100
}

// upTo is a number from 0, with a bias towards small ones.
func (h *history) upTo(n int) int { return rapid.IntRange(0, n).Draw(h.t, "number") }

func (h *history) between(from, to int) int { return rapid.IntRange(from, to).Draw(h.t, "number") }

// even is a number from 0 below n without a bias, for n up to 256.
func (h *history) even(n int) int {
	k := 0
	for range bits.Len(uint(n)) + 3 {
		k <<= 1
		if rapid.Bool().Draw(h.t, "bit") {
			k++
		}
	}
	return k % n
}

func (h *history) pick(of ...int) int { return of[h.even(len(of))] }

// freshDay is a day near the day asked about.
func (h *history) freshDay() civil.Day {
	switch h.even(8) {
	case 0, 1:
		return h.asOf - civil.Day(h.upTo(12))
	case 2, 3:
		return h.asOf - civil.Day(h.upTo(45))
	case 4, 5:
		return h.asOf - civil.Day(h.upTo(200))
	case 6:
		return h.asOf + civil.Day(h.between(-200, 40))
	}
	return h.asOf - civil.Day(h.pick(0, 1, 60, 61, 90, 91, h.f.Rules.IntervalDays, h.f.Rules.IntervalDays+1, -1, 179, 180, 700))
}

// day is a day of an event: a new one, one used before, or one at a telling
// distance of such.
func (h *history) day() civil.Day {
	switch h.even(8) {
	case 0, 1, 2:
		return h.freshDay()
	case 3, 4:
		return h.pool[h.even(len(h.pool))]
	case 5:
		return h.pool[h.even(len(h.pool))] + civil.Day(h.between(-15, 15))
	}
	r := h.f.Rules
	return h.pool[h.even(len(h.pool))] + civil.Day(h.pick(1, -1, 2, r.IntervalDays, r.SettleDays, r.DigestDays, 90, 91, -90, -91))
}

func (h *history) time() int64 { return int64(h.upTo(3)) }

func (h *history) millimetres() float64 {
	switch h.even(8) {
	case 0, 1:
		return 0
	case 2, 3:
		return float64(h.upTo(40))
	case 4, 5:
		return float64(h.upTo(400)) / 10
	case 6:
		return float64(h.upTo(3000)) / 100
	}
	// Wider than any trap, or with more decimals than anyone measures.
	if h.chance(30) {
		return float64(h.upTo(100_000))
	}
	return float64(1_000_000+h.upTo(2_000_000_000)) / []float64{1e4, 1e6, 1e9}[h.even(3)]
}

func (h *history) rules() {
	f := &h.f
	f.TrapType = due.TrapType(h.pick(1, 1, 2, 2, 3, 4, 5))
	habit := due.Habit(h.even(3))
	f.Rules, _ = due.Resolve(f.TrapType, habit)
	r := &f.Rules
	if r.IntervalDays == 0 {
		r.HandFeed = due.HandFeed(h.pick(int(due.Always), int(due.IfNotCatching), int(due.IfNotCatching), int(due.Never)))
		if h.chance(85) {
			r.IntervalDays = h.between(1, 30)
		}
	} else if h.chance(20) {
		r.HandFeed = due.Always
	} else if h.chance(3) {
		r.HandFeed = due.Never
	}
	if h.chance(2) {
		f.TrapType = due.NoTrapType
	}
	set := func(field *int, to int) { *field = to }
	if h.chance(50) { // single fields, near what is usual
		for range h.upTo(4) {
			switch h.even(9) {
			case 0:
				set(&r.IntervalDays, h.between(1, 21))
			case 1:
				set(&r.ToleranceDays, h.upTo(12))
			case 2:
				set(&r.TrapsStart, h.between(1, 8))
			case 3:
				set(&r.TrapsMax, h.between(1, 8))
			case 4:
				set(&r.CleanRunsToStepUp, h.between(1, 3))
			case 5:
				set(&r.FeedOneIn, h.between(1, 6))
			case 6:
				set(&r.SettleDays, h.upTo(20))
			case 7:
				set(&r.DigestDays, h.between(1, 20))
			case 8:
				set(&r.MouldPausePercent, h.pick(0, 1, 33, 55, 100, 151, 300))
				set(&r.ResiduePausePercent, h.pick(0, 1, 33, 55, 100, 151, 300))
			}
		}
	} else if h.chance(20) { // anything a grower may set
		r.IntervalDays = h.between(1, 365)
		r.ToleranceDays = h.upTo(60)
		r.TrapsStart = h.between(1, 50)
		r.TrapsMax = h.between(1, 50)
		r.CleanRunsToStepUp = h.between(1, 20)
		r.FeedOneIn = h.between(1, 20)
		r.MouldPausePercent = h.upTo(1000)
		r.ResiduePausePercent = h.upTo(1000)
		r.SettleDays = h.upTo(120)
		r.DigestDays = h.between(1, 90)
	}
	if h.chance(25) {
		r.MaxItemPercent = h.between(1, 200)
	}
	r.CutStalks = h.chance(50)
}

func (h *history) place() {
	f := &h.f
	exposure := func() due.Exposure {
		return due.Exposure(h.pick(int(due.Greenhouse), int(due.Outdoors), int(due.Outdoors), int(due.Windowsill), int(due.NoExposure), int(due.Enclosed)))
	}
	f.First = exposure()
	if h.chance(45) {
		for range h.between(1, 5) {
			f.Moves = append(f.Moves, due.Move{Day: h.day(), Time: h.time(), Exposure: exposure()})
		}
	}
	f.Quantity = h.pick(1, 1, 1, 1, 2, 3, 12, 99991)
	f.TypicalWidthMM, f.TypicalDiameterMM = h.millimetres(), h.millimetres()

	arrival := func() civil.Day {
		switch h.even(8) {
		case 0, 1:
			return civil.None
		case 2:
			return h.day()
		case 3:
			return h.asOf + civil.Day(h.between(-20, 20))
		}
		return h.asOf - civil.Day(h.between(200, 900))
	}
	f.Acquired, f.Entered = arrival(), arrival()
	if h.chance(30) {
		f.Acquired = h.day()
	}
}

func (h *history) calendar() {
	f := &h.f
	switch h.even(8) {
	case 0, 1: // a rest of each year
		from := h.asOf + civil.Day(h.between(-366, 366))
		days := civil.Day(h.between(1, 200))
		for year := -3; year <= 5; year++ {
			if s := from.AddYears(year) + civil.Day(h.upTo(2)); s < h.asOf+1900 && s+days > h.asOf-800 {
				f.Rests = append(f.Rests, civil.Span{From: s, Until: s + days})
			}
		}
	case 2, 3: // rests close by
		s := h.day() - civil.Day(h.upTo(90))
		for range h.between(1, 3) {
			e := s + civil.Day(h.between(1, 60))
			f.Rests = append(f.Rests, civil.Span{From: s, Until: e})
			s = e + civil.Day(h.between(0, 60))
		}
	}

	switch h.even(5) {
	case 0:
		f.Weekdays = f.Weekdays.On(time.Weekday(h.even(7)))
	case 1:
		f.Weekdays = due.Weekdays(h.between(1, 127))
	}
	if h.chance(30) {
		for range h.between(1, 3) {
			s := h.asOf + civil.Day(h.between(-30, 40))
			a := civil.Span{From: s, Until: s + civil.Day(h.upTo(30))}
			switch {
			case h.chance(5):
				a.Until = s + civil.Day(h.between(350, 400))
			case h.chance(5):
				a.Until = civil.Never
			}
			f.Absences = append(f.Absences, a)
		}
	}

	if h.chance(25) {
		s := h.asOf + civil.Day(h.between(-60, 40))
		f.Arm = &due.Arm{Trial: civil.Span{From: s, Until: s + civil.Day(h.between(0, 120))}, HandFed: h.chance(50)}
		if h.chance(60) {
			f.Arm.Traps = h.between(1, 10)
		}
		switch {
		case h.chance(10):
			f.Arm.Trial.Until = civil.Never
		case h.chance(10):
			f.Arm.Trial.Until = h.asOf.AddYears(2) + civil.Day(h.between(-2, 2))
		}
	}

	f.Ships = civil.None
	if h.chance(15) {
		f.Ships = h.asOf + civil.Day(h.between(-30, 60))
	}
}

func (h *history) feedings() {
	f := &h.f
	// Sums of many odd fractions, the longest that a pot can make.
	odd := h.chance(5)
	for range h.pick(0, 1, 2, 3, 4, 6, 8) {
		x := due.Feeding{Day: h.day(), Time: h.time(), Traps: due.FedTarget}
		switch h.even(8) {
		case 0, 1:
			x.Traps = h.upTo(8)
		case 2:
			x.Traps = h.upTo(min(f.Rules.TrapsStart*f.Quantity, 1<<20))
		case 3:
			x.Traps = f.Rules.TrapsStart * f.Quantity
		}
		switch h.even(8) {
		case 0, 1:
			x.Target = h.between(1, 8)
		case 2:
			x.Target = max(1, x.Traps+h.pick(0, 1, -1))
		}
		if odd {
			x.Target = 5_000_000 - h.upTo(1000)
			x.Traps = h.upTo(x.Target / h.between(1, 10))
		}
		x.Outcome = due.Outcome(h.pick(int(due.Unknown), int(due.Clean), int(due.Clean), int(due.Clean), int(due.Residue), int(due.Mould), int(due.Rejected), int(due.Rejected)))
		x.OutcomeTime = h.time()
		switch h.even(8) {
		case 0:
			x.OutcomeDay = civil.None
		case 1:
			x.OutcomeDay = x.Day
		case 2, 3:
			x.OutcomeDay = h.day() // often before the feeding, and counts as its day
		case 4:
			x.OutcomeDay = x.Day + civil.Day(h.upTo(30))
		default:
			x.OutcomeDay = x.Day + civil.Day(h.pick(1, 3, 7, 8))
		}
		f.Feedings = append(f.Feedings, x)
	}
}

func (h *history) observations() {
	f := &h.f
	kinds := []due.Kind{
		due.Measured, due.Measured, due.Measured, due.Counted, due.Surveyed, due.Surveyed, due.Surveyed, due.Surveyed,
		due.Repotted, due.RestStarted, due.RestEnded, due.Held, due.Treated, due.Stalk, due.Noted,
	}
	for range h.pick(0, 1, 2, 3, 5, 8, 12) {
		o := due.Observation{Day: h.day(), Time: h.time(), Kind: kinds[h.even(len(kinds))], WorkingTraps: due.NotCounted}
		if h.chance(3) {
			o.Kind = due.Ended
		}
		o.Quantity = h.pick(1, 2, 3, 5)
		o.Prey = h.pick(0, 0, 1, 1, 2, 3, 10)
		o.Examined = h.pick(0, 0, 1, 2, 3, 7)
		if h.chance(5) {
			o.Prey, o.Examined = h.upTo(1_000_000), h.upTo(1_000_000)
		}
		o.StalkUp = h.chance(60)
		if h.chance(50) {
			o.WorkingTraps = h.pick(0, 0, 1, 2, 5, 6, 7, 20, 999_983)
		}
		if h.chance(30) {
			o.WidthMM = h.millimetres()
		}
		if h.chance(30) {
			o.DiameterMM = h.millimetres()
		}
		switch h.even(4) {
		case 0:
			o.Until = civil.Never
			if h.chance(50) {
				o.Until = civil.None
			}
		case 1:
			o.Until = h.day()
		default:
			o.Until = o.Day + civil.Day(h.upTo(60))
		}
		if h.chance(2) {
			o.Until = h.asOf.AddYears(2) + civil.Day(h.between(-2, 2))
		}
		f.Observations = append(f.Observations, o)
	}
}

// diameters adds a series of rosette diameters that may fall.
func (h *history) diameters() {
	if !h.chance(40) {
		return
	}
	// In thousandths of the largest, many of them at the edge of a rule.
	telling := []int{1000, 800, 799, 801, 700, 699, 701, 900, 640, 560, 490, 1000, 950}
	largest := h.pick(1000, 10, 333, 977, h.between(1, 3000)) // tenths of a millimetre
	day := h.asOf - civil.Day(h.upTo(180))
	size := 600
	loss := h.pick(0, 30, 60, 90, 150)
	ties := h.chance(40)
	flat := h.chance(20) // but for the last: a clear fall with a median slope of 0
	// Backwards from the last, with gaps that put some at the edge of the window.
	for i := range h.pick(1, 2, 3, 4, 4, 5, 6, 8, 10, 11, 12, 14) {
		var share int
		switch {
		case flat && i == 0:
			share = 800
		case flat && h.chance(85):
			share = 1000
		case h.chance(20):
			share = telling[h.even(len(telling))]
		case loss == 0:
			share = max(1, 1000+h.between(-400, 400))
		default:
			share = max(1, size+h.between(-40, 40))
		}
		if ties {
			share = max(1, share/100) * 100
		}
		mm := float64(largest*share) / 10_000
		if h.chance(3) {
			mm = math.Nextafter(mm, mm+float64(h.between(-1, 1)))
		}
		h.f.Observations = append(h.f.Observations, due.Observation{
			Day: day, Time: h.time(), Kind: due.Measured, DiameterMM: mm, WorkingTraps: due.NotCounted,
		})
		size += loss
		if h.chance(10) {
			day -= civil.Day(h.pick(0, 0, 60, 90, 178, 179, 180))
		} else {
			day -= civil.Day(h.between(0, 24))
		}
	}
}

func (h *history) foods() {
	for range h.upTo(4) {
		h.f.Foods = append(h.f.Foods, due.Food{LengthMM: h.millimetres(), Moves: h.chance(50), MayCut: h.chance(40)})
	}
}

// dumpFacts writes facts as Go that can be pasted into a test, and the events
// once more as a list to read.
func dumpFacts(f *due.Facts) string {
	plain := *f
	plain.Arm = nil
	var b strings.Builder
	// Each element of a list on its own line.
	text := strings.ReplaceAll(fmt.Sprintf("%#v", plain), "}, due.", "},\n\tdue.")
	fmt.Fprintf(&b, "f := %s\n", strings.ReplaceAll(text, "}, civil.", "},\n\tcivil."))
	if f.Arm != nil {
		fmt.Fprintf(&b, "f.Arm = &%#v // %v until %v\n", *f.Arm, f.Arm.Trial.From, f.Arm.Trial.Until)
	}
	fmt.Fprintf(&b, "// acquired %v, entered %v, ships %v\n", f.Acquired, f.Entered, f.Ships)
	for _, s := range f.Rests {
		fmt.Fprintf(&b, "// rest %v until %v\n", s.From, s.Until)
	}
	for _, s := range f.Absences {
		fmt.Fprintf(&b, "// absence %v until %v\n", s.From, s.Until)
	}
	type line struct {
		day  civil.Day
		text string
	}
	var lines []line
	for _, m := range f.Moves {
		lines = append(lines, line{m.Day, fmt.Sprintf("move to %s at %d", exposureNames[m.Exposure], m.Time)})
	}
	for _, x := range f.Feedings {
		lines = append(lines, line{x.Day, fmt.Sprintf("fed %d of %d at %d; %s on %v at %d",
			x.Traps, x.Target, x.Time, outcomeNames[x.Outcome], x.OutcomeDay, x.OutcomeTime)})
	}
	for _, o := range f.Observations {
		lines = append(lines, line{o.Day, fmt.Sprintf("%s at %d: diameter %v, width %v, traps %d, quantity %d, prey %d, examined %d, until %v, stalk %t",
			kindNames[o.Kind], o.Time, o.DiameterMM, o.WidthMM, o.WorkingTraps, o.Quantity, o.Prey, o.Examined, o.Until, o.StalkUp)})
	}
	slices.SortStableFunc(lines, func(a, b line) int { return cmp.Compare(a.day, b.day) })
	for _, l := range lines {
		fmt.Fprintf(&b, "// %v %s\n", l.day, l.text)
	}
	return b.String()
}

var exposureNames = map[due.Exposure]string{
	due.NoExposure: "no bench", due.Outdoors: "outdoors", due.Greenhouse: "greenhouse", due.Windowsill: "windowsill", due.Enclosed: "enclosed",
}

var outcomeNames = map[due.Outcome]string{
	due.Unknown: "unknown", due.Clean: "clean", due.Residue: "residue", due.Mould: "mould", due.Rejected: "rejected",
}

var kindNames = map[due.Kind]string{
	due.Measured: "measured", due.Counted: "counted", due.Surveyed: "surveyed", due.Repotted: "repotted", due.RestStarted: "rest started",
	due.RestEnded: "rest ended", due.Held: "held", due.Treated: "treated", due.Stalk: "stalk", due.Ended: "ended", due.Noted: "noted",
}
