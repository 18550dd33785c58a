package measure

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// found returns the rosette, and tells what does not hold of any.
func found(t *testing.T, name string, img image.Image, index Index) *Rosette {
	t.Helper()
	r, err := FindRosette(img, index)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	middle := Point{(r.Span.A.X + r.Span.B.X) / 2, (r.Span.A.Y + r.Span.B.Y) / 2}
	if math.Abs(r.Span.LengthPx()-r.DiameterPx) > 1e-6 || math.Hypot(middle.X-r.Center.X, middle.Y-r.Center.Y) > 1e-6 {
		t.Errorf("%s: the span %+v is no diameter of %v at %+v", name, r.Span, r.DiameterPx, r.Center)
	}
	if !(r.Separability > 0 && r.Separability <= 1) || r.Span.ErrorPx <= 0 || r.Regions < 1 || r.AreaPx < float64(r.RegionPixels) {
		t.Errorf("%s: %+v", name, r)
	}
	return r
}

// within checks a diameter and its middle, both by a share of the diameter.
func within(t *testing.T, name string, r *Rosette, center Point, diameter, share float64) {
	t.Helper()
	if math.Abs(r.DiameterPx-diameter) > share*diameter {
		t.Errorf("%s: diameter %.1f, want %.1f (%+.1f %%): %+v", name, r.DiameterPx, diameter, 100*(r.DiameterPx/diameter-1), r)
	}
	if math.Hypot(r.Center.X-center.X, r.Center.Y-center.Y) > share*diameter {
		t.Errorf("%s: middle %v, want %v", name, r.Center, center)
	}
}

