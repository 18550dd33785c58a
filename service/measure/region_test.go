package measure

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func maskOf(rows []string) mask {
	m := mask{width: len(rows[0]), height: len(rows)}
	for _, row := range rows {
		for _, c := range row {
			m.in = append(m.in, c == '#')
		}
	}
	return m
}

func (m mask) rows() (rows []string) {
	for y := range m.height {
		var row strings.Builder
		for _, in := range m.in[y*m.width : (y+1)*m.width] {
			row.WriteByte(map[bool]byte{true: '#', false: '.'}[in])
		}
		rows = append(rows, row.String())
	}
	return rows
}

// scikit-image 0.19.3 (testdata/README.md).
func TestMasksAsOtherTools(t *testing.T) {
	for i, c := range readTools(t).Masks {
		m := maskOf(c.Rows)
		var sizes []int
		for _, r := range m.regions() {
			sizes = append(sizes, r.pixels)
		}
		if !slices.Equal(sizes, c.Sizes) {
			t.Errorf("mask %d: regions of %v, want %v", i, sizes, c.Sizes)
		}
		if diff := cmp.Diff(c.Opened, m.opened().rows()); diff != "" {
			t.Errorf("mask %d opened (-want +got):\n%s", i, diff)
		}
	}
}

// flood returns the regions by the slow way: from each pixel not seen yet to all its
// neighbours.
func flood(m mask) (regions [][]int) {
	seen := make([]bool, len(m.in))
	for start := range m.in {
		if seen[start] || !m.in[start] {
			continue
		}
		seen[start] = true
		pixels := []int{start}
		for i := 0; i < len(pixels); i++ {
			x, y := pixels[i]%m.width, pixels[i]/m.width
			for ny := max(y-1, 0); ny <= min(y+1, m.height-1); ny++ {
				for nx := max(x-1, 0); nx <= min(x+1, m.width-1); nx++ {
					if n := ny*m.width + nx; m.in[n] && !seen[n] {
						seen[n] = true
						pixels = append(pixels, n)
					}
				}
			}
		}
		slices.Sort(pixels)
		regions = append(regions, pixels)
	}
	// Regions come in the order of their first pixels; equal ones stay in it.
	slices.SortStableFunc(regions, func(a, b []int) int { return len(b) - len(a) })
	return regions
}

func TestRegionsAsFlood(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := mask{width: rapid.IntRange(1, 14).Draw(t, "width"), height: rapid.IntRange(1, 14).Draw(t, "height")}
		often := rapid.IntRange(1, 9).Draw(t, "often")
		for range m.width * m.height {
			m.in = append(m.in, rapid.IntRange(0, 9).Draw(t, "pixel") < often)
		}
		var got [][]int
		for _, r := range m.regions() {
			var pixels []int
			for _, s := range r.runs {
				for x := s.from; x < s.to; x++ {
					pixels = append(pixels, s.y*m.width+x)
				}
			}
			if len(pixels) != r.pixels {
				t.Fatalf("%d pixels, its runs have %d", r.pixels, len(pixels))
			}
			sides := 0
			for _, touches := range []func(i int) bool{
				func(i int) bool { return i%m.width == 0 }, func(i int) bool { return i%m.width == m.width-1 },
				func(i int) bool { return i < m.width }, func(i int) bool { return i >= m.width*(m.height-1) },
			} {
				if slices.ContainsFunc(pixels, touches) {
					sides++
				}
			}
			if got := r.sides(m.width, m.height); got != sides {
				t.Fatalf("touches %d sides, want %d", got, sides)
			}
			got = append(got, pixels)
		}
		if diff := cmp.Diff(flood(m), got); diff != "" {
			t.Fatalf("%s\n(-want +got):\n%s", strings.Join(m.rows(), "\n"), diff)
		}
		// An opening takes away only, leaves what a square of 3 x 3 fits into, and does
		// nothing more the second time.
		opened := m.opened()
		if diff := cmp.Diff(opened.rows(), opened.opened().rows()); diff != "" {
			t.Fatalf("opened again (-once +twice):\n%s", diff)
		}
		want := mask{m.width, m.height, make([]bool, len(m.in))}
		for y := 1; y+1 < m.height; y++ {
			for x := 1; x+1 < m.width; x++ {
				square := []int{}
				for dy := -1; dy <= 1; dy++ {
					for dx := -1; dx <= 1; dx++ {
						square = append(square, (y+dy)*m.width+x+dx)
					}
				}
				if !slices.ContainsFunc(square, func(i int) bool { return !m.in[i] }) {
					for _, i := range square {
						want.in[i] = true
					}
				}
			}
		}
		if diff := cmp.Diff(want.rows(), opened.rows()); diff != "" {
			t.Fatalf("opened (-want +got):\n%s", diff)
		}
	})
}
