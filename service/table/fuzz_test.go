package table

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// Seeds are the tables of testdata and some spoilt ones.
func seed(f *testing.F, pattern string) {
	files, err := filepath.Glob("testdata/" + pattern + "*.csv")
	if err != nil || len(files) == 0 {
		f.Fatal(err)
	}
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data, 0)
		f.Add(bytes.ReplaceAll(data, []byte(","), []byte(";")), 1)
		f.Add(bytes.ReplaceAll(data, []byte("\n"), []byte("\r")), 2)
		f.Add(append([]byte("\xff\xfe"), data...), 3)
	}
	f.Add([]byte("sep=\t\nTag\tDate\tName\tDiameter\n\"1\"\t1/5/2026\tx\t3\"\n"), 4)
}

func fuzzOptions(n int) Options {
	return Options{Order: Order(n & 3), Encoding: Encoding(n >> 2 & 1), MaxProblems: n >> 3 & 7}
}

// check checks what holds for every result.
func check[R any](t *testing.T, r *Result[R], err error, o Options, lineOf func(R) int) {
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Problems) > o.maxProblems() || len(r.Warnings) > o.maxProblems() || len(r.Rows) > r.Read || r.Read > MaxRows {
		t.Fatal(len(r.Problems), len(r.Warnings), len(r.Rows), r.Read)
	}
	if r.Order != Unknown && r.Order != DayFirst && r.Order != MonthFirst && r.Order != o.Order {
		t.Fatal(int(r.Order))
	}
	last := 0
	for _, p := range r.Problems {
		s := p.String()
		if p.Rule == "" || p.Rule == told || p.Line < last || strings.ContainsAny(s, "\r\n") || !utf8.ValidString(s) || len(s) > 4000 {
			t.Fatalf("%q", s)
		}
		last = p.Line
	}
	last = 0
	for _, row := range r.Rows {
		if lineOf(row) <= last {
			t.Fatal("lines do not rise", lineOf(row), last)
		}
		last = lineOf(row)
	}
}

func inRange[N int | int32](t *testing.T, what string, v *N, low, high N) {
	if v != nil && (*v < low || *v > high) {
		t.Fatal(what, *v)
	}
}

func lengthIn(t *testing.T, what string, v *float64, high float64) {
	if v != nil && !(*v > 0 && *v <= high) {
		t.Fatal(what, *v)
	}
}

func dayIn(t *testing.T, days ...civil.Day) {
	for _, d := range days {
		if d != civil.None && (d < civil.Date(minYear, 1, 1) || d > civil.Date(maxYear, 12, 31)) {
			t.Fatal(d)
		}
	}
}

func textIn(t *testing.T, most int, texts ...string) {
	for _, s := range texts {
		if utf8.RuneCountInString(s) > most || !utf8.ValidString(s) || strings.TrimSpace(s) != s || strings.ContainsRune(s, 0) {
			t.Fatalf("%q", s)
		}
	}
}

func sizesIn(t *testing.T, s *Sizes) {
	lengthIn(t, "diameter", s.RosetteDiameterMM, 10_000)
	lengthIn(t, "height", s.HeightMM, 10_000)
	lengthIn(t, "width", s.TrapWidthMM, 1000)
	inRange(t, "working traps", s.WorkingTraps, 0, 1_000_000)
	inRange(t, "leaves", s.LeafCount, 0, 1_000_000)
}

func FuzzPlants(f *testing.F) {
	seed(f, "plants")
	f.Fuzz(func(t *testing.T, data []byte, n int) {
		o := fuzzOptions(n)
		r, err := Plants(bytes.NewReader(data), o)
		check(t, r, err, o, func(p Plant) int { return p.Line })
		seen := map[string]bool{}
		for i := range r.Rows {
			p := &r.Rows[i]
			if p.Tag == "" || seen[Fold(p.Tag)] {
				t.Fatalf("tag %q", p.Tag)
			}
			seen[Fold(p.Tag)] = true
			textIn(t, maxTag, p.Tag, p.Clone)
			textIn(t, 300, p.Bench)
			textIn(t, 1000, p.Source, p.Locality, p.Name.Scientific, p.Name.Cultivar)
			textIn(t, 4000, p.Note)
			nameTwice(t, p.Name.String())
			if p.Name.String() == "" && p.Taxon == "" && p.TrapType == due.NoTrapType {
				t.Fatal("no name")
			}
			if p.TrapType > due.Eel || p.Habit > due.Large || p.Exposure > due.Enclosed || p.State < 0 || p.State > GivenAway {
				t.Fatal(show(*p))
			}
			if p.LampHours != nil && !(*p.LampHours >= 0 && *p.LampHours <= 24) {
				t.Fatal(*p.LampHours)
			}
			inRange(t, "quantity", p.Quantity, 1, 100_000)
			dayIn(t, p.Acquired, p.Entered, p.Ship, p.LastFed, p.EndDay, p.Measured)
			inRange(t, "interval", p.Regimen.IntervalDays, 1, 365)
			inRange(t, "tolerance", p.Regimen.ToleranceDays, 0, 60)
			inRange(t, "settle", p.Regimen.SettleDays, 0, 120)
			inRange(t, "digest", p.Regimen.DigestDays, 1, 90)
			sizesIn(t, &p.Sizes)
		}
		// The tags serve to join.
		if of := Join(PlantTags(r), &Result[Feeding]{Rows: []Feeding{{Tag: "d-001"}}}); len(of) > 1 {
			t.Fatal(of)
		}
	})
}

