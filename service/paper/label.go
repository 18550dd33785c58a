package paper

import (
	"fmt"
	"math"

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

// LeastModule is how wide a module of a QR code is to be at least, mm: about 4 dots of a
// printer of 300 dots an inch. From memory; TestPrintLabels reads codes of 0.35 mm a module
// off such paper.
const LeastModule = 0.33

// square is the side of the picture of a code with its quiet zone.
func (l *Labels) square() float64 { return min(l.Height, l.Width/2) }

// Module returns the width of a module in the densest of the codes, mm; without labels
// that of an infinitely coarse one. Errors: a code that is too long.
func (l *Labels) Module() (float64, error) {
	longest := "" // bytes alone tell how dense a code is: all are in byte mode
	for _, label := range l.Labels {
		if len(label.Code) > len(longest) {
			longest = label.Code
		}
	}
	if longest == "" {
		return math.Inf(1), nil
	}
	c, err := NewCode(longest)
	if err != nil {
		return 0, err
	}
	return l.square() / float64(c.Size), nil
}

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
	drawing := struct {
		*Labels
		Square, Room, Margin, Gap, Inset float64
		Columns                          int
		Pages                            [][]drawn
	}{Labels: l, Margin: margin, Gap: gap, Inset: inset, Columns: columns}
	drawing.Square = l.square()
	drawing.Room = l.Width - drawing.Square - 2*inset
	for i, label := range l.Labels {
		code, err := NewCode(label.Code)
		if err != nil {
			return nil, fmt.Errorf("label of %s: %w", label.Tag, err)
		}
		if i%(columns*rows) == 0 {
			drawing.Pages = append(drawing.Pages, nil)
		}
		d := drawn{Label: label, Code: code}
		// The tag has at most half of the label; the name what is left of it.
		high := l.Height - 2*inset
		tagHigh := fitted(label.Tag, boldEm, drawing.Room, high/2, 26, 7)
		d.TagPt = tagHigh.points
		name := label.ScientificName
		if label.Cultivar != "" {
			name += " ‘" + label.Cultivar + "’"
		}
		d.NamePt = fitted(name, plainEm, drawing.Room, max(high-tagHigh.high-1, high/3), 11, 5).points
		last := &drawing.Pages[len(drawing.Pages)-1]
		*last = append(*last, d)
	}
	return page("labels", drawing)
}

// fit is a size of type, and how high the lines are that it makes.
type fit struct{ points, high float64 }

// How wide letters are taken to be, em, and how high lines: those of wide sans serif
// typefaces, as nobody knows which the browser has. Common practice, no source.
const (
	plainEm = 0.65
	boldEm  = 0.78
	lineEm  = 1.15
)

// fitted returns the largest size of type, points, in whole ones from most down to least,
// in which a text is thought to fit in a box. Letters are as wide as letter, em; wide ones
// (UAX #11) have 1 em. More than one line is only made of 12 points and less.
func fitted(text string, letter, wide, high, most, least float64) fit {
	em := 0.
	for _, r := range text {
		switch width.LookupRune(r).Kind() {
		case width.EastAsianWide, width.EastAsianFullwidth:
			em++
		default:
			em += letter
		}
	}
	if em == 0 {
		return fit{least, 0}
	}
	for points := most; ; points-- {
		lines := math.Ceil(em * points * mmOfPt / wide)
		if lines > 1 {
			lines = math.Ceil(em * points * mmOfPt * 1.15 / wide) // words do not fill their lines
		}
		if h := lines * lineEm * points * mmOfPt; h <= high && (lines == 1 || points <= 12) || points <= least {
			return fit{points, h}
		}
	}
}