// Discs and rosettes of known size on clean pictures: within 2 %, by Auto.
func TestRosettesOfKnownSize(t *testing.T) {
	rng := rand.New(rand.NewPCG(1995, 2008))
	for _, c := range []struct {
		name  string
		plant color.RGBA
		on    color.RGBA
		index Index
	}{
		{"green on peat", leafGreen, peat, ExcessGreen},
		{"green on grey", leafGreen, grey, ExcessGreen},
		{"green on white", leafGreen, white, ExcessGreen},
		{"green on clay", leafGreen, clay, ExcessGreen},
		{"red on peat", leafRed, peat, ExcessRed},
		{"red on grey", leafRed, grey, ExcessRed},
		{"red on white", leafRed, white, ExcessRed},
		{"red on sand", leafRed, sand, ExcessRed},
	} {
		radius := 75 + 120*rng.Float64()
		center := Point{300 + 40*rng.Float64(), 220 + 20*rng.Float64()}
		img := ground(640, 440, c.on)
		fill(img, ellipse(center, radius, radius, 0), c.plant)
		r := found(t, c.name, img, Auto)
		within(t, c.name+", disc", r, center, 2*radius, 0.02)
		if want := math.Pi * radius * radius; math.Abs(r.AreaPx-want) > 0.04*want || r.Index != c.index || r.Step != 1 || r.Regions != 1 || len(r.Warnings) > 0 {
			t.Errorf("%s, disc of area %.0f: %+v", c.name, want, r)
		}

		img = ground(640, 440, c.on)
		count := 6 + rng.IntN(9)
		plant(img, leaves(center, radius, count, 7*rng.Float64()), c.plant)
		name := fmt.Sprintf("%s, %d leaves", c.name, count)
		r = found(t, name, img, Auto)
		within(t, name, r, center, 2*radius, 0.02)
		if r.Index != c.index || r.Regions != 1 || len(r.Warnings) > 0 {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

// Rosettes on bad pictures: within 5 %. And what Length tells of the span, with a scale
// that is exact, holds the true diameter 95 times in 100.
func TestRosettesOnBadPictures(t *testing.T) {
	rng := rand.New(rand.NewPCG(75, 90))
	spoil := []struct {
		name string
		by   func(img *image.RGBA) image.Image
	}{
		{"noise", func(img *image.RGBA) image.Image { return noisy(img, 8, rng) }},
		{"out of focus", func(img *image.RGBA) image.Image { return blurred(img, 2) }},
		{"JPEG of quality 75", func(img *image.RGBA) image.Image { return compressed(t, img, 75) }},
		{"JPEG of quality 90", func(img *image.RGBA) image.Image { return compressed(t, img, 90) }},
		{"all of it", func(img *image.RGBA) image.Image { return compressed(t, noisy(blurred(img, 1), 6, rng), 80) }},
	}
	all, held := 0, 0
	for _, c := range []struct {
		name  string
		plant color.RGBA
		on    []color.RGBA
		index Index
	}{
		{"green", leafGreen, []color.RGBA{peat, grey, white, black, clay}, ExcessGreen},
		{"red", leafRed, []color.RGBA{grey, peat, sand, white, black}, ExcessRed},
	} {
		for i, on := range c.on {
			for k, s := range spoil {
				radius := 65 + 75*rng.Float64()
				center := Point{200 + 20*rng.Float64(), 160 + 10*rng.Float64()}
				img := ground(420, 330, on)
				plant(img, leaves(center, radius, 6+(2*i+k)%9, 7*rng.Float64()), c.plant)
				name := fmt.Sprintf("%s on %v, %s", c.name, on, s.name)
				r := found(t, name, s.by(img), c.index)
				within(t, name, r, center, 2*radius, 0.05)
				size, err := Length(Scale{Line{Point{}, Point{5000, 0}, 0.001}, 5000, 0}, r.Span)
				if err != nil {
					t.Errorf("%s: %v", name, err)
				}
				all++
				if math.Abs(size.Mm-2*radius) <= size.UncertaintyMm {
					held++
				}
			}
		}
	}
	if float64(held) < 0.95*float64(all) {
		t.Errorf("%d of %d diameters lie within their uncertainty", held, all)
	}
}

// A label, a ruler and specks of moss lie about, the plant being the largest of its
// colour: within 5 %.
func TestRosettesInClutter(t *testing.T) {
	rng := rand.New(rand.NewPCG(40, 60))
	for _, on := range []color.RGBA{peat, grey, sand} {
		center, radius := Point{330 + 20*rng.Float64(), 240}, 110+40*rng.Float64()
		img := ground(640, 480, on)
		plant(img, leaves(center, radius, 10, rng.Float64()), leafGreen)
		clutter(img, center, radius, rng)
		r := found(t, "clutter", compressed(t, noisy(img, 6, rng), 85), Auto)
		within(t, fmt.Sprintf("on %v", on), r, center, 2*radius, 0.05)
		if r.Regions < 2 || r.Index != ExcessGreen {
			t.Errorf("on %v: %+v", on, r)
		}
	}
	// A red plant among green things: the grower says that it is red.
	center, radius := Point{330, 240}, 120.
	img := ground(640, 480, peat)
	plant(img, leaves(center, radius, 8, 0.3), leafRed)
	clutter(img, center, radius, rng)
	within(t, "red", found(t, "red", compressed(t, noisy(img, 6, rng), 85), ExcessRed), center, 2*radius, 0.05)
}

// Tilted by 5 and 10 degrees about any axis, seen from afar, a rosette has between the
// cosine of the tilt and 1 of its diameter, by projection.
func TestTiltedRosettes(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 10))
	for _, degrees := range []float64{5, 10} {
		for range 4 {
			center, radius := Point{320, 220}, 120+60*rng.Float64()
			img := ground(640, 440, peat)
			outlines := tilted(leaves(center, radius, 12, rng.Float64()), center, math.Pi*rng.Float64(), degrees)
			plant(img, outlines, leafGreen)
			r := found(t, "tilted", img, ExcessGreen)
			low, high := math.Cos(degrees*math.Pi/180)*0.98, 1.02
			if share := r.DiameterPx / (2 * radius); share < low || share > high {
				t.Errorf("%v degrees: %.4f of the diameter, want %.4f to %v", degrees, share, low, high)
			}
		}
	}
}

// smallPicture draws a rosette with noise, anywhere and of any size.
func smallPicture(t *rapid.T) *image.RGBA {
	width, height := rapid.IntRange(90, 120).Draw(t, "width"), rapid.IntRange(90, 120).Draw(t, "height")
	rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
	radius := rapid.Float64Range(20, 35).Draw(t, "radius")
	center := Point{float64(width)/2 + 5*rng.Float64(), float64(height)/2 + 5*rng.Float64()}
	img := ground(width, height, []color.RGBA{peat, grey, white}[rng.IntN(3)])
	plant(img, leaves(center, radius, rapid.IntRange(6, 14).Draw(t, "leaves"), 7*rng.Float64()), leafGreen)
	return noisy(img, 5, rng)
}

// A picture that is turned, mirrored, cut out of a larger one,
// stored in another way or enlarged shows the same rosette.
func TestRosetteProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		img := smallPicture(t)
		width, height := img.Bounds().Dx(), img.Bounds().Dy()
		before := slices.Clone(img.Pix)
		of := func(img image.Image) *Rosette {
			r, err := FindRosette(img, Auto)
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		want := of(img)
		if !slices.Equal(before, img.Pix) || !reflect.DeepEqual(of(img), want) {
			t.Fatal("the picture was changed, or the second look differs")
		}

		copied := func(to draw.Image, at func(x, y int) image.Point) draw.Image {
			for y := range height {
				for x := range width {
					p := at(x, y)
					to.Set(p.X, p.Y, img.At(x, y))
				}
			}
			return to
		}
		here := func(x, y int) image.Point { return image.Pt(x, y) }
		larger := image.NewRGBA(image.Rect(-30, -40, width+10, height+10))
		copied(larger, here)
		cut := larger.SubImage(img.Bounds()).(*image.RGBA)
		moved := image.NewRGBA(img.Bounds().Add(image.Pt(300, -200)))
		for _, same := range []image.Image{
			cut, copied(moved, func(x, y int) image.Point { return image.Pt(x+300, y-200) }),
			copied(image.NewNRGBA(img.Bounds()), here), copied(image.NewRGBA64(img.Bounds()), here),
		} {
			if got := of(same); !reflect.DeepEqual(got, want) {
				t.Fatalf("as %T: %+v, want %+v", same, got, want)
			}
		}

		near := func(name string, got *Rosette, center Point, times float64) {
			if math.Abs(got.DiameterPx-times*want.DiameterPx) > 1e-6 || got.AreaPx != times*times*want.AreaPx ||
				math.Hypot(got.Center.X-center.X, got.Center.Y-center.Y) > 1e-6 || got.RegionPixels != want.RegionPixels ||
				got.Threshold != want.Threshold || got.Regions != want.Regions {
				t.Fatalf("%s: %+v, before %+v", name, got, want)
			}
		}
		near("mirrored", of(copied(image.NewRGBA(img.Bounds()), func(x, y int) image.Point { return image.Pt(width-1-x, y) })),
			Point{float64(width) - want.Center.X, want.Center.Y}, 1)
		near("turned", of(copied(image.NewRGBA(image.Rect(0, 0, height, width)), func(x, y int) image.Point { return image.Pt(height-1-y, x) })),
			Point{float64(height) - want.Center.Y, want.Center.X}, 1)
	})
}

