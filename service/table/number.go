package table

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// unit is what a number counts in.
type unit uint8

const (
	noUnit unit = iota
	millimetre
	centimetre
	inch
	days
	weeks
	percent
	hours
)

// unitWords are the words of each unit, by key.
var unitWords = map[string]unit{
	"mm": millimetre, "millimetre": millimetre, "millimetres": millimetre, "millimeter": millimetre, "millimeters": millimetre,
	"cm": centimetre, "centimetre": centimetre, "centimetres": centimetre, "centimeter": centimetre, "centimeters": centimetre,
	"in": inch, "inch": inch, "inches": inch,
	"d": days, "day": days, "days": days,
	"w": weeks, "wk": weeks, "wks": weeks, "week": weeks, "weeks": weeks,
	"pct": percent, "percent": percent,
	"h": hours, "hr": hours, "hrs": hours, "hour": hours, "hours": hours,
}

// unitOf reads the word or sign of a unit.
func unitOf(s string) (unit, bool) {
	switch s = strings.TrimSpace(s); s {
	case "%":
		return percent, true
	case `"`, "″", "”", "''":
		return inch, true
	}
	u, ok := unitWords[key(s)]
	return u, ok
}

// base returns the unit in which numbers of the same kind are kept.
func (u unit) base() unit {
	switch u {
	case centimetre, inch:
		return millimetre
	case weeks:
		return days
	}
	return u
}

// accepted names the units that a column in base unit u takes.
func (u unit) accepted() string {
	switch u {
	case millimetre:
		return "mm, cm, in"
	case days:
		return "days, weeks"
	case percent:
		return "%"
	case hours:
		return "h"
	}
	return ""
}

// withUnit splits "3.1 cm". The unit is fallback where none is written.
func withUnit(s string, base, fallback unit) (number string, u unit, rule string) {
	end := strings.LastIndexAny(s, "0123456789") + 1
	word := strings.TrimSpace(s[end:])
	if end == 0 || word == "" {
		return s, fallback, ""
	}
	if u, ok := unitOf(word); ok && base != noUnit && u.base() == base {
		return strings.TrimSpace(s[:end]), u, ""
	}
	if base == noUnit {
		return s, noUnit, ""
	}
	return s, fallback, fmt.Sprintf("has the unit %q; accepted: %s", cut(word), base.accepted())
}

// none tells the marks that growers put in a cell that has nothing to say
// (common practice, no source).
func none(s string) bool {
	switch s {
	case "", "-", "--", "–", "—", "n/a", "N/A":
		return true
	}
	return false
}

const notANumber = "is not a number"

// decimal brings a number to the form of strconv: digits, a dot, digits. A comma
// is a decimal comma. What could as well be a thousands separator is refused:
// one comma before exactly three digits, and likewise one dot where dotDoubtful
// (tables of semicolons or tabs come from places where the comma is decimal).
func decimal(s string, dotDoubtful bool) (number string, rule string) {
	const bad = notANumber
	digits, at := s, -1
	if s != "" && (s[0] == '-' || s[0] == '+') {
		digits = s[1:]
	} else if rest, ok := strings.CutPrefix(s, "−"); ok {
		digits, s = rest, "-"+rest
	}
	if digits == "" || len(digits) > 30 {
		return "", bad
	}
	marks := 0
	for i := range len(digits) {
		switch c := digits[i]; {
		case isDigit(c):
		case c == '.' || c == ',':
			marks++
			at = i
		case (c == ' ' || c == '\'') && i > 0 && strings.Trim(digits, "0123456789., '") == "":
			return "", bad + "; write it without a thousands separator"
		default:
			return "", bad
		}
	}
	if marks == 0 {
		return s, ""
	}
	if marks > 1 {
		return "", bad + "; write it without a thousands separator"
	}
	whole, part := digits[:at], digits[at+1:]
	if part == "" || whole == "" {
		return "", bad
	}
	if doubtful := digits[at] == ',' || dotDoubtful; doubtful && len(part) == 3 && len(whole) <= 3 && whole[0] != '0' {
		return "", fmt.Sprintf("may be %s%s or %s.%s; write it without a thousands separator, or with another number of decimals", whole, part, whole, part)
	}
	return s[:len(s)-len(digits)] + whole + "." + part, ""
}

// wholeNumber reads a whole number in a range. "3.0" and "3,0" are whole, as
// sheets and programs write them.
func wholeNumber(s string, low, high int64, dotDoubtful bool) (n int64, rule string) {
	number, rule := decimal(s, dotDoubtful)
	if rule != "" && rule != notANumber {
		return 0, rule
	}
	whole, part, _ := strings.Cut(number, ".")
	n, err := strconv.ParseInt(whole, 10, 64)
	if rule != "" || err != nil || strings.Trim(part, "0") != "" || n < low || n > high {
		return 0, fmt.Sprintf("must be a whole number from %d to %d", low, high)
	}
	return n, ""
}

// measure reads a length and returns it in millimetres: above 0, up to high.
// Centimetres are shifted by one decimal exactly; an inch is 25.4 mm, rounded to
// a thousandth of a millimetre.
func measure(number string, u unit, high float64, dotDoubtful bool) (mm float64, rule string) {
	text, rule := decimal(number, dotDoubtful)
	if rule != "" {
		return 0, rule
	}
	if u == centimetre {
		text += "e1"
	}
	mm, err := strconv.ParseFloat(text, 64)
	if u == inch {
		mm = math.Round(mm*25_400) / 1000
	}
	if err != nil || !(mm > 0 && mm <= high) {
		return 0, fmt.Sprintf("must be a length above 0 mm and up to %g mm", high)
	}
	return mm, ""
}
