package measure

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// circle is a circle with the points that hold it: two that are opposite, or three. A
// single point holds itself, with the radius 0.
type circle struct {
	center Point
	radius float64
	held   []Point
}

// slack is by how much, as a share, a point may lie outside a circle and yet count as in
// it: so much is lost where the circle is computed.
const slack = 1e-10

func (c circle) holds(p Point) bool {
	return math.Hypot(p.X-c.center.X, p.Y-c.center.Y) <= c.radius*(1+slack)
}

// enclosing returns the smallest circle that holds all points: of none the zero circle.
// Its points are finite; coordinates of pictures lose nothing.
//
// The circle of a set is that of its hull. Points are added in random order; one that
// lies outside the circle so far lies on the next circle, which is sought among those
// before it likewise, with one and then with two points fixed. That takes a time in
// proportion to the points of the hull, on average over the orders; the order is drawn
// by a fixed seed, so that the same points give the same circle.
//
// Sources: Welzl E. (1991), Smallest enclosing disks (balls and ellipsoids), LNCS 555:
// 359-370, doi:10.1007/BFb0038202; Andrew A. M. (1979), Inf. Process. Lett. 9: 216-219
// (the hull).
func enclosing(points []Point) circle {
	points = hull(points)
	rng := rand.New(rand.NewPCG(1991, 359))
	rng.Shuffle(len(points), func(i, j int) { points[i], points[j] = points[j], points[i] })
	var c circle
	for i, p := range points {
		if i > 0 && c.holds(p) {
			continue
		}
		c = circle{center: p, held: []Point{p}}
		for j, q := range points[:i] {
			if c.holds(q) {
				continue
			}
			c = acrossOf(p, q)
			for _, r := range points[:j] {
				if !c.holds(r) {
					c = through(p, q, r)
				}
			}
		}
	}
	return c
}

// hull returns the corners of the convex hull, without points on its sides.
func hull(points []Point) []Point {
	sorted := slices.Clone(points)
	slices.SortFunc(sorted, func(a, b Point) int { return cmp.Or(cmp.Compare(a.X, b.X), cmp.Compare(a.Y, b.Y)) })
	sorted = slices.Compact(sorted)
	if len(sorted) < 3 {
		return sorted
	}
	// The lower side from left to right, then the upper side back.
	var out []Point
	for side, kept := 0, 1; side < 2; side, kept = side+1, len(out) {
		for _, p := range sorted {
			for len(out) > kept {
				a, b := out[len(out)-2], out[len(out)-1]
				if (b.X-a.X)*(p.Y-a.Y)-(b.Y-a.Y)*(p.X-a.X) > 0 {
					break
				}
				out = out[:len(out)-1]
			}
			if len(out) == 0 || out[len(out)-1] != p {
				out = append(out, p)
			}
		}
		slices.Reverse(sorted)
	}
	if len(out) > 1 && out[0] == out[len(out)-1] {
		out = out[:len(out)-1]
	}
	return out
}

// acrossOf returns the circle of which both points are the ends of a diameter.
func acrossOf(p, q Point) circle {
	c := Point{(p.X + q.X) / 2, (p.Y + q.Y) / 2}
	return circle{c, math.Hypot(p.X-q.X, p.Y-q.Y) / 2, []Point{p, q}}
}

// through returns the circle through three points. Corners of a hull are not in one
// line; if they are so nearly in one that the circle cannot be computed, it is the one
// across the two that are farthest apart.
func through(p, q, r Point) circle {
	ax, ay, bx, by := q.X-p.X, q.Y-p.Y, r.X-p.X, r.Y-p.Y
	d := 2 * (ax*by - ay*bx)
	a, b := ax*ax+ay*ay, bx*bx+by*by
	ux, uy := (by*a-ay*b)/d, (ax*b-bx*a)/d
	radius := math.Hypot(ux, uy)
	if d == 0 || !isFinite(radius) {
		c := acrossOf(p, q)
		for _, other := range []circle{acrossOf(p, r), acrossOf(q, r)} {
			if other.radius > c.radius {
				c = other
			}
		}
		return c
	}
	return circle{Point{p.X + ux, p.Y + uy}, radius, []Point{p, q, r}}
}

// diameter returns the ends of that diameter of the circle which runs in the direction
// of the two farthest of the points that hold it. It is turned by whole degrees, as few as
// will do, so that both ends lie from 0 to the width and height; where no turn does so, it
// is not turned.
func (c circle) diameter(width, height float64) (a, b Point) {
	var direction, farthest float64
	for i, p := range c.held {
		for _, q := range c.held[:i] {
			if d := math.Hypot(p.X-q.X, p.Y-q.Y); d > farthest {
				farthest, direction = d, math.Atan2(p.Y-q.Y, p.X-q.X)
			}
		}
	}
	ends := func(direction float64) (a, b Point) {
		dx, dy := c.radius*math.Cos(direction), c.radius*math.Sin(direction)
		return Point{c.center.X - dx, c.center.Y - dy}, Point{c.center.X + dx, c.center.Y + dy}
	}
	inside := func(p Point) bool { return p.X >= 0 && p.X <= width && p.Y >= 0 && p.Y <= height }
	for degrees := range 91 {
		for _, turn := range []float64{float64(degrees), -float64(degrees)} {
			if a, b = ends(direction + turn*math.Pi/180); inside(a) && inside(b) {
				return a, b
			}
		}
	}
	return ends(direction)
}
