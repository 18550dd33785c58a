package due_test

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dewbench/service/civil"
	"dewbench/service/due"
)

func TestAheadIsDecideDayByDay(t *testing.T) {
	var engine, other due.Engine
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		until := asOf + civil.Day(rapid.IntRange(1, 60).Draw(t, "days"))
		next, day := f.Next(asOf), asOf
		engine.Ahead(f, asOf, horizon, until, func(on civil.Day, got *due.Decision) bool {
			if on != day {
				t.Fatalf("%s follows %s", on, day-1)
			}
			if want := other.Decide(f, day, horizon); !reflect.DeepEqual(got, &want) {
				t.Fatalf("asked on %s, of %s:\n%+v\nwant\n%+v", asOf, day, got, want)
			}
			day++
			return true
		})
		known := f.Entered.Given() || f.Acquired.Given() || len(f.Moves)+len(f.Feedings)+len(f.Observations) > 0
		if known && day != min(until, next) && day != asOf+1 {
			t.Fatalf("it ended before %s, want %s", day, min(until, next))
		}
	})
}

func TestNothingChangesBeforeNext(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		next := f.Next(asOf)
		if next <= asOf {
			t.Fatalf("next after %s is %s", asOf, next)
		}
		if next == civil.Never {
			return
		}
		if again := f.Next(next - 1); again != next {
			t.Fatalf("next after %s is %s, after %s %s", asOf, next, next-1, again)
		}
	})
}

func TestPackedIsTheSame(t *testing.T) {
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		f.Sort()
		b := due.AppendRecord([]byte("before"), f)
		got := &due.Facts{Moves: make([]due.Move, 3, 9), Feedings: make([]due.Feeding, 2)}
		if err := due.ReadRecord(b[len("before"):], got, nil); err != nil {
			t.Fatal(err)
		}
		same := slices.Equal(f.Moves, got.Moves) && slices.EqualFunc(f.Feedings, got.Feedings, func(a, b due.Feeding) bool {
			if a.Outcome == due.Unknown {
				a.OutcomeDay, a.OutcomeTime = civil.None, 0 // means nothing
			}
			return a == b
		})
		if !same || len(got.Observations) != len(f.Observations) {
			t.Fatalf("packed %s\nread %s", dumpFacts(f), dumpFacts(got))
		}
		again := cloneFacts(f)
		again.Moves, again.Feedings, again.Observations = got.Moves, got.Feedings, got.Observations
		want := due.Decide(f, asOf, horizon)
		if d := due.Decide(again, asOf, horizon); !reflect.DeepEqual(d, want) {
			t.Fatalf("decided %+v\nwant %+v", d, want)
		}

		var d due.Decision
		if err := due.ReadDecision(due.AppendDecision(nil, &want), &d); err != nil {
			t.Fatal(err)
		}
		if len(want.Foods) == 0 {
			want.Foods = nil
		}
		if len(want.Reasons) == 0 {
			want.Reasons = nil
		}
		if !reflect.DeepEqual(d, want) {
			t.Fatalf("read the decision %+v\nwant %+v", d, want)
		}
	})
}

func TestReadRecordInAnotherZone(t *testing.T) {
	f := &due.Facts{
		Feedings: []due.Feeding{{
			Day: civil.Date(2026, 5, 1), Time: time.Date(2026, 5, 1, 22, 0, 0, 0, time.UTC).UnixMicro(), Traps: 2,
			Outcome: due.Clean, OutcomeDay: civil.Date(2026, 5, 3), OutcomeTime: time.Date(2026, 5, 3, 9, 0, 0, 0, time.UTC).UnixMicro(),
		}},
		Observations: []due.Observation{{
			Day: civil.Date(2026, 5, 4), Time: time.Date(2026, 5, 4, 23, 0, 0, 0, time.UTC).UnixMicro(), Kind: due.Held,
			Until: civil.Date(2026, 5, 9), WorkingTraps: due.NotCounted,
		}},
	}
	east := time.FixedZone("", 2*3600)
	got := &due.Facts{}
	err := due.ReadRecord(due.AppendRecord(nil, f), got, func(us int64) civil.Day { return civil.Of(time.UnixMicro(us), east) })
	if err != nil {
		t.Fatal(err)
	}
	if fd := got.Feedings[0]; fd.Day != civil.Date(2026, 5, 2) || fd.OutcomeDay != civil.Date(2026, 5, 3) {
		t.Errorf("fed on %s, seen on %s", fd.Day, fd.OutcomeDay)
	}
	if o := got.Observations[0]; o.Day != civil.Date(2026, 5, 5) || o.Until != civil.Date(2026, 5, 9) {
		t.Errorf("held from %s until %s: the end is a day that the grower gave", o.Day, o.Until)
	}
}

// FuzzPacked: whatever the bytes are, reading them ends, and what is read is written
// the same again.
func FuzzPacked(f *testing.F) {
	f.Add(due.AppendRecord(nil, &due.Facts{
		Moves:    []due.Move{{Day: 5, Time: 7, Exposure: due.Outdoors}},
		Feedings: []due.Feeding{{Day: 6, Traps: due.FedTarget, Outcome: due.Mould, OutcomeDay: 8, OutcomeTime: 9}},
		Observations: []due.Observation{
			{Day: 6, Kind: due.Measured, DiameterMM: 31.5, WorkingTraps: 4}, {Day: 7, Kind: due.Held, Until: civil.None},
		},
	}))
	f.Add(due.AppendDecision(nil, &due.Decision{
		Status: due.Due, Foods: []int{2, 0}, Reasons: []due.Reason{{Code: due.Settling, From: 4, Until: civil.Never}},
	}))
	f.Add([]byte{1, 255, 255, 255, 255, 15})
	f.Fuzz(func(t *testing.T, b []byte) {
		var r, s due.Facts
		if due.ReadRecord(b, &r, nil) == nil {
			if err := due.ReadRecord(due.AppendRecord(nil, &r), &s, nil); err != nil || dumpFacts(&r) != dumpFacts(&s) {
				t.Errorf("%v: %s\nread again %s", err, dumpFacts(&r), dumpFacts(&s))
			}
		}
		var d, e due.Decision
		if due.ReadDecision(b, &d) == nil {
			if err := due.ReadDecision(due.AppendDecision(nil, &d), &e); err != nil || !reflect.DeepEqual(d, e) {
				t.Errorf("%v: %+v\nread again %+v", err, d, e)
			}
		}
	})
}

func TestLastingIsDecideDayByDay(t *testing.T) {
	var engine, other due.Engine
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, horizon int) {
		l := engine.Lasting(f, asOf, asOf+40)
		if l.From != asOf || l.Until <= asOf {
			t.Fatalf("asked on %s, it is true from %s until %s", asOf, l.From, l.Until)
		}
		for day := asOf; day < min(l.Until, asOf+80); day++ {
			got, want := l.On(day, horizon), other.Decide(f, day, horizon)
			if !reflect.DeepEqual(got, want) {
				t.Fatalf("kept on %s until %s, of %s:\n%+v\nwant\n%+v", asOf, l.Until, day, got, want)
			}
		}
	})
}
