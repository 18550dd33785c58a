package measure

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"strconv"
	"strings"
	"unicode"

	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/f64"
	"golang.org/x/image/math/fixed"
)

const (
	// MaxFrames is the most pictures that a strip has.
	MaxFrames = 24
	// MinFieldMm and MaxFieldMm are the least and the most that a cell shows, in
	// millimetres.
	MinFieldMm, MaxFieldMm = 0.1, 10_000

	// What a cell's side may be, in pixels of the strip, and how many stand in a row.
	minCellPx, maxCellPx, defaultCellPx = 64, 640, 320
	maxColumns, defaultColumns          = 12, 6
)

var (
	// ErrFrames: a strip has no frame, or more than MaxFrames.
	ErrFrames = errors.New("must be from 1 to 24")
	// ErrField: what a cell is to show is not from MinFieldMm to MaxFieldMm.
	ErrField = errors.New("must be from 0.1 to 10000 mm")
	// ErrOutside: what is to be shown lies beyond the picture.
	ErrOutside = errors.New("must lie on the picture")
	// ErrCell: a cell's side is out of range.
	ErrCell = errors.New("must be from 64 to 640 px, or 0 for 320")
	// ErrColumns: the number of cells in a row is out of range.
	ErrColumns = errors.New("must be from 1 to 12, or 0 for 6")
	// ErrNoPicture: a frame has no function that loads its picture.
	ErrNoPicture = errors.New("must load a picture")
	// ErrShape: a picture that was loaded has not the shape that the frame tells.
	ErrShape = errors.New("must have the shape of the picture that the frame tells of")
)

// Frame is a picture of a strip.
type Frame struct {
	// Size is that of the upright picture in which MmPerPx and Center are told.
	Size image.Point
	// Load returns the picture. It is called once at most, and not before the frame before is
	// drawn, so that one picture at a time need be in memory; of a picture that is too
	// coarse for the strip it is not called. It may return a smaller rendition of the same
	// picture.
	Load    func() (image.Image, error)
	MmPerPx float64
	// Center is what is shown in the middle of the cell; nil: the middle of the picture.
	Center *Point
	// ExtentMm is the width and height around Center that have to be seen, such as the
	// rosette's diameter with a margin; 0: the longer side of the picture.
	ExtentMm float64
	Caption  string // the day
}

// StripOptions says how a strip looks. The zero value is good.
type StripOptions struct {
	CellPx  int     // the side of a cell in pixels, 64 to 640; 0: 320
	Columns int     // cells in a row, 1 to 12; 0: 6
	FieldMm float64 // the side of what each cell shows; 0: the largest extent of a frame
}

// Strip draws pictures of a plant side by side at one scale, in the order given, each
// with its caption below, and one bar of a round length below all.
//
//	millimetres a pixel of the strip = field / CellPx
//
// The field is the same for all cells: FieldMm, or the largest extent of a frame, but
// from 0.1 mm to ten metres. What lies beyond a picture is light grey. Pictures are first
// averaged by whole numbers of pixels, as long as they keep the strip's resolution, and
// then resampled by the kernel of Catmull and Rom, to fractions of a pixel.
//
// The cell of a picture that cannot be drawn at the strip's scale is empty, with its
// caption: it is so where the picture would be smaller than half a pixel, or where the
// cell would show less than one pixel of it. In the latter case the picture is not loaded,
// and one whose pixels are over ten metres has no part in the field.
//
// A caption that is too long for its cell is cut, with an ellipsis. It is drawn in the
// Go typeface, which has the letters of Latin, Greek and Cyrillic; for others stands a
// box, and for control characters a space. Writing from right to left and letters that
// join are not laid out.
//
// The frames have to be 1 to 24 (ErrFrames), their numbers positive and finite
// (ErrNotFinite, ErrNotPositive; ExtentMm and FieldMm may be 0), their centers on the
// picture (ErrOutside); FieldMm from 0.1 mm to ten metres (ErrField), and the options in
// their ranges (ErrCell, ErrColumns). All that is told before a picture is loaded. An
// error of Load is returned, wrapped; a picture whose sides are not in the proportion of
// Size, to a pixel, is ErrShape. What is transparent is black.
//
// A strip has at most 24 cells, so by default it is no larger than 1,990 x 1,465 pixels.
func Strip(frames []Frame, o StripOptions) (image.Image, error) {
	o, err := o.complete(frames)
	if err != nil {
		return nil, err
	}
	s, err := newSheet(len(frames), o)
	if err != nil {
		return nil, err
	}
	for i, f := range frames {
		var img image.Image
		if f.MmPerPx <= o.FieldMm {
			if img, err = f.load(); err != nil {
				return nil, fmt.Errorf("frames[%d]: %w", i, err)
			}
		}
		s.draw(i, f, img)
	}
	s.drawBar()
	return s.img, nil
}

