package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// pointed returns the line with every coordinate off by the law that ErrorPx means.
func pointed(rng *rand.Rand, l Line) Line {
	off := func(p Point) Point {
		return Point{p.X + l.ErrorPx*rng.NormFloat64(), p.Y + l.ErrorPx*rng.NormFloat64()}
	}
	return Line{off(l.A), off(l.B), l.ErrorPx}
}

// lineOf returns a line of a length in a direction.
func lineOf(from Point, length, direction, errorPx float64) Line {
	return Line{from, Point{from.X + length*math.Cos(direction), from.Y + length*math.Sin(direction)}, errorPx}
}

// Expanded uncertainty is that of JCGM 100:2008, 2.3.5 and 6.2.1: an interval that holds
// a large fraction, here 95 %, of what could be true. So of growers who point with known
// errors (math/rand) 95 in 100 must find the true length in it, wherever the lines are in
// the domain. The law depends on nothing but both lengths in errors of pointing; pixels,
// millimetres and directions vary only to go through all of the code.
//
// At the limits of the domain Length refuses half of the lines, those that look shorter,
// so there the interval is asked of what would be told without that. Where next to
// nothing is refused Length itself is asked.
func TestCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(2008, 100))
	lowest, highest := 1., 0.
	for _, spanErrors := range []float64{10, 16, 50, 6000} {
		for _, scaleErrors := range []float64{20, 26, 150, 6000} {
			draws := 60_000
			if spanErrors == 6000 && scaleErrors == 20 {
				draws = 500_000 // enough to tell that the skewness is made good
			}
			deviation := math.Sqrt(level * (1 - level) / float64(draws)) // of the share in simulations
			errorPx := 0.5 * math.Pow(20, rng.Float64())                 // 0.5 to 10
			scale := Scale{
				Line:     lineOf(Point{300, 400}, scaleErrors*errorPx, 2*math.Pi*rng.Float64(), errorPx),
				LengthMm: 1 + 99*rng.Float64(),
			}
			spanError := 0.5 * math.Pow(20, rng.Float64())
			span := lineOf(Point{900, 700}, spanErrors*spanError, 2*math.Pi*rng.Float64(), spanError)
			want := scale.LengthMm * spanErrors * spanError / (scaleErrors * errorPx)
			refused, within := 0, 0
			for range draws {
				seenScale, seenSpan := scale, pointed(rng, span)
				seenScale.Line = pointed(rng, scale.Line)
				got := sizeOf(seenScale, seenSpan)
				if asked, err := Length(seenScale, seenSpan); errors.Is(err, ErrShort) {
					refused++
				} else if err != nil || asked != got {
					t.Fatalf("%+v, %v, want %+v", asked, err, got)
				}
				if math.Abs(got.Mm-want) <= got.UncertaintyMm {
					within++
				}
			}
			if spanErrors >= 16 && scaleErrors >= 26 && refused > draws/10_000 {
				t.Errorf("span of %v and scale of %v errors: %d of %d are refused", spanErrors, scaleErrors, refused, draws)
			}
			share := float64(within) / float64(draws)
			lowest, highest = min(lowest, share), max(highest, share)
			if low, high := level-3.5*deviation, 0.965; share < low || share > high {
				t.Errorf("span of %v and scale of %v errors: %.4f of the true lengths are within, want %.4f to %v",
					spanErrors, scaleErrors, share, low, high)
			}
		}
	}
	t.Logf("%.4f to %.4f are within", lowest, highest)
}

