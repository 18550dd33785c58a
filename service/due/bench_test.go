package due_test

import (
	"testing"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// sixtyEvents is a plant of two years: sessions with outcomes, measurements,
// surveys and a repotting.
func sixtyEvents() (due.Facts, civil.Day) {
	f := rosette()
	f.Acquired, f.Entered = civil.Date(2024, 5, 1), civil.Date(2024, 5, 1)
	first := civil.Date(2024, 6, 1)
	for i := range 24 {
		on := first + civil.Day(12*i)
		f.Feedings = append(f.Feedings, due.Feeding{
			Day: on, Time: int64(on) * 86400e6, Traps: 1 + i%3, Outcome: due.Clean, OutcomeDay: on + 7,
			OutcomeTime: int64(on+7) * 86400e6,
		})
	}
	for i := range 12 {
		on := first + civil.Day(25*i)
		o := due.Observation{Day: on, Time: int64(on) * 86400e6, WorkingTraps: due.NotCounted}
		switch i % 4 {
		case 0, 1:
			o.Kind, o.DiameterMM, o.WorkingTraps = due.Measured, 30-float64(i), 12
		case 2:
			o.Kind, o.Prey = due.Surveyed, 1
		case 3:
			o.Kind = due.Repotted
		}
		f.Observations = append(f.Observations, o)
	}
	for year := 2023; year < 2030; year++ {
		f.Rests = append(f.Rests, civil.Span{From: civil.Date(year, 11, 10), Until: civil.Date(year+1, 2, 10)})
	}
	return f, first + 12*24 + 5
}

// BenchmarkDecide: one plant of 60 events (24 sessions, 24 outcomes, which are events
// of their own in the walk, 12 observations), engine only. Goal: 500,000 a second on a core, no allocation per
// event.
func BenchmarkDecide(b *testing.B) {
	f, asOf := sixtyEvents()
	var engine due.Engine
	b.ReportAllocs()
	for b.Loop() {
		if engine.Decide(&f, asOf, 7).Status == due.Absent {
			b.Fatal("the plant is not there")
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "decisions/s")
}

// BenchmarkDecideOutdoors: the same plant in the open air, where its trend
// matters.
func BenchmarkDecideOutdoors(b *testing.B) {
	f, asOf := sixtyEvents()
	f.First = due.Outdoors
	var engine due.Engine
	b.ReportAllocs()
	for b.Loop() {
		if engine.Decide(&f, asOf, 7).Status == due.Absent {
			b.Fatal("the plant is not there")
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "decisions/s")
}
