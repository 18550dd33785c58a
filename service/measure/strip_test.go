package measure

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"slices"
	"strings"
	"testing"

	"golang.org/x/image/font"
	"pgregory.net/rapid"
)

// discFrame is a picture of a black disc on white, at a scale, so many pixels wide and
// high, as it was loaded: with a side of size times as long as the frame tells.
func discFrame(diameterMm, mmPerPx float64, size image.Point, at Point, rendition float64, caption string) Frame {
	return Frame{
		Size: size, MmPerPx: mmPerPx, Center: &at, Caption: caption,
		Load: func() (image.Image, error) {
			img := image.NewRGBA(image.Rect(0, 0, int(math.Round(float64(size.X)*rendition)), int(math.Round(float64(size.Y)*rendition))))
			draw.Draw(img, img.Bounds(), image.White, image.Point{}, draw.Src)
			radius := diameterMm / mmPerPx / 2
			fill(img, ellipse(Point{at.X * rendition, at.Y * rendition}, radius*rendition, radius*rendition, 0), color.Black)
			return img, nil
		},
	}
}

// blackDisc measures a disc in a part of a picture: its width and height, where it is
// darker than half, the diameter of a circle of its area, and its middle.
func blackDisc(img *image.RGBA, part image.Rectangle) (width, height, byArea float64, middle Point) {
	low, high := part.Max, part.Min
	area := 0.
	for y := part.Min.Y; y < part.Max.Y; y++ {
		for x := part.Min.X; x < part.Max.X; x++ {
			dark := 1 - float64(img.RGBAAt(x, y).G)/255
			if dark < 0.15 { // what lies beyond a picture is no darker
				continue
			}
			area += dark
			middle.X += dark * (float64(x) + 0.5)
			middle.Y += dark * (float64(y) + 0.5)
			if dark > 0.5 {
				low, high = image.Pt(min(low.X, x), min(low.Y, y)), image.Pt(max(high.X, x+1), max(high.Y, y+1))
			}
		}
	}
	return float64(high.X - low.X), float64(high.Y - low.Y), 2 * math.Sqrt(area/math.Pi), Point{middle.X / area, middle.Y / area}
}

// A disc of 30 mm that was taken from near and far, upright and across, in the middle and
// off it, whole and as a smaller rendition, is as large in each cell, to a pixel, and in
// its middle: 30 mm at 80 mm for 320 pixels are 120 pixels.
func TestStripHasOneScale(t *testing.T) {
	frames := []Frame{
		discFrame(30, 0.25, image.Pt(400, 400), Point{200, 200}, 1, "as large as drawn"),
		discFrame(30, 0.05, image.Pt(1800, 1200), Point{901.3, 602.7}, 1, "near"),
		discFrame(30, 0.02, image.Pt(3000, 4000), Point{1500, 2100}, 0.4, "nearer, a rendition"),
		discFrame(30, 0.7, image.Pt(300, 200), Point{100.5, 120.25}, 1, "far"),
		discFrame(30, 0.11, image.Pt(801, 599), Point{350, 250}, 1, "off the middle"),
		discFrame(30, 0.13, image.Pt(901, 1203), Point{600, 800}, 0.5, "odd, a rendition"),
		discFrame(30, 0.4, image.Pt(90, 90), Point{45, 45}, 1, "smaller than the cell"),
	}
	got, err := Strip(frames, StripOptions{FieldMm: 80})
	if err != nil {
		t.Fatal(err)
	}
	img := got.(*image.RGBA)
	for i, f := range frames {
		cell := cellOf(i, 6, 320)
		width, height, byArea, middle := blackDisc(img, cell)
		if math.Abs(width-120) > 1 || math.Abs(height-120) > 1 || math.Abs(byArea-120) > 1 {
			t.Errorf("%s: %v by %v px, %.2f by its area, want 120", f.Caption, width, height, byArea)
		}
		if math.Abs(middle.X-float64(cell.Min.X)-160) > 0.6 || math.Abs(middle.Y-float64(cell.Min.Y)-160) > 0.6 {
			t.Errorf("%s: the middle is at %v in %v", f.Caption, middle, cell)
		}
	}
}

