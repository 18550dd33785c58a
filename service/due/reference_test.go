package due_test

import (
	"math/big"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// The reference engine is a second reading of the rules of the due engine,
// written without a look at the first. It is slow and exact: fractions of a
// day, millimetres and probabilities are rational numbers, days are looked at
// one by one, and every question about a day is answered from the whole record
// again. Section numbers are those of README.md beside this file.
//
// Where the rules are silent it reads:
//   - A rejected session that seemed to give no credit still makes cover at
//     least its day: "with no credit nothing changes" is said of supplies only.
//   - A day is outdoors if the plant stands outdoors at its end.
//   - A rest that is cut to nothing ends on no day.
//   - A hold without an until (none or never) is open.
//   - A food without a known length fits. An unknown limit fits every food.
//   - "Not hand-fed" still minds stalks, and nothing else.
//   - Cover is told as the walk leaves it, without the day from which an
//     outdoor plant is fed by hand.

// referenceDecide answers like due.Decide, but of the reasons it gives only the
// holds that contain asOf, and it gives no evidence.
func referenceDecide(facts *due.Facts, asOf civil.Day, horizon int) due.Decision {
	f := refSorted(facts)
	none := due.Decision{
		Status: due.Absent, Cover: civil.None, DueFrom: civil.None, DueLast: civil.None, FeedDate: civil.None,
		MaxItemTenths: due.NoLimit,
	}
	if refAbsent(f, asOf) {
		return none
	}
	if !refHandFed(f, asOf) {
		none.Status = due.NotHandFed
		if refStalkUp(f, asOf) {
			none.Instructions |= 1 << due.CutStalk
		}
		return none
	}

	out := none
	var n int
	out.Cover, n = refWalk(f, asOf)
	start := out.Cover
	if since, ok := refHandFedSince(f, asOf); ok {
		start = max(start, since)
	}
	holds := refHolds(f, asOf)
	out.DueFrom, out.DueLast = refWindow(f, asOf, start, holds)
	if out.DueFrom != civil.None {
		out.FeedDate = refFeedingDay(f, max(asOf, out.DueFrom), holds)
	}

	held := false
	for _, h := range holds {
		if h.From <= asOf && asOf < h.Until {
			held = true
			out.Reasons = append(out.Reasons, due.Reason{Code: h.Code, From: h.From, Until: h.Until})
		}
	}
	window := out.DueFrom != civil.None
	switch {
	case start <= asOf && held:
		out.Status = due.HeldBack
	case window && out.DueFrom <= asOf && asOf <= out.DueLast:
		out.Status = due.Due
	case window && asOf > out.DueLast:
		out.Status = due.Overdue
	case window && asOf < out.DueFrom && out.DueFrom <= asOf+civil.Day(horizon):
		out.Status = due.Upcoming
	default:
		out.Status = due.NotDue
	}

	out.Traps = refTarget(f, n, asOf)
	refBring(f, asOf, &out)
	refMind(f, asOf, &out)
	return out
}

// refSorted returns a copy whose events are in order of day, time and index.
func refSorted(facts *due.Facts) *due.Facts {
	f := *facts
	f.Moves = refInsertionSort(f.Moves, func(m due.Move) (civil.Day, int64) { return m.Day, m.Time })
	f.Feedings = refInsertionSort(f.Feedings, func(x due.Feeding) (civil.Day, int64) { return x.Day, x.Time })
	f.Observations = refInsertionSort(f.Observations, func(o due.Observation) (civil.Day, int64) { return o.Day, o.Time })
	return &f
}

func refInsertionSort[E any](in []E, when func(E) (civil.Day, int64)) []E {
	var out []E
	for _, e := range in {
		day, time := when(e)
		at := len(out)
		for at > 0 {
			d, t := when(out[at-1])
			if d < day || d == day && t <= time {
				break
			}
			at--
		}
		out = append(out, e)
		copy(out[at+1:], out[at:])
		out[at] = e
	}
	return out
}

// refFirstEvent returns the day of the first event in the record, also when
// that lies ahead, or civil.None.
func refFirstEvent(f *due.Facts) civil.Day {
	first := civil.Never
	for _, m := range f.Moves {
		first = min(first, m.Day)
	}
	for _, x := range f.Feedings {
		first = min(first, x.Day)
	}
	for _, o := range f.Observations {
		first = min(first, o.Day)
	}
	if first == civil.Never {
		return civil.None
	}
	return first
}

// Section 5, the table's first line.
func refAbsent(f *due.Facts, asOf civil.Day) bool {
	first := civil.Never
	for _, d := range []civil.Day{f.Acquired, f.Entered, refFirstEvent(f)} {
		if d != civil.None {
			first = min(first, d)
		}
	}
	if first != civil.Never && asOf < first {
		return true
	}
	for _, o := range f.Observations {
		if o.Kind == due.Ended && o.Day <= asOf {
			return true
		}
	}
	return false
}

// refEntered returns the day on which the plant counts as entered.
func refEntered(f *due.Facts, asOf civil.Day) civil.Day {
	switch {
	case f.Entered != civil.None || f.Acquired != civil.None:
		return f.Entered
	case refFirstEvent(f) != civil.None:
		return refFirstEvent(f)
	}
	return asOf
}

// What stands at the end of a day.

func refExposure(f *due.Facts, day civil.Day) due.Exposure {
	e := f.First
	for _, m := range f.Moves {
		if m.Day <= day {
			e = m.Exposure
		}
	}
	return e
}

func refQuantity(f *due.Facts, day civil.Day) int {
	q := f.Quantity
	for _, o := range f.Observations {
		if o.Kind == due.Counted && o.Day <= day {
			q = o.Quantity
		}
	}
	return q
}

// refTrapCount returns the last count of working traps and its day, or
// civil.None.
func refTrapCount(f *due.Facts, day civil.Day) (count int, on civil.Day) {
	on = civil.None
	for _, o := range f.Observations {
		if o.Kind == due.Measured && o.WorkingTraps != due.NotCounted && o.Day <= day {
			count, on = o.WorkingTraps, o.Day
		}
	}
	return count, on
}

// refRecentTrapCount is the count on the day or within the 90 days before it.
func refRecentTrapCount(f *due.Facts, day civil.Day) (count int, ok bool) {
	count, on := refTrapCount(f, day)
	return count, on != civil.None && day-on <= 90
}

// refTarget is section 2, "Target", for n traps of each plant. Counts come
// before all that reads them on the same day, so the end of the day will do.
func refTarget(f *due.Facts, n int, day civil.Day) int {
	target := n * refQuantity(f, day)
	if count, ok := refRecentTrapCount(f, day); ok {
		target = min(target, max(1, count/f.Rules.FeedOneIn))
	}
	return target
}

// refNeed is section 2, "Need".
func refNeed(f *due.Facts, day civil.Day) int {
	return refTarget(f, min(f.Rules.TrapsStart, f.Rules.TrapsMax), day)
}

// refPrey is what the pot is thought to have caught.
func refPrey(f *due.Facts, o due.Observation) *big.Rat {
	count, ok := refRecentTrapCount(f, o.Day)
	if ok && count != 0 && o.Examined != 0 {
		return big.NewRat(int64(o.Prey)*int64(count), int64(o.Examined))
	}
	return big.NewRat(int64(o.Prey), 1)
}

// refOutcome returns what is known by the end of asOf of a session's outcome,
// and the day on which it was seen.
func refOutcome(x due.Feeding, asOf civil.Day) (due.Outcome, civil.Day) {
	seen := max(x.OutcomeDay, x.Day) // civil.None sorts before all days
	if x.Outcome == due.Unknown || seen > asOf {
		return due.Unknown, civil.None
	}
	return x.Outcome, seen
}

// Section 2.

type refEvent struct {
	day   civil.Day
	rank  int
	time  int64
	index int
}

// The ranks within a day. Arrivals, counts and measurements come between or
// before them, and change nothing in the walk itself.
const (
	refMoved = iota
	refEarlierOutcome
	refFed
	refOutcomeOfDay
	refSurvey
)

func refEvents(f *due.Facts, asOf civil.Day) []refEvent {
	var events []refEvent
	add := func(e refEvent) {
		if e.day > asOf {
			return
		}
		at := len(events)
		for at > 0 && refEarlier(e, events[at-1]) {
			at--
		}
		events = append(events, e)
		copy(events[at+1:], events[at:])
		events[at] = e
	}
	for i, m := range f.Moves {
		add(refEvent{m.Day, refMoved, m.Time, i})
	}
	for i, x := range f.Feedings {
		add(refEvent{x.Day, refFed, x.Time, i})
		outcome, seen := refOutcome(x, asOf)
		switch {
		case outcome == due.Unknown:
		case seen == x.Day:
			add(refEvent{seen, refOutcomeOfDay, x.OutcomeTime, i})
		default:
			add(refEvent{seen, refEarlierOutcome, x.OutcomeTime, i})
		}
	}
	for i, o := range f.Observations {
		if o.Kind == due.Surveyed {
			add(refEvent{o.Day, refSurvey, o.Time, i})
		}
	}
	return events
}

func refEarlier(a, b refEvent) bool {
	switch {
	case a.day != b.day:
		return a.day < b.day
	case a.rank != b.rank:
		return a.rank < b.rank
	case a.time != b.time:
		return a.time < b.time
	}
	return a.index < b.index
}

// refWalk returns the day from which the plant is no longer covered, and the
// traps of each plant that the ladder stands at.
func refWalk(f *due.Facts, asOf civil.Day) (civil.Day, int) {
	interval := refDays(civil.Day(f.Rules.IntervalDays))
	n := min(f.Rules.TrapsStart, f.Rules.TrapsMax)
	fixed := f.Arm != nil && f.Arm.Traps > 0
	if fixed {
		n = f.Arm.Traps
	}
	streak := 0

	var cover *big.Rat // nil: empty
	credited := false
	atLeast := func(d *big.Rat) {
		if cover == nil || cover.Cmp(d) < 0 {
			cover = d
		}
	}
	creditOf := func(got *big.Rat, of int) *big.Rat {
		return refSmaller(big.NewRat(1, 1), new(big.Rat).Quo(got, big.NewRat(int64(of), 1)))
	}
	supply := func(d civil.Day, credit *big.Rat) {
		if credit.Sign() == 0 {
			return
		}
		credited = true
		base := refDays(d)
		if cover != nil && cover.Cmp(base) >= 0 {
			base = cover
		}
		more := new(big.Rat).Add(base, new(big.Rat).Mul(credit, interval))
		cover = refSmaller(new(big.Rat).Add(refDays(d), interval), more)
	}

	full := make([]bool, len(f.Feedings))
	credits := make([]*big.Rat, len(f.Feedings))
	for _, e := range refEvents(f, asOf) {
		switch e.rank {
		case refMoved:
			before := refExposure(f, e.day-1)
			for _, m := range f.Moves[:e.index] {
				if m.Day == e.day {
					before = m.Exposure
				}
			}
			leaves := before == due.Outdoors && f.Moves[e.index].Exposure != due.Outdoors
			if leaves && refExposure(f, e.day-1) == due.Outdoors && f.Rules.HandFeed != due.Always && !refHandFed(f, e.day-1) {
				atLeast(refDays(e.day))
			}

		case refFed:
			x := f.Feedings[e.index]
			target := x.Target
			if target == 0 {
				target = refTarget(f, n, x.Day)
			}
			got := x.Traps
			if got == due.FedTarget {
				got = target
			}
			full[e.index] = got >= target
			credits[e.index] = creditOf(big.NewRat(int64(got), 1), target)
			if outcome, _ := refOutcome(x, asOf); outcome != due.Rejected {
				supply(x.Day, credits[e.index])
			}

		case refEarlierOutcome, refOutcomeOfDay:
			x := f.Feedings[e.index]
			switch x.Outcome {
			case due.Clean:
				if full[e.index] && !fixed {
					streak++
					if streak >= f.Rules.CleanRunsToStepUp {
						n, streak = min(n+1, f.Rules.TrapsMax), 0
					}
				}
			case due.Residue:
				streak = 0
			case due.Mould:
				streak = 0
				if !fixed {
					n = max(1, n-1)
				}
			case due.Rejected:
				seemed := new(big.Rat).Add(refDays(x.Day), new(big.Rat).Mul(credits[e.index], interval))
				atLeast(refSmaller(refDays(e.day), seemed))
			}

		case refSurvey:
			o := f.Observations[e.index]
			supply(o.Day, creditOf(refPrey(f, o), refNeed(f, o.Day)))
		}
	}

	end := civil.None
	if cover != nil {
		end = refUp(cover)
	}
	if !credited {
		end = max(end, f.Acquired, refEntered(f, asOf))
	}
	return end, n
}

func refDays(d civil.Day) *big.Rat { return big.NewRat(int64(d), 1) }

func refSmaller(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) <= 0 {
		return a
	}
	return b
}

