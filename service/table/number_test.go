package table

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestWholeNumber(t *testing.T) {
	const must = "must be a whole number from 1 to 5000"
	for _, c := range []struct {
		text, want string
	}{
		{"1", "1"}, {"5000", "5000"}, {"+7", "7"}, {"007", "7"}, {"3.0", "3"}, {"3,00", "3"}, {"12.0000", "12"},
		{"0", must}, {"5001", must}, {"-1", must}, {"−1", must}, {"2.5", must}, {"two", must}, {"", must}, {"1e3", must},
		{"0x10", must}, {"1_000", must}, {"NaN", must}, {"Inf", must}, {"=3", must}, {"3 traps", must}, {"3.", must}, {".5", must},
		{"99999999999999999999", must}, {strings.Repeat("9", 31), must}, {"٣", must},
		{"1,000", "may be 1000 or 1.000; write it without a thousands separator, or with another number of decimals"},
		{"1 000", "is not a number; write it without a thousands separator"},
		{"1'000", "is not a number; write it without a thousands separator"},
		{"1.000,0", "is not a number; write it without a thousands separator"},
	} {
		n, rule := wholeNumber(c.text, 1, 5000, false)
		got := strconv.FormatInt(n, 10)
		if rule != "" {
			got = rule
		}
		if got != c.want {
			t.Errorf("%q: got %q, want %q", c.text, got, c.want)
		}
	}
}

func TestMeasure(t *testing.T) {
	const must = "must be a length above 0 mm and up to 1000 mm"
	for _, c := range []struct {
		text   string
		header unit
		dotted bool
		want   string
	}{
		{"31.5", millimetre, false, "31.5"},
		{"31,5", millimetre, false, "31.5"},
		{"31,5", millimetre, true, "31.5"},
		{"31.250", millimetre, false, "31.25"},
		{"0.125", millimetre, true, "0.125"},
		{"0,125", millimetre, false, "0.125"},
		{"3.1 cm", millimetre, false, "31"},
		{"3.1", centimetre, false, "31"},
		{"0,7cm", millimetre, true, "7"},
		{"31 mm", centimetre, false, "31"},
		{"2 in", millimetre, false, "50.8"},
		{`1.5"`, millimetre, false, "38.1"},
		{"1 inch", millimetre, false, "25.4"},
		{"100.0", centimetre, false, "1000"},
		{"100.1", centimetre, false, must},
		{"0", millimetre, false, must}, {"-3", millimetre, false, must}, {"1000.01", millimetre, false, must},
		{"0.0", millimetre, false, must},
		{"31.250", millimetre, true, "may be 31250 or 31.250; write it without a thousands separator, or with another number of decimals"},
		{"31,250", millimetre, false, "may be 31250 or 31.250; write it without a thousands separator, or with another number of decimals"},
		{"3 ft", millimetre, false, `has the unit "ft"; accepted: mm, cm, in`},
		{"3 days", millimetre, false, `has the unit "days"; accepted: mm, cm, in`},
		{"30-35", millimetre, false, "is not a number"}, {"~30", millimetre, false, "is not a number"}, {"big", millimetre, false, "is not a number"},
		{"1e2", millimetre, false, "is not a number"}, {"", millimetre, false, "is not a number"}, {"cm", millimetre, false, "is not a number"},
	} {
		number, u, rule := withUnit(c.text, millimetre, c.header)
		got := rule
		if rule == "" {
			mm, rule := measure(number, u, 1000, c.dotted)
			if got = rule; rule == "" {
				got = strconv.FormatFloat(mm, 'f', -1, 64)
			}
		}
		if got != c.want {
			t.Errorf("%q: got %q, want %q", c.text, got, c.want)
		}
	}
}

// A number that a program writes is read back exactly, with dot or comma, in
// millimetres or centimetres, unless it is said to be doubtful.
func TestMeasureExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tenths := rapid.IntRange(1, 10_000).Draw(t, "tenths of a millimetre")
		want := float64(tenths) / 10
		for _, c := range []struct {
			text string
			u    unit
		}{
			{fmt.Sprintf("%d.%d", tenths/10, tenths%10), millimetre},
			{fmt.Sprintf("%d,%d", tenths/10, tenths%10), millimetre},
			{fmt.Sprintf("%d.%02d", tenths/100, tenths%100), centimetre},
			{fmt.Sprintf("%d,%02d", tenths/100, tenths%100), centimetre},
		} {
			if got, rule := measure(c.text, c.u, 1000, true); got != want || rule != "" {
				t.Fatal(c.text, got, want, rule)
			}
		}
		// Inches: to a thousandth of a millimetre.
		in := float64(tenths) / 254
		got, rule := measure(strconv.FormatFloat(in, 'f', 6, 64), inch, 1000.5, false)
		if rule != "" || math.Abs(got-want) > 0.001 {
			t.Fatal(in, got, want, rule)
		}
	})
}
