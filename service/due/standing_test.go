package due_test

import (
	"cmp"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// TestStandAgainstReference compares how a plant stands with what the reference engine
// and plain loops over its records say, whether or not it is fed by hand.
func TestStandAgainstReference(t *testing.T) {
	var e due.Engine
	property(t, func(t *rapid.T, f *due.Facts, asOf civil.Day, _ int) {
		if rapid.IntRange(0, 4).Draw(t, "figures") == 0 {
			f.Rules = due.Rules{HandFeed: f.Rules.HandFeed} // of a plant whose trap type is not known
		}
		given := cloneFacts(f)
		got, ok := e.Stand(f, asOf)
		if !reflect.DeepEqual(f, given) {
			t.Fatalf("Stand changed what it was given.\nbefore: %safter: %s", dumpFacts(given), dumpFacts(f))
		}
		f = refSorted(f)
		if ok == refAbsent(f, asOf) {
			t.Fatalf("there: %v", ok)
		}
		if !ok {
			return
		}
		want := due.Standing{LastKnown: civil.None, Exposure: refExposure(f, asOf), OutdoorsSince: civil.None, LastSurvey: civil.None}
		know := func(day civil.Day) {
			if day != civil.None && day <= asOf && day > want.LastKnown {
				want.LastKnown = day
			}
		}
		know(f.Acquired)
		know(f.Entered)
		first := civil.Never // from which it is there
		for _, day := range []civil.Day{f.Acquired, refEntered(f, asOf), refFirstEvent(f)} {
			if day != civil.None {
				first = min(first, day)
			}
		}
		came, place := first, f.First
		for _, m := range f.Moves {
			know(m.Day)
			if m.Day <= asOf && place != due.Outdoors && m.Exposure == due.Outdoors {
				came = m.Day
			}
			if m.Day <= asOf {
				place = m.Exposure
			}
		}
		if want.Exposure == due.Outdoors {
			want.OutdoorsSince = came
		}
		prey, fed := -1, civil.None
		for _, o := range f.Observations {
			know(o.Day)
			if o.Kind == due.Surveyed && o.Day <= asOf && o.Day >= came && want.Exposure == due.Outdoors {
				want.LastSurvey, prey = o.Day, o.Prey
			}
		}
		for _, x := range f.Feedings {
			know(x.Day)
			if x.Day <= asOf {
				fed = x.Day
			}
			if outcome, seen := refOutcome(x, asOf); outcome != due.Unknown {
				know(seen)
			}
		}
		long := f.Rules.HandFeed != due.Never && f.Rules.IntervalDays > 0
		stalks := *f
		stalks.Rules.CutStalks = true
		want.Evidence = due.Evidence{
			NoPrey: prey == 0, StalkUp: refStalkUp(&stalks, asOf),
			NotFedLong: long && (fed == civil.None || asOf >= fed+civil.Day(2*f.Rules.IntervalDays)),
		}

		order := func(a, b due.Hold) int {
			return cmp.Or(cmp.Compare(a.Code, b.Code), cmp.Compare(a.From, b.From), cmp.Compare(a.Until, b.Until), cmp.Compare(a.Observation, b.Observation))
		}
		holds, wantHolds := slices.SortedFunc(slices.Values(got.Holds), order), slices.SortedFunc(slices.Values(refHolds(f, asOf)), order)
		if !slices.Equal(holds, wantHolds) {
			t.Fatalf("holds %v, want %v", holds, wantHolds)
		}
		rests := slices.ContainsFunc(wantHolds, func(h due.Hold) bool { return h.Code == due.Resting && h.From <= asOf && asOf < h.Until })
		if got.Rests(asOf) != rests {
			t.Fatalf("rests: %v", got.Rests(asOf))
		}
		days := map[civil.Day]float64{} // the last diameter of a day counts
		for _, m := range got.Diameters {
			days[m.Day] = m.DiameterMM
		}
		series := refDiameters(f, asOf)
		for _, d := range series {
			if mm, _ := d.mm.Float64(); days[d.day] != mm {
				t.Fatalf("diameter on %s: %v, want %v", d.day, days[d.day], mm)
			}
		}
		if len(days) != len(series) {
			t.Fatalf("diameters of %d days, want %d", len(days), len(series))
		}
		got.Holds, got.Diameters = nil, nil
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got %+v\nwant %+v\nfacts %s", got, want, dumpFacts(f))
		}
	})
}