// refDown rounds down, refUp up.
func refDown(r *big.Rat) *big.Int {
	// Div rounds so that what is left over is not negative. Denominators are
	// positive, so it rounds down.
	return new(big.Int).Div(r.Num(), r.Denom())
}

func refUp(r *big.Rat) civil.Day {
	return civil.Day(-refDown(new(big.Rat).Neg(r)).Int64())
}

// Section 3.

func refHolds(f *due.Facts, asOf civil.Day) []due.Hold {
	var holds []due.Hold
	addFor := func(observation int, code due.Code, from, until civil.Day) {
		if until > from {
			holds = append(holds, due.Hold{Code: code, Span: civil.Span{From: from, Until: until}, Observation: observation})
		}
	}
	add := func(code due.Code, from, until civil.Day) { addFor(0, code, from, until) }
	settle, digest := civil.Day(f.Rules.SettleDays), civil.Day(f.Rules.DigestDays)

	if f.Acquired != civil.None {
		add(due.Settling, f.Acquired, f.Acquired+settle)
	}
	for _, x := range f.Feedings {
		switch outcome, seen := refOutcome(x, asOf); outcome {
		case due.Mould:
			add(due.MouldSeen, seen, seen+refPause(f, f.Rules.MouldPausePercent))
		case due.Residue:
			add(due.ResidueSeen, seen, seen+refPause(f, f.Rules.ResiduePausePercent))
		}
	}

	resting, restedBy := false, 0
	restFrom := civil.None
	var ends []civil.Day
	noTraps := false
	noTrapsFrom := civil.None
	for i, o := range f.Observations {
		if o.Day > asOf {
			continue
		}
		switch o.Kind {
		case due.Repotted:
			add(due.Settling, o.Day, o.Day+settle)
		case due.Held, due.Treated:
			until := o.Until
			if until == civil.None {
				until = civil.Never
			}
			if o.Kind == due.Held {
				addFor(i+1, due.OnHold, o.Day, until)
			} else {
				addFor(i+1, due.UnderTreatment, o.Day, until)
			}
		case due.RestStarted:
			if !resting {
				resting, restFrom, restedBy = true, o.Day, i+1
			}
		case due.RestEnded:
			if resting {
				add(due.Resting, restFrom, o.Day)
				resting = false
			}
			ends = append(ends, o.Day)
		case due.Measured:
			if o.WorkingTraps == due.NotCounted {
				continue
			}
			if noTraps {
				add(due.NoWorkingTraps, noTrapsFrom, o.Day)
			}
			noTraps, noTrapsFrom = o.WorkingTraps == 0, o.Day
		}
	}
	if resting {
		addFor(restedBy, due.Resting, restFrom, civil.Never)
	}
	if noTraps {
		add(due.NoWorkingTraps, noTrapsFrom, civil.Never)
	}

	if refExposure(f, asOf) != due.Enclosed {
		for _, rest := range f.Rests {
			until := rest.Until
			for _, x := range ends {
				if rest.From <= x && x < until {
					until = x
				}
			}
			add(due.RestAhead, rest.From-digest, rest.From)
			add(due.Resting, rest.From, until)
		}
	}
	if f.Arm != nil && !f.Arm.HandFed {
		add(due.TrialArm, f.Arm.Trial.From, f.Arm.Trial.Until)
	}
	if f.Ships != civil.None {
		add(due.Shipping, f.Ships-digest, f.Ships+1)
	}
	return holds
}

