package due

import (
	"slices"

	"dewbench/service/civil"
)

// Target returns the traps that a session at an instant of a day is to feed, in the
// whole pot, by what is known at the end of that day, after the feedings before it
// and at the same instant. ok is false for a plant that no hand feeds by its
// regimen or trap type: it has no target.
func (e *Engine) Target(f *Facts, day civil.Day, micros int64) (traps int, ok bool) {
	session := Feeding{Day: day, Time: micros, Traps: FedTarget, OutcomeDay: civil.None}
	at, _ := slices.BinarySearchFunc(f.Feedings, session, func(a, b Feeding) int {
		if compareFeedings(a, b) > 0 {
			return 1
		}
		return -1 // also those of the same instant: they come first
	})
	with := *f // the feedings after it do not matter
	e.feedings = append(append(e.feedings[:0], f.Feedings[:at]...), session)
	with.Feedings = e.feedings
	e.start()
	e.w.asked, e.w.answer = at+1, -1
	e.w.decide(&with, day, 0)
	e.w.f = nil
	return max(e.w.answer, 0), e.w.answer >= 0
}
