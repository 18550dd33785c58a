package due_test

import (
	"math/big"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// Section 7.

type refDiameter struct {
	day civil.Day
	mm  *big.Rat
}

// refDiameters returns the last rosette diameter of each day.
func refDiameters(f *due.Facts, until civil.Day) []refDiameter {
	var series []refDiameter
	for _, o := range f.Observations {
		if o.Kind != due.Measured || o.DiameterMM <= 0 || o.Day > until {
			continue
		}
		d := refDiameter{o.Day, refDecimal(o.DiameterMM)}
		if k := len(series); k > 0 && series[k-1].day == o.Day {
			series[k-1] = d
		} else {
			series = append(series, d)
		}
	}
	return series
}

// refShrinkingSince returns the day of the first of the unbroken run of
// measurements, up to the last by a day, at which the plant was shrinking.
func refShrinkingSince(f *due.Facts, day civil.Day) (since civil.Day, ok bool) {
	series := refDiameters(f, day)
	for i := range series {
		switch shrinks := refShrinks(series[:i+1]); {
		case !shrinks:
			ok = false
		case !ok:
			since, ok = series[i].day, true
		}
	}
	return since, ok
}

// refShrinks judges a series at its last measurement.
func refShrinks(series []refDiameter) bool {
	last := series[len(series)-1]
	var in []refDiameter
	largest := last.mm
	for _, d := range series {
		if d.day >= last.day-179 {
			in = append(in, d)
			if d.mm.Cmp(largest) > 0 {
				largest = d.mm
			}
		}
	}
	atMost := func(percent int64) bool {
		return last.mm.Cmp(new(big.Rat).Mul(largest, big.NewRat(percent, 100))) <= 0
	}
	if len(in) >= 4 {
		return refFalls(in) && refSlope(in).Sign() < 0 && atMost(80)
	}
	return len(in) >= 2 && atMost(70)
}

// refFalls tells whether the one-sided Mann-Kendall p for a fall is at most
// 0.10.
func refFalls(in []refDiameter) bool {
	n := len(in)
	s := 0
	for j := range in {
		for i := range j {
			s += in[j].mm.Cmp(in[i].mm)
		}
	}
	ties := map[string]int{}
	for _, d := range in {
		ties[d.mm.RatString()]++
	}

	if n <= 10 && len(ties) == n {
		// Of all orders of n different values, those that fall as much or more. An
		// order with k pairs that fall has S = n(n-1)/2 - 2k.
		counts := refOrders(n)
		var all, fallen int64
		for k, c := range counts {
			all += c
			if n*(n-1)/2-2*k <= s {
				fallen += c
			}
		}
		return 10*fallen <= all
	}

	// p = Phi((S+1)/sd) for S < 0. It is at most 0.10 where (S+1)/sd is at most
	// -z, z being the 90 % point of the normal distribution (mpmath 1.3.0:
	// sqrt(2) erfinv(0.8) at 30 digits). For S >= 0 p is a half or more.
	z, _ := new(big.Rat).SetString("1.28155156554460046696510332945")
	v := n * (n - 1) * (2*n + 5)
	for _, t := range ties {
		v -= t * (t - 1) * (2*t + 5)
	}
	variance := big.NewRat(int64(v), 18)
	square := big.NewRat(int64(s+1)*int64(s+1), 1)
	return s < -1 && square.Cmp(z.Mul(z, z).Mul(z, variance)) >= 0
}

var refOrdersOf = map[int][]int64{}

// refOrders writes out all orders of n values, and counts them by the number of
// pairs of which the later is the smaller.
func refOrders(n int) []int64 {
	if counts, ok := refOrdersOf[n]; ok {
		return counts
	}
	counts := make([]int64, n*(n-1)/2+1)
	used := make([]bool, n)
	var next func(placed, pairs int)
	next = func(placed, pairs int) {
		if placed == n {
			counts[pairs]++
			return
		}
		smaller := 0 // values not yet placed that are smaller than v
		for v := range n {
			if !used[v] {
				used[v] = true
				next(placed+1, pairs+smaller)
				used[v] = false
				smaller++
			}
		}
	}
	next(0, 0)
	refOrdersOf[n] = counts
	return counts
}

// refSlope is the Theil-Sen slope: the median of the slopes of all pairs.
func refSlope(in []refDiameter) *big.Rat {
	var slopes []*big.Rat
	for j := range in {
		for i := range j {
			slope := new(big.Rat).Sub(in[j].mm, in[i].mm)
			slope.Quo(slope, big.NewRat(int64(in[j].day-in[i].day), 1))
			at := len(slopes)
			for at > 0 && slope.Cmp(slopes[at-1]) < 0 {
				at--
			}
			slopes = append(slopes, slope)
			copy(slopes[at+1:], slopes[at:])
			slopes[at] = slope
		}
	}
	k := len(slopes)
	if k%2 == 1 {
		return slopes[k/2]
	}
	middle := new(big.Rat).Add(slopes[k/2-1], slopes[k/2])
	return middle.Quo(middle, big.NewRat(2, 1))
}