// enlargement is a picture of which each pixel is a square of pixels.
type enlargement struct {
	of    *image.RGBA
	times int
}

func (e enlargement) ColorModel() color.Model { return e.of.ColorModel() }

func (e enlargement) Bounds() image.Rectangle {
	size := e.of.Bounds().Size()
	return image.Rect(0, 0, size.X*e.times, size.Y*e.times)
}

func (e enlargement) At(x, y int) color.Color { return e.of.At(x/e.times, y/e.times) }

// Large pictures are worked on as means of blocks: of one whose blocks are of one colour
// exactly the same comes out as of the small one, in larger pixels. Where the last blocks
// are not whole, the rosette is where it was drawn.
func TestLargePictures(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 50))
	img := ground(801, 220, peat)
	plant(img, leaves(Point{500, 110}, 80, 9, 0.2), leafGreen)
	img = noisy(img, 5, rng)
	small := found(t, "small", img, Auto)
	large := found(t, "large", enlargement{img, 2}, Auto)
	if large.Step != 2 || large.RegionPixels != small.RegionPixels || large.AreaPx != 4*small.AreaPx || large.Threshold != small.Threshold ||
		math.Abs(large.DiameterPx-2*small.DiameterPx) > 1e-6 || math.Abs(large.Center.X-2*small.Center.X) > 1e-6 {
		t.Errorf("enlarged: %+v, before %+v", large, small)
	}
	center, radius := Point{1000.3, 900.8}, 599.4
	img = ground(2001, 1801, sand)
	fill(img, ellipse(center, radius, radius, 0), leafRed)
	r := found(t, "2001 x 1801", toYCbCr(img), Auto)
	within(t, "2001 x 1801", r, center, 2*radius, 0.005)
	if r.Step != 2 || math.Abs(r.AreaPx-math.Pi*radius*radius) > 0.01*math.Pi*radius*radius {
		t.Errorf("%+v", r)
	}
	// To the edge: the last blocks have one pixel across and down.
	img = image.NewRGBA(image.Rect(0, 0, 1603, 7))
	draw.Draw(img, img.Bounds(), image.NewUniform(grey), image.Point{}, draw.Src)
	draw.Draw(img, image.Rect(1002, 0, 1603, 7), image.NewUniform(leafGreen), image.Point{}, draw.Src)
	if r := found(t, "edge", img, ExcessGreen); r.AreaPx != 601*7 || !slices.Contains(r.Warnings, TouchesEdge) {
		t.Errorf("at the edge: %+v", r)
	}
}

