package due

import (
	"cmp"
	"slices"

	"dewbench/service/civil"
	"dewbench/service/growth"
)

// countValidDays is how long a count of working traps is believed.
const countValidDays = 90

// session is what the walk keeps of a feeding for the outcome that comes later.
type session struct {
	full     bool   // all that was to be fed was fed
	num, den uint64 // the credit that it had, or seemed to have: num/den, at most 1
}

// walk is the state while the events of one plant are taken in their order.
type walk struct {
	f           *Facts
	asOf, begin civil.Day

	ladder, streak int
	stepped        Reason // the last step of the ladder
	quantity       int

	exposure, dayBefore Exposure  // now, and at the end of the day before
	lowBefore           civil.Day // lowSince at the end of the day before

	cover    point
	covered  bool   // cover is not empty
	supplied bool   // something gave credit
	session  Reason // the last session that gave credit
	survey   Reason // the last survey that gave credit
	cameIn   civil.Day
	sessions []session

	lastFed        int // index of the last feeding; -1
	count          int // working traps
	countDay       civil.Day
	widthMM        float64
	diameterMM     float64
	lowSince       civil.Day // outdoors: first survey of the unbroken run that found too little
	lastSurvey     civil.Day // outdoors: the last survey since it came there
	lastPrey       int
	shrinkingSince civil.Day // set by handFedSince
	stalkUp        bool
	series         []growth.Measurement
	holds          []Hold
	restEnds       []civil.Day
	resting        civil.Day // start of the explicit rest that is open
	restStart      int       // its observation, by its place from 1
	noTrapsSince   civil.Day // the count of no working traps that stands
	ended, walked  bool      // walked: the events were taken
	trace          *[]Step
	asked, answer  int        // the feeding of which the target is asked, from 1, and that target
	known          []sighting // the outcomes that are known by asOf, in their order
}

// sighting is the day on which the outcome of a feeding was seen.
type sighting struct {
	day     civil.Day
	feeding int32 // its index
}

// outcomeDay returns the day on which the outcome of a feeding was seen, or
// civil.None while it is not known.
func (fd *Feeding) outcomeDay() civil.Day {
	if fd.Outcome == Unknown {
		return civil.None
	}
	return max(fd.Day, fd.OutcomeDay)
}

// knownBy tells whether the outcome is known by the end of a day.
func (fd *Feeding) knownBy(day civil.Day) bool {
	return fd.Outcome != Unknown && fd.outcomeDay() <= day
}

// run takes all events up to the end of asOf.
func (w *walk) run() {
	f := w.f
	w.ladder = min(f.Rules.TrapsStart, f.Rules.TrapsMax)
	if f.Arm != nil && f.Arm.Traps > 0 {
		w.ladder = f.Arm.Traps
	}
	w.quantity, w.exposure = f.Quantity, f.First
	w.lastFed = -1
	w.cameIn, w.countDay = civil.None, civil.None
	w.lowSince, w.lastSurvey, w.shrinkingSince = civil.None, civil.None, civil.None
	w.resting, w.noTrapsSince = civil.None, civil.None
	if f.Acquired.Given() {
		w.hold(Settling, f.Acquired, f.Acquired+civil.Day(f.Rules.SettleDays))
	}
	w.sortOutcomes()

	var mi, oi, fi, ci int
	for {
		day := civil.Never
		if mi < len(f.Moves) {
			day = min(day, f.Moves[mi].Day)
		}
		if oi < len(f.Observations) {
			day = min(day, f.Observations[oi].Day)
		}
		if fi < len(f.Feedings) {
			day = min(day, f.Feedings[fi].Day)
		}
		if ci < len(w.known) {
			day = min(day, w.known[ci].day)
		}
		if day > w.asOf {
			break
		}
		w.dayBefore, w.lowBefore = w.exposure, w.lowSince
		if day <= w.begin {
			w.dayBefore = NoExposure // it was not there
		}
		for ; mi < len(f.Moves) && f.Moves[mi].Day == day; mi++ {
			w.move(mi)
		}
		seen := oi
		for oi < len(f.Observations) && f.Observations[oi].Day == day {
			oi++
		}
		if seen < oi {
			w.observe(seen, oi, sizes)
		}
		last := ci
		for ; last < len(w.known) && w.known[last].day == day; last++ {
			if i := int(w.known[last].feeding); i < fi {
				w.outcome(i)
			}
		}
		fedBefore := fi
		for ; fi < len(f.Feedings) && f.Feedings[fi].Day == day; fi++ {
			w.feed(fi)
		}
		if fi > fedBefore {
			for ; ci < last; ci++ {
				if i := int(w.known[ci].feeding); i >= fedBefore {
					w.outcome(i)
				}
			}
		}
		ci = last
		if seen < oi {
			w.observe(seen, oi, surveys)
			w.observe(seen, oi, others)
		}
	}
	w.finish()
}

