package stats

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
)

// MaxTable is the largest sum of a table that FisherExact takes. Its time grows with
// the smallest margin.
const MaxTable = 10_000_000

var (
	// ErrNegative: a count is negative.
	ErrNegative = errors.New("must not be negative")
	// ErrProbability: a p-value is not between 0 and 1.
	ErrProbability = errors.New("must lie from 0 to 1")
)

// Fisher is the result of Fisher's exact test of a table of two rows and two columns.
type Fisher struct {
	PLess     float64 // P(first cell <= a): evidence of fewer than elsewhere if small
	PGreater  float64 // P(first cell >= a): evidence of more than elsewhere if small
	PTwoSided float64 // all tables that are at most as probable as the one seen

	// OddsRatio is that of the sample, ad/bc. HasOddsRatio is false, and it is 0,
	// where bc is 0: it is infinite, or not estimable.
	HasOddsRatio bool
	OddsRatio    float64
}

// equallyProbable is by how much, as a share, the probability of a table may be over
// that of the one seen to count as the same: they are sums of rounded numbers. R's
// fisher.test takes the same.
const equallyProbable = 1e-7

// FisherExact tests whether the two rows of the table
//
//	a  b
//	c  d
//
// have the first column equally often, given all margins. With R = a+b, C = a+c and
// n = a+b+c+d the first cell has the hypergeometric law
//
//	P(k) = choose(C, k) choose(n-C, R-k) / choose(n, R)
//
// It is built from its mode outwards by the ratio of neighbours,
// P(k+1)/P(k) = (R-k)(C-k) / ((k+1)(n-R-C+k+1)), and divided by its sum. So there is no
// factorial to overflow and no logarithm to lose digits; what is less than 1e-300 of
// the mode may come out as 0.
//
// An empty row or column, or an empty table: all p are 1. A negative count is
// ErrNegative, a sum over MaxTable ErrTooMany.
//
// Sources: Fisher R. A. (1935), The Design of Experiments, Oliver and Boyd, ch. 2, and
// J. R. Stat. Soc. 98: 39-82; Agresti A. (2002), Categorical Data Analysis, 2nd ed.,
// Wiley, sec. 3.5.
func FisherExact(a, b, c, d int) (Fisher, error) {
	for i, cell := range [...]int{a, b, c, d} {
		switch {
		case cell < 0:
			return Fisher{}, fmt.Errorf("cell %c %w", 'a'+i, ErrNegative)
		case cell > MaxTable:
			return Fisher{}, fmt.Errorf("the table %w", ErrTooMany)
		}
	}
	n := a + b + c + d
	if n > MaxTable {
		return Fisher{}, fmt.Errorf("the table %w", ErrTooMany)
	}
	var f Fisher
	if b > 0 && c > 0 {
		f.HasOddsRatio, f.OddsRatio = true, float64(a)*float64(d)/(float64(b)*float64(c))
	}
	row, column := a+b, a+c
	low, high := max(0, row+column-n), min(row, column)
	law := make([]float64, high-low+1) // in units of the mode's
	mode := min(max(int(float64(row+1)*float64(column+1)/float64(n+2)), low), high)
	law[mode-low] = 1
	ratio := func(k int) float64 { // P(k+1)/P(k)
		return float64(row-k) * float64(column-k) / (float64(k+1) * float64(n-row-column+k+1))
	}
	for k := mode; k < high; k++ {
		law[k+1-low] = law[k-low] * ratio(k)
	}
	for k := mode; k > low; k-- {
		law[k-1-low] = law[k-low] / ratio(k-1)
	}
	// The small ones first, so that none is lost in a large sum.
	var below, above, unlikely, likely float64
	seen := law[a-low]
	add := func(k int) {
		p := law[k-low]
		switch {
		case k < a:
			below += p
		case k > a:
			above += p
		}
		if p <= seen*(1+equallyProbable) {
			unlikely += p
		} else {
			likely += p
		}
	}
	for i, j := low, high; i <= j; {
		if law[i-low] <= law[j-low] {
			add(i)
			i++
		} else {
			add(j)
			j--
		}
	}
	all := below + seen + above
	f.PLess = min(1, (below+seen)/all)
	f.PGreater = min(1, (above+seen)/all)
	f.PTwoSided = min(1, unlikely/(unlikely+likely))
	return f, nil
}

// Holm adjusts p-values of tests that are made together, by stepping down: in rising
// order the i-th of m (from 1) becomes
//
//	max over j <= i of min(1, (m - j + 1) p(j))
//
// Rejecting where it is at most alpha, the chance to reject even one true hypothesis is
// at most alpha, however the tests depend on each other. The values come in the order
// in which they were given; of none there are none. A value that is not from 0 to 1 is
// ErrProbability.
//
// Source: Holm S. (1979), Scand. J. Stat. 6: 65-70.
func Holm(p []float64) ([]float64, error) {
	order := make([]int, len(p))
	for i, v := range p {
		if !(v >= 0 && v <= 1) {
			return nil, fmt.Errorf("p[%d] %w", i, ErrProbability)
		}
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(p[i], p[j]) })
	out := make([]float64, len(p))
	so := 0.
	for rank, i := range order {
		so = max(so, min(1, float64(len(p)-rank)*p[i]))
		out[i] = so
	}
	return out, nil
}
