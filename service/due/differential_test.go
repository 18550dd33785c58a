package due_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// TestDecideAgainstReference compares the engine with the reference engine on
// random histories.
func TestDecideAgainstReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f, asOf, horizon := drawFacts(t)
		given := cloneFacts(f)
		got := due.Decide(f, asOf, horizon)
		if !reflect.DeepEqual(f, given) {
			t.Fatalf("Decide changed what it was given.\nbefore: %safter: %s", dumpFacts(given), dumpFacts(f))
		}
		want := referenceDecide(f, asOf, horizon)
		if diff := compareDecisions(got, want, asOf); diff != "" {
			t.Fatalf("Decide and the reference disagree:\n%s", diff)
		}
	})
}

// TestHistoriesReachEveryAnswer keeps the random histories telling: each status,
// hold and instruction comes up often.
func TestHistoriesReachEveryAnswer(t *testing.T) {
	type answer struct {
		Decision due.Decision
		AsOf     civil.Day
	}
	answers := rapid.Custom(func(t *rapid.T) answer {
		f, asOf, horizon := drawFacts(t)
		return answer{referenceDecide(f, asOf, horizon), asOf}
	})
	const draws = 4000
	statuses := map[due.Status]int{}
	holds := map[due.Code]int{}
	instructions := map[due.Instruction]int{}
	for seed := range draws {
		a := answers.Example(seed)
		statuses[a.Decision.Status]++
		for _, i := range a.Decision.Instructions.List() {
			instructions[i]++
		}
		for _, code := range holdsOn(a.Decision, a.AsOf) {
			holds[code]++
		}
	}
	t.Log("statuses", statuses, "holds", holds, "instructions", instructions)
	const least = draws / 100
	for s := due.Absent; s <= due.NotHandFed; s++ {
		if statuses[s] < least {
			t.Errorf("status %d came up %d times", s, statuses[s])
		}
	}
	for c := due.Settling; c <= due.Shipping; c++ {
		if holds[c] < least {
			t.Errorf("hold %d came up %d times", c, holds[c])
		}
	}
	for i := due.StrokeClosedTrap; i <= due.FedToday; i++ {
		if instructions[i] < least {
			t.Errorf("instruction %d came up %d times", i, instructions[i])
		}
	}
}

// compareDecisions tells where two decisions differ. Of a plant that is absent
// only that is compared. Of the reasons it compares the holds that contain asOf.
func compareDecisions(got, want due.Decision, asOf civil.Day) string {
	var b strings.Builder
	differ := func(what string, got, want any) {
		if !reflect.DeepEqual(got, want) {
			fmt.Fprintf(&b, "%-14s Decide %v, reference %v\n", what, got, want)
		}
	}
	differ("status", statusNames[got.Status], statusNames[want.Status])
	if want.Status == due.Absent {
		return b.String()
	}
	differ("cover", got.Cover, want.Cover)
	differ("due from", got.DueFrom, want.DueFrom)
	differ("due last", got.DueLast, want.DueLast)
	differ("feed date", got.FeedDate, want.FeedDate)
	differ("traps", got.Traps, want.Traps)
	differ("item tenths", got.MaxItemTenths, want.MaxItemTenths)
	differ("foods", slices.Concat([]int{}, got.Foods), slices.Concat([]int{}, want.Foods))
	differ("instructions", got.Instructions.List(), want.Instructions.List())
	gotHolds, wantHolds := holdsOn(got, asOf), holdsOn(want, asOf)
	if want.Status != due.HeldBack {
		// Not the reason of the answer: need not be told, but must be true.
		wantHolds = slices.DeleteFunc(wantHolds, func(c due.Code) bool { return !slices.Contains(gotHolds, c) })
	}
	differ("holds", slices.Concat([]due.Code{}, gotHolds), slices.Concat([]due.Code{}, wantHolds))
	return b.String()
}

var statusNames = map[due.Status]string{
	due.Absent: "Absent", due.Overdue: "Overdue", due.Due: "Due", due.Upcoming: "Upcoming",
	due.HeldBack: "HeldBack", due.NotDue: "NotDue", due.NotHandFed: "NotHandFed",
}

