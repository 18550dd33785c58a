package civil

import (
	"errors"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The expected values of the edges come from the standard library's time
// package (general-purpose library, Go 1.26).
func TestParse(t *testing.T) {
	for _, c := range []struct {
		in   string
		want Day
		err  error
	}{
		{"1970-01-01", 0, nil},
		{"0001-01-01", Min, nil},
		{"9999-12-31", Max, nil},
		{"2024-02-29", 19782, nil},
		{"2026-02-29", None, ErrNotADay},
		{"1900-02-29", None, ErrNotADay},
		{"2026-13-01", None, ErrNotADay},
		{"2026-00-10", None, ErrNotADay},
		{"0000-01-01", None, ErrNotADay},
		{"2026-04-31", None, ErrNotADay},
		{"2026-4-3", None, ErrFormat},
		{"2026/04/03", None, ErrFormat},
		{"+026-04-03", None, ErrFormat},
		{"2026-04-03 ", None, ErrFormat},
		{"", None, ErrFormat},
	} {
		got, err := Parse(c.in)
		if got != c.want || !errors.Is(err, c.err) {
			t.Errorf("Parse(%q) = %d, %v; want %d, %v", c.in, got, err, c.want, c.err)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Day(rapid.Int32Range(int32(Min), int32(Max)).Draw(t, "day"))
		back, err := Parse(d.String())
		if err != nil || back != d {
			t.Fatalf("Parse(%s) = %v, %v", d, back, err)
		}
		if got, want := d.Weekday(), d.time().Weekday(); got != want {
			t.Fatalf("%s is a %s, want %s", d, got, want)
		}
	})
}

// The civil day of an instant, at the places where it is easily wrong. Offsets
// are those of the IANA time zone database.
func TestOf(t *testing.T) {
	for _, c := range []struct{ zone, instant, want string }{
		{"UTC", "2026-05-01T23:59:59Z", "2026-05-01"},
		{"Asia/Kathmandu", "2026-05-01T18:14:59Z", "2026-05-01"}, // +05:45
		{"Asia/Kathmandu", "2026-05-01T18:15:00Z", "2026-05-02"},
		{"Pacific/Kiritimati", "2026-05-01T10:00:00Z", "2026-05-02"}, // +14
		{"Pacific/Pago_Pago", "2026-05-01T10:59:59Z", "2026-04-30"},  // -11
		{"Europe/Berlin", "2026-03-28T22:59:59Z", "2026-03-28"},      // the night clocks go forward
		{"Europe/Berlin", "2026-03-29T22:00:00Z", "2026-03-30"},
		{"Pacific/Apia", "2011-12-30T09:59:59Z", "2011-12-29"}, // the day that Samoa left out
		{"Pacific/Apia", "2011-12-30T10:00:00Z", "2011-12-31"},
	} {
		loc, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		instant, err := time.Parse(time.RFC3339, c.instant)
		if err != nil {
			t.Fatal(err)
		}
		if got := Of(instant, loc).String(); got != c.want {
			t.Errorf("%s in %s is %s, want %s", c.instant, c.zone, got, c.want)
		}
	}
}

func TestAddYears(t *testing.T) {
	if got := Date(2024, 2, 29).AddYears(2); got != Date(2026, 2, 28) {
		t.Errorf("29 February and two years = %s", got)
	}
	if got := Date(2026, 5, 1).AddYears(-1); got != Date(2025, 5, 1) {
		t.Errorf("1 May less a year = %s", got)
	}
}

func TestSpan(t *testing.T) {
	s := Span{From: 10, Until: 12}
	for d, want := range map[Day]bool{9: false, 10: true, 11: true, 12: false} {
		if s.Contains(d) != want {
			t.Errorf("Contains(%d) = %v", d, !want)
		}
	}
	if !(Span{From: 5, Until: 5}).Empty() || s.Empty() || (Span{From: 1, Until: Never}).Empty() {
		t.Error("Empty is wrong")
	}
}
