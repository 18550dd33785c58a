package due_test

import (
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// What must hold of any history. The histories are those of drawFacts.

func property(t *testing.T, check func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int)) {
	t.Helper()
	rapid.Check(t, func(t *rapid.T) {
		f, asOf, horizon := drawFacts(t)
		check(t, f, asOf, horizon)
	})
}

func TestNeverDueInsideAHold(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		e := due.Explain(f, asOf, horizon)
		for _, h := range e.Holds {
			if !h.Contains(asOf) {
				continue
			}
			if s := e.Decision.Status; s == due.Due || s == due.Overdue {
				t.Fatalf("status %d inside hold %v", s, h)
			}
		}
	})
}

func TestFeedDateLiesInNoHold(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		e := due.Explain(f, asOf, horizon)
		d := e.Decision
		if d.FeedDate == civil.None {
			return
		}
		if d.FeedDate < asOf || d.FeedDate < d.DueFrom {
			t.Fatalf("feed date %s before %s or the window from %s", d.FeedDate, asOf, d.DueFrom)
		}
		for _, h := range e.Holds {
			if h.Contains(d.FeedDate) {
				t.Fatalf("feed date %s inside hold %v", d.FeedDate, h)
			}
		}
	})
}

func TestFullSessionLastsItsInterval(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		fed := cloneFacts(f)
		fed.Feedings = append(fed.Feedings, due.Feeding{
			Day: asOf, Time: 1 << 50, Traps: due.FedTarget, OutcomeDay: civil.None,
		})
		for day := asOf; day < asOf+civil.Day(f.Rules.IntervalDays); day++ {
			if s := due.Decide(fed, day, horizon).Status; s == due.Due || s == due.Overdue {
				t.Fatalf("fed in full on %s, status %d on %s", asOf, s, day)
			}
		}
	})
}

func TestMoreTrapsNeverMakeItDueEarlier(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		f.Sort()
		last := -1
		for i := range f.Feedings {
			if f.Feedings[i].Day <= asOf {
				last = i
			}
		}
		if last < 0 || f.Feedings[last].Traps == due.FedTarget {
			return
		}
		if on := f.Feedings[last].Day; f.Acquired.Given() && on < f.Acquired || f.Entered.Given() && on < f.Entered {
			return // a plant that nothing fed begins to be hungry when it comes, which is later
		}
		before := due.Decide(f, asOf, horizon)
		more := cloneFacts(f)
		more.Feedings[last].Traps += 1 + int(uint8(asOf))%3
		after := due.Decide(more, asOf, horizon)
		if after.Cover < before.Cover {
			t.Fatalf("covered until %s, with more traps until %s", before.Cover, after.Cover)
		}
		if after.DueFrom != civil.None && (before.DueFrom == civil.None || after.DueFrom < before.DueFrom) {
			t.Fatalf("due from %s, with more traps from %s", before.DueFrom, after.DueFrom)
		}
	})
}

func TestLaterEventsChangeNothing(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		early := cloneFacts(f)
		early.Moves = slices.DeleteFunc(early.Moves, func(m due.Move) bool { return m.Day > asOf })
		early.Feedings = slices.DeleteFunc(early.Feedings, func(fd due.Feeding) bool { return fd.Day > asOf })
		early.Observations = slices.DeleteFunc(early.Observations, func(o due.Observation) bool { return o.Day > asOf })
		for i := range early.Feedings {
			if fd := &early.Feedings[i]; max(fd.OutcomeDay, fd.Day) > asOf {
				fd.Outcome, fd.OutcomeDay, fd.OutcomeTime = due.Unknown, civil.None, 0
			}
		}
		undated := !f.Acquired.Given() && !f.Entered.Given()
		if undated && len(early.Moves)+len(early.Feedings)+len(early.Observations) == 0 {
			return // a plant of which nothing is known is taken as there; a later event would say that it was not
		}
		want, got := due.Decide(f, asOf, horizon), due.Decide(early, asOf, horizon)
		if !reflect.DeepEqual(want, got) {
			t.Fatalf("with later events %+v\nwithout %+v", want, got)
		}
	})
}

func TestWindowIsNotEmpty(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		d := due.Decide(f, asOf, horizon)
		if d.DueLast < d.DueFrom {
			t.Fatalf("window %s to %s", d.DueFrom, d.DueLast)
		}
		if (d.DueFrom == civil.None) != (d.DueLast == civil.None) {
			t.Fatalf("half a window: %s to %s", d.DueFrom, d.DueLast)
		}
		if d.DueFrom != civil.None && d.DueFrom < d.Cover {
			t.Fatalf("due from %s, covered until %s", d.DueFrom, d.Cover)
		}
	})
}

