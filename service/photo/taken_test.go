package photo

import (
	"testing"
	"time"
	_ "time/tzdata" // time zones where the machine has none

	"pgregory.net/rapid"
)

// A clock without offset is that of the zone. The two days of New York in 2007 are the
// examples of RFC 5545, 3.3.5. The others are what zoneinfo of Python 3.11 tells with version
// 2025b of the IANA database: PEP 495 has the same rule for fold=0. They have gaps and
// repeated hours of both hemispheres, at midnight in Santiago and Havana, of half an hour on
// Lord Howe Island, and of the whole 30 December 2011 in Apia.
func TestTakenAt(t *testing.T) {
	for _, test := range []struct{ zone, clock, want string }{
		{"Europe/Berlin", "2026-01-01T00:30:00", "2025-12-31T23:30:00Z"},
		{"Europe/Berlin", "2026-07-01T00:30:00", "2026-06-30T22:30:00Z"},
		{"Europe/Berlin", "2026-03-29T01:59:59", "2026-03-29T00:59:59Z"},
		{"Europe/Berlin", "2026-03-29T02:00:00", "2026-03-29T01:00:00Z"},
		{"Europe/Berlin", "2026-03-29T02:30:00", "2026-03-29T01:30:00Z"},
		{"Europe/Berlin", "2026-03-29T03:00:00", "2026-03-29T01:00:00Z"},
		{"Europe/Berlin", "2026-10-25T01:59:59", "2026-10-24T23:59:59Z"},
		{"Europe/Berlin", "2026-10-25T02:00:00", "2026-10-25T00:00:00Z"},
		{"Europe/Berlin", "2026-10-25T02:30:00", "2026-10-25T00:30:00Z"},
		{"Europe/Berlin", "2026-10-25T03:00:00", "2026-10-25T02:00:00Z"},
		{"America/New_York", "2007-03-11T02:30:00", "2007-03-11T07:30:00Z"},
		{"America/New_York", "2007-11-04T01:30:00", "2007-11-04T05:30:00Z"},
		{"America/New_York", "2026-03-08T01:59:59", "2026-03-08T06:59:59Z"},
		{"America/New_York", "2026-03-08T02:30:00", "2026-03-08T07:30:00Z"},
		{"America/New_York", "2026-03-08T03:00:00", "2026-03-08T07:00:00Z"},
		{"America/New_York", "2026-11-01T00:59:59", "2026-11-01T04:59:59Z"},
		{"America/New_York", "2026-11-01T01:30:00", "2026-11-01T05:30:00Z"},
		{"America/New_York", "2026-11-01T02:00:00", "2026-11-01T07:00:00Z"},
		{"America/Santiago", "2025-09-06T23:59:59", "2025-09-07T03:59:59Z"},
		{"America/Santiago", "2025-09-07T00:00:00", "2025-09-07T04:00:00Z"},
		{"America/Santiago", "2025-09-07T00:30:00", "2025-09-07T04:30:00Z"},
		{"America/Santiago", "2025-09-07T01:00:00", "2025-09-07T04:00:00Z"},
		{"America/Santiago", "2025-04-05T22:59:59", "2025-04-06T01:59:59Z"},
		{"America/Santiago", "2025-04-05T23:30:00", "2025-04-06T02:30:00Z"},
		{"America/Santiago", "2025-04-06T00:00:00", "2025-04-06T04:00:00Z"},
		{"America/Havana", "2026-03-07T23:59:59", "2026-03-08T04:59:59Z"},
		{"America/Havana", "2026-03-08T00:30:00", "2026-03-08T05:30:00Z"},
		{"America/Havana", "2026-03-08T01:00:00", "2026-03-08T05:00:00Z"},
		{"America/Havana", "2025-11-02T00:30:00", "2025-11-02T04:30:00Z"},
		{"America/Havana", "2025-11-02T01:00:00", "2025-11-02T06:00:00Z"},
		{"Australia/Lord_Howe", "2025-10-05T02:15:00", "2025-10-04T15:45:00Z"},
		{"Australia/Lord_Howe", "2025-10-05T02:30:00", "2025-10-04T15:30:00Z"},
		{"Australia/Lord_Howe", "2025-04-06T01:29:59", "2025-04-05T14:29:59Z"},
		{"Australia/Lord_Howe", "2025-04-06T01:45:00", "2025-04-05T14:45:00Z"},
		{"Australia/Lord_Howe", "2025-04-06T02:00:00", "2025-04-05T15:30:00Z"},
		{"Pacific/Apia", "2011-12-29T23:59:59", "2011-12-30T09:59:59Z"},
		{"Pacific/Apia", "2011-12-30T00:00:00", "2011-12-30T10:00:00Z"},
		{"Pacific/Apia", "2011-12-30T12:00:00", "2011-12-30T22:00:00Z"},
		{"Pacific/Apia", "2011-12-31T00:00:00", "2011-12-30T10:00:00Z"},
		{"Africa/Casablanca", "2025-02-23T02:30:00", "2025-02-23T01:30:00Z"},
		{"Africa/Casablanca", "2025-04-06T02:30:00", "2025-04-06T02:30:00Z"},
		{"Europe/Berlin", "2028-12-31T12:00:00", "2028-12-31T11:00:00Z"},
		{"Europe/Berlin", "2040-12-31T12:00:00", "2040-12-31T11:00:00Z"},
		{"America/New_York", "2040-12-30T23:30:00", "2040-12-31T04:30:00Z"},
	} {
		clock, err := time.Parse("2006-01-02T15:04:05", test.clock)
		if err != nil {
			t.Fatal(err)
		}
		// Nanoseconds are kept.
		got := Taken{Clock: clock.Add(5)}.At(location(t, test.zone))
		if got.Nanosecond() != 5 || got.Format("2006-01-02T15:04:05Z") != test.want {
			t.Errorf("%s in %s: %v, want %s", test.clock, test.zone, got, test.want)
		}
	}
	offset := -(3*time.Hour + 30*time.Minute)
	got := Taken{time.Date(2026, 3, 29, 2, 30, 0, 0, time.UTC), &offset}.At(location(t, "Europe/Berlin"))
	if want := "2026-03-29T06:00:00Z"; got.Format(time.RFC3339) != want {
		t.Errorf("with an offset: %v, want %s", got, want)
	}
}