// Lines seen from afar in a plane that is tilted by an angle up to the one told, about
// any axis: by projection of its points. The true length is within the allowance, which
// is also reached: no smaller one would do.
func TestTiltIsReckonedWith(t *testing.T) {
	// project tells where a point of the plane is seen, the plane tilted about an axis in
	// it: what is across the axis shrinks by the cosine.
	project := func(p Point, axis, tilt float64) Point {
		along, across := p.X*math.Cos(axis)+p.Y*math.Sin(axis), p.Y*math.Cos(axis)-p.X*math.Sin(axis)
		across *= math.Cos(tilt)
		return Point{along*math.Cos(axis) - across*math.Sin(axis), along*math.Sin(axis) + across*math.Cos(axis)}
	}
	const sharp = 1e-7 // an error of pointing that hardly matters
	seen := func(scale Scale, span Line, axis, tilt float64) Size {
		scale.A, scale.B = project(scale.A, axis, tilt), project(scale.B, axis, tilt)
		span.A, span.B = project(span.A, axis, tilt), project(span.B, axis, tilt)
		got, err := Length(scale, span)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	rapid.Check(t, func(r *rapid.T) {
		most := rapid.Float64Range(0.1, MaxTiltDeg).Draw(r, "most")
		direction := rapid.Float64Range(0, 2*math.Pi).Draw(r, "direction")
		scale := Scale{lineOf(Point{10, 20}, 400, direction, sharp), 100, most}
		span := lineOf(Point{50, 60}, 300, rapid.Float64Range(0, 2*math.Pi).Draw(r, "span"), sharp)
		const want = 75.
		axis := rapid.Float64Range(0, math.Pi).Draw(r, "axis")
		tilt := rapid.Float64Range(0, most).Draw(r, "tilt") * math.Pi / 180
		if got := seen(scale, span, axis, tilt); math.Abs(got.Mm-want) > got.UncertaintyMm*(1+1e-9) {
			r.Fatalf("%v is not within %+v", want, got)
		}
	})
	for _, most := range []float64{1, 5, 10, 30, MaxTiltDeg} {
		for _, angle := range []float64{10, 45, 90, 135} {
			scale := Scale{lineOf(Point{}, 400, 0, sharp), 100, most}
			span := lineOf(Point{}, 300, angle*math.Pi/180, sharp)
			largest := 0.
			for axis := 0.; axis < 180; axis += 0.25 {
				got := seen(scale, span, axis*math.Pi/180, most*math.Pi/180)
				largest = max(largest, math.Abs(got.Mm-75)/got.UncertaintyMm)
			}
			if largest < 0.99 || largest > 1+1e-9 {
				t.Errorf("tilt of %v degrees, span at %v: at most %v of the allowance is used", most, angle, largest)
			}
		}
	}
}

// By hand: a scale of 300 px (180 by 240) is 60 mm, so 0.2 mm a pixel; a span of 100 px.
// With errors of 2 px, JCGM 100:2008, 5.1.6, gives 8/100^2 + 8/300^2 for the square of
// the relative uncertainty, and table G.1 the factor 1.960. What is said of skewness adds
// 3.5 times 8/300^2 to the square, relatively: 0.016 %.
func TestLengthByHand(t *testing.T) {
	got, err := Length(Scale{Line: Line{Point{0, 0}, Point{180, 240}, 2}, LengthMm: 60}, Line{Point{7, 5}, Point{107, 5}, 2})
	relative := math.Sqrt(8./1e4 + 8./9e4)
	if err != nil || math.Abs(got.Mm-20) > 1e-12 || math.Abs(got.UncertaintyMm-1.960*relative*20*1.000156) > 1e-4 {
		t.Errorf("got %+v, %v", got, err)
	}
	// Tilt of 10 degrees at a right angle: t^2/2 is 1.523 %, to first order.
	tilted, err := Length(Scale{Line{Point{0, 0}, Point{0, 300}, 2}, 60, 10}, Line{Point{7, 5}, Point{107, 5}, 2})
	if err != nil || math.Abs((tilted.UncertaintyMm-got.UncertaintyMm)/20-0.01523) > 3e-4 {
		t.Errorf("got %+v, %v; without the tilt %+v", tilted, err, got)
	}
	along, err := Length(Scale{Line{Point{0, 0}, Point{300, 0}, 2}, 60, 10}, Line{Point{7, 5}, Point{107, 5}, 2})
	if err != nil || math.Abs(along.UncertaintyMm-got.UncertaintyMm) > 1e-12 {
		t.Errorf("got %+v, %v; without the tilt %+v", along, err, got)
	}
	slight, err := Length(Scale{Line{Point{0, 0}, Point{0, 300}, 2}, 60, 1e-200}, Line{Point{7, 5}, Point{107, 5}, 2})
	if err != nil || slight.UncertaintyMm != along.UncertaintyMm {
		t.Errorf("got %+v, %v; without the tilt %+v", slight, err, got)
	}
	if mm := (Scale{Line: Line{A: Point{1, 1}, B: Point{4, 5}}, LengthMm: 10}).MmPerPx(); mm != 2 {
		t.Errorf("%v mm a pixel, want 2", mm)
	}
}

// Another unit, another size of the picture, another place, a turn, a mirror, and ends
// that are exchanged change nothing but the unit; larger errors make it less certain.
func TestLengthProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		scale := Scale{
			lineOf(Point{number("x", -1e4, 1e4), number("y", -1e4, 1e4)}, number("scale", 100, 3000), number("at", 0, 7), number("e", 0.1, 4)),
			number("mm", 0.01, 1000), number("tilt", 0, MaxTiltDeg),
		}
		span := lineOf(Point{number("x", -1e4, 1e4), number("y", -1e4, 1e4)}, number("span", 50, 3000), number("at", 0, 7), number("e", 0.1, 4))
		of := func(scale Scale, span Line) Size {
			got, err := Length(scale, span)
			if err != nil {
				t.Fatal(err)
			}
			if !(got.Mm > 0 && got.UncertaintyMm > 0) {
				t.Fatalf("got %+v", got)
			}
			return got
		}
		near := func(what string, got, want Size) {
			if math.Abs(got.Mm-want.Mm) > 1e-9*want.Mm || math.Abs(got.UncertaintyMm-want.UncertaintyMm) > 1e-9*want.UncertaintyMm {
				t.Fatalf("%s: %+v became %+v", what, want, got)
			}
		}
		got := of(scale, span)
		turn, by := number("turn", 0, 7), number("by", 0.1, 10)
		moved := func(f func(Point) Point, errors float64) Size {
			s, p := scale, span
			s.Line = Line{f(scale.A), f(scale.B), errors * scale.ErrorPx}
			p = Line{f(p.A), f(p.B), errors * span.ErrorPx}
			return of(s, p)
		}
		near("turned", moved(func(p Point) Point {
			return Point{p.X*math.Cos(turn) - p.Y*math.Sin(turn) + 17, p.X*math.Sin(turn) + p.Y*math.Cos(turn) - 5}
		}, 1), got)
		near("mirrored", moved(func(p Point) Point { return Point{-p.X, p.Y} }, 1), got)
		near("larger", moved(func(p Point) Point { return Point{by * p.X, by * p.Y} }, by), got)
		near("exchanged", of(scale, Line{span.B, span.A, span.ErrorPx}), got)
		unit := scale
		unit.LengthMm *= by
		near("another unit", of(unit, span), Size{by * got.Mm, by * got.UncertaintyMm})
		worse := scale
		worse.ErrorPx *= 1.01
		if more := of(worse, span); more.Mm != got.Mm || more.UncertaintyMm <= got.UncertaintyMm {
			t.Fatalf("a larger error: %+v became %+v", got, more)
		}
		worse = scale
		worse.TiltDeg = 0
		if less := of(worse, span); less.UncertaintyMm > got.UncertaintyMm {
			t.Fatalf("no tilt: %+v became %+v", got, less)
		}
	})
}

