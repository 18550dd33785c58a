package table

import (
	"encoding/csv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestGuarded checks the signs that the guidance names: = + - @, tab and carriage
// return, each made harmless by an apostrophe (OWASP, CSV Injection).
func TestGuarded(t *testing.T) {
	for cell, want := range map[string]string{
		"=1+1": "'=1+1", "+1+1": "'+1+1", "-1+1": "'-1+1", "@SUM(A1)": "'@SUM(A1)", "\t=1": "'\t'=1", "\r=1": "'\r'=1",
		"x;=1+1": "x;'=1+1", "x;'=1": "x;''=1", `x;"=1`: `x;'"=1`, "x\t@a;-b": "x\t'@a;'-b", "two\n=lines": "two\n'=lines", "x; y": "x; y", "a;b=c": "a;b=c",
		"＝1+1": "'＝1+1", "'=1": "''=1", "'-5": "''-5", "=": "'=",
		"-5": "-5", "+3.25": "+3.25", "-.5": "'-.5", "-5.": "'-5.", "--": "'--", "": "", "'": "'", "'Alba'": "'Alba'", "D1": "D1", "a=b": "a=b", "1e-5": "1e-5",
	} {
		if got := Guarded(cell); got != want {
			t.Errorf("%q: %q, want %q", cell, got, want)
		}
	}
}

// TestBareTakesTheGuardOff holds for any text: what was guarded is bare again, and
// begins like no formula in between.
func TestBareTakesTheGuardOff(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.StringMatching(`'{0,3}[=+@\-\t\r\n＝＋－＠'0-9.a;"]{0,8}`)).Draw(t, "text")
		guarded := Guarded(text)
		if got := Bare(guarded); got != text {
			t.Fatalf("%q is %q once it was guarded as %q", text, got, guarded)
		}
		if strings.ContainsAny(guarded[:min(1, len(guarded))], "=+-@\t\r") && strings.Trim(guarded, "+-0123456789.") != "" {
			t.Fatalf("%q begins like a formula", guarded)
		}
	})
}

// TestNoFormulaBehindAnySeparator writes any cells and reads them as a spreadsheet does
// that takes a semicolon or a tab for the separator, leniently: no cell begins like a
// formula (OWASP, CSV Injection).
func TestNoFormulaBehindAnySeparator(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.StringMatching(`[=+@\-;\t\n'"a,]{0,10}`)
		text, err := Write([][]string{{cell.Draw(t, "first"), cell.Draw(t, "second"), cell.Draw(t, "third")}})
		if err != nil {
			t.Fatal(err)
		}
		for i, part := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(";\t\r\n", r) }) {
			bare := strings.TrimPrefix(part, `"`)
			if i > 0 { // quotes hold nothing together here, or they do
				bare = strings.TrimLeft(part, `"`)
			}
			if bare != "" && strings.ContainsAny(bare[:1], "=+-@") && !number(bare) {
				t.Fatalf("%q begins like a formula in %q", part, text)
			}
		}
	})
}

// TestWriteReadsBack reads what Write wrote with encoding/csv of Go, as RFC 4180 has
// it, and with the reader of tables.
func TestWriteReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		note := rapid.String().Draw(t, "note")
		text, err := Write([][]string{{"Tag", "Date fed", "Note"}, {"D1", "2026-05-01", note}})
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		if err != nil || len(rows) != 2 || !Same(Bare(rows[1][2]), note) {
			t.Fatalf("%q: %v %v", text, rows, err)
		}
		if len([]rune(note)) > 4000 {
			return
		}
		r, err := Feedings(strings.NewReader(text), Options{})
		if err != nil || !r.OK() || len(r.Rows) != 1 || !Same(r.Rows[0].Note, note) {
			t.Fatalf("%q: %s", text, dump(r, err))
		}
	})
}
