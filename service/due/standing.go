package due

import (
	"dewbench/service/civil"
	"dewbench/service/growth"
)

// Standing is what the records say of a plant on a day, whether or not it is fed by
// hand.
type Standing struct {
	// LastKnown is the last day, up to the day asked about, of which something is on
	// record: an event, the sight of an outcome, the day acquired or entered.
	LastKnown civil.Day
	Exposure  Exposure
	// OutdoorsSince is the day since which it stands in the open air: on which it came
	// there, or else from which it is there at all. civil.None: it does not.
	OutdoorsSince civil.Day
	// LastSurvey is the day of the last survey since then; civil.None: there is none.
	LastSurvey civil.Day
	Evidence   Evidence

	// Diameters is the series of its rosette diameters up to the day, for growth, and
	// Holds are all holds known on it, in no order: those for an observation tell which.
	// Both are good until the engine is used again.
	Diameters []growth.Measurement
	Holds     []Hold
}

// Rests tells whether it is in a rest on a day up to the day asked about.
func (s *Standing) Rests(day civil.Day) bool {
	for _, h := range s.Holds {
		if h.Code == Resting && h.Contains(day) {
			return true
		}
	}
	return false
}

// Stand tells how a plant stands on day asOf, by the walk of Decide. ok is false if it
// is not there: not yet, or dead, sold or given away by then. Facts are not changed.
func (e *Engine) Stand(f *Facts, asOf civil.Day) (s Standing, ok bool) {
	e.start()
	w := &e.w
	defer func() { w.f = nil }() // do not keep the history alive
	if _, there := w.enter(f, asOf); !there {
		return s, false
	}
	// What hands do not feed may have no figures. How many traps would be fed is not
	// told, so one will do.
	own := *w.f
	for _, n := range [...]*int{&own.Rules.TrapsStart, &own.Rules.TrapsMax, &own.Rules.FeedOneIn, &own.Rules.CleanRunsToStepUp} {
		*n = max(1, *n)
	}
	w.f = &own
	if w.run(); w.ended {
		return s, false
	}
	s = Standing{
		LastKnown: w.lastKnown(), Exposure: w.exposure, OutdoorsSince: civil.None, LastSurvey: civil.None,
		Evidence: w.evidence(), Diameters: w.series, Holds: w.holds,
	}
	if w.exposure == Outdoors {
		if s.OutdoorsSince = w.outdoorsSince(); s.OutdoorsSince == civil.None {
			s.OutdoorsSince = w.begin
		}
		s.LastSurvey = w.lastSurvey
	}
	return s, true
}

// lastKnown returns the last day by asOf of which something is on record.
func (w *walk) lastKnown() civil.Day {
	last, f := civil.None, w.f
	note := func(day civil.Day) {
		if day.Given() && day <= w.asOf {
			last = max(last, day)
		}
	}
	note(f.Acquired)
	note(f.Entered)
	for i := range f.Moves {
		note(f.Moves[i].Day)
	}
	for i := range f.Feedings {
		note(f.Feedings[i].Day)
	}
	for _, k := range w.known {
		note(k.day)
	}
	for i := range f.Observations {
		note(f.Observations[i].Day)
	}
	return last
}