// sortOutcomes lists the feedings whose outcome is known by asOf by the day and
// time of the outcome, then by id.
func (w *walk) sortOutcomes() {
	f := w.f.Feedings
	order := func(a, b sighting) int {
		return cmp.Or(byTime(a.day, b.day, f[a.feeding].OutcomeTime, f[b.feeding].OutcomeTime), cmp.Compare(a.feeding, b.feeding))
	}
	inOrder := true
	for i := range f {
		if f[i].Day > w.asOf {
			break
		}
		if day := f[i].outcomeDay(); day != civil.None && day <= w.asOf {
			n := len(w.known)
			w.known = append(w.known, sighting{day, int32(i)})
			inOrder = inOrder && (n == 0 || order(w.known[n-1], w.known[n]) < 0)
		}
	}
	if !inOrder {
		slices.SortFunc(w.known, order)
	}
}

// move takes a change of place. Who leaves the open air, where it was presumed
// to catch for itself, was not hungry until then.
func (w *walk) move(i int) {
	m := &w.f.Moves[i]
	if w.dayBefore == Outdoors && w.exposure == Outdoors && m.Exposure != Outdoors &&
		w.f.Rules.HandFeed == IfNotCatching && w.lowBefore == civil.None && !growth.Shrinking(w.series) {
		if at := whole(m.Day); !w.covered || w.cover.before(at) {
			w.cover, w.covered, w.cameIn = at, true, m.Day
		}
	}
	if w.exposure != Outdoors && m.Exposure == Outdoors {
		w.lowSince, w.lastSurvey = civil.None, civil.None
	}
	w.exposure = m.Exposure
	if w.trace != nil {
		w.note(Step{Day: m.Day, Event: MoveEvent, Index: i})
	}
}

// handFedSince returns the day from which a plant outdoors is fed by hand, as it
// was seen not to catch enough or to shrink; civil.None: it is presumed to catch.
func (w *walk) handFedSince() civil.Day {
	since := w.lowSince
	if shrinking, _, ok := growth.Run(w.series); ok {
		w.shrinkingSince = shrinking
		if since == civil.None || shrinking < since {
			since = shrinking
		}
	}
	return since
}

type pass uint8

const (
	sizes   pass = iota // counts and measurements
	surveys             // what the plant caught
	others              // the rest
)

func (k Kind) pass() pass {
	switch k {
	case Measured, Counted:
		return sizes
	case Surveyed:
		return surveys
	}
	return others
}