// complete returns the options with what was left out.
func (o StripOptions) complete(frames []Frame) (StripOptions, error) {
	var faults []error
	fault := func(name string, err error) {
		if err != nil {
			faults = append(faults, fmt.Errorf("%s %w", name, err))
		}
	}
	if len(frames) < 1 || len(frames) > MaxFrames {
		fault("the number of frames", ErrFrames)
		frames = nil
	}
	if o.CellPx == 0 {
		o.CellPx = defaultCellPx
	}
	if o.CellPx < minCellPx || o.CellPx > maxCellPx {
		fault("cellPx", ErrCell)
	}
	if o.Columns == 0 {
		o.Columns = defaultColumns
	}
	if o.Columns < 1 || o.Columns > maxColumns {
		fault("columns", ErrColumns)
	}
	largest := 0.
	for i, f := range frames {
		name := func(field string) string { return fmt.Sprintf("frames[%d].%s", i, field) }
		if f.Size.X <= 0 || f.Size.Y <= 0 {
			fault(name("size"), ErrNotPositive)
		}
		if f.Load == nil {
			fault(name("load"), ErrNoPicture)
		}
		fault(name("mmPerPx"), positive(f.MmPerPx))
		if c := f.Center; c != nil && !(c.X >= 0 && c.X <= float64(f.Size.X) && c.Y >= 0 && c.Y <= float64(f.Size.Y)) {
			fault(name("center"), ErrOutside)
		}
		extent := f.ExtentMm
		if extent == 0 {
			extent = f.MmPerPx * float64(max(f.Size.X, f.Size.Y))
		} else {
			fault(name("extentMm"), positive(extent))
		}
		if f.MmPerPx <= MaxFieldMm {
			largest = max(largest, extent)
		}
	}
	if o.FieldMm == 0 {
		o.FieldMm = min(max(largest, MinFieldMm), MaxFieldMm)
	} else if !(o.FieldMm >= MinFieldMm && o.FieldMm <= MaxFieldMm) {
		fault("fieldMm", ErrField)
	}
	return o, errors.Join(faults...)
}

// mmPerPx is the scale of the strip.
func (o StripOptions) mmPerPx() float64 { return o.FieldMm / float64(o.CellPx) }

// load returns the picture, which has the shape that the frame tells.
func (f Frame) load() (image.Image, error) {
	img, err := f.Load()
	if err != nil {
		return nil, fmt.Errorf("load the picture: %w", err)
	}
	if img == nil {
		return nil, fmt.Errorf("load %w", ErrNoPicture)
	}
	size := img.Bounds().Size()
	if size.X <= 0 || size.Y <= 0 {
		return nil, fmt.Errorf("the picture %w", ErrEmpty)
	}
	// A rendition's shorter side was rounded.
	if apart := size.X*f.Size.Y - size.Y*f.Size.X; max(apart, -apart) > max(f.Size.X, f.Size.Y) {
		return nil, fmt.Errorf("the picture of %d x %d pixels %w: %d x %d", size.X, size.Y, ErrShape, f.Size.X, f.Size.Y)
	}
	return img, nil
}

// sheet is a strip that is being drawn.
type sheet struct {
	img     *image.RGBA
	o       StripOptions
	columns int // that are filled
	face    font.Face
	line    int // height of a line of text, in pixels
	textPx  int // size of the typeface
}

// Around cells, and their colours.
const gap = 10

var (
	paper  = color.Gray{255}
	beyond = color.Gray{232} // what no picture shows
	ink    = color.Gray{24}
)

func newSheet(frames int, o StripOptions) (*sheet, error) {
	typeface, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("read the typeface: %w", err)
	}
	s := &sheet{o: o, columns: min(frames, o.Columns), textPx: max(11, o.CellPx/18)}
	s.line = s.textPx * 3 / 2
	// At 72 dots an inch a point is a pixel.
	s.face, err = opentype.NewFace(typeface, &opentype.FaceOptions{Size: float64(s.textPx), DPI: 72})
	if err != nil {
		return nil, fmt.Errorf("set the typeface: %w", err)
	}
	rows := ceilDiv(frames, s.columns)
	width := gap + s.columns*(o.CellPx+gap)
	height := gap + rows*(o.CellPx+s.line+gap) + s.line + gap
	s.img = image.NewRGBA(image.Rect(0, 0, width, height))
	draw.Draw(s.img, s.img.Bounds(), image.NewUniform(paper), image.Point{}, draw.Src)
	return s, nil
}

// cell returns where the i-th picture stands.
func (s *sheet) cell(i int) image.Rectangle {
	x := gap + i%s.columns*(s.o.CellPx+gap)
	y := gap + i/s.columns*(s.o.CellPx+s.line+gap)
	return image.Rect(x, y, x+s.o.CellPx, y+s.o.CellPx)
}

// draw draws the i-th picture, unless there is none, and its caption.
func (s *sheet) draw(i int, f Frame, img image.Image) {
	cell := s.cell(i)
	draw.Draw(s.img, cell, image.NewUniform(beyond), image.Point{}, draw.Src)
	if img != nil {
		s.drawPicture(s.img.SubImage(cell).(*image.RGBA), f, img)
	}
	s.text(cell.Min.X, cell.Max.Y, s.o.CellPx, f.Caption)
}

