package measure

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"testing"

	"golang.org/x/image/vector"
)

// Colours that pictures are drawn in. They were chosen by eye, as nothing is measured by
// them but sizes that are known.
var (
	leafGreen = color.RGBA{86, 140, 52, 255}
	leafRed   = color.RGBA{150, 46, 50, 255}

	peat  = color.RGBA{92, 70, 52, 255}
	grey  = color.RGBA{128, 128, 128, 255}
	white = color.RGBA{238, 238, 236, 255}
	black = color.RGBA{12, 12, 12, 255}
	sand  = color.RGBA{196, 176, 140, 255}
	clay  = color.RGBA{168, 84, 62, 255}
)

// ground returns a picture of one colour, lighter and darker in waves of some hundred
// pixels, as ground that is lit from a window.
func ground(width, height int, c color.RGBA) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			light := 1 + 0.06*math.Sin(float64(x)/97)*math.Cos(float64(y)/131)
			img.SetRGBA(x, y, brighter(c, light))
		}
	}
	return img
}

func brighter(c color.RGBA, by float64) color.RGBA {
	f := func(v uint8) uint8 { return uint8(math.Round(min(255, float64(v)*by))) }
	return color.RGBA{f(c.R), f(c.G), f(c.B), 255}
}

// fill draws the inside of an outline, its edge as by the share of each pixel that it
// covers (golang.org/x/image/vector).
func fill(img *image.RGBA, outline []Point, c color.Color) {
	low, high := Point{math.Inf(1), math.Inf(1)}, Point{math.Inf(-1), math.Inf(-1)}
	for _, p := range outline {
		low, high = Point{min(low.X, p.X), min(low.Y, p.Y)}, Point{max(high.X, p.X), max(high.Y, p.Y)}
	}
	box := image.Rect(int(low.X)-1, int(low.Y)-1, int(high.X)+2, int(high.Y)+2).Intersect(img.Bounds())
	if box.Empty() {
		return
	}
	r := vector.NewRasterizer(box.Dx(), box.Dy())
	for i, p := range outline {
		x, y := float32(p.X-float64(box.Min.X)), float32(p.Y-float64(box.Min.Y))
		if i == 0 {
			r.MoveTo(x, y)
		} else {
			r.LineTo(x, y)
		}
	}
	r.ClosePath()
	r.Draw(img, box, image.NewUniform(c), image.Point{})
}

// ellipse returns the outline of an ellipse with half axes along and across a direction.
func ellipse(center Point, along, across, direction float64) []Point {
	const corners = 360 // a circle of 1,000 px loses 0.02 px
	out := make([]Point, corners)
	for i := range out {
		at := 2 * math.Pi * float64(i) / corners
		x, y := along*math.Cos(at), across*math.Sin(at)
		out[i] = Point{
			center.X + x*math.Cos(direction) - y*math.Sin(direction),
			center.Y + x*math.Sin(direction) + y*math.Cos(direction),
		}
	}
	return out
}

func rectangle(center Point, along, across, direction float64) []Point {
	at := func(x, y float64) Point {
		return Point{center.X + x*math.Cos(direction) - y*math.Sin(direction), center.Y + x*math.Sin(direction) + y*math.Cos(direction)}
	}
	return []Point{at(along/2, across/2), at(-along/2, across/2), at(-along/2, -across/2), at(along/2, -across/2)}
}

// leaves returns the outlines of a rosette: so many leaves at equal angles, each an
// ellipse from near the middle, whose tip touches the circle of the radius from within.
// As an ellipse is nowhere more sharply bent than at its tip, it lies within the circle
// where across^2/along is at most the radius. So with two leaves or more that circle is
// the smallest around the rosette, by construction.
func leaves(center Point, radius float64, count int, turn float64) [][]Point {
	out := [][]Point{ellipse(center, radius/4, radius/4, 0)}
	for i := range count {
		direction := turn + 2*math.Pi*float64(i)/float64(count)
		along := 0.42 * radius
		middle := radius - along
		across := min(0.25*radius, 0.55*middle*math.Sin(math.Pi/float64(count))+0.03*radius)
		out = append(out, ellipse(Point{center.X + middle*math.Cos(direction), center.Y + middle*math.Sin(direction)}, along, across, direction))
	}
	return out
}

