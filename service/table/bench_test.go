package table

import (
	"fmt"
	"strings"
	"testing"
)

func manyPlants(n int) string {
	var b strings.Builder
	b.WriteString("Tag;Scientific name;Location;Exposure;Qty;Acquired;Interval;Diameter (mm);Trap width;Notes\n")
	for i := range n {
		fmt.Fprintf(&b, "D-%06d;Drosera x obovata 'Red %d';Shelf %d;windowsill;%d;%d/%d/20%02d;10;%d,5;4 mm;\"a note; of some words\"\n",
			i, i%50, i%40, 1+i%5, 1+i%28, 1+i%12, 10+i%16, 20+i%90)
	}
	return b.String()
}

func manyFeedings(n int) string {
	var b strings.Builder
	b.WriteString("Date,Tag,Traps,Food,Item length,Outcome,Outcome date,Note\n")
	for i := range n {
		fmt.Fprintf(&b, "%d.%d.20%02d,D-%06d,%d,bloodworm,3.5,%s,,%s\n",
			1+i%28, 1+i%12, 10+i%16, i%5000, 1+i%4, []string{"clean", "Mould", "fell off", "?"}[i%4], strings.Repeat("w", i%20))
	}
	return b.String()
}

// BenchmarkPlants reads 50,000 plants, with an order to be found.
func BenchmarkPlants(b *testing.B) {
	text := manyPlants(50_000)
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := Plants(strings.NewReader(text), Options{})
		if err != nil || len(r.Rows) != 50_000 {
			b.Fatal(len(r.Rows), r.Problems[:min(len(r.Problems), 3)], err)
		}
	}
}

// BenchmarkFeedings reads 50,000 feedings and finds their plants.
func BenchmarkFeedings(b *testing.B) {
	text := manyFeedings(50_000)
	plants, err := Plants(strings.NewReader(manyPlants(5000)), Options{})
	if err != nil || !plants.OK() {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := Feedings(strings.NewReader(text), Options{})
		if err != nil || len(r.Rows) != 50_000 {
			b.Fatal(len(r.Rows), r.Problems[:min(len(r.Problems), 3)], err)
		}
		if of := Join(PlantTags(plants), r); len(of) != 50_000 {
			b.Fatal(len(of))
		}
	}
}

// BenchmarkBad reads 50,000 rows of which each has problems.
func BenchmarkBad(b *testing.B) {
	text := strings.ReplaceAll(strings.ReplaceAll(manyPlants(50_000), "windowsill", "windowsil"), "Drosera x", "Drosera 'x")
	b.ReportAllocs()
	for b.Loop() {
		r, err := Plants(strings.NewReader(text), Options{})
		if err != nil || len(r.Rows) != 0 || len(r.Problems) != DefaultMaxProblems {
			b.Fatal(len(r.Rows), len(r.Problems), err)
		}
	}
}

// BenchmarkNearest looks among 50,000 tags.
func BenchmarkNearest(b *testing.B) {
	tags := make([]string, 50_000)
	for i := range tags {
		tags[i] = fmt.Sprintf("D-%06d", i)
	}
	b.ReportAllocs()
	for b.Loop() {
		if got := Nearest("D-00123", tags, 3); len(got) != 3 {
			b.Fatal(got)
		}
	}
}