func (s *sheet) drawPicture(cell *image.RGBA, f Frame, img image.Image) {
	// In pixels of what was loaded, from its upper left corner.
	bounds := img.Bounds()
	scaleX, scaleY := float64(bounds.Dx())/float64(f.Size.X), float64(bounds.Dy())/float64(f.Size.Y)
	center := Point{float64(f.Size.X) / 2, float64(f.Size.Y) / 2}
	if f.Center != nil {
		center = *f.Center
	}
	center = Point{center.X * scaleX, center.Y * scaleY}
	perPxX, perPxY := s.o.mmPerPx()/f.MmPerPx*scaleX, s.o.mmPerPx()/f.MmPerPx*scaleY // for each pixel of the strip
	half := float64(s.o.CellPx) / 2
	if float64(max(bounds.Dx(), bounds.Dy()))/max(perPxX, perPxY) < 0.5 {
		return
	}

	// What is seen, with a margin for the kernel of two pixels of the strip and two of the
	// picture.
	part := image.Rect(
		floor(center.X-(half+2)*perPxX)-2, floor(center.Y-(half+2)*perPxY)-2,
		floor(center.X+(half+2)*perPxX)+3, floor(center.Y+(half+2)*perPxY)+3,
	).Intersect(image.Rect(0, 0, bounds.Dx(), bounds.Dy()))
	if part.Empty() {
		return
	}
	step := max(1, int(min(perPxX, perPxY, float64(max(part.Dx(), part.Dy())))))
	src := averaged(img, part.Add(bounds.Min), step).picture()
	perPxX, perPxY = perPxX/float64(step), perPxY/float64(step)
	center = Point{(center.X - float64(part.Min.X)) / float64(step), (center.Y - float64(part.Min.Y)) / float64(step)}
	box := cell.Bounds()
	xdraw.CatmullRom.Transform(cell, f64.Aff3{
		1 / perPxX, 0, float64(box.Min.X) + half - center.X/perPxX,
		0, 1 / perPxY, float64(box.Min.Y) + half - center.Y/perPxY,
	}, src, src.Bounds(), xdraw.Src, nil)
}

// floor returns the whole number below, or one far beyond any picture.
func floor(v float64) int { return int(math.Floor(min(max(v, -1e9), 1e9))) }

// picture returns the planes as a picture of eight bits.
func (p *planes) picture() *image.RGBA {
	out := image.NewRGBA(image.Rect(0, 0, p.width, p.height))
	for i := range p.width * p.height {
		for c := range 3 {
			out.Pix[4*i+c] = uint8(min(255, (int(p.rgb[3*i+c])+128)>>8))
		}
		out.Pix[4*i+3] = 255
	}
	return out
}

// text draws a line of text below y, no wider than given.
func (s *sheet) text(x, y, width int, text string) {
	d := font.Drawer{
		Dst: s.img, Src: image.NewUniform(ink), Face: s.face,
		Dot: fixed.P(x, y+(s.line+s.face.Metrics().CapHeight.Round())/2),
	}
	d.DrawString(s.fitting(text, width))
}

// longestText is the most letters of a caption that are looked at.
const longestText = 400

// fitting returns the text on one line, cut where it is wider than given.
func (s *sheet) fitting(text string, width int) string {
	letters := []rune(strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.IsSpace(r) {
			return ' '
		}
		return r
	}, text)))
	wide := func(t string) bool { return font.MeasureString(s.face, t) > fixed.I(width) }
	if len(letters) <= longestText && !wide(string(letters)) {
		return string(letters)
	}
	letters = letters[:min(len(letters), longestText)]
	for len(letters) > 0 && wide(string(letters)+"…") {
		letters = letters[:len(letters)-1]
	}
	return string(letters) + "…"
}

// drawBar draws the bar that tells the scale, and its length, below all.
func (s *sheet) drawBar() {
	mm := roundLength(s.o.FieldMm * 0.6)
	length := int(math.Round(mm / s.o.mmPerPx()))
	top := s.img.Bounds().Max.Y - gap - s.line
	height := max(3, s.textPx/4)
	bar := image.Rect(gap, top+(s.line-height)/2, gap+length, top+(s.line-height)/2+height)
	draw.Draw(s.img, bar, image.NewUniform(ink), image.Point{}, draw.Src)
	left := bar.Max.X + gap/2
	s.text(left, top, s.img.Bounds().Max.X-gap-left, strconv.FormatFloat(mm, 'f', -1, 64)+" mm")
}

// roundLength returns the largest of 1, 2 and 5 times a power of ten that is at most the
// number, which is positive.
func roundLength(most float64) float64 {
	// Powers of ten below 1 are not exact in binary, quotients of whole ones are nearest.
	power := func(e int, times float64) float64 {
		if e < 0 {
			return times / math.Pow10(-e)
		}
		return times * math.Pow10(e)
	}
	e := int(math.Floor(math.Log10(most)))
	for _, times := range []float64{10, 5, 2, 1} {
		if length := power(e, times); length <= most {
			return length
		}
	}
	return power(e-1, 5)
}
