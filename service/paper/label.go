package paper

import (
	"fmt"
	"math"
	"unicode/utf8"

	"golang.org/x/text/width"
)

// Labels are a page of labels, all of one size.
type Labels struct {
	Paper         Size
	Title         string
	Width, Height float64 // of a label
	Labels        []Label
}

// Label is the label of a plant.
type Label struct {
	Tag, ScientificName, Cultivar string
	Code                          string // what its QR code has
}

const (
	margin = 10. // around a page
	gap    = 2.  // between labels
	inset  = 1.5 // between the edge of a label and what is on it
	mmOfPt = 25.4 / 72
)

// grid returns how many labels stand side by side and one below the other on a page.
func (l *Labels) grid() (columns, rows int) {
	count := func(page, label float64) int { return int(math.Floor((page - 2*margin + gap) / (label + gap))) }
	return count(l.Paper.Width, l.Width), count(l.Paper.Height, l.Height)
}

// HTML draws the labels. Errors: a label that does not fit on the paper, a code that is
// too long.
func (l *Labels) HTML() ([]byte, error) {
	columns, rows := l.grid()
	if columns < 1 || rows < 1 {
		return nil, fmt.Errorf("a label of %g by %g mm does not fit on %s", l.Width, l.Height, l.Paper.Name)
	}
	type drawn struct {
		Label
		Code          Code
		TagPt, NamePt float64
	}
	page := struct {
		*Labels
		Square, Room, Margin, Gap, Inset float64
		Columns                          int
		Pages                            [][]drawn
	}{Labels: l, Margin: margin, Gap: gap, Inset: inset, Columns: columns}
	page.Square = min(l.Height, l.Width/2) // the code brings its quiet zone
	page.Room = l.Width - page.Square - 2*inset
	for i, label := range l.Labels {
		code, err := NewCode(label.Code)
		if err != nil {
			return nil, fmt.Errorf("label of %s: %w", label.Tag, err)
		}
		if i%(columns*rows) == 0 {
			page.Pages = append(page.Pages, nil)
		}
		d := drawn{Label: label, Code: code}
		// The tag has at most half of the label; the name what is left of it.
		high := l.Height - 2*inset
		tagHigh := fitted(label.Tag, page.Room, high/2, 26, 7)
		d.TagPt = tagHigh.points
		name := label.ScientificName
		if label.Cultivar != "" {
			name += " ‘" + label.Cultivar + "’"
		}
		d.NamePt = fitted(name, page.Room, max(high-tagHigh.high-1, high/3), 11, 5).points
		last := &page.Pages[len(page.Pages)-1]
		*last = append(*last, d)
	}
	return draw("labels", page)
}

// fit is a size of type, and how high the lines are that it makes.
type fit struct{ points, high float64 }

// fitted returns the largest size of type, points, in whole ones from most down to least,
// in which a text is thought to fit in a box. Letters are taken to be 0.62 em wide, wide
// ones (UAX #11) 1 em, lines 1.15 em high: common practice, no source.
func fitted(text string, wide, high, most, least float64) fit {
	em := 0.
	for _, r := range text {
		switch width.LookupRune(r).Kind() {
		case width.EastAsianWide, width.EastAsianFullwidth:
			em++
		default:
			em += 0.62
		}
	}
	if utf8.RuneCountInString(text) == 0 {
		return fit{least, 0}
	}
	for points := most; ; points-- {
		lines := math.Ceil(em * points * mmOfPt / wide)
		if lines > 1 {
			lines = math.Ceil(em * points * mmOfPt * 1.15 / wide) // words do not fill their lines
		}
		if h := lines * 1.15 * points * mmOfPt; h <= high && (lines == 1 || points <= 12) || points <= least {
			return fit{points, h}
		}
	}
}