func location(t rapid.TB, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// wall is what a clock of the zone shows, as if that were in UTC.
func wall(at time.Time, zone *time.Location) time.Time {
	_, seconds := at.In(zone).Zone()
	return at.UTC().Add(time.Duration(seconds) * time.Second)
}

// The instant shows the clock, and no earlier one does; or none does, and it is the clock
// less the offset before the gap. The zones have gaps of 20 minutes to a day, clocks that
// went back at midnight, daylight time in winter, and offsets in seconds long ago.
func TestTakenAtProperties(t *testing.T) {
	zones := []string{
		"UTC", "Europe/Berlin", "Europe/Dublin", "Europe/Lisbon", "Europe/Amsterdam", "America/New_York", "America/St_Johns",
		"America/Santiago", "America/Havana", "America/Asuncion", "America/Sao_Paulo", "America/Caracas", "America/Juneau",
		"Australia/Lord_Howe", "Australia/Sydney", "Pacific/Apia", "Pacific/Kwajalein", "Pacific/Chatham", "Pacific/Kiritimati",
		"Asia/Manila", "Asia/Kathmandu", "Asia/Beirut", "Asia/Pyongyang", "Africa/Cairo", "Africa/Casablanca",
		"Africa/Monrovia", "Antarctica/Troll",
	}
	rapid.Check(t, func(t *rapid.T) {
		zone := location(t, rapid.SampledFrom(zones).Draw(t, "zone"))
		from, until := time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2060, 1, 1, 0, 0, 0, 0, time.UTC)
		clock := time.Unix(rapid.Int64Range(from.Unix(), until.Unix()).Draw(t, "clock"), 0).UTC()
		if _, change := clock.In(zone).ZoneBounds(); !change.IsZero() && rapid.Bool().Draw(t, "near a change") {
			clock = wall(change, zone).Add(time.Duration(rapid.IntRange(-2*86400, 2*86400).Draw(t, "seconds")) * time.Second)
		}
		got := Taken{Clock: clock}.At(zone)
		if got.Location() != time.UTC {
			t.Fatalf("%v is not in UTC", got)
		}
		// No offset was in force for less than an hour, so these are all that matter.
		first, before := time.Time{}, time.Time{}
		for at := clock.Add(-40 * time.Hour); at.Before(clock.Add(40 * time.Hour)); at = at.Add(15 * time.Minute) {
			candidate := clock.Add(at.Sub(wall(at, zone)))
			if wall(candidate, zone).Equal(clock) && (first.IsZero() || candidate.Before(first)) {
				first = candidate
			}
			// The last offset by which the zone's clocks had not yet come so far.
			if wall(at, zone).Before(clock) {
				before = candidate
			}
		}
		if first.IsZero() {
			first = before
		}
		if !got.Equal(first) {
			t.Fatalf("%v in %v: %v, want %v", clock, zone, got, first)
		}
	})
}
