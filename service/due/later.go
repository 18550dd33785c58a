package due

import (
	"slices"

	"dewbench/service/civil"
)

// later turns a decision for asOf into that for a later day on which nothing else has
// changed: the status follows from the window, the feeding day moves on with the day,
// and what was fed today was fed before.
func (d *Decision) later(asOf, day civil.Day, horizonDays int) {
	if d.FeedDate.Given() {
		d.FeedDate = max(d.FeedDate, day)
	}
	if day > asOf {
		d.Instructions &^= 1 << FedToday
	}
	switch d.Status {
	case Overdue, Due, Upcoming, NotDue:
		d.Status = d.status(day, horizonDays)
	}
}

// status returns the status on a day on which no hold says otherwise.
func (d *Decision) status(day civil.Day, horizonDays int) Status {
	switch {
	case d.DueFrom == civil.None:
		return NotDue
	case day > d.DueLast:
		return Overdue
	case d.DueFrom <= day:
		return Due
	case d.DueFrom <= day+civil.Day(horizonDays):
		return Upcoming
	}
	return NotDue
}

func (d *Decision) same(e *Decision) bool {
	return d.Status == e.Status && d.Cover == e.Cover && d.DueFrom == e.DueFrom && d.DueLast == e.DueLast && d.FeedDate == e.FeedDate &&
		d.Traps == e.Traps && d.MaxItemTenths == e.MaxItemTenths && d.Instructions == e.Instructions && d.Shrinking == e.Shrinking &&
		slices.Equal(d.Foods, e.Foods) && slices.Equal(d.Reasons, e.Reasons)
}

// Lasting is a decision with the days for which it is true.
type Lasting struct {
	Decision
	From, Until civil.Day // [From, Until)
}

// On returns the decision for one of its days.
func (l *Lasting) On(day civil.Day, horizonDays int) Decision {
	d := l.Decision
	d.later(l.From, day, horizonDays)
	return d
}

// Lasting returns the decision for asOf and for how long it is true: as long as Decide
// says the same of each day, but for what follows from the day itself. It looks no
// farther than to the day before until, unless no later day can make a difference
// before the next event; of that it takes Facts.Next, which may be civil.Never. Rests of
// f must cover RestRange of all the days.
func (e *Engine) Lasting(f *Facts, asOf, until civil.Day) Lasting {
	l := Lasting{From: asOf, Until: asOf + 1}
	e.Ahead(f, asOf, 0, until, func(day civil.Day, d *Decision) bool {
		if day == asOf {
			l.Decision = *d
			// What no hand feeds is only changed by an event.
			return d.Status != Absent && d.Status != NotHandFed
		}
		if then := l.On(day, 0); !then.same(d) {
			return false
		}
		l.Until = day + 1
		return true
	})
	if l.Status == Absent || l.Status == NotHandFed {
		l.Until = f.Next(asOf)
		if _, entered := f.begin(asOf); entered == asOf && entered != f.Entered && l.Status != Absent {
			l.Until = min(l.Until, asOf+1)
		}
	}
	return l
}
