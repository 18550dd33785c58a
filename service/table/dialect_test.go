package table

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"
	"unicode/utf16"

	"pgregory.net/rapid"
)

// rowsOf reads all rows of a text with a given separator.
func rowsOf(t interface{ Fatal(...any) }, text string, sep rune) (cells [][]string, lines []int) {
	g := newGrid(text, sep, 0)
	for {
		row, ok := g.next()
		if !ok {
			return cells, lines
		}
		if row.rule != "" {
			t.Fatal(row.line, row.rule)
		}
		cells, lines = append(cells, append([]string(nil), row.cells...)), append(lines, row.line)
	}
}

// The examples of RFC 4180, section 2, rules 1 to 7.
func TestRFC4180(t *testing.T) {
	for _, c := range []struct {
		rule string
		text string
		want [][]string
	}{
		{"1", "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"2", "aaa,bbb,ccc\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"3", "field_name,field_name,field_name\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
			[][]string{{"field_name", "field_name", "field_name"}, {"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"4", "aaa,bbb,ccc", [][]string{{"aaa", "bbb", "ccc"}}},
		{"5", "\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"6", "\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "b\nbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"7", "\"aaa\",\"b\"\"bb\",\"ccc\"", [][]string{{"aaa", "b\"bb", "ccc"}}},
	} {
		if got, _ := rowsOf(t, c.text, ','); !reflect.DeepEqual(got, c.want) {
			t.Errorf("rule %s: got %q, want %q", c.rule, got, c.want)
		}
	}
}

// Whatever package csv writes is read back, under each separator and line end.
func TestRoundTrip(t *testing.T) {
	cell := rapid.OneOf(
		rapid.StringOf(rapid.RuneFrom([]rune(" ,;\t\"'=x1é×\n"))),
		rapid.String().Filter(func(s string) bool { return !strings.Contains(s, "\r") }),
	)
	rapid.Check(t, func(t *rapid.T) {
		sep := rapid.SampledFrom(separators[:]).Draw(t, "separator")
		crlf := rapid.Bool().Draw(t, "crlf")
		want := rapid.SliceOfN(rapid.SliceOfN(cell, 2, 5), 1, 8).Draw(t, "rows")
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		w.Comma, w.UseCRLF = sep, crlf
		if err := w.WriteAll(want); err != nil {
			t.Fatal(err)
		}
		got, lines := rowsOf(t, b.String(), sep)
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got %q, want %q, text %q", got, want, b.String())
		}
		line := 1
		for i, row := range want {
			if lines[i] != line {
				t.Fatalf("row %d starts on line %d, want %d", i, lines[i], line)
			}
			line += 1 + strings.Count(strings.Join(row, ""), "\n")
		}
	})
}

// A table reads the same in each dialect, with the same lines. The separators
// within cells are where they are.
func TestDialects(t *testing.T) {
	data, err := os.ReadFile("testdata/plants-clean.csv")
	if err != nil {
		t.Fatal(err)
	}
	opts := Options{File: "plants.csv"}
	want := dump(Plants(bytes.NewReader(data), opts))
	records, _ := rowsOf(t, string(data), ',')
	for _, sep := range separators {
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		w.Comma = sep
		if err := w.WriteAll(records); err != nil {
			t.Fatal(err)
		}
		text := b.String()
		for name, form := range map[string]string{
			"LF":               text,
			"CRLF":             strings.ReplaceAll(text, "\n", "\r\n"),
			"CR":               strings.ReplaceAll(text, "\n", "\r"),
			"byte order mark":  "\ufeff" + text,
			"UTF-16LE":         toUTF16(text, binary.LittleEndian),
			"UTF-16BE":         toUTF16(text, binary.BigEndian),
			"no last line end": strings.TrimSuffix(text, "\n"),
			"empty columns":    strings.ReplaceAll(text, "\nD", ""+string(sep)+string(sep)+"\nD"),
			"empty rows":       text + strings.Repeat(string(sep), 12) + "\n\n \n",
		} {
			if got := dump(Plants(strings.NewReader(form), opts)); got != want {
				t.Errorf("%q, %s: got\n%s\nwant\n%s", sep, name, got, want)
			}
		}
		got, err := Plants(strings.NewReader("sep="+string(sep)+"\r\n"+text), opts)
		if err != nil || !got.OK() || got.Rows[0].Line != 3 || len(got.Rows) != 5 {
			t.Errorf("%q, sep line: %s", sep, dump(got, err))
		}
	}
}

func toUTF16(s string, order binary.AppendByteOrder) string {
	var b []byte
	for _, u := range utf16.Encode([]rune("\ufeff" + s)) {
		b = order.AppendUint16(b, u)
	}
	return string(b)
}

// What cannot be read says so, on its line.
func TestUnreadable(t *testing.T) {
	const ask = "give --encoding windows-1252"
	long := strings.Repeat("x", MaxCell+1)
	for _, c := range []struct{ name, text, want string }{
		{"nothing", "", "t.csv: is empty; its first line must name the columns"},
		{"empty rows", "\ufeff;;\n;;;\n", "t.csv: is empty; its first line must name the columns"},
		{"workbook", "PK\x03\x04...", "t.csv: is a workbook, not text: save the sheet as CSV (UTF-8)"},
		{"old workbook", "\xD0\xCF\x11\xE0...", "t.csv: is a workbook, not text: save the sheet as CSV (UTF-8)"},
		{"PDF", "%PDF-1.7", "t.csv: is a PDF, not text: save the sheet as CSV (UTF-8)"},
		{"UTF-32", "\xFF\xFE\x00\x00T\x00\x00\x00", "t.csv: is UTF-32, which is not read: save it as UTF-8"},
		{"UTF-16 without mark", "T\x00a\x00g\x00", "t.csv line 1: has a NUL byte, so it is not plain text: save it as CSV (UTF-8)"},
		{"half a character", "\xFF\xFET\x00a", "t.csv: is UTF-16, but ends within a character: save it as UTF-8"},
		{"half a pair", "\xFE\xFF\x00T\x00\n\xD8\x00\x00a", "t.csv line 2: has half a character of UTF-16: save it as UTF-8"},
		{"NUL in UTF-16", "\xFE\xFF\x00T\x00\n\x00\x00", "t.csv line 2: has a NUL character, so it is not plain text: save it as CSV (UTF-8)"},
		{"not UTF-8", "Tag,Name,Note\r\n1,Drosera,\r\n2,D. ×obovata,caf\xe9\r\n3,D,\xe9\r\n",
			`t.csv line 3: character 18 of the line, the byte 0xE9, is not UTF-8 (after "2,D. ×obovata,caf"); 2 lines are like this: save the table as CSV (UTF-8), or ` + ask},
		{"separator", "sep=|\nTag|Name\n", `t.csv line 1: the separator "|" is not known; it may be a comma, a semicolon or a tab`},
		{"one column", "Tag|Name\n1|Drosera\n", `t.csv line 1: no column gives the tag; accepted headers: ` + strings.Join(PlantColumns()[0].Headers, ", ") +
			" (the table has one column; cells are parted by commas, semicolons or tabs)"},
		{"columns", strings.Repeat("a,", MaxColumns) + "b\n", "t.csv line 1: has 201 columns; at most 200 are read"},
		{"cells beyond all measure", "Tag,Name\n\n\"1\n\",Drosera" + strings.Repeat(",", mostCells) + "\n", "t.csv line 3: has more than 20000 cells; at most 200 columns are read"},
		{"header", "Tag,Name," + strings.Repeat("y", 201) + "\n", `t.csv line 1, column "` + strings.Repeat("y", 80) + `…": is too long for a header (200 bytes)`},
		{"open quote in header", "Tag,\"Name\n1,Drosera\n", `t.csv line 1: a quotation mark (") is never closed; the rest of the file could not be read`},
		{"open quote", "Tag,Name\n1,Drosera\n2,\"Drosera\n3,Drosera\n", `t.csv line 3: a quotation mark (") is never closed; the rest of the file could not be read`},
		{"text after quote", "Tag,Name\n1,\"Drosera\" capensis\n", `t.csv line 2: the quotation marks (") do not fit (line 2, byte 11): put the whole cell in them and double those inside`},
		{"cells", "Tag,Name\n1,Drosera,red\n", `t.csv line 2: has 3 cells, but the header has 2; a cell with a comma in it must stand in quotation marks`},
		{"cell", "Tag,Name,Note\n1,Drosera," + long + "\n", "t.csv line 2: cell 3 has 32768 bytes; at most 32767 are read"},
		{"cell of many lines", "Tag,Name,Note\n1,Drosera,\"" + long + "\n\n\"\n", "t.csv line 2: cell 3 has 32770 bytes; at most 32767 are read (it goes on for 3 lines: is a quotation mark not closed?)"},
		{"size", "Tag,Name\n" + strings.Repeat("1,Drosera\n", MaxBytes/10), "t.csv: is larger than 16 MiB"},
		{"control character", "Tag,Name\n1\x1b,Drosera\n", `t.csv line 2, column "Tag": "1\x1b" has the control character U+001B`},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Plants(strings.NewReader(c.text), Options{File: "t.csv", AskEncoding: ask})
			if err != nil || len(r.Problems) == 0 || r.Problems[0].Error() != c.want {
				t.Errorf("got %s\nwant %s", dump(r, err), c.want)
			}
		})
	}
}