// refPause is ceil(I x percent / 100).
func refPause(f *due.Facts, percent int) civil.Day {
	return refUp(big.NewRat(int64(f.Rules.IntervalDays)*int64(percent), 100))
}

// Section 4.

func refHandFed(f *due.Facts, day civil.Day) bool {
	switch {
	case f.TrapType == due.NoTrapType || f.Rules.HandFeed == due.Never || f.Rules.IntervalDays == 0:
		return false
	case f.Rules.HandFeed == due.Always || refExposure(f, day) != due.Outdoors:
		return true
	}
	_, ok := refHandFedSince(f, day)
	return ok
}

// refHandFedSince returns the day from which an outdoor plant that might catch
// for itself is known not to. It is false of all others.
func refHandFedSince(f *due.Facts, day civil.Day) (civil.Day, bool) {
	if f.Rules.HandFeed != due.IfNotCatching || refExposure(f, day) != due.Outdoors {
		return civil.None, false
	}
	since := civil.Never
	if from, _, ok := refLowSurveys(f, day); ok {
		since = min(since, from)
	}
	if from, ok := refShrinkingSince(f, day); ok {
		since = min(since, from)
	}
	return since, since != civil.Never
}

// refLowSurveys returns the days of the first and the last of the unbroken run
// of surveys, up to the latest since the plant came outdoors, that found too
// little.
func refLowSurveys(f *due.Facts, day civil.Day) (from, last civil.Day, ok bool) {
	// Moves come before surveys within a day, so the day says enough.
	came := civil.None
	e := f.First
	for _, m := range f.Moves {
		if m.Day > day {
			continue
		}
		if e != due.Outdoors && m.Exposure == due.Outdoors {
			came = m.Day
		}
		e = m.Exposure
	}
	for _, o := range f.Observations {
		if o.Kind != due.Surveyed || o.Day > day || o.Day < came {
			continue
		}
		low := refPrey(f, o).Cmp(big.NewRat(int64(refNeed(f, o.Day)), 1)) < 0
		switch {
		case !low:
			ok = false
		case !ok:
			from, last, ok = o.Day, o.Day, true
		default:
			last = o.Day
		}
	}
	return from, last, ok
}

