// Package due decides when a plant is due to be fed, and for how much. It is a
// pure function from facts about one plant to one decision: no clock, no
// storage, no zone. Days are civil days; intervals are half-open.
package due

import (
	"cmp"
	"slices"
	"time"

	"dewbench/service/civil"
)

// Exposure is what a place exposes a plant to.
type Exposure uint8

// The exposures. Only Outdoors is presumed to let a plant catch for itself;
// NoExposure (no bench) counts as indoors. Enclosed places have no seasons.
const (
	NoExposure Exposure = iota
	Outdoors
	Greenhouse
	Windowsill
	Enclosed
)

// Outcome is what became of a session's food.
type Outcome uint8

// The outcomes.
const (
	Unknown Outcome = iota
	Clean
	Residue
	Mould
	Rejected
)

// Facts is what is known of one plant (one pot), with what its collection says
// about feeding days. Moves, Feedings and Observations are in order of day, then
// time, then id; Sort puts them so, and Decide sorts a copy if they are not.
// Events after the day asked about may be present and are not looked at.
type Facts struct {
	Rules    Rules
	TrapType TrapType

	Acquired civil.Day // day the grower got it; civil.None if not known
	Entered  civil.Day // day its record began; civil.None if not known
	Ships    civil.Day // day it is reserved to be shipped; civil.None if it is not

	First    Exposure // where it stood first
	Quantity int      // plants in the pot at first, 1-100,000

	TypicalWidthMM    float64 // typical width of the taxon's trap, mm; 0 unknown
	TypicalDiameterMM float64 // typical diameter of the taxon, mm; 0 unknown

	// Rests are the calendar rests under the open sky that overlap RestRange of
	// the day asked about, whole, in order. They are not looked at while the plant
	// stands in an Enclosed place.
	Rests []civil.Span

	Weekdays Weekdays     // days of the week on which the grower feeds
	Absences []civil.Span // days on which the grower does not, in any order

	Arm   *Arm   // the arm of a running trial; nil if in none
	Foods []Food // kinds at hand, the first to be preferred

	Moves        []Move
	Feedings     []Feeding
	Observations []Observation
}

// Arm is what a trial's arm asks of its plants.
type Arm struct {
	Trial   civil.Span // from its start to its end
	HandFed bool       // false: the plant is held while the trial runs
	Traps   int        // fixed number of traps of each plant and session, 1-50; 0: the ladder decides
}

// Food is a kind of food that may be brought.
type Food struct {
	LengthMM float64 // typical length, mm; 0 unknown
	Moves    bool    // whether it moves by itself
	MayCut   bool    // whether it may be cut shorter
}

// Move is a change of place.
type Move struct {
	Day      civil.Day
	Time     int64 // instant, microseconds since 1970 UTC
	Exposure Exposure
}

// Feeding is one session of one plant. Counts are of the whole pot.
type Feeding struct {
	Day    civil.Day
	Time   int64 // instant, microseconds since 1970 UTC
	Traps  int   // traps fed; FedTarget: as many as were to be fed
	Target int   // traps that were to be fed, as told then; 0: not told

	Outcome     Outcome
	OutcomeDay  civil.Day // day on which the outcome was seen; before Day counts as Day
	OutcomeTime int64     // instant, microseconds since 1970 UTC
}

// FedTarget as Feeding.Traps: as many traps as were to be fed.
const FedTarget = -1

// Kind is what an observation is about.
type Kind uint8

// The kinds of observations.
const (
	Measured    Kind = iota + 1 // DiameterMM, WidthMM, WorkingTraps
	Counted                     // Quantity
	Surveyed                    // Prey, Examined
	Repotted                    // also: divided
	RestStarted                 //
	RestEnded                   //
	Held                        // Until
	Treated                     // Until
	Stalk                       // StalkUp
	Ended                       // dead, sold or given away
	Noted                       // anything else; it only shows that the plant was there
)

// NotCounted as Observation.WorkingTraps: they were not counted.
const NotCounted = -1

// Observation is something seen or done. Which fields mean something depends on
// its kind. Counts are of the whole pot.
type Observation struct {
	Day  civil.Day
	Time int64 // instant, microseconds since 1970 UTC
	Kind Kind

	DiameterMM   float64 // rosette diameter, mm; 0: not measured
	WidthMM      float64 // trap width, mm; 0: not measured
	WorkingTraps int     // working traps; NotCounted
	Quantity     int     // plants in the pot
	Prey         int     // prey found
	Examined     int     // traps examined; 0: not counted
	Until        civil.Day
	StalkUp      bool // a flower stalk is up (emerged, flowered, seed ripe), or is gone (cut, seed taken)
}

// Weekdays is a set of days of the week. The empty set means every day.
type Weekdays uint8

// On returns the set with a day added.
func (w Weekdays) On(d time.Weekday) Weekdays { return w | 1<<uint(d) }

func (w Weekdays) has(d time.Weekday) bool { return w == 0 || w&(1<<uint(d)) != 0 }

// RestRange returns the days [from, to) for which the calendar rests matter to
// an answer for day asOf. Of those before it only the last counts, which began
// less than two years ago. Ahead lie the years up to which a due day is looked
// for, a window of at most a year, and a year in which a feeding day is looked
// for.
func RestRange(asOf civil.Day) (from, to civil.Day) {
	const year = 366
	return max(civil.Min, asOf-2*year), min(civil.Max, asOf+(farYears+1)*year+2*lookAheadDays)
}

func byTime(aDay, bDay civil.Day, aTime, bTime int64) int {
	if c := cmp.Compare(aDay, bDay); c != 0 {
		return c
	}
	return cmp.Compare(aTime, bTime)
}

func compareMoves(a, b Move) int       { return byTime(a.Day, b.Day, a.Time, b.Time) }
func compareFeedings(a, b Feeding) int { return byTime(a.Day, b.Day, a.Time, b.Time) }
func compareObservations(a, b Observation) int {
	return byTime(a.Day, b.Day, a.Time, b.Time)
}

// Sorted tells whether the events are in the order that Decide wants.
func (f *Facts) Sorted() bool {
	return slices.IsSortedFunc(f.Moves, compareMoves) &&
		slices.IsSortedFunc(f.Feedings, compareFeedings) &&
		slices.IsSortedFunc(f.Observations, compareObservations)
}

// Sort puts the events in the order that Decide wants. Events of the same time
// keep their order, which is that of their ids.
func (f *Facts) Sort() {
	slices.SortStableFunc(f.Moves, compareMoves)
	slices.SortStableFunc(f.Feedings, compareFeedings)
	slices.SortStableFunc(f.Observations, compareObservations)
}