// What is transparent is ground, whatever colour it is stored with.
func TestTransparentPictures(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 400, 300))
	draw.Draw(img, img.Bounds(), image.NewUniform(color.NRGBA{0, 255, 0, 0}), image.Point{}, draw.Src)
	solid := ground(400, 300, black)
	fill(solid, ellipse(Point{200, 150}, 90, 90, 0), leafGreen)
	for y := range 300 {
		for x := range 400 {
			if c := solid.RGBAAt(x, y); c.G > 70 {
				img.SetNRGBA(x, y, color.NRGBA{c.R, c.G, c.B, 255})
			}
		}
	}
	within(t, "transparent", found(t, "transparent", img, Auto), Point{200, 150}, 180, 0.03)
}

// By hand, of the formulas cited: the chromatic coordinates of (60, 100, 40) are 0.3, 0.5
// and 0.2, of grey a third each. Excess green 2g - r - b (Woebbecke et al. 1995), excess
// red 1.4r - g (Meyer and Neto 2008).
func TestIndices(t *testing.T) {
	for _, c := range []struct {
		index   Index
		r, g, b float64
		want    float64
	}{
		{ExcessGreen, 60, 100, 40, 0.5}, {ExcessGreen, 7, 7, 7, 0}, {ExcessGreen, 0, 9, 0, 2}, {ExcessGreen, 9, 0, 3, -1},
		{ExcessRed, 60, 100, 40, -0.08}, {ExcessRed, 7, 7, 7, 0.4 / 3}, {ExcessRed, 9, 0, 0, 1.4}, {ExcessRed, 0, 3, 0, -1},
	} {
		if got := c.index.of(c.r, c.g, c.b); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v of %v, %v, %v: %v, want %v", c.index, c.r, c.g, c.b, got, c.want)
		}
	}
}

// A red plant with moss around it on brown ground: three colours, of which excess red
// first parts the moss from all else.
func TestRosetteAmongThreeColours(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	center := Point{330, 220}
	img := ground(640, 440, peat)
	fill(img, rectangle(Point{100, 220}, 150, 350, 0), leafGreen)
	plant(img, leaves(center, 110, 9, 0.4), leafRed)
	r := found(t, "moss", noisy(img, 4, rng), ExcessRed)
	within(t, "moss", r, center, 220, 0.03)
	if !slices.Equal(r.Warnings, []Warning{SimilarGround}) {
		t.Errorf("%+v", r)
	}
	// A plant that fills the picture is not taken apart, though its leaves differ.
	img = ground(300, 200, peat)
	plant(img, leaves(Point{150, 100}, 260, 9, 0.4), leafGreen)
	if r := found(t, "all over", noisy(img, 4, rng), ExcessGreen); !slices.Equal(r.Warnings, []Warning{TouchesEdge}) {
		t.Errorf("%+v", r)
	}
}

func TestRosetteErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	disc := func(radius float64, on, of color.RGBA) *image.RGBA {
		img := ground(300, 200, on)
		fill(img, ellipse(Point{150, 100}, radius, radius, 0), of)
		return img
	}
	one := image.NewRGBA(image.Rect(0, 0, 50, 50))
	if got := fmt.Sprint(Auto, ExcessGreen, ExcessRed, Index(7)); got != "AUTO EXCESS_GREEN EXCESS_RED Index(7)" {
		t.Error(got)
	}
	for _, c := range []struct {
		name  string
		img   image.Image
		index Index
		want  error
		says  string
	}{
		{"no pixels", image.NewRGBA(image.Rectangle{}), Auto, ErrEmpty, "the picture must have pixels"},
		{"no such index", disc(50, peat, leafGreen), 3, ErrIndex, "the index must be"},
		{"no such index", disc(50, peat, leafGreen), -1, ErrIndex, "the index must be"},
		{"one pixel", image.NewRGBA(image.Rect(0, 0, 1, 1)), Auto, ErrNoRosette, "one colour"},
		{"one colour", one, Auto, ErrNoRosette, "one colour"},
		{"grey with noise", noisy(ground(300, 200, grey), 8, rng), Auto, ErrNoRosette, "over grey"},
		{"dark", disc(50, color.RGBA{9, 9, 9, 255}, color.RGBA{4, 28, 4, 255}), ExcessGreen, ErrNoRosette, "one colour"},
		{"red by green", disc(50, grey, leafRed), ExcessGreen, ErrNoRosette, "EXCESS_GREEN"},
		{"green by red", disc(50, grey, leafGreen), ExcessRed, ErrNoRosette, "EXCESS_RED"},
		{"blue", disc(50, grey, color.RGBA{30, 40, 160, 255}), Auto, ErrNoRosette, "EXCESS_RED"},
		{"hardly green", disc(50, color.RGBA{120, 140, 120, 255}, color.RGBA{118, 142, 118, 255}), ExcessGreen, ErrNoRosette, "over the rest"},
		{"a speck", disc(3, grey, leafGreen), ExcessGreen, ErrNoRosette, "smaller than 60 pixels"},
	} {
		if r, err := FindRosette(c.img, c.index); !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) || r != nil {
			t.Errorf("%s: %+v, %v, want %v with %q", c.name, r, err, c.want, c.says)
		}
	}
}

func TestRosetteWarnings(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	disc := func(img *image.RGBA, x, y, radius float64, c color.RGBA) *image.RGBA {
		fill(img, ellipse(Point{x, y}, radius, radius, 0), c)
		return img
	}
	for _, c := range []struct {
		name string
		img  *image.RGBA
		want []Warning
	}{
		{"well placed", disc(ground(300, 200, peat), 150, 100, 60, leafGreen), nil},
		{"over the left edge", disc(ground(300, 200, peat), 30, 100, 60, leafGreen), []Warning{TouchesEdge}},
		{"over the lower edge", disc(ground(300, 200, peat), 150, 170, 60, leafGreen), []Warning{TouchesEdge}},
		{"two", disc(disc(ground(300, 200, peat), 80, 100, 50, leafGreen), 230, 100, 40, leafGreen), []Warning{SeveralRegions}},
		{"two, one small", disc(disc(ground(300, 200, peat), 80, 100, 50, leafGreen), 230, 100, 15, leafGreen), nil},
		{"small", disc(ground(300, 200, peat), 150, 100, 10, leafGreen), []Warning{SmallRegion}},
		{"pale, with noise", noisy(disc(ground(300, 200, color.RGBA{120, 110, 100, 255}), 150, 100, 60, color.RGBA{120, 124, 100, 255}), 14, rng), []Warning{LowContrast}},
	} {
		if r := found(t, c.name, c.img, ExcessGreen); !slices.Equal(r.Warnings, c.want) {
			t.Errorf("%s: %v, want %v: %+v", c.name, r.Warnings, c.want, r)
		}
	}
}