func TestLengthErrors(t *testing.T) {
	good := Scale{Line{Point{0, 0}, Point{100, 0}, 2}, 50, 0}
	line := Line{Point{0, 0}, Point{0, 50}, 2}
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name   string
		change func(scale *Scale, span *Line)
		want   error
		says   string
	}{
		{"nan", func(s *Scale, _ *Line) { s.A.X = nan }, ErrNotFinite, "scale.a.x"},
		{"infinite", func(_ *Scale, l *Line) { l.B.Y = inf }, ErrNotFinite, "span.b.y"},
		{"no error", func(s *Scale, _ *Line) { s.ErrorPx = 0 }, ErrNotPositive, "scale.errorPx"},
		{"negative error", func(_ *Scale, l *Line) { l.ErrorPx = -1 }, ErrNotPositive, "span.errorPx"},
		{"infinite error", func(_ *Scale, l *Line) { l.ErrorPx = inf }, ErrNotFinite, "span.errorPx"},
		{"no length", func(s *Scale, _ *Line) { s.LengthMm = 0 }, ErrNotPositive, "scale.lengthMm"},
		{"length nan", func(s *Scale, _ *Line) { s.LengthMm = nan }, ErrNotFinite, "scale.lengthMm"},
		{"tilt", func(s *Scale, _ *Line) { s.TiltDeg = 45.1 }, ErrTilt, "scale.tiltDeg"},
		{"negative tilt", func(s *Scale, _ *Line) { s.TiltDeg = -1 }, ErrTilt, "scale.tiltDeg"},
		{"tilt nan", func(s *Scale, _ *Line) { s.TiltDeg = nan }, ErrTilt, "scale.tiltDeg"},
		{"coincident scale", func(s *Scale, _ *Line) { s.B = s.A }, ErrCoincident, "scale must have two"},
		{"coincident span", func(_ *Scale, l *Line) { l.B = l.A }, ErrCoincident, "span must have two"},
		{"short scale", func(s *Scale, _ *Line) { s.B.X = 39.9 }, ErrShort, "scale is too short for its error of pointing: it must be at least 20 times"},
		{"short span", func(_ *Scale, l *Line) { l.B.Y = 19.9 }, ErrShort, "span is too short for its error of pointing: it must be at least 10 times"},
		{"overflow", func(_ *Scale, l *Line) { l.A.X, l.B.X = -1e308, 1e308 }, ErrRange, "span"},
		{"quotient", func(s *Scale, l *Line) { l.B.Y, s.LengthMm = 1e308, 1e300 }, ErrRange, "scale and span"},
		{"nothing left", func(s *Scale, l *Line) { s.B.X, s.LengthMm = 1e300, 1e-300 }, ErrRange, "scale and span"},
	} {
		scale, span := good, line
		c.change(&scale, &span)
		if _, err := Length(scale, span); !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %v with %q", c.name, err, c.want, c.says)
		}
	}
	if _, err := Length(Scale{TiltDeg: -1}, Line{}); err == nil || strings.Count(err.Error(), "\n") != 3 {
		t.Errorf("not all faults at once: %v", err)
	}
	if _, err := Length(good, line); err != nil {
		t.Error(err)
	}
}

// No finite input makes a panic, NaN or an infinity.
func FuzzLength(f *testing.F) {
	f.Add(0., 0., 100., 0., 2., 50., 5., 3., 4., 70., 8., 2.)
	f.Fuzz(func(t *testing.T, ax, ay, bx, by, e, mm, tilt, cx, cy, dx, dy, e2 float64) {
		got, err := Length(Scale{Line{Point{ax, ay}, Point{bx, by}, e}, mm, tilt}, Line{Point{cx, cy}, Point{dx, dy}, e2})
		if err == nil && !(isFinite(got.Mm) && isFinite(got.UncertaintyMm) && got.Mm > 0 && got.UncertaintyMm > 0) {
			t.Fatalf("got %+v", got)
		}
		if err != nil && got != (Size{}) {
			t.Fatalf("got %+v with %v", got, err)
		}
	})
}

func BenchmarkLength(b *testing.B) {
	b.ReportAllocs()
	scale, span := Scale{Line{Point{0, 0}, Point{180, 240}, 2}, 60, 5}, Line{Point{7, 5}, Point{107, 5}, 2}
	for b.Loop() {
		if _, err := Length(scale, span); err != nil {
			b.Fatal(err)
		}
	}
}
