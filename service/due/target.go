package due

import (
	"slices"

	"dewbench/service/civil"
)

// Target returns the traps that a session at an instant of a day is to feed, in the
// whole pot, by what is known at the end of that day, after the feedings before it
// and at the same instant. ok is false for a plant that no hand feeds by its
// regimen or trap type: it has no target.
func Target(f *Facts, day civil.Day, micros int64) (traps int, ok bool) {
	with := *f
	session := Feeding{Day: day, Time: micros, Traps: FedTarget, OutcomeDay: civil.None}
	at, _ := slices.BinarySearchFunc(f.Feedings, session, func(a, b Feeding) int {
		if compareFeedings(a, b) > 0 {
			return 1
		}
		return -1 // also those of the same instant: they come first
	})
	with.Feedings = slices.Insert(slices.Clone(f.Feedings), at, session)
	for _, s := range Explain(&with, day, 0).Steps {
		if s.Event == FeedingEvent && s.Index == at {
			return s.Target, true
		}
	}
	return 0, false
}
