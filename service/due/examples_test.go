package due_test

import (
	"slices"
	"testing"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// day reads a day of 2026 written as "5-11", or any day written in full.
func day(t testing.TB, s string) civil.Day {
	t.Helper()
	if s == "" {
		return civil.None
	}
	if len(s) < 10 {
		var m, d int
		for i, part := 0, &m; i < len(s); i++ {
			if s[i] == '-' {
				part = &d
				continue
			}
			*part = *part*10 + int(s[i]-'0')
		}
		return civil.Date(2026, m, d)
	}
	d, err := civil.Parse(s)
	if err != nil {
		t.Fatalf("%s: %v", s, err)
	}
	return d
}

// rosette is a small adhesive rosette in a greenhouse, acquired and entered long
// ago, with the rules of last resort.
func rosette() due.Facts {
	rules, _ := due.Resolve(due.Adhesive, due.SmallRosette)
	return due.Facts{
		Rules: rules, TrapType: due.Adhesive, First: due.Greenhouse, Quantity: 1,
		Acquired: civil.Date(2020, 1, 1), Entered: civil.Date(2020, 1, 1), Ships: civil.None,
	}
}

type answer struct {
	status             due.Status
	cover, from, until string // until: due_last
	feed               string
	traps              int
	codes              []due.Code        // among the reasons
	instructions       []due.Instruction // among the instructions
}

// The worked examples of README.md beside this file, by their numbers there. They rest on ten days and two traps for a small rosette, starting small
// and working up: common practice, no source.
func TestWorkedExamples(t *testing.T) {
	fed := func(on string, traps int) due.Feeding {
		return due.Feeding{Day: day(t, on), Traps: traps, OutcomeDay: civil.None}
	}
	seen := func(f due.Feeding, outcome due.Outcome, on string) due.Feeding {
		f.Outcome, f.OutcomeDay = outcome, day(t, on)
		return f
	}
	told := func(f due.Feeding, target int) due.Feeding { f.Target = target; return f }
	survey := func(on string, prey int) due.Observation {
		return due.Observation{Day: day(t, on), Kind: due.Surveyed, Prey: prey, WorkingTraps: due.NotCounted}
	}
	outdoors := func(f *due.Facts) { f.First = due.Outdoors }
	feedings := func(list ...due.Feeding) func(*due.Facts) {
		return func(f *due.Facts) { f.Feedings = append(f.Feedings, list...) }
	}
	observed := func(list ...due.Observation) func(*due.Facts) {
		return func(f *due.Facts) { f.Observations = append(f.Observations, list...) }
	}
	with := func(changes ...func(*due.Facts)) due.Facts {
		f := rosette()
		for _, change := range changes {
			change(&f)
		}
		return f
	}
	threeSessions := feedings(seen(fed("5-1", 2), due.Clean, "5-8"), seen(fed("5-11", 2), due.Clean, "5-18"))

	for _, c := range []struct {
		name  string
		facts due.Facts
		asOf  string
		want  answer
	}{
		{"1", with(feedings(fed("5-1", 2))), "5-11",
			answer{status: due.Due, cover: "5-11", from: "5-11", until: "5-14", feed: "5-11", traps: 2,
				codes: []due.Code{due.FullSession}, instructions: []due.Instruction{due.CheckLastFirst}}},
		{"2", with(feedings(fed("5-1", 1))), "5-6",
			answer{status: due.Due, cover: "5-6", from: "5-6", until: "5-9", feed: "5-6", traps: 2, codes: []due.Code{due.PartSession}}},
		{"3", with(feedings(fed("5-1", 2)), observed(survey("5-8", 1))), "5-13",
			answer{status: due.Upcoming, cover: "5-16", from: "5-16", until: "5-19", feed: "5-16", traps: 2,
				codes: []due.Code{due.FullSession, due.SurveyCredit}}},
		{"4", with(feedings(seen(fed("5-1", 2), due.Mould, "5-4"))), "5-11",
			answer{status: due.HeldBack, cover: "5-11", from: "5-19", until: "5-22", feed: "5-19", traps: 1,
				codes: []due.Code{due.MouldSeen, due.LadderDown}}},
		{"5", with(threeSessions, feedings(seen(fed("5-21", 3), due.Clean, "5-28"))), "5-31",
			answer{status: due.Due, cover: "5-31", from: "5-31", until: "6-3", feed: "5-31", traps: 3,
				codes: []due.Code{due.FullSession, due.LadderUp}}},
		{"6", with(feedings(fed("5-1", 2)), observed(due.Observation{Day: day(t, "5-20"), Kind: due.Repotted})), "5-21",
			answer{status: due.HeldBack, cover: "5-11", from: "6-3", until: "6-6", feed: "6-3", traps: 2, codes: []due.Code{due.Settling}}},
		{"7", with(feedings(fed("5-1", 2))), "5-20",
			answer{status: due.Overdue, cover: "5-11", from: "5-11", until: "5-14", feed: "5-20", traps: 2}},
		{"8", with(outdoors, feedings(fed("5-1", 2))), "5-20",
			answer{status: due.NotHandFed, codes: []due.Code{due.PresumedCatching}}},
		{"9, on 20 May", with(outdoors, feedings(fed("5-1", 2)), observed(survey("5-15", 0))), "5-20",
			answer{status: due.Overdue, cover: "5-11", from: "5-15", until: "5-18", feed: "5-20", traps: 2, codes: []due.Code{due.LowSurvey}}},
		{"9, on 27 May", with(outdoors, feedings(fed("5-1", 2)), observed(survey("5-15", 0))), "5-27",
			answer{status: due.Overdue, cover: "5-11", from: "5-15", until: "5-18", feed: "5-27", traps: 2,
				instructions: []due.Instruction{due.SurveyAgain}}},
		{"10", with(func(f *due.Facts) { f.Rules.TrapsStart = 4 }, feedings(fed("5-1", 2)),
			observed(due.Observation{Day: day(t, "4-1"), Kind: due.Measured, WorkingTraps: 6})), "5-11",
			answer{status: due.Due, cover: "5-11", from: "5-11", until: "5-14", feed: "5-11", traps: 2,
				codes: []due.Code{due.FullSession, due.CappedByTraps}}},
		{"11", with(func(f *due.Facts) { f.Quantity = 12 }, feedings(fed("5-1", 12))), "5-6",
			answer{status: due.Due, cover: "5-6", from: "5-6", until: "5-9", feed: "5-6", traps: 24, codes: []due.Code{due.PartSession}}},
		{"12", with(outdoors, feedings(fed("4-20", 2)), func(f *due.Facts) {
			f.Moves = []due.Move{{Day: day(t, "10-1"), Exposure: due.Greenhouse}}
		}), "10-1",
			answer{status: due.Due, cover: "10-1", from: "10-1", until: "10-4", feed: "10-1", traps: 2, codes: []due.Code{due.CameIndoors}}},
		{"13", with(feedings(fed("4-30", 2)), func(f *due.Facts) { f.Weekdays = f.Weekdays.On(6) }), "5-14",
			answer{status: due.Due, cover: "5-10", from: "5-10", until: "5-16", feed: "5-16", traps: 2, codes: []due.Code{due.FeedingDay}}},
		{"14", with(threeSessions, feedings(told(fed("5-21", 2), 2))), "5-31",
			answer{status: due.Due, cover: "5-31", from: "5-31", until: "6-3", feed: "5-31", traps: 3, codes: []due.Code{due.FullSession}}},
		{"15, on 5 November", resting(t, fed("10-20", 2)), "11-5",
			answer{status: due.HeldBack, cover: "10-30", from: "2027-02-15", until: "2027-02-25", feed: "2027-02-15", traps: 2,
				codes: []due.Code{due.Resting}}},
		{"15, on 16 February", resting(t, fed("10-20", 2)), "2027-02-16",
			answer{status: due.Due, cover: "10-30", from: "2027-02-15", until: "2027-02-25", feed: "2027-02-16", traps: 2,
				codes: []due.Code{due.RestOver}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := due.Decide(&c.facts, day(t, c.asOf), 7)
			check(t, got, c.want)
		})
	}
}

func resting(t *testing.T, feedings ...due.Feeding) due.Facts {
	f := rosette()
	f.Feedings = feedings
	for year := 2025; year < 2029; year++ {
		f.Rests = append(f.Rests, civil.Span{From: civil.Date(year, 11, 1), Until: civil.Date(year+1, 2, 15)})
	}
	return f
}

func check(t *testing.T, got due.Decision, want answer) {
	t.Helper()
	if got.Status != want.status {
		t.Errorf("status %d, want %d", got.Status, want.status)
	}
	for _, d := range []struct {
		name string
		got  civil.Day
		want string
	}{{"cover", got.Cover, want.cover}, {"due from", got.DueFrom, want.from}, {"due last", got.DueLast, want.until}, {"feed", got.FeedDate, want.feed}} {
		if w := day(t, d.want); d.got != w {
			t.Errorf("%s %s, want %s", d.name, d.got, w)
		}
	}
	if got.Traps != want.traps {
		t.Errorf("%d traps, want %d", got.Traps, want.traps)
	}
	for _, code := range want.codes {
		if !slices.ContainsFunc(got.Reasons, func(r due.Reason) bool { return r.Code == code }) {
			t.Errorf("reasons %v lack code %d", got.Reasons, code)
		}
	}
	for _, i := range want.instructions {
		if !got.Instructions.Has(i) {
			t.Errorf("instructions %v lack %d", got.Instructions.List(), i)
		}
	}
}
