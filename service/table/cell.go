package table

import (
	"encoding/csv"
	"regexp"
	"strings"
	"unicode"
)

// Spreadsheets take a cell for a formula that begins with one of these: = + - @, a
// tab or a carriage return (OWASP, CSV Injection); a line feed and the wide forms of
// the four are treated likewise.
const formulaSigns = "=+-@\t\r\n＝＋－＠"

// formula tells whether text, behind any apostrophes, begins like a formula. A plain
// number does not.
func formula(s string) bool {
	rest := strings.TrimLeft(s, "'")
	for _, sign := range formulaSigns {
		if strings.HasPrefix(rest, string(sign)) {
			return len(rest) < len(s) || !number(s)
		}
	}
	return false
}

// number tells plain numbers: a sign, digits, and a dot with digits.
func number(s string) bool {
	whole, part, dot := strings.Cut(strings.TrimLeft(s[:1], "+-")+s[1:], ".")
	digits := func(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }
	return digits(whole) && (!dot || digits(part))
}

// A spreadsheet that takes another separator than the comma parts cells where it stands
// in them, and lines that quotes hold together. What begins like a formula behind one,
// perhaps behind quotes, has an apostrophe there.
const parts = ";\t\r\n"

var (
	parted  = regexp.MustCompile(`([;\t\r\n])(['"]*[=+\-@＝＋－＠])`)
	guarded = regexp.MustCompile(`([;\t\r\n])'(['"]*[=+\-@＝＋－＠])`)
)

// Guarded returns text as a cell that no spreadsheet takes for a formula: one that
// begins like one has an apostrophe before it. Bare takes it off again.
func Guarded(s string) string {
	if strings.ContainsAny(s, parts) {
		s = parted.ReplaceAllString(s, "$1'$2")
	}
	if formula(s) {
		return "'" + s
	}
	return s
}

// Bare returns a cell without the apostrophes that guard formulas; other cells are
// returned as they are. Bare(Guarded(s)) is s.
func Bare(cell string) string {
	if rest, ok := strings.CutPrefix(cell, "'"); ok && formula(rest) {
		cell = rest
	}
	if strings.ContainsAny(cell, parts) {
		cell = guarded.ReplaceAllString(cell, "$1$2")
	}
	return cell
}

// Same tells whether two texts are the same once they went through a cell: white
// space and characters that show nothing apart.
func Same(a, b string) bool { return a == b || clean(printable(a)) == clean(printable(b)) }

// printable makes control characters spaces: no cell holds them.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && !unicode.IsSpace(r) {
			return ' '
		}
		return r
	}, s)
}

// Write writes rows as RFC 4180 has them, each cell guarded.
func Write(rows [][]string) (string, error) {
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	ends := strings.NewReplacer("\r\n", "\n", "\r", "\n") // the writer drops a lone CR
	for _, row := range rows {
		cells := make([]string, len(row))
		for i, cell := range row {
			cells[i] = Guarded(ends.Replace(printable(cell)))
		}
		if err := w.Write(cells); err != nil {
			return "", err
		}
	}
	w.Flush()
	return b.String(), w.Error()
}
