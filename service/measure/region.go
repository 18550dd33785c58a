package measure

import "slices"

// mask is a picture of which each pixel is in or out.
type mask struct {
	width, height int
	in            []bool
}

// opened returns the mask after an opening by a square of 3 x 3: what no such square fits
// into is gone, such as single pixels and hairs. All else keeps its edge, but for sharp
// tips. Beyond the edge of the picture all is out; what touches the edge still does.
func (m mask) opened() mask {
	eroded := m.filtered(true)
	return eroded.filtered(false)
}

// filtered returns for each pixel whether all (or else any) of the 3 x 3 around are in.
func (m mask) filtered(all bool) mask {
	combine := func(a, b, c bool) bool { return a || b || c }
	if all {
		combine = func(a, b, c bool) bool { return a && b && c }
	}
	across := mask{m.width, m.height, make([]bool, len(m.in))}
	for y := range m.height {
		from, to := m.in[y*m.width:(y+1)*m.width], across.in[y*m.width:(y+1)*m.width]
		left := false
		for x := range from {
			right := x+1 < len(from) && from[x+1]
			to[x] = combine(left, from[x], right)
			left = from[x]
		}
	}
	out := mask{m.width, m.height, make([]bool, len(m.in))}
	none := make([]bool, m.width)
	for y := range m.height {
		up, down := none, none
		if y > 0 {
			up = across.in[(y-1)*m.width : y*m.width]
		}
		if y+1 < m.height {
			down = across.in[(y+1)*m.width : (y+2)*m.width]
		}
		here, to := across.in[y*m.width:(y+1)*m.width], out.in[y*m.width:(y+1)*m.width]
		for x := range to {
			to[x] = combine(up[x], here[x], down[x])
		}
	}
	return out
}

// run is the pixels from, up to but without to, of the row y.
type run struct{ y, from, to int }

// region is pixels that hang together.
type region struct {
	pixels int
	runs   []run // in order of y, then of from
}

// regions returns what hangs together by sides or corners (8-connected), the largest
// first; of equal ones that which begins higher, then farther to the left.
//
// Rows are taken as runs, and runs that touch one of the row above are joined, each
// region known by its first run (union-find, with halving of paths).
func (m mask) regions() []region {
	var runs []run
	var parent []int
	find := func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	above, next := 0, 0 // runs[above:next] are of the row above
	for y := range m.height {
		row := m.in[y*m.width : (y+1)*m.width]
		k := above
		begin := len(runs)
		for x := 0; x < len(row); x++ {
			if !row[x] {
				continue
			}
			from := x
			for x < len(row) && row[x] {
				x++
			}
			i := len(runs)
			runs, parent = append(runs, run{y, from, x}), append(parent, i)
			for k < next && runs[k].to < from {
				k++
			}
			for j := k; j < next && runs[j].from <= x; j++ {
				a, b := find(i), find(j)
				parent[max(a, b)] = min(a, b)
			}
		}
		above, next = begin, len(runs)
	}
	var out []region
	place := make([]int, len(runs)) // of the region that begins with the run
	for i, r := range runs {
		root := find(i)
		if root == i {
			place[i] = len(out)
			out = append(out, region{})
		}
		o := &out[place[root]]
		o.pixels += r.to - r.from
		o.runs = append(o.runs, r)
	}
	slices.SortStableFunc(out, func(a, b region) int { return b.pixels - a.pixels })
	return out
}

// sides counts the sides of a picture that the region touches.
func (g region) sides(width, height int) int {
	var left, right, top, bottom int
	for _, r := range g.runs {
		if r.from == 0 {
			left = 1
		}
		if r.to == width {
			right = 1
		}
		if r.y == 0 {
			top = 1
		}
		if r.y == height-1 {
			bottom = 1
		}
	}
	return left + right + top + bottom
}