// Section 5.

func refWindow(f *due.Facts, asOf, start civil.Day, holds []due.Hold) (from, last civil.Day) {
	c := start
	for moved := true; moved; {
		moved = false
		for _, h := range holds {
			if h.Until > c && h.From <= max(c, asOf) {
				if h.Until == civil.Never {
					return civil.None, civil.None
				}
				c = h.Until
				moved = true
				break
			}
		}
	}
	if c > asOf.AddYears(2) {
		return civil.None, civil.None
	}

	last = c + civil.Day(f.Rules.ToleranceDays)
	for _, h := range holds {
		if h.Code == due.Resting && h.Until == c {
			last = c + civil.Day(max(f.Rules.ToleranceDays, f.Rules.IntervalDays))
		}
	}
	if d := refFeedingDay(f, c, nil); d != civil.None {
		last = max(last, d)
	}
	for d := c + 1; d <= last; d++ {
		for _, h := range holds {
			if h.From == d {
				return c, d - 1
			}
		}
	}
	return c, last
}

// refFeedingDay returns the first feeding day on or after a day that lies in
// none of the holds, or civil.None if there is none for a year.
func refFeedingDay(f *due.Facts, from civil.Day, holds []due.Hold) civil.Day {
	for d := from; d <= from+365; d++ {
		ok := f.Weekdays == 0 || f.Weekdays>>uint(d.Weekday())&1 == 1
		for _, a := range f.Absences {
			if a.From <= d && d < a.Until {
				ok = false
			}
		}
		for _, h := range holds {
			if h.From <= d && d < h.Until {
				ok = false
			}
		}
		if ok {
			return d
		}
	}
	return civil.None
}