func TestRowLimit(t *testing.T) {
	text := "Tag,Name\n" + strings.Repeat("x,y\n", MaxRows+5)
	r, err := Plants(strings.NewReader(text), Options{MaxProblems: 3})
	if err != nil || r.Read != MaxRows {
		t.Fatal(r.Read, err)
	}
	if len(r.Problems) != 3 || r.MoreProblems != MaxRows-1+1-3 {
		t.Error(len(r.Problems), r.MoreProblems)
	}
}

func TestWindows1252(t *testing.T) {
	r, err := Plants(strings.NewReader("Tag,Name,Note\n1,Drosera \xd7obovata \x91Caf\xe9\x92,\x80 3\n"), Options{Encoding: Windows1252})
	if err != nil || !r.OK() || r.Rows[0].Name.String() != "Drosera ×obovata ‘Café’" || r.Rows[0].Note != "€ 3" {
		t.Error(dump(r, err))
	}
	r, err = Plants(strings.NewReader("Tag,Name\n1,\x81\n"), Options{Encoding: Windows1252})
	if err != nil || len(r.Problems) != 1 || r.Problems[0].Line != 2 {
		t.Error(dump(r, err))
	}
	r, err = Plants(strings.NewReader("\ufeffTag,Name\n1,Drosera ×obovata\n"), Options{Encoding: Windows1252})
	if err != nil || !r.OK() || r.Rows[0].Name.Scientific != "Drosera ×obovata" {
		t.Error("the mark goes before the option:", dump(r, err))
	}
}

