package stats

import (
	"fmt"
	"math"
	"slices"
)

// MaxTrend is the longest series that MannKendall and TheilSen take. Their time grows
// with the square of the length (1,000 values: about a millisecond for the test, 75 for
// the slopes), and so does the memory of the slopes (16 MB at the limit).
const MaxTrend = 2000

// maxExactTrend is the longest series without ties whose p-values are exact.
// Beyond it the normal law is within 0.005 of the exact one.
const maxExactTrend = 10

// Trend is the result of a Mann-Kendall test.
type Trend struct {
	N    int     // values
	S    int     // rising pairs less falling pairs
	VarS float64 // variance of S without a trend
	Z    float64 // (S - sign S) / sqrt(VarS); 0 if VarS is 0
	TauB float64 // Kendall's tau-b; 0 if all values are equal
	Ties bool    // some values are equal

	PFall     float64 // P(S <= s): evidence of a fall if small
	PRise     float64 // P(S >= s): evidence of a rise if small
	PTwoSided float64 // P(|S| >= |s|)
	PNormal   float64 // two-sided, from Z, whether or not Exact

	// Exact tells that PFall, PRise and PTwoSided are from the exact law. Fall
	// and Rise of the Orders orders of the values then have an S of at most and
	// of at least s.
	Exact              bool
	Fall, Rise, Orders int64
}

// FallAtMost tells whether PFall is at most num/den (den positive). Exact
// p-values are compared in whole numbers: a p of 0.1 is at most 1/10.
func (t Trend) FallAtMost(num, den int64) bool {
	if t.Exact {
		return t.Fall*den <= num*t.Orders
	}
	return t.PFall*float64(den) <= float64(num)
}

// MannKendall tests a series, in order of time, for a monotone trend.
//
//	S    = sum over i < j of sign(y[j] - y[i])
//	VarS = (n(n-1)(2n+5) - sum over ties of t(t-1)(2t+5)) / 18
//	Z    = (S - sign S) / sqrt(VarS)
//
// Up to ten values without ties the p-values are exact, from the number of
// orders with each S. Otherwise they are normal with continuity correction:
// PFall is that of (S + 1)/sqrt(VarS), PRise of (S - 1)/sqrt(VarS).
//
// Fewer than two values, or all equal: S, VarS and Z are 0 and all p are 1. NaN
// and infinities are ErrNotFinite, more than MaxTrend values ErrTooMany. It
// allocates nothing.
//
// Sources: Mann H. B. (1945), Econometrica 13: 245-259; Kendall M. G. (1975),
// Rank Correlation Methods, 4th ed., Griffin, ch. 4 (ties) and ch. 5 (exact
// law); Gilbert R. O. (1987), Statistical Methods for Environmental Pollution
// Monitoring, Van Nostrand Reinhold, sec. 16.4.
func MannKendall(y []float64) (Trend, error) {
	if len(y) > MaxTrend {
		return Trend{}, fmt.Errorf("y %w", ErrTooMany)
	}
	if err := finite("y", y); err != nil {
		return Trend{}, err
	}
	n := len(y)
	t := Trend{N: n, PFall: 1, PRise: 1, PTwoSided: 1, PNormal: 1}

	equal := 0
	for i, a := range y {
		for _, b := range y[i+1:] {
			switch {
			case b > a:
				t.S++
			case b < a:
				t.S--
			default:
				equal++
			}
		}
	}
	var tied ties
	if equal > 0 {
		tied = tiesOf(y)
	}
	t.Ties = tied.pairs > 0
	t.VarS = varS(n, tied, ties{})
	if t.VarS == 0 {
		t.Exact = !t.Ties
		if t.Exact {
			t.Fall, t.Rise, t.Orders = 1, 1, 1
		}
		return t, nil
	}

	pairs := n * (n - 1) / 2
	t.TauB = float64(t.S) / math.Sqrt(float64(pairs)*float64(pairs-tied.pairs))
	sd := math.Sqrt(t.VarS)
	switch {
	case t.S > 0:
		t.Z = float64(t.S-1) / sd
	case t.S < 0:
		t.Z = float64(t.S+1) / sd
	}
	t.PNormal = min(1, 2*upperNormal(math.Abs(t.Z)))

	if n <= maxExactTrend && !t.Ties {
		t.Exact = true
		var same int64
		t.Fall, same, t.Orders = ordersAtMost(n, t.S)
		t.Rise = t.Orders - t.Fall + same
		t.PFall = float64(t.Fall) / float64(t.Orders)
		t.PRise = float64(t.Rise) / float64(t.Orders)
		t.PTwoSided = float64(min(t.Orders, 2*min(t.Fall, t.Rise))) / float64(t.Orders)
		return t, nil
	}
	t.PFall = upperNormal(float64(-t.S-1) / sd)
	t.PRise = upperNormal(float64(t.S-1) / sd)
	t.PTwoSided = t.PNormal
	return t, nil
}

