package measure

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// A diameter is turned so far that its ends lie on the picture, if they can.
func TestDiameterLiesOnThePicture(t *testing.T) {
	// Held at 0, 130 and 235 degrees: the farthest are the first two, whose chord runs at
	// a right angle to 65 degrees, which is 155.
	at := func(x, y float64) circle {
		c := circle{center: Point{x, y}, radius: 100}
		for _, degrees := range []float64{0, 130, 235} {
			c.held = append(c.held, Point{x + 100*math.Cos(degrees*math.Pi/180), y + 100*math.Sin(degrees*math.Pi/180)})
		}
		return c
	}
	direction := func(a, b Point) float64 {
		return math.Mod(math.Atan2(b.Y-a.Y, b.X-a.X)*180/math.Pi+360, 180)
	}
	for _, c := range []struct {
		name string
		x, y float64
		want float64 // degrees
		on   bool
	}{
		{"in the middle", 300, 200, 155, true},
		{"near the left edge", 51, 200, 120, true},  // the cosine is at most 0.51, so from 120.7
		{"near the upper edge", 300, 10, 175, true}, // the sine is at most 0.1, so from 174.3
		{"in the corner", 20, 20, 155, false},
	} {
		a, b := at(c.x, c.y).diameter(600, 400)
		if math.Abs(math.Hypot(a.X-b.X, a.Y-b.Y)-200) > 1e-9 || math.Hypot((a.X+b.X)/2-c.x, (a.Y+b.Y)/2-c.y) > 1e-9 {
			t.Errorf("%s: %v to %v is no diameter", c.name, a, b)
		}
		if got := direction(a, b); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: at %v degrees, want %v", c.name, got, c.want)
		}
		on := func(p Point) bool { return p.X >= 0 && p.X <= 600 && p.Y >= 0 && p.Y <= 400 }
		if (on(a) && on(b)) != c.on {
			t.Errorf("%s: %v to %v lie on the picture: %v, want %v", c.name, a, b, !c.on, c.on)
		}
	}
}

// OpenCV 4.6.0 (testdata/README.md), which counts in 32 bits and adds 0.0001.
func TestCirclesAsOtherTools(t *testing.T) {
	for i, c := range readTools(t).Circles {
		var points []Point
		for _, p := range c.Points {
			points = append(points, Point{p[0], p[1]})
		}
		got := enclosing(points)
		if math.Abs(got.radius-c.Radius) > 1e-3 || math.Hypot(got.center.X-c.Center[0], got.center.Y-c.Center[1]) > 2e-3 {
			t.Errorf("circle %d: %+v, want %v and %v", i, got, c.Center, c.Radius)
		}
	}
}

// slowest returns the radius of the smallest circle by the definition: of all circles
// across two points and through three, the smallest that holds all.
func slowest(points []Point) float64 {
	best := math.Inf(1)
	try := func(center Point, radius float64) {
		for _, p := range points {
			if math.Hypot(p.X-center.X, p.Y-center.Y) > radius+1e-9*(1+radius) {
				return
			}
		}
		best = min(best, radius)
	}
	for i, p := range points {
		try(p, 0)
		for j, q := range points[:i] {
			try(Point{(p.X + q.X) / 2, (p.Y + q.Y) / 2}, math.Hypot(p.X-q.X, p.Y-q.Y)/2)
			for _, r := range points[:j] {
				// The center has the same distance to all three: two linear equations.
				a1, b1, c1 := 2*(q.X-p.X), 2*(q.Y-p.Y), q.X*q.X+q.Y*q.Y-p.X*p.X-p.Y*p.Y
				a2, b2, c2 := 2*(r.X-p.X), 2*(r.Y-p.Y), r.X*r.X+r.Y*r.Y-p.X*p.X-p.Y*p.Y
				if d := a1*b2 - a2*b1; d != 0 {
					center := Point{(c1*b2 - c2*b1) / d, (a1*c2 - a2*c1) / d}
					try(center, math.Hypot(p.X-center.X, p.Y-center.Y))
				}
			}
		}
	}
	return best
}

func TestEnclosingIsSmallest(t *testing.T) {
	coordinate := rapid.OneOf(
		rapid.Map(rapid.IntRange(0, 6), func(v int) float64 { return float64(v) + 0.5 }), // many in one line, or the same
		rapid.Map(rapid.IntRange(0, 1600), func(v int) float64 { return float64(v) + 0.5 }),
		rapid.Float64Range(-10, 10),
	)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "n")
		points := make([]Point, n)
		for i := range points {
			points[i] = Point{coordinate.Draw(t, "x"), coordinate.Draw(t, "y")}
		}
		before := slices.Clone(points)
		got := enclosing(points)
		if !slices.Equal(points, before) {
			t.Fatal("the points were changed")
		}
		want := slowest(points)
		if math.Abs(got.radius-want) > 1e-7*(1+want) {
			t.Fatalf("%v: %+v, want %v", points, got, want)
		}
		for _, p := range points {
			if math.Hypot(p.X-got.center.X, p.Y-got.center.Y) > got.radius+1e-7*(1+want) {
				t.Fatalf("%v lies outside %+v", p, got)
			}
		}
		// What holds the circle lies on it, and its diameter is one of the circle.
		for _, p := range got.held {
			if math.Abs(math.Hypot(p.X-got.center.X, p.Y-got.center.Y)-got.radius) > 1e-6*(1+want) {
				t.Fatalf("%v does not lie on %+v", p, got)
			}
		}
		a, b := got.diameter(math.Inf(1), math.Inf(1))
		if math.Abs(math.Hypot(a.X-b.X, a.Y-b.Y)-2*got.radius) > 1e-9*(1+want) {
			t.Fatalf("%v to %v is no diameter of %+v", a, b, got)
		}
	})
	// Points of one line have no circle through them: it is the one across the farthest.
	for _, p := range [][3]Point{{{0, 0}, {1, 1}, {4, 4}}, {{4, 4}, {0, 0}, {1, 1}}, {{1, 1}, {4, 4}, {0, 0}}} {
		if got := through(p[0], p[1], p[2]); got.center != (Point{2, 2}) || math.Abs(got.radius-2*math.Sqrt2) > 1e-12 {
			t.Errorf("through %v: %+v", p, got)
		}
	}
	if got := enclosing(nil); got.radius != 0 || len(got.held) != 0 {
		t.Errorf("of no points: %+v", got)
	}
}