func (w *walk) observe(from, to int, which pass) {
	for i := from; i < to; i++ {
		o := &w.f.Observations[i]
		if o.Kind.pass() != which {
			continue
		}
		var need int
		var num, den uint64
		switch o.Kind {
		case Measured:
			w.measure(o)
		case Counted:
			w.quantity = o.Quantity
		case Surveyed:
			need, num, den = w.surveyed(o)
		case Repotted:
			w.hold(Settling, o.Day, o.Day+civil.Day(w.f.Rules.SettleDays))
		case RestStarted:
			if w.resting == civil.None {
				w.resting, w.restStart = o.Day, i+1
			}
		case RestEnded:
			if w.resting != civil.None {
				w.hold(Resting, w.resting, o.Day)
				w.resting = civil.None
			}
			w.restEnds = append(w.restEnds, o.Day)
		case Held:
			w.holdFor(i+1, OnHold, o.Day, until(o.Until))
		case Treated:
			w.holdFor(i+1, UnderTreatment, o.Day, until(o.Until))
		case Stalk:
			w.stalkUp = o.StalkUp
		case Ended:
			w.ended = true
		}
		if w.trace != nil {
			w.note(Step{Day: o.Day, Event: ObservationEvent, Index: i, Target: need, Num: num, Den: den})
		}
	}
}

// until reads an end that may be open.
func until(d civil.Day) civil.Day {
	if d == civil.None {
		return civil.Never
	}
	return d
}

func (w *walk) measure(o *Observation) {
	if o.DiameterMM > 0 {
		w.diameterMM = o.DiameterMM
		w.series = append(w.series, growth.Measurement{Day: o.Day, DiameterMM: o.DiameterMM})
	}
	if o.WidthMM > 0 {
		w.widthMM = o.WidthMM
	}
	if o.WorkingTraps == NotCounted {
		return
	}
	if w.noTrapsSince != civil.None {
		w.hold(NoWorkingTraps, w.noTrapsSince, o.Day)
		w.noTrapsSince = civil.None
	}
	w.count, w.countDay = o.WorkingTraps, o.Day
	if o.WorkingTraps == 0 {
		w.noTrapsSince = o.Day
	}
}

// countedBy tells whether the last count of working traps is still believed.
func (w *walk) countedBy(day civil.Day) bool {
	return w.countDay != civil.None && day-w.countDay <= countValidDays
}

// capped returns traps, or fewer where few traps work.
func (w *walk) capped(traps int, day civil.Day) int {
	if w.countedBy(day) {
		return min(traps, max(1, w.count/w.f.Rules.FeedOneIn))
	}
	return traps
}

// target returns the traps to feed on a day.
func (w *walk) target(day civil.Day) int { return w.capped(w.ladder*w.quantity, day) }

// need returns what a plant must catch by itself on a day. It does not depend on
// how well it takes food from a hand.
func (w *walk) need(day civil.Day) int {
	return w.capped(min(w.f.Rules.TrapsStart, w.f.Rules.TrapsMax)*w.quantity, day)
}

func (w *walk) feed(i int) {
	fd := &w.f.Feedings[i]
	target := fd.Target
	if target == 0 {
		target = w.target(fd.Day)
	}
	if w.asked == i+1 {
		w.answer = target
	}
	got := fd.Traps
	if got == FedTarget {
		got = target
	}
	s := session{full: got >= target, num: uint64(min(got, target)), den: uint64(target)}
	w.sessions = append(w.sessions, s)
	w.lastFed = i
	if !(fd.Outcome == Rejected && fd.knownBy(w.asOf)) && w.supply(fd.Day, s.num, s.den) {
		w.session = Reason{PartSession, fd.Day, w.cover.ceil()}
		if s.full {
			w.session.Code = FullSession
		}
		w.survey = Reason{}
	}
	if w.trace != nil {
		w.note(Step{Day: fd.Day, Event: FeedingEvent, Index: i, Target: target, Num: s.num, Den: s.den})
	}
}

// supply moves the cover on by the credit num/den, which is at most 1: a plant
// that ate is not hungry, but cannot eat ahead. It tells whether there was any.
func (w *walk) supply(day civil.Day, num, den uint64) bool {
	if num == 0 {
		return false
	}
	interval := w.f.Rules.IntervalDays
	to, most := whole(day), whole(day+civil.Day(interval))
	if w.covered && to.before(w.cover) {
		to = w.cover
	}
	if num >= den {
		to = most // the cover was never past it
	} else if to = to.plus(num*uint64(interval), den); most.before(to) {
		to = most
	}
	w.cover, w.covered, w.supplied = to, true, true
	return true
}

