package measure

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// scikit-image 0.19.3 and OpenCV 4.6.0 (testdata/README.md).
func TestOtsuAsOtherTools(t *testing.T) {
	values := readTools(t)
	for _, c := range values.Otsu {
		s, ok := otsu(c.Values)
		if !ok {
			t.Fatalf("%s: no threshold", c.Name)
		}
		// Of classes that are equally good scikit-image takes the first, so its threshold
		// may be lower; the parts are the same.
		for _, v := range c.Values {
			if want := float64(v) >= c.Threshold+c.Width/2; s.isAbove(v) != want {
				t.Errorf("%s: %v is above %v: %v, want %v", c.Name, v, s.threshold(), !want, want)
			}
		}
		if s.threshold() < c.Threshold+0.499*c.Width {
			t.Errorf("%s: threshold %v, want at least %v", c.Name, s.threshold(), c.Threshold)
		}
		if math.Abs(s.eta-c.Eta) > 1e-4 {
			t.Errorf("%s: separability %v, want %v", c.Name, s.eta, c.Eta)
		}
	}
	for _, c := range values.OtsuOfBytes {
		var bytes []float32
		for v, n := range c.Histogram {
			bytes = append(bytes, slices.Repeat([]float32{float32(v)}, n)...)
		}
		if s, ok := otsu(bytes); !ok || s.bin != c.Threshold {
			t.Errorf("%s: the last below is %d, want %d", c.Name, s.bin, c.Threshold)
		}
	}
}

// By mathematics: where values are spread evenly over [0, 1] the best threshold is 1/2,
// with parts of variance 1/48 each, and 1/12 in all: eta is 3/4. Of a standard normal law
// it is the mean, and half normal laws have the variance 1 - 2/pi: eta is 2/pi.
func TestOtsuOfKnownLaws(t *testing.T) {
	const n = 200_000
	even, normal := make([]float32, n), make([]float32, n)
	for i := range n {
		p := (float64(i) + 0.5) / n
		even[i], normal[i] = float32(p), float32(math.Sqrt2*math.Erfinv(2*p-1))
	}
	for _, c := range []struct {
		name           string
		values         []float32
		threshold, eta float64
	}{{"even", even, 0.5, 0.75}, {"normal", normal, 0, 2 / math.Pi}} {
		s, ok := otsu(c.values)
		if !ok || math.Abs(s.threshold()-c.threshold) > s.width || math.Abs(s.eta-c.eta) > 1e-3 {
			t.Errorf("%s: threshold %v, separability %v, want %v and %v", c.name, s.threshold(), s.eta, c.threshold, c.eta)
		}
	}
}

// By the definition: no other class parts the values with a larger variance between the
// parts; what is above is so by the threshold as well; order, shift and a factor change
// nothing.
func TestOtsuProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Multiples of 1/16 within 256/16, so that classes are exact and a shift too.
		whole := rapid.SliceOfN(rapid.IntRange(0, 255), 0, 80).Draw(t, "values")
		whole = append(whole, 0, 256)
		values := make([]float32, len(whole))
		for i, v := range whole {
			values[i] = float32(v) / 16
		}
		s, ok := otsu(values)
		if !ok || s.low != 0 || s.width != 1./16 {
			t.Fatalf("%+v, %v", s, ok)
		}
		mean := func(in []float64) float64 {
			sum := 0.
			for _, v := range in {
				sum += v
			}
			return sum / float64(len(in))
		}
		between := func(k int) (b, low, high float64) {
			var below, above []float64
			for _, v := range whole {
				middle := (float64(min(v, 255)) + 0.5) / 16
				if min(v, 255) <= k {
					below = append(below, middle)
				} else {
					above = append(above, middle)
				}
			}
			low, high = mean(below), mean(above)
			n := float64(len(whole))
			return float64(len(below)) / n * float64(len(above)) / n * (high - low) * (high - low), low, high
		}
		best, low, high := between(s.bin)
		for k := range levels - 1 {
			if b, _, _ := between(k); b > best*(1+1e-9) {
				t.Fatalf("class %d parts better than %d: %v > %v", k, s.bin, b, best)
			}
		}
		if math.Abs(s.below-low) > 1e-9 || math.Abs(s.above-high) > 1e-9 || !(s.eta > 0 && s.eta <= 1) {
			t.Fatalf("%+v, want means %v and %v", s, low, high)
		}
		for _, v := range values {
			if s.isAbove(v) != (float64(v) >= s.threshold()) {
				t.Fatalf("%v is on the wrong side of %v", v, s.threshold())
			}
		}
		moved := slices.Clone(values)
		for i := range moved {
			moved[i] = 2*moved[i] - 8
		}
		rand.New(rand.NewPCG(1, uint64(len(moved)))).Shuffle(len(moved), func(i, j int) { moved[i], moved[j] = moved[j], moved[i] })
		if m, ok := otsu(moved); !ok || m.bin != s.bin || m.eta != s.eta || m.threshold() != 2*s.threshold()-8 {
			t.Fatalf("%+v became %+v", s, m)
		}
	})
}

func TestOtsuEdges(t *testing.T) {
	for _, values := range [][]float32{nil, {3}, {0.1, 0.1, 0.1}} {
		if s, ok := otsu(values); ok {
			t.Errorf("%v: %+v", values, s)
		}
	}
	// Two values: perfectly apart, and the threshold in the middle of the empty classes.
	if s, ok := otsu([]float32{0, 0, 0, 256}); !ok || s.eta != 1 || s.threshold() != 128 {
		t.Errorf("%+v, %v", s, ok)
	}
}
