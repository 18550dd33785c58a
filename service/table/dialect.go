package table

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
)

// separators are the characters that may part the cells, the likeliest first.
var separators = [...]rune{',', ';', '\t'}

// sniffRows is how many rows tell the separator, sniffBytes how many bytes.
const (
	sniffRows  = 10
	sniffBytes = 256 << 10
)

// grid reads a text row by row.
type grid struct {
	text  string
	sep   rune
	lines int // lines of the file before the text
	r     *csv.Reader
	start int64 // where the row begins
}

// gridRow is one row. Its cells are good until the next call of next.
type gridRow struct {
	line  int // of the file, from 1, on which the row starts
	cells []string
	width int    // cells, with the empty ones at the end
	rule  string // why the row cannot be read; then there are no cells
	last  bool   // whether the rest of the text was lost with it
}

// open finds the separator of a text and gets ready to read it. known tells
// whether a cell is a header that is understood: the separator under which most
// headers are is the one, else the one that makes most cells. If the text cannot
// be read, rule says why, and line where.
func open(text string, known func(header string) bool) (g *grid, line int, rule string) {
	first := text[:lineEnd([]byte(text[:min(len(text), 100)]))]
	mark := strings.Trim(strings.TrimRight(first, "\r\n"), `"`)
	if len(mark) >= 4 && strings.EqualFold(mark[:4], "sep=") {
		if len(mark) == 5 {
			for _, sep := range separators {
				if rune(mark[4]) == sep {
					return newGrid(text[len(first):], sep, 1).checked()
				}
			}
		}
		return nil, 1, fmt.Sprintf("the separator %q is not known; it may be a comma, a semicolon or a tab", mark[4:])
	}
	best, bestHits, bestCells := ',', -1, -1
	for _, sep := range separators {
		g := newGrid(text[:min(len(text), sniffBytes)], sep, 0)
		hits, cells := 0, 0
		for n := 0; n < sniffRows; n++ {
			row, ok := g.next()
			if !ok {
				break
			}
			if row.rule != "" {
				cells += strings.Count(g.text[g.start:g.r.InputOffset()], string(sep))
			}
			here := 0
			for _, c := range row.cells {
				if c != "" && known(c) {
					here++
				}
			}
			hits, cells = max(hits, here), cells+len(row.cells)
		}
		if hits > bestHits || hits == bestHits && cells > bestCells {
			best, bestHits, bestCells = sep, hits, cells
		}
	}
	return newGrid(text, best, 0).checked()
}

// checked looks for rows that would take too much memory.
func (g *grid) checked() (same *grid, line int, rule string) {
	if line := tooWide(g.text, g.sep); line > 0 {
		return nil, g.lines + line, fmt.Sprintf("has more than %d cells; at most %d columns are read", mostCells, MaxColumns)
	}
	return g, 0, ""
}

func newGrid(text string, sep rune, lines int) *grid {
	text = unixEnds(text, sep)
	r := csv.NewReader(strings.NewReader(text))
	r.Comma = sep
	r.FieldsPerRecord = -1
	r.ReuseRecord = true
	r.TrimLeadingSpace = sep != '\t' // it would take empty cells away
	return &grid{text: text, sep: sep, lines: lines, r: r}
}

// next returns the next row that is not an empty line; ok is false at the end.
func (g *grid) next() (row gridRow, ok bool) {
	g.start = g.r.InputOffset()
	cells, err := g.r.Read()
	if err == nil {
		line, _ := g.r.FieldPos(0)
		return gridRow{line: g.lines + line, cells: cells}, true
	}
	if errors.Is(err, io.EOF) {
		return gridRow{}, false
	}
	var pe *csv.ParseError
	if !errors.As(err, &pe) { // a strings.Reader has no errors of its own
		return gridRow{line: g.lines + 1, rule: err.Error(), last: true}, true
	}
	row.line = g.lines + pe.StartLine
	text := strings.Trim(g.text[g.start:g.r.InputOffset()], "\r\n")
	if errors.Is(pe.Err, csv.ErrBareQuote) {
		if cells, ok := g.plain(text); ok {
			row.cells = cells
			return row, true
		}
	}
	switch {
	case strings.Count(text, `"`)%2 == 1 && g.r.InputOffset() >= int64(len(g.text)):
		row.rule = `a quotation mark (") is never closed; the rest of the file could not be read`
		row.last = true
	default:
		row.rule = fmt.Sprintf(`the quotation marks (") do not fit (line %d, byte %d): put the whole cell in them and double those inside`, g.lines+pe.Line, pe.Column)
	}
	return row, true
}

// plain splits a row in which no cell begins with a quotation mark. Marks
// inside, as for inches or cultivars, are then plain characters. RFC 4180 has
// no such rows; typed and pasted tables do.
func (g *grid) plain(text string) (cells []string, ok bool) {
	cells = strings.Split(text, string(g.sep))
	for _, c := range cells {
		if strings.HasPrefix(strings.TrimSpace(c), `"`) {
			return nil, false
		}
	}
	return cells, true
}

// unixEnds makes the lone CR of old spreadsheets, if the first row ends in one,
// to LF everywhere. CRLF is left to package csv.
func unixEnds(text string, sep rune) string {
	if !loneCR(text) {
		return text
	}
	at := cellStart
	for i, c := range text {
		switch {
		case at == cellQuoted || c != '\r' && c != '\n':
			at = at.after(c, sep)
		case c == '\n', strings.HasPrefix(text[i+1:], "\n"):
			return text
		default:
			text = strings.ReplaceAll(text, "\r\n", "\n")
			return strings.ReplaceAll(text, "\r", "\n")
		}
	}
	return text
}

// place is where in a cell a character stands, as package csv sees it.
type place int

const (
	cellStart  place = iota // nothing yet but spaces
	cellPlain               // in a cell without quotation marks
	cellQuoted              // between quotation marks
	cellClosed              // behind a mark that closes, or is the first of two
)

// after returns the place after the character c.
func (p place) after(c, sep rune) place {
	switch {
	case p == cellQuoted && c == '"':
		return cellClosed
	case p == cellQuoted, c == '"' && (p == cellStart || p == cellClosed):
		return cellQuoted
	case c == sep, c == '\n', p == cellStart && sep != '\t' && unicode.IsSpace(c):
		return cellStart
	}
	return cellPlain
}

// mostCells is how many cells a row may have, empty ones at its end counted:
// spreadsheets write up to 16,384. Package csv would take any number into memory.
const mostCells = 20_000

// tooWide returns the line, from 1, of the first row of a text with LF or CRLF
// ends that has more than mostCells cells; 0 if there is none.
func tooWide(text string, sep rune) (line int) {
	if strings.Count(text, string(sep)) < mostCells {
		return 0
	}
	at := cellStart
	line, cells, start := 1, 1, 1
	for _, c := range text {
		if c == '\n' {
			line++
		}
		at = at.after(c, sep)
		switch {
		case at != cellStart:
		case c == '\n':
			cells, start = 1, line
		case c == sep:
			if cells++; cells > mostCells {
				return start
			}
		}
	}
	return 0
}

// loneCR tells whether there is a CR without an LF.
func loneCR(text string) bool {
	for {
		i := strings.IndexByte(text, '\r')
		if i < 0 {
			return false
		}
		if text = text[i+1:]; !strings.HasPrefix(text, "\n") {
			return true
		}
	}
}

// letters names a column as spreadsheets do: A to Z, AA and so on.
func letters(column int) string {
	var s string
	for n := column + 1; n > 0; n = (n - 1) / 26 {
		s = string(rune('A'+(n-1)%26)) + s
	}
	return s
}