// tilted tells where outlines are seen whose plane is tilted about an axis through the
// middle, from afar.
func tilted(outlines [][]Point, middle Point, axis, degrees float64) [][]Point {
	shrink := math.Cos(degrees * math.Pi / 180)
	out := make([][]Point, len(outlines))
	for i, outline := range outlines {
		for _, p := range outline {
			x, y := p.X-middle.X, p.Y-middle.Y
			along, across := x*math.Cos(axis)+y*math.Sin(axis), y*math.Cos(axis)-x*math.Sin(axis)
			across *= shrink
			out[i] = append(out[i], Point{
				middle.X + along*math.Cos(axis) - across*math.Sin(axis),
				middle.Y + along*math.Sin(axis) + across*math.Cos(axis),
			})
		}
	}
	return out
}

// plant draws leaves, each a little lighter or darker than the one before.
func plant(img *image.RGBA, outlines [][]Point, c color.RGBA) {
	for i, outline := range outlines {
		fill(img, outline, brighter(c, 1+0.12*math.Sin(float64(2*i))))
	}
}

// noisy adds noise of a normal law to each number, as a sensor does in little light.
func noisy(img *image.RGBA, deviation float64, rng *rand.Rand) *image.RGBA {
	out := image.NewRGBA(img.Bounds())
	for i, v := range img.Pix {
		if i%4 == 3 {
			out.Pix[i] = v
			continue
		}
		out.Pix[i] = uint8(math.Round(min(255, max(0, float64(v)+deviation*rng.NormFloat64()))))
	}
	return out
}

// blurred takes the mean over a square of 2 by+1 pixels, as a lens out of focus.
func blurred(img *image.RGBA, by int) *image.RGBA {
	pass := func(in *image.RGBA, dx, dy int) *image.RGBA {
		b := in.Bounds()
		out := image.NewRGBA(b)
		for y := range b.Dy() {
			for x := range b.Dx() {
				for c := range 4 {
					sum := 0
					for k := -by; k <= by; k++ {
						sum += int(in.Pix[in.PixOffset(min(max(x+k*dx, 0), b.Dx()-1), min(max(y+k*dy, 0), b.Dy()-1))+c])
					}
					out.Pix[out.PixOffset(x, y)+c] = uint8((sum + by) / (2*by + 1))
				}
			}
		}
		return out
	}
	return pass(pass(img, 1, 0), 0, 1)
}

// compressed returns the picture after JPEG (image/jpeg), its colours at half the
// resolution.
func compressed(tb testing.TB, img image.Image, quality int) image.Image {
	tb.Helper()
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, &jpeg.Options{Quality: quality}); err != nil {
		tb.Fatal(err)
	}
	out, err := jpeg.Decode(&buf)
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

// clutter draws what lies about: a label of another green, a ruler with marks, and
// specks of moss, none of it touching the circle.
func clutter(img *image.RGBA, center Point, radius float64, rng *rand.Rand) {
	size := img.Bounds().Size()
	fill(img, rectangle(Point{0.12 * float64(size.X), 0.15 * float64(size.Y)}, 0.2*float64(size.X), 0.12*float64(size.Y), 0), color.RGBA{120, 190, 110, 255})
	fill(img, rectangle(Point{0.5 * float64(size.X), 0.96 * float64(size.Y)}, 0.8*float64(size.X), 0.05*float64(size.Y), 0), white)
	for i := range 60 {
		fill(img, rectangle(Point{(0.12 + 0.0125*float64(i)) * float64(size.X), 0.96 * float64(size.Y)}, 1.5, 0.03*float64(size.Y), 0), black)
	}
	for range 40 {
		p := Point{float64(size.X) * rng.Float64(), float64(size.Y) * rng.Float64()}
		r := 1 + 0.006*float64(size.X)*rng.Float64()
		if math.Hypot(p.X-center.X, p.Y-center.Y) > radius+3*r+8 {
			fill(img, ellipse(p, r, 0.7*r, 0), leafGreen)
		}
	}
}

// toYCbCr returns the picture as a camera stores it.
func toYCbCr(img *image.RGBA) *image.YCbCr {
	b := img.Bounds()
	out := image.NewYCbCr(b, image.YCbCrSubsampleRatio420)
	for y := range b.Dy() {
		for x := range b.Dx() {
			c := img.RGBAAt(x, y)
			l, cb, cr := color.RGBToYCbCr(c.R, c.G, c.B)
			out.Y[out.YOffset(x, y)], out.Cb[out.COffset(x, y)], out.Cr[out.COffset(x, y)] = l, cb, cr
		}
	}
	return out
}