// ties sums up the groups of equal values of a series, t values in each.
type ties struct {
	pairs   int     // sum of t(t-1)/2
	triples float64 // sum of t(t-1)(t-2)
	weight  float64 // sum of t(t-1)(2t+5)
}

func (s *ties) add(t int) {
	s.pairs += t * (t - 1) / 2
	f := float64(t)
	s.triples += f * (f - 1) * (f - 2)
	s.weight += f * (f - 1) * (2*f + 5)
}

// varS is the variance of S where no trend is, with ties in both series:
// Kendall (1975), ch. 4. All sums are whole and below 2^53.
func varS(n int, y, t ties) float64 {
	if n < 2 {
		return 0
	}
	f := float64(n)
	v := (f*(f-1)*(2*f+5) - y.weight - t.weight) / 18
	v += 2 * float64(y.pairs) * float64(t.pairs) / (f * (f - 1))
	if n > 2 {
		v += y.triples * t.triples / (9 * f * (f - 1) * (f - 2))
	}
	// Where all values of a series are equal the terms cancel.
	if pairs := n * (n - 1) / 2; y.pairs == pairs || t.pairs == pairs {
		return 0
	}
	return v
}

// maxOrders is the largest n for which n! fits an int64.
const maxOrders = 20

// ordersAtMost counts the orders of n (0-20) different values whose S is at most
// s, those of them whose S is s, and all orders, n!. An order with k falling pairs has S = n(n-1)/2 - 2k.
// The i-th value placed adds 0 to i-1 falling pairs, each in one way: Kendall
// (1975), ch. 5.
func ordersAtMost(n, s int) (atMost, same, all int64) {
	const most = maxOrders * (maxOrders - 1) / 2
	var ways [most + 1]int64
	ways[0], all = 1, 1
	for i := 2; i <= n; i++ {
		all *= int64(i)
		// ways[k] = sum of the old ways[k-i+1 .. k]: running sum, then difference.
		pairs := i * (i - 1) / 2
		for k := 1; k <= pairs; k++ {
			ways[k] += ways[k-1]
		}
		for k := pairs; k >= i; k-- {
			ways[k] -= ways[k-i]
		}
	}
	pairs := n * (n - 1) / 2
	for k := max(0, (pairs-s+1)/2); k <= pairs; k++ {
		atMost += ways[k]
	}
	if k := pairs - s; k >= 0 && k <= 2*pairs && k%2 == 0 {
		same = ways[k/2]
	}
	return atMost, same, all
}

// Slope is a Theil-Sen estimate.
type Slope struct {
	Slope     float64 // median slope, in units of y per unit of t
	Intercept float64 // median of y - Slope t
	Slopes    int     // pairs with different times; 0: not estimable, all else is 0

	// Low and High are the limits of the slope. HasInterval is false, and they
	// are 0, where the series is too short for the level or all y are equal.
	HasInterval bool
	Low         float64
	High        float64
	RankLow     float64 // Gilbert's M1 = (Slopes - C)/2
	RankHigh    float64 // Gilbert's M2 + 1 = (Slopes + C)/2 + 1
}

