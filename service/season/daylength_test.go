package season

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"dewbench/service/civil"

	"pgregory.net/rapid"
)

func readCSV(t *testing.T, name string) [][]string {
	t.Helper()
	file, err := os.Open("../../testdata/season/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// maxMinutes is how far the model, which knows no years, may be from the true
// day length. Away from the polar circles that is the change of a day and a
// half.
func maxMinutes(lat float64) float64 {
	switch lat = math.Abs(lat); {
	case lat <= 35:
		return 3.5
	case lat <= 55:
		return 6.5
	case lat <= 60:
		return 8
	}
	return 25
}

// Tables of the U.S. Naval Observatory: see testdata/season/README.md. They give
// whole minutes, so a day length is good to one minute.
func TestDayLengthUSNO(t *testing.T) {
	for _, row := range readCSV(t, "usno.csv")[1:] {
		day, err := civil.Parse(row[1])
		if err != nil {
			t.Fatal(err)
		}
		rise, err := time.Parse("15:04", row[2])
		if err != nil {
			t.Fatal(err)
		}
		set, err := time.Parse("15:04", row[3])
		if err != nil {
			t.Fatal(err)
		}
		if set.Before(rise) {
			set = set.Add(24 * time.Hour)
		}
		lat := number(t, row[0])
		want := set.Sub(rise).Hours()
		if got := DayLength(lat, day.YearDay()); math.Abs(got-want)*60 > maxMinutes(lat)+1 {
			t.Errorf("%s at %v: %.3f h, table %.3f h", day, lat, got, want)
		}
	}
}

// An ephemeris, for 17 latitudes of both hemispheres: see
// testdata/season/README.md. Beyond 60 degrees, where the day may grow by half
// an hour a day, the value must lie between those of the day before and the day
// after, give or take 25 minutes.
func TestDayLengthEphemeris(t *testing.T) {
	rows := readCSV(t, "ephemeris.csv")
	compared := 0
	for _, row := range rows[1:] {
		yearDay := int(number(t, row[1]))
		for i, text := range row[2:] {
			if text == "" {
				continue
			}
			compared++
			lat, want := number(t, rows[0][i+2]), number(t, text)
			low, high := DayLength(lat, yearDay), DayLength(lat, yearDay)
			if math.Abs(lat) > 60 {
				before, after := DayLength(lat, yearDay-1), DayLength(lat, yearDay+1)
				low, high = min(low, before, after), max(high, before, after)
			}
			if slack := maxMinutes(lat) / 60; want < low-slack || want > high+slack {
				t.Errorf("%s at %v: %.3f-%.3f h, ephemeris %.3f h", row[0], lat, low, high, want)
			}
		}
	}
	if compared < 1200 {
		t.Errorf("%d values compared", compared)
	}
}

// U.S. Naval Observatory, "Rise and Set for the Sun for 2019", W150 00, S80 00:
// the sun is continuously up until 24 February and from 17 October, continuously
// down from 18 April to 24 August. The model may be two days off.
func TestPolarDayAndNight(t *testing.T) {
	at := func(month, day int) float64 { return DayLength(-80, civil.Date(2019, month, day).YearDay()) }
	for _, c := range []struct {
		month, day int
		want       float64
	}{
		{1, 1, 24}, {2, 22, 24}, {4, 20, 0}, {6, 21, 0}, {8, 22, 0}, {10, 19, 24}, {12, 31, 24},
	} {
		if got := at(c.month, c.day); got != c.want {
			t.Errorf("%d-%d: %v h, want %v", c.month, c.day, got, c.want)
		}
	}
	for _, c := range [][2]int{{2, 27}, {3, 21}, {4, 15}, {8, 27}, {9, 23}, {10, 14}} {
		if got := at(c[0], c[1]); got <= 0 || got >= 24 {
			t.Errorf("%d-%d: %v h", c[0], c[1], got)
		}
	}
}

// Anything gives hours; the poles and beyond are one place; the day grows from
// one solstice to the other.
func TestDayLengthDomain(t *testing.T) {
	for _, c := range []struct{ lat, like float64 }{{91, 90}, {1e300, 90}, {math.Inf(1), 90}, {-100, -90}} {
		if got, want := DayLength(c.lat, 100), DayLength(c.like, 100); got != want {
			t.Errorf("at %v: %v, want %v", c.lat, got, want)
		}
	}
	if DayLength(50, -7) != DayLength(50, 1) || DayLength(50, 400) != DayLength(50, 366) {
		t.Error("days outside the year are not the nearest ones")
	}
	if !math.IsNaN(DayLength(math.NaN(), 1)) {
		t.Error("no latitude, but a day length")
	}
	if DayLength(90, 172) != 24 || DayLength(90, 355) != 0 || DayLength(-90, 172) != 0 || DayLength(-90, 355) != 24 {
		t.Error("poles are wrong")
	}
	rapid.Check(t, func(t *rapid.T) {
		lat := rapid.Float64().Draw(t, "lat")
		day := rapid.IntRange(-1000, 1000).Draw(t, "day")
		if got := DayLength(lat, day); !(got >= 0 && got <= 24) {
			t.Fatalf("%v h", got)
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		lat := rapid.Float64Range(5, 90).Draw(t, "lat")
		for day := 2; day <= 366; day++ {
			north := DayLength(lat, day) - DayLength(lat, day-1)
			south := DayLength(-lat, day) - DayLength(-lat, day-1)
			growing := day <= 172 || day > 356
			if growing && (north < 0 || south > 0) || day > 173 && day <= 355 && (north > 0 || south < 0) {
				t.Fatalf("day %d: %v h in the north, %v h in the south", day, north, south)
			}
		}
	})
}

func BenchmarkDayLength(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		DayLength(51.5, 300)
	}
}