// surveyed takes a survey and returns the need and the credit.
func (w *walk) surveyed(o *Observation) (need int, num, den uint64) {
	need = w.need(o.Day)
	num, den = uint64(o.Prey), uint64(need)
	if o.Examined > 0 && w.countedBy(o.Day) && w.count > 0 {
		num, den = num*uint64(w.count), den*uint64(o.Examined)
	}
	if w.exposure == Outdoors {
		w.lastSurvey, w.lastPrey = o.Day, o.Prey
		switch {
		case num >= den:
			w.lowSince = civil.None
		case w.lowSince == civil.None:
			w.lowSince = o.Day
		}
	}
	num = min(num, den)
	if w.supply(o.Day, num, den) {
		w.survey = Reason{SurveyCredit, o.Day, w.cover.ceil()}
	}
	return need, num, den
}

func (w *walk) outcome(i int) {
	fd, s, rules := &w.f.Feedings[i], &w.sessions[i], &w.f.Rules
	day := fd.outcomeDay()
	pause := func(percent int) civil.Day {
		return day + civil.Day((rules.IntervalDays*percent+99)/100)
	}
	switch fd.Outcome {
	case Clean:
		if s.full {
			w.streak++
			if w.streak >= rules.CleanRunsToStepUp {
				w.streak = 0
				w.step(min(w.ladder+1, rules.TrapsMax), LadderUp, day)
			}
		}
	case Residue:
		w.streak = 0
		w.hold(ResidueSeen, day, pause(rules.ResiduePausePercent))
	case Mould:
		w.streak = 0
		w.step(max(1, w.ladder-1), LadderDown, day)
		w.hold(MouldSeen, day, pause(rules.MouldPausePercent))
	case Rejected:
		// It supplies nothing, but nobody could know before.
		seemed := whole(fd.Day).plus(s.num*uint64(rules.IntervalDays), s.den)
		if known := whole(day); known.before(seemed) {
			seemed = known
		}
		if !w.covered || w.cover.before(seemed) {
			w.cover, w.covered = seemed, true
		}
	}
	if w.trace != nil {
		w.note(Step{Day: day, Event: OutcomeEvent, Index: i})
	}
}

// step moves the ladder, unless a trial's arm fixes it.
func (w *walk) step(to int, code Code, day civil.Day) {
	if w.f.Arm != nil && w.f.Arm.Traps > 0 || to == w.ladder {
		return
	}
	w.ladder = to
	w.stepped = Reason{code, day, civil.None}
}

func (w *walk) hold(code Code, from, until civil.Day) {
	w.holdFor(0, code, from, until)
}

// holdFor is hold for an observation, by its place from 1.
func (w *walk) holdFor(observation int, code Code, from, until civil.Day) {
	if from < until {
		w.holds = append(w.holds, Hold{code, civil.Span{From: from, Until: until}, observation})
	}
}

// finish closes what is open at the end of the walk and adds the holds that are
// known ahead.
func (w *walk) finish() {
	f := w.f
	if w.resting != civil.None {
		w.holdFor(w.restStart, Resting, w.resting, civil.Never)
	}
	if w.noTrapsSince != civil.None {
		w.hold(NoWorkingTraps, w.noTrapsSince, civil.Never)
	}
	digest := civil.Day(f.Rules.DigestDays)
	if w.exposure != Enclosed {
		for _, rest := range f.Rests {
			w.hold(RestAhead, rest.From-digest, rest.From)
			for _, end := range w.restEnds {
				if rest.Contains(end) {
					rest.Until = end
				}
			}
			w.hold(Resting, rest.From, rest.Until)
		}
	}
	if f.Arm != nil && !f.Arm.HandFed {
		w.hold(TrialArm, f.Arm.Trial.From, f.Arm.Trial.Until)
	}
	if f.Ships.Given() {
		w.hold(Shipping, f.Ships-digest, f.Ships+1)
	}
}