// cellOf is where the i-th cell is, by what is said of the layout: cells of a side in
// rows, 10 px apart, a line of text below each.
func cellOf(i, columns, side int) image.Rectangle {
	line := max(11, side/18) * 3 / 2
	x, y := 10+i%columns*(side+10), 10+i/columns*(side+line+10)
	return image.Rect(x, y, x+side, y+side)
}

// barOf returns the bar: the longest run of ink in the lowest rows.
func barOf(img *image.RGBA) (length int) {
	for y := img.Bounds().Max.Y - 34; y < img.Bounds().Max.Y; y++ {
		run := 0
		for x := range img.Bounds().Max.X {
			if img.RGBAAt(x, y).G != ink.Y {
				run = 0
				continue
			}
			run++
			length = max(length, run)
		}
	}
	return length
}

// The bar is 1, 2 or 5 times a power of ten long, in millimetres, to half a pixel, and at
// most 0.6 of a cell, whatever the field; the next larger such length would not fit.
func TestBarHasARoundLength(t *testing.T) {
	round := []float64{}
	for e := -3; e <= 4; e++ {
		for _, times := range []float64{1, 2, 5} {
			round = append(round, times*math.Pow(10, float64(e)))
		}
	}
	for _, field := range []float64{0.2, 1, 3.3, 8.4, 50, 80, 99, 166.7, 333.4, 1000, 9999} {
		got, err := Strip([]Frame{discFrame(field/3, field/400, image.Pt(400, 400), Point{200, 200}, 1, "")}, StripOptions{FieldMm: field})
		if err != nil {
			t.Fatal(err)
		}
		want := 0.
		for _, mm := range round {
			if mm <= 0.6*field {
				want = mm
			}
		}
		if length := float64(barOf(got.(*image.RGBA))); math.Abs(length-want*320/field) > 0.5 {
			t.Errorf("field of %v mm: bar of %v px, want %v mm: %v px", field, length, want, want*320/field)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		most := math.Pow(10, rapid.Float64Range(-2, 4).Draw(t, "most"))
		want := 0.
		for _, mm := range round {
			if mm <= most {
				want = mm
			}
		}
		if got := roundLength(most); math.Abs(got-want) > 1e-9*want {
			t.Fatalf("of %v: %v, want %v", most, got, want)
		}
	})
	for most, want := range map[float64]float64{math.Nextafter(1, 0): 0.5, math.Nextafter(1000, 0): 500, math.Nextafter(2, 0): 1} {
		if got := roundLength(most); got != want {
			t.Errorf("of %v: %v, want %v", most, got, want)
		}
	}
	for _, exact := range []float64{0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 1000} {
		if got := roundLength(exact); got != exact {
			t.Errorf("of %v: %v", exact, got)
		}
	}
}

// Without a field the largest extent rules: a picture's longer side, or what was told.
func TestFieldIsTheLargestExtent(t *testing.T) {
	whole := discFrame(30, 0.25, image.Pt(400, 200), Point{200, 100}, 1, "") // 100 mm
	part := discFrame(30, 0.1, image.Pt(4000, 3000), Point{2000, 1500}, 0.2, "")
	part.ExtentMm = 60
	part.Center = nil // its disc is in the middle
	for _, c := range []struct {
		frames []Frame
		field  float64
	}{{[]Frame{whole, part}, 100}, {[]Frame{part}, 60}, {[]Frame{whole}, 100}} {
		got, err := Strip(c.frames, StripOptions{CellPx: 200})
		if err != nil {
			t.Fatal(err)
		}
		for i := range c.frames {
			if _, _, byArea, _ := blackDisc(got.(*image.RGBA), cellOf(i, len(c.frames), 200)); math.Abs(byArea-30*200/c.field) > 1 {
				t.Errorf("field of %v: disc %d has %v px, want %v", c.field, i, byArea, 30*200/c.field)
			}
		}
	}
}

