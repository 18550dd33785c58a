package due

import "dewbench/service/civil"

// EventKind is what a step of an explanation is about.
type EventKind uint8

// The steps.
const (
	MoveEvent EventKind = iota + 1
	ObservationEvent
	FeedingEvent
	OutcomeEvent
	WindowStart // the walk is over; Day is the start of the window before the holds
)

// Step is one step of the walk and the state after it.
type Step struct {
	Day   civil.Day
	Event EventKind
	Index int // into Facts.Moves, Observations or Feedings (an outcome: of its feeding), in their order

	Target   int    // traps that a session was to be fed; of a survey, what the plant needed
	Num, Den uint64 // credit of a session or survey as a fraction; Den 0: none

	Ladder, Streak int       // traps for each plant, clean full sessions in a row
	Quantity       int       // plants in the pot
	Exposure       Exposure  // where it stands
	Cover          civil.Day // first day on which it is covered no more, rounded up; civil.None: empty
}

// Explanation is a decision with the way that led to it.
type Explanation struct {
	Decision Decision
	Steps    []Step
	Holds    []Hold // all holds that the engine knows of on that day
}

// Explain returns the decision that Decide returns, with every step to it. The
// indices of its steps are those of sorted facts (Facts.Sort).
func Explain(f *Facts, asOf civil.Day, horizonDays int) Explanation {
	steps := []Step{}
	w := walk{trace: &steps}
	decision := w.decide(f, asOf, horizonDays)
	return Explanation{Decision: decision, Steps: steps, Holds: w.holds}
}

// note adds a step with the state after it.
func (w *walk) note(s Step) {
	s.Ladder, s.Streak, s.Quantity, s.Exposure, s.Cover = w.ladder, w.streak, w.quantity, w.exposure, civil.None
	if w.covered {
		s.Cover = w.cover.ceil()
	}
	*w.trace = append(*w.trace, s)
}
