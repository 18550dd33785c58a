package due

import (
	"dewbench/service/civil"
)

// window turns the state at the end of the walk into the decision: the window,
// the status on asOf and the reasons.
func (w *walk) window(d Decision, horizonDays int) Decision {
	f, asOf := w.f, w.asOf
	start, since := w.cover.ceil(), civil.None
	if w.exposure == Outdoors && f.Rules.HandFeed == IfNotCatching {
		if since = w.handFedSince(); since == civil.None {
			return w.notHandFed(d, Reason{PresumedCatching, w.outdoorsSince(), civil.None})
		}
	}
	d.Cover = start
	start = max(start, since)
	if w.trace != nil {
		w.note(Step{Day: start, Event: WindowStart})
	}

	from := w.freeFrom(start)
	d.Reasons = make([]Reason, 0, 6)
	heldNow := start <= asOf && w.heldOn(asOf)
	if heldNow {
		d.Reasons = w.addHolds(d.Reasons, func(h Hold) bool { return h.Contains(asOf) })
	}
	d.Reasons = w.addSupply(d.Reasons)
	if since != civil.None {
		d.Reasons = w.addNotCatching(d.Reasons, &d)
	}
	if w.stepped.Code != NoReason {
		d.Reasons = append(d.Reasons, w.stepped)
	}
	d.Traps = w.target(asOf)
	if d.Traps < w.ladder*w.quantity {
		d.Reasons = append(d.Reasons, Reason{CappedByTraps, w.countDay, w.countDay + countValidDays + 1})
	}
	if from <= asOf.AddYears(farYears) {
		w.close(&d, from)
	}
	d.Reasons = w.addHolds(d.Reasons, func(h Hold) bool {
		// What moved the window, and what cuts it short.
		return h.Until == from && from > start || d.DueLast != civil.None && h.From == d.DueLast+1 && h.From > from
	})
	d.Status = w.status(&d, heldNow, horizonDays)
	w.bring(&d)
	return d
}

func (w *walk) status(d *Decision, heldNow bool, horizonDays int) Status {
	if heldNow {
		return HeldBack
	}
	return d.status(w.asOf, horizonDays)
}

// freeFrom returns the first day from start on that no hold keeps from being the
// due day; civil.Never behind an open hold. A hold that has begun by asOf moves
// the due day to its end even if the plant was due before it.
func (w *walk) freeFrom(start civil.Day) civil.Day {
	day := start
	for moved := true; moved; {
		moved = false
		for _, h := range w.holds {
			if h.Until > day && h.From <= max(day, w.asOf) {
				day, moved = h.Until, true
			}
		}
	}
	return day
}

// close sets the window that opens on a day, and the feeding day in it.
func (w *walk) close(d *Decision, from civil.Day) {
	rules := &w.f.Rules
	d.DueFrom = from
	d.DueLast = from + civil.Day(rules.ToleranceDays)
	for _, h := range w.holds {
		if h.Code == Resting && h.Until == from {
			d.DueLast = from + civil.Day(max(rules.ToleranceDays, rules.IntervalDays))
			d.Reasons = append(d.Reasons, Reason{RestOver, from, civil.None})
			break
		}
	}
	if first := w.feedingDay(from, false); first != civil.None && first > d.DueLast {
		d.DueLast = first
		d.Reasons = append(d.Reasons, Reason{FeedingDay, first, civil.None})
	}
	for _, h := range w.holds {
		if h.From > from && h.From <= d.DueLast {
			d.DueLast = h.From - 1
		}
	}
	d.FeedDate = w.feedingDay(max(w.asOf, from), true)
}

// feedingDay returns the first day from a day on, looked for a year ahead, on
// which the grower feeds, and, if free, that no hold contains; civil.None if
// there is none.
func (w *walk) feedingDay(from civil.Day, free bool) civil.Day {
	for day := from; day <= from+lookAheadDays; {
		next := day
		for _, a := range w.f.Absences {
			if a.Contains(next) {
				next = a.Until
			}
		}
		if free {
			for _, h := range w.holds {
				if h.Contains(next) {
					next = h.Until
				}
			}
		}
		if next == day && w.f.Weekdays.has(day.Weekday()) {
			return day
		}
		if next == day {
			next++
		}
		day = next
	}
	return civil.None
}

func (w *walk) heldOn(day civil.Day) bool {
	for _, h := range w.holds {
		if h.Contains(day) {
			return true
		}
	}
	return false
}

// addHolds adds the holds that match, each once.
func (w *walk) addHolds(reasons []Reason, match func(Hold) bool) []Reason {
	for _, h := range w.holds {
		if !match(h) {
			continue
		}
		reason, known := Reason{h.Code, h.From, h.Until}, false
		for _, r := range reasons {
			known = known || r == reason
		}
		if !known {
			reasons = append(reasons, reason)
		}
	}
	return reasons
}

// addSupply says what the plant lives on.
func (w *walk) addSupply(reasons []Reason) []Reason {
	if w.session.Code != NoReason {
		reasons = append(reasons, w.session)
	}
	if w.survey.Code != NoReason {
		reasons = append(reasons, w.survey)
	}
	if !w.supplied {
		reasons = append(reasons, Reason{NeverFed, w.cover.ceil(), civil.None})
	}
	if w.cameIn != civil.None && w.cameIn == w.cover.ceil() {
		reasons = append(reasons, Reason{CameIndoors, w.cameIn, civil.None})
	}
	return reasons
}

// addNotCatching says why a plant outdoors is fed by hand.
func (w *walk) addNotCatching(reasons []Reason, d *Decision) []Reason {
	if w.lowSince != civil.None {
		reasons = append(reasons, Reason{LowSurvey, w.lowSince, civil.None})
	}
	if w.shrinkingSince != civil.None {
		reasons = append(reasons, Reason{Shrinking, w.shrinkingSince, civil.None})
		d.Shrinking = w.evidence()
	}
	return reasons
}

// evidence tells what is known that may make the plant shrink.
func (w *walk) evidence() Evidence {
	rules := &w.f.Rules
	return Evidence{
		NoPrey:  w.exposure == Outdoors && w.lastSurvey != civil.None && w.lastPrey == 0,
		StalkUp: w.stalkUp,
		NotFedLong: rules.HandFeed != Never && rules.IntervalDays > 0 &&
			(w.lastFed < 0 || w.asOf-w.f.Feedings[w.lastFed].Day >= civil.Day(2*rules.IntervalDays)),
	}
}

// outdoorsSince returns the day on which the plant came to where it stands
// outdoors; civil.None if it always stood there.
func (w *walk) outdoorsSince() civil.Day {
	since, place := civil.None, w.f.First
	for _, m := range w.f.Moves {
		if m.Day > w.asOf {
			break
		}
		if place != Outdoors && m.Exposure == Outdoors {
			since = m.Day
		}
		place = m.Exposure
	}
	return since
}