// Scales that cannot be true, as of a ruler whose length was mistyped, make a strip
// nevertheless: so the grower sees which it is. The field stays in its bounds.
func TestStripOfWrongScales(t *testing.T) {
	at := func(mmPerPx float64, extent float64) Frame {
		f := discFrame(mmPerPx*100, mmPerPx, image.Pt(300, 200), Point{150, 100}, 1, "")
		f.ExtentMm = extent
		return f
	}
	for _, c := range []struct {
		frames []Frame
		field  float64
		shown  []float64 // how large the discs are, in pixels; 0: not to be measured
	}{
		{[]Frame{at(0.1, 0), at(250, 0)}, 10_000, []float64{0, 800}},
		{[]Frame{at(0.1, 1e300), at(10, 0)}, 10_000, []float64{0, 32}},
		{[]Frame{at(1e-6, 0), at(1e-7, 0)}, 0.1, []float64{0, 0}},
		{[]Frame{at(1e-300, 0), at(0.1, 0)}, 30, []float64{0, 320. / 3}},
		{[]Frame{at(20, 20)}, 20, []float64{0}},
	} {
		got, err := Strip(c.frames, StripOptions{})
		if err != nil {
			t.Errorf("%v: %v", c.field, err)
			continue
		}
		img := got.(*image.RGBA)
		if want := roundLength(0.6*c.field) * 320 / c.field; math.Abs(float64(barOf(img))-want) > 0.5 {
			t.Errorf("field of %v: bar of %v, want %v", c.field, barOf(img), want)
		}
		for i, want := range c.shown {
			width, _, _, _ := blackDisc(img, cellOf(i, len(c.frames), 320))
			if want > 0 && math.Abs(width-min(want, 320)) > 1 {
				t.Errorf("field of %v: disc of %v px, want %v", c.field, width, min(want, 320))
			}
		}
	}
}