// TheilSen estimates the slope of a series: the median of the slopes of all
// pairs. Pairs of equal times are left out. The interval at a level of
// confidence (0.95) is
//
//	C  = z sqrt(VarS)            z: normal, two-sided; VarS with ties in y and in t
//	M1 = (N - C)/2,  M2 = (N + C)/2
//	Low, High = the slopes of ranks M1 and M2 + 1 among the N sorted ones
//
// A rank between two whole ones is interpolated linearly between their slopes
// (the other convention, rounding M1 and M2, is not used). Where a rank lies
// outside 1..N there is no interval.
//
// No pair of different times: Slopes is 0. NaN, infinities, unequal lengths,
// more than MaxTrend values, a level outside (0, 1) and slopes that overflow are
// errors.
//
// Sources: Theil H. (1950), Proc. Kon. Ned. Akad. Wetensch. 53: 386-392,
// 521-525, 1397-1412; Sen P. K. (1968), J. Am. Stat. Assoc. 63: 1379-1389;
// Gilbert R. O. (1987), sec. 16.5.
func TheilSen(t, y []float64, level float64) (Slope, error) {
	if err := checkSeries(t, y); err != nil {
		return Slope{}, err
	}
	if !(level > 0 && level < 1) {
		return Slope{}, fmt.Errorf("level %w", ErrLevel)
	}
	n := len(y)
	slopes, err := pairSlopes(t, y)
	if err != nil || len(slopes) == 0 {
		return Slope{}, err
	}
	slices.Sort(slopes)
	s := Slope{Slope: middle(slopes), Slopes: len(slopes)}

	residuals := make([]float64, n)
	for i := range y {
		residuals[i] = y[i] - s.Slope*t[i]
	}
	if finite("y", residuals) != nil {
		return Slope{}, fmt.Errorf("y %w", ErrRange)
	}
	slices.Sort(residuals)
	s.Intercept = middle(residuals)

	v := varS(n, tiesOf(y), tiesOf(t))
	c := twoSidedNormal(level) * math.Sqrt(v)
	s.RankLow, s.RankHigh = (float64(s.Slopes)-c)/2, (float64(s.Slopes)+c)/2+1
	if v > 0 && s.RankLow >= 1 && s.RankHigh <= float64(s.Slopes) {
		s.HasInterval = true
		s.Low, s.High = atRank(slopes, s.RankLow), atRank(slopes, s.RankHigh)
	}
	return s, nil
}

func checkSeries(t, y []float64) error {
	switch {
	case len(t) != len(y):
		return fmt.Errorf("t and y %w", ErrLength)
	case len(y) > MaxTrend:
		return fmt.Errorf("y %w", ErrTooMany)
	}
	if err := finite("t", t); err != nil {
		return err
	}
	return finite("y", y)
}

func pairSlopes(t, y []float64) ([]float64, error) {
	slopes := make([]float64, 0, len(y)*max(0, len(y)-1)/2)
	for i := range y {
		for j := i + 1; j < len(y); j++ {
			if t[i] == t[j] {
				continue
			}
			slope := (y[j] - y[i]) / (t[j] - t[i])
			if math.IsInf(slope, 0) || math.IsNaN(slope) {
				return nil, fmt.Errorf("y[%d] - y[%d] %w", j, i, ErrRange)
			}
			slopes = append(slopes, slope)
		}
	}
	return slopes, nil
}

// middle is the median of sorted values, at least one.
func middle(sorted []float64) float64 {
	h := len(sorted) / 2
	if len(sorted)%2 == 1 {
		return sorted[h]
	}
	return sorted[h-1]/2 + sorted[h]/2
}

// atRank is the value at a rank of 1 to len(sorted), linear between whole ranks.
func atRank(sorted []float64, rank float64) float64 {
	whole := math.Floor(rank)
	low := sorted[int(whole)-1]
	if whole == rank {
		return low
	}
	part := rank - whole
	return low*(1-part) + sorted[int(whole)]*part
}

// tiesOf finds the groups of equal values without sorting a copy: each is counted
// where its first value stands.
func tiesOf(values []float64) (s ties) {
	for i, a := range values {
		if slices.Contains(values[:i], a) {
			continue
		}
		same := 1
		for _, b := range values[i+1:] {
			if a == b {
				same++
			}
		}
		s.add(same)
	}
	return s
}