// holdsOn returns the codes of the holds that contain a day, each once, in
// order.
func holdsOn(d due.Decision, day civil.Day) []due.Code {
	var codes []due.Code
	for _, r := range d.Reasons {
		if r.Code >= due.Settling && r.From <= day && day < r.Until {
			codes = append(codes, r.Code)
		}
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

func cloneFacts(f *due.Facts) *due.Facts {
	c := *f
	c.Rules.CheckDays = slices.Clone(f.Rules.CheckDays)
	c.Rests, c.Absences, c.Foods = slices.Clone(f.Rests), slices.Clone(f.Absences), slices.Clone(f.Foods)
	c.Moves, c.Feedings, c.Observations = slices.Clone(f.Moves), slices.Clone(f.Feedings), slices.Clone(f.Observations)
	if f.Arm != nil {
		arm := *f.Arm
		c.Arm = &arm
	}
	return &c
}

// TestReferenceWorkedExamples holds the reference engine against the 15 worked
// examples of the rules (its only other source is the text of the rules).
func TestReferenceWorkedExamples(t *testing.T) {
	const none = civil.None
	day := func(month, d int) civil.Day { return civil.Date(2026, month, d) }
	fed := func(month, d, traps int) due.Feeding {
		return due.Feeding{Day: day(month, d), Traps: traps, OutcomeDay: none}
	}
	seen := func(x due.Feeding, outcome due.Outcome, month, d int) due.Feeding {
		x.Outcome, x.OutcomeDay = outcome, day(month, d)
		return x
	}
	told := func(x due.Feeding, target int) due.Feeding {
		x.Target = target
		return x
	}
	survey := func(month, d, prey int) due.Observation {
		return due.Observation{Day: day(month, d), Kind: due.Surveyed, Prey: prey}
	}
	plant := func(change func(f *due.Facts)) *due.Facts {
		f := &due.Facts{
			// The column "adhesive, small rosette" of section 1.
			Rules: due.Rules{
				IntervalDays: 10, ToleranceDays: 3, TrapsStart: 2, TrapsMax: 4, CleanRunsToStepUp: 2, FeedOneIn: 3,
				MaxItemPercent: 100, MouldPausePercent: 150, ResiduePausePercent: 50, SettleDays: 14, DigestDays: 10,
				CheckDays: []int{1, 3}, HandFeed: due.IfNotCatching,
			},
			TrapType: due.Adhesive, First: due.Greenhouse, Quantity: 1,
			Acquired: civil.Date(2024, 6, 1), Entered: civil.Date(2024, 6, 1), Ships: none,
		}
		change(f)
		return f
	}
	fedOnFirstOfMay := func(f *due.Facts) { f.Feedings = []due.Feeding{fed(5, 1, 2)} }
	outdoorsSurveyed := func(f *due.Facts) {
		f.First = due.Outdoors
		f.Feedings = []due.Feeding{fed(5, 1, 2)}
		f.Observations = []due.Observation{survey(5, 15, 0)}
	}
	winter := func(f *due.Facts) {
		for year := 2023; year < 2030; year++ {
			f.Rests = append(f.Rests, civil.Span{From: civil.Date(year, 11, 1), Until: civil.Date(year+1, 2, 15)})
		}
		f.Feedings = []due.Feeding{fed(10, 20, 2)}
	}
	fromFebruary := func(d int) civil.Day { return civil.Date(2027, 2, d) }

	unknown := []due.Instruction{due.CheckLastFirst}
	for _, c := range []struct {
		name             string
		facts            *due.Facts
		asOf             civil.Day
		status           due.Status
		cover            civil.Day
		from, last, feed civil.Day
		traps            int
		instructions     []due.Instruction
	}{
		{"1", plant(fedOnFirstOfMay), day(5, 11), due.Due, day(5, 11), day(5, 11), day(5, 14), day(5, 11), 2, unknown},
		{"2", plant(func(f *due.Facts) { f.Feedings = []due.Feeding{fed(5, 1, 1)} }),
			day(5, 6), due.Due, day(5, 6), day(5, 6), day(5, 9), day(5, 6), 2, unknown},
		{"3", plant(func(f *due.Facts) {
			fedOnFirstOfMay(f)
			f.Observations = []due.Observation{survey(5, 8, 1)}
		}), day(5, 13), due.Upcoming, day(5, 16), day(5, 16), day(5, 19), day(5, 16), 2, unknown},
		{"4", plant(func(f *due.Facts) {
			f.Feedings = []due.Feeding{seen(fed(5, 1, 2), due.Mould, 5, 4)}
		}), day(5, 11), due.HeldBack, day(5, 11), day(5, 19), day(5, 22), day(5, 19), 1, nil},
		{"5", plant(func(f *due.Facts) {
			f.Feedings = []due.Feeding{
				seen(fed(5, 1, 2), due.Clean, 5, 8), seen(fed(5, 11, 2), due.Clean, 5, 18), seen(fed(5, 21, 3), due.Clean, 5, 28),
			}
		}), day(5, 31), due.Due, day(5, 31), day(5, 31), day(6, 3), day(5, 31), 3, nil},
		{"6", plant(func(f *due.Facts) {
			fedOnFirstOfMay(f)
			f.Observations = []due.Observation{{Day: day(5, 20), Kind: due.Repotted}}
		}), day(5, 21), due.HeldBack, day(5, 11), day(6, 3), day(6, 6), day(6, 3), 2, unknown},
		{"7", plant(fedOnFirstOfMay), day(5, 20), due.Overdue, day(5, 11), day(5, 11), day(5, 14), day(5, 20), 2, unknown},
		{"8", plant(func(f *due.Facts) {
			f.First = due.Outdoors
			fedOnFirstOfMay(f)
		}), day(5, 20), due.NotHandFed, none, none, none, none, 0, nil},
		{"9, 20 May", plant(outdoorsSurveyed), day(5, 20), due.Overdue, day(5, 11), day(5, 15), day(5, 18), day(5, 20), 2, unknown},
		{"9, 27 May", plant(outdoorsSurveyed), day(5, 27), due.Overdue, day(5, 11), day(5, 15), day(5, 18), day(5, 27), 2,
			[]due.Instruction{due.CheckLastFirst, due.SurveyAgain}},
		{"10", plant(func(f *due.Facts) {
			f.Feedings = []due.Feeding{
				seen(fed(1, 1, 2), due.Clean, 1, 4), seen(fed(1, 11, 2), due.Clean, 1, 14),
				seen(fed(1, 21, 3), due.Clean, 1, 24), seen(fed(1, 31, 3), due.Clean, 2, 3),
				fed(5, 1, 2),
			}
			f.Observations = []due.Observation{{Day: day(4, 1), Kind: due.Measured, WorkingTraps: 6}}
		}), day(5, 11), due.Due, day(5, 11), day(5, 11), day(5, 14), day(5, 11), 2, unknown},
		{"11", plant(func(f *due.Facts) {
			f.Quantity = 12
			f.Feedings = []due.Feeding{fed(5, 1, 12)}
		}), day(5, 6), due.Due, day(5, 6), day(5, 6), day(5, 9), day(5, 6), 24, unknown},
		{"12", plant(func(f *due.Facts) {
			f.First = due.Outdoors
			f.Feedings = []due.Feeding{fed(4, 20, 2)}
			f.Moves = []due.Move{{Day: day(10, 1), Exposure: due.Greenhouse}}
		}), day(10, 1), due.Due, day(10, 1), day(10, 1), day(10, 4), day(10, 1), 2, unknown},
		{"13", plant(func(f *due.Facts) {
			f.Weekdays = 1 << 6 // Saturdays
			f.Feedings = []due.Feeding{fed(4, 30, 2)}
		}), day(5, 14), due.Due, day(5, 10), day(5, 10), day(5, 16), day(5, 16), 2, unknown},
		{"14", plant(func(f *due.Facts) {
			f.Feedings = []due.Feeding{
				seen(fed(5, 1, 2), due.Clean, 5, 8), seen(fed(5, 11, 2), due.Clean, 5, 18), told(fed(5, 21, 2), 2),
			}
		}), day(5, 31), due.Due, day(5, 31), day(5, 31), day(6, 3), day(5, 31), 3, unknown},
		{"15, 5 November", plant(winter), day(11, 5), due.HeldBack, day(10, 30), fromFebruary(15), fromFebruary(25), fromFebruary(15), 2, unknown},
		{"15, 16 February", plant(winter), fromFebruary(16), due.Due, day(10, 30), fromFebruary(15), fromFebruary(25), fromFebruary(16), 2, unknown},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := referenceDecide(c.facts, c.asOf, 7)
			if got.Status != c.status {
				t.Errorf("status %s, want %s", statusNames[got.Status], statusNames[c.status])
			}
			if got.Cover != c.cover || got.DueFrom != c.from || got.DueLast != c.last || got.FeedDate != c.feed {
				t.Errorf("cover %v, window %v to %v, feed date %v; want %v, %v to %v, %v",
					got.Cover, got.DueFrom, got.DueLast, got.FeedDate, c.cover, c.from, c.last, c.feed)
			}
			if got.Traps != c.traps {
				t.Errorf("%d traps, want %d", got.Traps, c.traps)
			}
			if list := got.Instructions.List(); !slices.Equal(list, c.instructions) {
				t.Errorf("instructions %v, want %v", list, c.instructions)
			}
		})
	}
}