// A picture of which a cell would show less than a pixel has an empty cell, with its
// caption, and is not loaded. The others are as without it.
func TestStripLeavesOutWhatIsCoarse(t *testing.T) {
	fine := discFrame(20, 0.2, image.Pt(200, 300), Point{100, 150}, 1, "fine") // 60 mm
	for name, coarse := range map[string]Frame{
		"a pixel larger than the field":      {MmPerPx: 60.1, ExtentMm: 5},
		"a pixel larger than any field":      {MmPerPx: 10_001},
		"the same, with what is to be seen":  {MmPerPx: 10_001, ExtentMm: 5000},
		"a scale that is no measure at all":  {MmPerPx: 1e300},
		"a picture larger than numbers hold": {MmPerPx: math.MaxFloat64},
	} {
		coarse.Size, coarse.Caption = image.Pt(200, 300), "coarse"
		coarse.Load = func() (image.Image, error) {
			t.Errorf("%s: it was loaded", name)
			return image.NewRGBA(image.Rect(0, 0, 200, 300)), nil
		}
		got, err := Strip([]Frame{coarse, fine}, StripOptions{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		img := got.(*image.RGBA)
		cell := cellOf(0, 2, 320)
		for y := cell.Min.Y; y < cell.Max.Y; y++ {
			for x := cell.Min.X; x < cell.Max.X; x++ {
				if c := img.RGBAAt(x, y); c != (color.RGBA{beyond.Y, beyond.Y, beyond.Y, 255}) {
					t.Fatalf("%s: %d, %d is %v", name, x, y, c)
				}
			}
		}
		// A picture that is too small to be seen leaves an empty cell as well.
		away := fine
		away.Caption, away.MmPerPx = "coarse", 1e-9
		want, err := Strip([]Frame{away, fine}, StripOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(img.Pix, want.(*image.RGBA).Pix) {
			t.Errorf("%s: captions, the other picture or the bar differ", name)
		}
	}
	// Alone it makes a strip too.
	alone := Frame{Size: image.Pt(20, 30), MmPerPx: 1e300, Load: fine.Load, Caption: "coarse"}
	if img, err := Strip([]Frame{alone}, StripOptions{}); err != nil || img.Bounds().Dx() != 340 {
		t.Error(img, err)
	}
}

// The largest strip is as large as is said, and pictures come one after another, in order, once.
func TestStripTakesOneAfterAnother(t *testing.T) {
	var loaded []int
	var frames []Frame
	for i := range MaxFrames {
		f := discFrame(20, 0.2, image.Pt(200, 300), Point{100, 150}, 1, fmt.Sprint(i))
		load := f.Load
		f.Load = func() (image.Image, error) {
			loaded = append(loaded, i)
			return load()
		}
		frames = append(frames, f)
	}
	got, err := Strip(frames, StripOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := []int{}
	for i := range MaxFrames {
		want = append(want, i)
	}
	if size := got.Bounds().Size(); size != image.Pt(1990, 1465) || !slices.Equal(loaded, want) {
		t.Errorf("%v, loaded %v", size, loaded)
	}
	first, err := Strip(frames[:2], StripOptions{})
	if err != nil {
		t.Fatal(err)
	}
	again, err := Strip(frames[:2], StripOptions{})
	if err != nil || !slices.Equal(again.(*image.RGBA).Pix, first.(*image.RGBA).Pix) {
		t.Errorf("the second time it differs: %v", err)
	}

	// The fourth fails: what it says is told, and no other is asked.
	loaded = nil
	broken := errors.New("broken picture")
	frames[3].Load = func() (image.Image, error) { return nil, broken }
	if img, err := Strip(frames, StripOptions{}); !errors.Is(err, broken) || !strings.Contains(err.Error(), "frames[3]") || img != nil || len(loaded) != 3 {
		t.Errorf("got %v, %v, loaded %v", img, err, loaded)
	}
}

// Captions stand below their own cells only, in any script, and are cut if too long.
func TestCaptions(t *testing.T) {
	frame := func(caption string) Frame {
		return discFrame(20, 0.2, image.Pt(200, 200), Point{100, 100}, 1, caption)
	}
	strip := func(caption string) *image.RGBA {
		got, err := Strip([]Frame{frame(""), frame(caption), frame("")}, StripOptions{CellPx: 160})
		if err != nil {
			t.Fatal(err)
		}
		return got.(*image.RGBA)
	}
	plain := strip("")
	cell := cellOf(1, 3, 160)
	below := image.Rect(cell.Min.X-1, cell.Max.Y, cell.Max.X+1, cell.Max.Y+16+9)
	seen := map[string]string{}
	for _, caption := range []string{
		"2031-05-17", "17 mai 2031, été", "Größe", "Ελλάδα", "Ярославль", "日本", "\xff\xfe", "a\tb\nc",
		strings.Repeat("long ", 40), strings.Repeat("W", 5000), "١٧٣", "🌱",
	} {
		var drawn strings.Builder
		for i, v := range strip(caption).Pix {
			if v == plain.Pix[i] {
				continue
			}
			x, y := i%plain.Stride/4, i/plain.Stride
			if !image.Pt(x, y).In(below) {
				t.Fatalf("%q is drawn at %d, %d, not in %v", caption, x, y, below)
			}
			fmt.Fprintf(&drawn, "%d,", i)
		}
		if drawn.Len() == 0 {
			t.Errorf("%q is not drawn", caption)
		}
		if other, ok := seen[drawn.String()]; ok {
			t.Errorf("%q looks like %q", caption, other)
		}
		seen[drawn.String()] = caption
	}
	s, err := newSheet(1, StripOptions{CellPx: 160, Columns: 1, FieldMm: 10})
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"2031-05-17": "2031-05-17", " a\tb\nc ": "a b c", "": "", "\u0007": "", "x\u00a0y": "x y",
	} {
		if got := s.fitting(text, 160); got != want {
			t.Errorf("%q became %q, want %q", text, got, want)
		}
	}
	long := s.fitting(strings.Repeat("word ", 30), 160)
	if wide := font.MeasureString(s.face, long).Ceil(); !strings.HasSuffix(long, "…") || wide > 160 || wide < 120 {
		t.Errorf("%q is %d px wide", long, wide)
	}
}

func TestStripErrors(t *testing.T) {
	good := func() Frame { return discFrame(20, 0.2, image.Pt(200, 300), Point{100, 150}, 1, "") }
	one := func(change func(f *Frame)) []Frame {
		f := good()
		change(&f)
		return []Frame{good(), f}
	}
	nan, inf := math.NaN(), math.Inf(1)
	shape := func(w, h int) func(f *Frame) {
		return func(f *Frame) {
			f.Load = func() (image.Image, error) { return image.NewRGBA(image.Rect(0, 0, w, h)), nil }
		}
	}
	for _, c := range []struct {
		name   string
		frames []Frame
		o      StripOptions
		want   error
		says   string
	}{
		{"none", nil, StripOptions{}, ErrFrames, "the number of frames must be from 1 to 24"},
		{"too many", slices.Repeat([]Frame{good()}, 25), StripOptions{}, ErrFrames, "the number of frames"},
		{"small cell", one(func(*Frame) {}), StripOptions{CellPx: 63}, ErrCell, "cellPx"},
		{"negative cell", one(func(*Frame) {}), StripOptions{CellPx: -1}, ErrCell, "cellPx"},
		{"large cell", one(func(*Frame) {}), StripOptions{CellPx: 641}, ErrCell, "cellPx"},
		{"columns", one(func(*Frame) {}), StripOptions{Columns: 13}, ErrColumns, "columns"},
		{"field", one(func(*Frame) {}), StripOptions{FieldMm: -1}, ErrField, "fieldMm"},
		{"field nan", one(func(*Frame) {}), StripOptions{FieldMm: nan}, ErrField, "fieldMm"},
		{"field too large", one(func(*Frame) {}), StripOptions{FieldMm: 10001}, ErrField, "fieldMm"},
		{"field too small", one(func(*Frame) {}), StripOptions{FieldMm: 0.09}, ErrField, "fieldMm"},
		{"extent", one(func(f *Frame) { f.ExtentMm = -1 }), StripOptions{}, ErrNotPositive, "frames[1].extentMm"},
		{"extent infinite", one(func(f *Frame) { f.ExtentMm = inf }), StripOptions{}, ErrNotFinite, "frames[1].extentMm"},
		{"scale", one(func(f *Frame) { f.MmPerPx = 0 }), StripOptions{}, ErrNotPositive, "frames[1].mmPerPx"},
		{"scale nan", one(func(f *Frame) { f.MmPerPx = nan }), StripOptions{}, ErrNotFinite, "frames[1].mmPerPx"},
		{"size", one(func(f *Frame) { f.Size.Y = 0 }), StripOptions{}, ErrNotPositive, "frames[1].size"},
		{"center", one(func(f *Frame) { f.Center = &Point{201, 0} }), StripOptions{}, ErrOutside, "frames[1].center"},
		{"center nan", one(func(f *Frame) { f.Center = &Point{nan, 0} }), StripOptions{}, ErrOutside, "frames[1].center"},
		{"no function", one(func(f *Frame) { f.Load = nil }), StripOptions{}, ErrNoPicture, "frames[1].load"},
		{"no picture", one(func(f *Frame) { f.Load = func() (image.Image, error) { return nil, nil } }), StripOptions{}, ErrNoPicture, "frames[1]"},
		{"empty", one(shape(0, 0)), StripOptions{}, ErrEmpty, "frames[1]"},
		{"across", one(shape(300, 200)), StripOptions{}, ErrShape, "frames[1]: the picture of 300 x 200 pixels must have"},
		{"cut", one(shape(200, 295)), StripOptions{}, ErrShape, "frames[1]"},
	} {
		if img, err := Strip(c.frames, c.o); !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) || img != nil {
			t.Errorf("%s: %v, want %v with %q", c.name, err, c.want, c.says)
		}
	}
	if _, err := Strip([]Frame{{}}, StripOptions{CellPx: 1, Columns: -1}); err == nil || strings.Count(err.Error(), "\n") != 4 {
		t.Errorf("not all faults at once: %v", err)
	}
	// Renditions whose shorter side was rounded either way.
	for _, size := range []image.Point{{67, 100}, {66, 100}, {133, 199}} {
		if _, err := Strip(one(shape(size.X, size.Y)), StripOptions{}); err != nil {
			t.Errorf("%v: %v", size, err)
		}
	}
}

func BenchmarkStrip(b *testing.B) {
	img := ground(1600, 1200, peat)
	plant(img, leaves(Point{800, 600}, 400, 9, 1), leafGreen)
	stored := toYCbCr(img)
	var frames []Frame
	for i := range 12 {
		frames = append(frames, Frame{
			Size: image.Pt(4000, 3000), MmPerPx: 0.02 + 0.002*float64(i), Caption: "2031-05-17", ExtentMm: 60,
			Load: func() (image.Image, error) { return stored, nil },
		})
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Strip(frames, StripOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