// Marks inside a cell that does not begin with one are plain characters.
func TestPlainQuotes(t *testing.T) {
	for _, text := range []string{
		"Tag,Name,Note\n1,Dionaea \"Long Teeth\",3\" pot\n2,Drosera,\"a\nb\"\n",
		"Tag\tName\tNote\n1\tDionaea \"Long Teeth\"\t3\" pot\n2\tDrosera\t\"a\nb\"\n",
		"Tag, Name, Note\n1, \"Dionaea \"\"Long Teeth\"\"\", \"3\"\" pot\"\n2, Drosera, \"a\nb\"\n",
	} {
		r, err := Plants(strings.NewReader(text), Options{})
		if err != nil || !r.OK() || len(r.Rows) != 2 || r.Rows[0].Name.Cultivar != "Long Teeth" || r.Rows[0].Note != `3" pot` || r.Rows[1].Note != "a\nb" {
			t.Errorf("%q: %s", text, dump(r, err))
		}
	}
}

// As many empty columns as a spreadsheet has are no harm, nor is any number of
// separators between quotation marks.
func TestEmptyColumns(t *testing.T) {
	empty := strings.Repeat(",", 16_384)
	text := "Tag,Name,Note" + empty + "\n1,Drosera,\"" + empty + "\n" + empty[1:] + "\"\n2,Drosera" + empty + "\n"
	r, err := Plants(strings.NewReader(text), Options{})
	if err != nil || len(r.Problems) != 1 || r.Problems[0].Line != 2 || len(r.Rows) != 1 || r.Rows[0].Line != 4 {
		t.Error(dump(r, err))
	}
}

// What package csv gives never has more cells than tooWide lets through.
func TestTooWide(t *testing.T) {
	text := rapid.StringOfN(rapid.SampledFrom([]rune("\"\"\" ,,,\t\t;;\n\na\ré\u00a0")), 0, 60, -1)
	rapid.Check(t, func(t *rapid.T) {
		sep := rapid.SampledFrom(separators[:]).Draw(t, "separator")
		g := newGrid(text.Draw(t, "text"), sep, 0)
		// Put the limit within reach: each separator stands for many.
		many := strings.Repeat(string(sep), mostCells/8)
		wide := newGrid(strings.ReplaceAll(g.text, string(sep), many), sep, 0)
		refused := tooWide(wide.text, sep) > 0
		for {
			row, ok := wide.next()
			if !ok {
				break
			}
			if !refused && len(row.cells) > mostCells {
				t.Fatal(len(row.cells))
			}
		}
	})
}

func TestLetters(t *testing.T) {
	for n, want := range map[int]string{0: "A", 25: "Z", 26: "AA", 51: "AZ", 52: "BA", 199: "GR"} {
		if got := letters(n); got != want {
			t.Errorf("%d: got %s, want %s", n, got, want)
		}
	}
}

// A reader's own error comes back as it is.
func TestReaderError(t *testing.T) {
	if _, err := Plants(failing{}, Options{}); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Error(err)
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, os.ErrDeadlineExceeded }