func FuzzFeedings(f *testing.F) {
	seed(f, "feedings")
	f.Fuzz(func(t *testing.T, data []byte, n int) {
		o := fuzzOptions(n)
		r, err := Feedings(bytes.NewReader(data), o)
		check(t, r, err, o, func(f Feeding) int { return f.Line })
		for _, f := range r.Rows {
			if f.Tag == "" || f.Fed == civil.None || f.OutcomeDay != civil.None && (f.OutcomeDay < f.Fed || f.Outcome == due.Unknown) {
				t.Fatal(show(f))
			}
			textIn(t, maxTag, f.Tag, f.Food, f.Feeder)
			textIn(t, 4000, f.Note)
			dayIn(t, f.Fed, f.OutcomeDay)
			inRange(t, "traps", f.TrapsFed, 0, 5_000_000)
			inRange(t, "target", f.TrapsTarget, 1, 5_000_000)
			lengthIn(t, "item", f.ItemLengthMM, 1000)
			if f.Outcome > due.Rejected || f.Time.Seconds < 0 || f.Time.Seconds >= 86_400 || !f.Time.Given && f.Time.Seconds != 0 {
				t.Fatal(show(f))
			}
		}
		got := len(r.Rows)
		if of := Join(NewTags([]string{"D-001", "D-002"}), r); len(of) != len(r.Rows) || len(of) > got {
			t.Fatal(of)
		}
	})
}

func FuzzObservations(f *testing.F) {
	seed(f, "observations")
	f.Fuzz(func(t *testing.T, data []byte, n int) {
		o := fuzzOptions(n)
		r, err := Observations(bytes.NewReader(data), o)
		check(t, r, err, o, func(o Observation) int { return o.Line })
		for _, o := range r.Rows {
			d := observationDraft{Observation: o}
			if o.Tag == "" || o.Day == civil.None || !d.says() {
				t.Fatal(show(o))
			}
			textIn(t, maxTag, o.Tag)
			textIn(t, 300, o.Bench)
			textIn(t, 1000, o.Cause, o.Recipient)
			textIn(t, 4000, o.Health, o.Note)
			dayIn(t, o.Day)
			sizesIn(t, &o.Sizes)
			inRange(t, "quantity", o.Quantity, 1, 100_000)
			if o.Survey != nil {
				inRange(t, "prey", &o.Survey.PreyFound, 0, 1_000_000)
				inRange(t, "examined", &o.Survey.TrapsExamined, 0, 1_000_000)
			}
			if o.Stalk < 0 || o.Stalk > SeedTaken || o.End < 0 || o.End > GivenAway || o.RestStart && o.RestEnd {
				t.Fatal(show(o))
			}
			if h := o.Hold; h != nil && h.Until != civil.None && h.Until <= o.Day {
				t.Fatal(show(o))
			}
		}
	})
}

func FuzzParseName(f *testing.F) {
	for _, s := range []string{"Drosera x obovata 'Red'", "×Foo “B” cv. (x y)", "''A'' x B", "„D“ One'", "a ‘b’ ×", "cv. '"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		n, err := ParseName(s)
		if !utf8.ValidString(s) {
			return
		}
		if n.Original != s || err == nil && strings.ContainsAny(n.Scientific+n.Cultivar+n.Rest, "\n\t\u00a0") {
			t.Fatalf("%q: %+v", s, n)
		}
		nameTwice(t, s)
	})
}

func FuzzParseDay(f *testing.F) {
	for _, s := range []string{"2026-05-01", "1/5/2026 6:05 pm", "1st of May 2026", "May 1, 2026", "46143.5", "1. 5. 2026"} {
		f.Add(s, 0)
	}
	f.Fuzz(func(t *testing.T, s string, n int) {
		day, clock, err := ParseDay(s, Order(n))
		if (err == nil) != day.Given() || err != nil && err.Error() == told || clock.Seconds < 0 || clock.Seconds >= 86_400 {
			t.Fatal(day, clock, err)
		}
		if day.Given() {
			dayIn(t, day)
			if again, _, err := ParseDay(day.String(), Unknown); again != day || err != nil {
				t.Fatal(day, again, err)
			}
		}
	})
}

func FuzzNearest(f *testing.F) {
	f.Add("D-001", "D-002\nd-01\nS-001", 2)
	f.Fuzz(func(t *testing.T, tag, list string, n int) {
		tags := strings.Split(list, "\n")
		got := Nearest(tag, tags, n)
		if len(got) > max(n, 0) {
			t.Fatal(got)
		}
		if len(got) > 0 {
			for _, other := range tags {
				if other != "" && Fold(other) == Fold(tag) && Fold(got[0]) != Fold(tag) {
					t.Fatal("the tag itself does not come first", got)
				}
			}
		}
	})
}
