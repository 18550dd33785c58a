package due

import (
	"slices"

	"dewbench/service/civil"
)

const (
	// MeasurementValidDays is how long a measured diameter needs no other.
	MeasurementValidDays = 60
	// lookAheadDays is how far ahead a feeding day is looked for.
	lookAheadDays = 365
	// farYears: a due day further ahead than this is none.
	farYears = 2
)

// Engine decides about one plant after another and keeps its scratch memory
// between them. The zero value is ready. It is not safe for concurrent use.
type Engine struct {
	w        walk
	feedings []Feeding // of Target
}

// Decide returns what a plant needs on day asOf. A plant whose window opens
// within horizonDays (0-366) is upcoming. Facts are not changed. asOf lies in
// the years 1 to 9990.
func (e *Engine) Decide(f *Facts, asOf civil.Day, horizonDays int) Decision {
	e.start()
	decision := e.w.decide(f, asOf, horizonDays)
	e.w.f = nil // do not keep the history alive
	return decision
}

// Ahead calls each with what Decide returns for asOf and for the days after it, one by
// one, as long as each returns true: to the day before until, or before the next event
// (see Facts.Next) if that is earlier. It takes the events only once. Rests of f must
// cover RestRange of all the days.
func (e *Engine) Ahead(f *Facts, asOf civil.Day, horizonDays int, until civil.Day, each func(civil.Day, *Decision) bool) {
	e.start()
	w := &e.w
	d := w.decide(f, asOf, horizonDays)
	if !each(asOf, &d) {
		w.f = nil
		return
	}
	// Without any day on record the record begins on the day that is asked about.
	if _, entered := f.begin(asOf); entered == asOf && entered != f.Entered {
		until = min(until, asOf+1)
	}
	walked := d.Status != Absent && w.walked
	for day, end := asOf+1, min(until, f.Next(asOf)); day < end; day++ {
		if walked {
			w.asOf = day
			d = w.window(nothing, horizonDays)
		}
		if !each(day, &d) {
			break
		}
	}
	w.f = nil
}

// Next returns the first day after asOf on which an event, or the outcome of a feeding,
// is on record, or the plant begins to be there; civil.Never if there is none.
func (f *Facts) Next(asOf civil.Day) civil.Day {
	next := civil.Never
	take := func(day civil.Day) {
		if day > asOf && day < next {
			next = day
		}
	}
	begin, _ := f.begin(asOf)
	take(begin)
	for i := range f.Moves {
		take(f.Moves[i].Day)
	}
	for i := range f.Feedings {
		take(f.Feedings[i].Day)
		take(f.Feedings[i].outcomeDay())
	}
	for i := range f.Observations {
		take(f.Observations[i].Day)
	}
	return next
}

// nothing is the decision about a plant that is not there.
var nothing = Decision{
	Cover: civil.None, DueFrom: civil.None, DueLast: civil.None, FeedDate: civil.None, MaxItemTenths: NoLimit,
}

// start clears the walk but for its memory.
func (e *Engine) start() {
	e.w = walk{
		sessions: e.w.sessions[:0], known: e.w.known[:0], series: e.w.series[:0],
		holds: e.w.holds[:0], restEnds: e.w.restEnds[:0],
	}
}

// Decide is Engine.Decide for a single plant.
func Decide(f *Facts, asOf civil.Day, horizonDays int) Decision {
	var e Engine
	return e.Decide(f, asOf, horizonDays)
}

func (w *walk) decide(f *Facts, asOf civil.Day, horizonDays int) Decision {
	none := nothing
	entered, there := w.enter(f, asOf)
	if !there {
		return none
	}
	f = w.f
	if f.TrapType == NoTrapType || f.Rules.HandFeed == Never || f.Rules.IntervalDays == 0 {
		return w.decideUnfed(none)
	}
	w.run()
	w.walked = true
	if w.ended {
		return none
	}
	if !w.supplied {
		for _, d := range [...]civil.Day{f.Acquired, entered} {
			if at := whole(d); d.Given() && (!w.covered || w.cover.before(at)) {
				w.cover, w.covered = at, true
			}
		}
	}
	return w.window(none, horizonDays)
}

// enter readies the walk to day asOf, on facts in order. It returns the day on which
// the plant's record began, and false if the plant is not there yet.
func (w *walk) enter(f *Facts, asOf civil.Day) (entered civil.Day, there bool) {
	if !f.Sorted() {
		tidy := *f
		tidy.Moves, tidy.Feedings, tidy.Observations =
			slices.Clone(f.Moves), slices.Clone(f.Feedings), slices.Clone(f.Observations)
		tidy.Sort()
		f = &tidy
	}
	begin, entered := f.begin(asOf)
	w.f, w.asOf, w.begin = f, asOf, begin
	return entered, asOf >= begin
}

// begin returns the day from which the plant is there, and the day on which its
// record began.
func (f *Facts) begin(asOf civil.Day) (begin, entered civil.Day) {
	first := civil.Never
	if len(f.Moves) > 0 {
		first = min(first, f.Moves[0].Day)
	}
	if len(f.Feedings) > 0 {
		first = min(first, f.Feedings[0].Day)
	}
	if len(f.Observations) > 0 {
		first = min(first, f.Observations[0].Day)
	}
	entered = f.Entered
	if !f.Entered.Given() && !f.Acquired.Given() {
		if entered = first; first == civil.Never {
			entered = asOf
		}
	}
	for _, d := range [...]civil.Day{f.Acquired, entered} {
		if d.Given() {
			first = min(first, d)
		}
	}
	return first, entered
}

// decideUnfed answers for a plant that no hand feeds, wherever it stands.
func (w *walk) decideUnfed(d Decision) Decision {
	for i := range w.f.Observations {
		o := &w.f.Observations[i]
		if o.Day > w.asOf {
			break
		}
		switch o.Kind {
		case Ended:
			return d
		case Stalk:
			w.stalkUp = o.StalkUp
		}
	}
	code := NoInterval
	switch {
	case w.f.TrapType == NoTrapType:
		code = TrapTypeUnknown
	case w.f.Rules.HandFeed == Never:
		code = ByRegimen
	}
	return w.notHandFed(d, Reason{code, civil.None, civil.None})
}

func (w *walk) notHandFed(d Decision, why Reason) Decision {
	d.Status = NotHandFed
	d.Reasons = []Reason{why}
	if w.f.Rules.CutStalks && w.stalkUp {
		d.Instructions.add(CutStalk)
	}
	return d
}