// On a day on which nothing happens a plant only gets hungrier, unless a hold or
// a rest begins or ends.
func TestNothingGetsBetterOnAQuietDay(t *testing.T) {
	hunger := map[due.Status]int{due.NotDue: 1, due.Upcoming: 2, due.Due: 3, due.Overdue: 4}
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		next := asOf + 1
		for _, m := range f.Moves {
			if m.Day == next {
				return
			}
		}
		for _, fd := range f.Feedings {
			if fd.Day == next || fd.Outcome != due.Unknown && max(fd.Day, fd.OutcomeDay) == next {
				return
			}
		}
		for _, o := range f.Observations {
			if o.Day == next {
				return
			}
		}
		today, tomorrow := due.Decide(f, asOf, horizon), due.Explain(f, next, horizon)
		turned := slices.ContainsFunc(tomorrow.Holds, func(h due.Hold) bool { return h.From == next || h.Until == next })
		if turned || today.Status == due.Absent {
			return
		}
		a, b := today.Status, tomorrow.Decision.Status
		// A plant that gets hungry inside a hold is held from then on.
		gotHungry := b == due.HeldBack && (a == due.NotDue || a == due.Upcoming)
		if !gotHungry && hunger[b] < hunger[a] || a == due.HeldBack && b != a || (a == due.NotHandFed) != (b == due.NotHandFed) {
			t.Fatalf("%s: status %d, next day %d", asOf, a, b)
		}
	})
}

func TestExplainAndDecideAgree(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		d, e := due.Decide(f, asOf, horizon), due.Explain(f, asOf, horizon)
		if !reflect.DeepEqual(d, e.Decision) {
			t.Fatalf("decided %+v\nexplained %+v", d, e.Decision)
		}
		if d.Cover == civil.None {
			return
		}
		if len(e.Steps) == 0 || e.Steps[len(e.Steps)-1].Event != due.WindowStart {
			t.Fatalf("the explanation does not end in the window: %+v", e.Steps)
		}
		if last := e.Steps[len(e.Steps)-1]; last.Cover != d.Cover {
			t.Fatalf("explained cover %s, decided %s", last.Cover, d.Cover)
		}
		for i := 1; i < len(e.Steps)-1; i++ {
			if e.Steps[i].Day < e.Steps[i-1].Day {
				t.Fatalf("steps out of order: %+v", e.Steps)
			}
		}
	})
}

// An engine that is used again answers as a new one.
func TestEngineKeepsNothing(t *testing.T) {
	var engine due.Engine
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		got, want := engine.Decide(f, asOf, horizon), due.Decide(f, asOf, horizon)
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("used engine %+v\nnew engine %+v", got, want)
		}
	})
}

// Covers stay exact where 64 bits do not hold them: sessions of 1/p of a target,
// p prime.
func TestCoverIsExact(t *testing.T) {
	f := rosette()
	f.Rules.IntervalDays = 365
	primes := []int{101, 103, 107, 109, 113, 127, 131, 137, 139, 149, 151, 157, 163, 167, 173, 179, 181, 191, 193, 197, 199, 211}
	for _, p := range primes {
		f.Feedings = append(f.Feedings, due.Feeding{Day: civil.Date(2026, 5, 1), Traps: 1, Target: p, OutcomeDay: civil.None})
	}
	asOf := civil.Date(2026, 5, 1)
	got, want := due.Decide(&f, asOf, 7), referenceDecide(&f, asOf, 7)
	if diff := compareDecisions(got, want, asOf); diff != "" {
		t.Fatal(diff)
	}
	// The same parts of one session again and again: a whole one in the end.
	f.Feedings = nil
	for range 7 {
		f.Feedings = append(f.Feedings, due.Feeding{Day: asOf, Traps: 1, Target: 7, OutcomeDay: civil.None})
	}
	if got := due.Decide(&f, asOf, 7).Cover; got != asOf+365 {
		t.Errorf("seven sevenths of a session cover until %s", got)
	}
}

// A denominator that is absurdly long is rounded, which changes no day.
func TestAbsurdTargets(t *testing.T) {
	f := rosette()
	f.Rules.IntervalDays = 365
	asOf := civil.Date(2026, 5, 1)
	for target := 4_999_999; len(f.Feedings) < 300; target -= 2 {
		f.Feedings = append(f.Feedings, due.Feeding{Day: asOf, Traps: 1 + len(f.Feedings)*40, Target: target, OutcomeDay: civil.None})
	}
	got, want := due.Decide(&f, asOf, 7), referenceDecide(&f, asOf, 7)
	if diff := compareDecisions(got, want, asOf); diff != "" {
		t.Fatal(diff)
	}
}

// Coming indoors on the day it came at all says nothing of the open air.
func TestFirstDayIsNotTheDayBefore(t *testing.T) {
	f := rosette()
	f.First = due.Outdoors
	day := civil.Date(2026, 5, 1)
	f.Acquired, f.Entered = day, day
	f.Moves = []due.Move{{Day: day, Exposure: due.Greenhouse}}
	d := due.Decide(&f, day+30, 7)
	if slices.ContainsFunc(d.Reasons, func(r due.Reason) bool { return r.Code == due.CameIndoors }) {
		t.Errorf("reasons %v", d.Reasons)
	}
}