// Where FindRosette is known to fail, as its comment tells: who makes one of these work
// should change the comment.
func TestRosettesKnownToFail(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	center, radius := Point{320, 220}, 100.
	scene := func(on, of color.RGBA, change func(img *image.RGBA)) *image.RGBA {
		img := ground(640, 440, on)
		plant(img, leaves(center, radius, 10, 0), of)
		change(img)
		return noisy(img, 4, rng)
	}
	share := func(img image.Image, index Index) float64 {
		return found(t, "known", img, index).DiameterPx / (2 * radius)
	}

	touching := scene(peat, leafGreen, func(img *image.RGBA) {
		fill(img, rectangle(Point{center.X + radius + 60, center.Y}, 140, 30, 0), color.RGBA{120, 190, 110, 255})
	})
	if got := share(touching, Auto); got < 1.3 {
		t.Errorf("a green label that touches: %v of the diameter", got)
	}
	larger := found(t, "larger", scene(peat, leafGreen, func(img *image.RGBA) {
		fill(img, rectangle(Point{100, 220}, 150, 350, 0), color.RGBA{120, 190, 110, 255})
	}), Auto)
	if larger.Center.X > 150 || !slices.Contains(larger.Warnings, SeveralRegions) {
		t.Errorf("a green label that is larger: %+v", larger)
	}
	label := ground(640, 440, grey)
	fill(label, rectangle(Point{110, 220}, 150, 350, 0), color.RGBA{60, 220, 70, 255})
	plant(label, leaves(center, 40, 10, 0), leafRed)
	if got := found(t, "red beside a label", label, Auto); got.Index != ExcessGreen {
		t.Errorf("a small red plant beside a green label by Auto: %+v", got)
	}
	reddish := color.RGBA{172, 80, 62, 255}
	if r, err := FindRosette(scene(clay, reddish, func(*image.RGBA) {}), ExcessRed); !errors.Is(err, ErrNoRosette) {
		t.Errorf("a red plant on red clay: %+v, %v", r, err)
	}
	shade := scene(peat, leafGreen, func(img *image.RGBA) {
		for y := range 440 {
			for x := 280; x < 640; x++ {
				img.SetRGBA(x, y, brighter(img.RGBAAt(x, y), 0.15))
			}
		}
	})
	// What is left has a chord of 0.92 of the diameter.
	if got := share(shade, ExcessGreen); got > 0.95 {
		t.Errorf("half of it in deep shade: %v of the diameter", got)
	}
	stalked := ground(640, 440, peat)
	for i := range 8 {
		at := 2 * math.Pi * float64(i) / 8
		tip := Point{center.X + 80*math.Cos(at), center.Y + 80*math.Sin(at)}
		fill(stalked, ellipse(tip, 20, 15, at), leafGreen)
		fill(stalked, rectangle(Point{(center.X + tip.X) / 2, (center.Y + tip.Y) / 2}, 80, 1.2, at), leafGreen)
	}
	if r := found(t, "stalked", stalked, Auto); r.DiameterPx > radius || !slices.Contains(r.Warnings, SeveralRegions) {
		t.Errorf("leaves on thin stalks: %+v", r)
	}
}

func BenchmarkFindRosette(b *testing.B) {
	picture := func(width, height int) image.Image {
		img := ground(width, height, peat)
		plant(img, leaves(Point{float64(width) / 2, float64(height) / 2}, float64(height)/3, 9, 1), leafGreen)
		return toYCbCr(noisy(img, 6, rand.New(rand.NewPCG(12, 0))))
	}
	for _, c := range []struct {
		name          string
		width, height int
	}{{"12MP", 4000, 3000}, {"2MP", 1600, 1200}} {
		img := picture(c.width, c.height)
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := FindRosette(img, Auto); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
