package stats

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// A worked example by hand, from a course of the College of the Holy Cross (J.
// Little, Montserrat Seminar, "A Mann-Kendall Example"): 18 falling pairs, one
// tie, 72 rising ones; S = 54, V = 14 13 33 / 18 - 2 1 9 / 18, Z = 2.9058, one
// tail .0018.
func TestMannKendallByHand(t *testing.T) {
	y := []float64{12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7}
	got, err := MannKendall(y)
	if err != nil {
		t.Fatal(err)
	}
	if got.S != 54 || got.VarS != 14*13*33/18.-2*1*9/18. || !got.Ties || got.Exact {
		t.Errorf("got %+v", got)
	}
	if math.Abs(got.Z-2.9058) > 5e-5 || math.Abs(got.PRise-0.0018) > 5e-5 {
		t.Errorf("Z = %v, P = %v", got.Z, got.PRise)
	}
}

// Orders by their falling pairs: The On-Line Encyclopedia of Integer Sequences,
// A008302 (rows 4, 5, 8 and 9) and A128564 (every fifth number of row 10).
func TestOrdersAtMost(t *testing.T) {
	for _, c := range []struct {
		n, step int
		row     []int64
	}{
		{4, 1, []int64{1, 3, 5, 6, 5, 3, 1}},
		{5, 1, []int64{1, 4, 9, 15, 20, 22, 20, 15, 9, 4, 1}},
		{8, 1, []int64{1, 7, 27, 76, 174, 343, 602, 961, 1415, 1940, 2493, 3017, 3450, 3736, 3836,
			3736, 3450, 3017, 2493, 1940, 1415, 961, 602, 343, 174, 76, 27, 7, 1}},
		{9, 1, []int64{1, 8, 35, 111, 285, 628, 1230, 2191, 3606, 5545, 8031, 11021, 14395, 17957, 21450, 24584, 27073, 28675, 29228,
			28675, 27073, 24584, 21450, 17957, 14395, 11021, 8031, 5545, 3606, 2191, 1230, 628, 285, 111, 35, 8, 1}},
		{10, 5, []int64{1, 1068, 21670, 110010, 230131, 230131, 110010, 21670, 1068, 1}},
	} {
		pairs := c.n * (c.n - 1) / 2
		for i, want := range c.row {
			s := pairs - 2*i*c.step
			atMost, same, _ := ordersAtMost(c.n, s)
			below, _, _ := ordersAtMost(c.n, s-2)
			if same != want || atMost-below != want {
				t.Errorf("n = %d: %d orders with S = %d, want %d", c.n, same, s, want)
			}
		}
	}
	// 20! = 2432902008176640000, the last factorial of an int64 (OEIS A000142).
	if count, _, all := ordersAtMost(20, 190); count != all || all != 2432902008176640000 {
		t.Errorf("20 values: %d of %d orders", count, all)
	}
}

// Every order of up to eight different values, counted.
func TestExactAgainstAllOrders(t *testing.T) {
	for n := 2; n <= 8; n++ {
		count := map[int]int64{}
		example := map[int][]float64{}
		all := int64(0)
		permutations(n, func(y []float64) {
			s := scoreOf(y, nil)
			if count[s]++; count[s] == 1 {
				example[s] = slices.Clone(y)
			}
			all++
		})
		for s, y := range example {
			var fall, rise, both int64
			for other, c := range count {
				if other <= s {
					fall += c
				}
				if other >= s {
					rise += c
				}
				if max(other, -other) >= max(s, -s) {
					both += c
				}
			}
			got, err := MannKendall(y)
			want := Trend{
				N: n, S: s, VarS: got.VarS, Z: got.Z, TauB: got.TauB, PNormal: got.PNormal,
				Exact: true, Fall: fall, Rise: rise, Orders: all,
				PFall: float64(fall) / float64(all), PRise: float64(rise) / float64(all), PTwoSided: float64(both) / float64(all),
			}
			if err != nil || got != want {
				t.Errorf("%v: got %+v, %v\nwant %+v", y, got, err, want)
			}
		}
	}
}

// The variance of S over all orders of y, with ties in y and in t.
func TestVarianceAgainstAllOrders(t *testing.T) {
	for _, c := range []struct{ t, y []float64 }{
		{[]float64{1, 2, 3, 4, 5}, []float64{1, 2, 3, 4, 5}},
		{[]float64{1, 2, 3, 4, 5}, []float64{1, 1, 3, 4, 4}},
		{[]float64{1, 1, 3, 4, 4, 4}, []float64{2, 2, 2, 3, 5, 5}},
		{[]float64{1, 1, 1, 1, 2, 3, 3}, []float64{1, 1, 1, 2, 2, 2, 3}},
		{[]float64{1, 1, 1}, []float64{1, 2, 3}},
		{[]float64{1, 2, 3}, []float64{7, 7, 7}},
		{[]float64{1, 2}, []float64{1, 2}},
		{[]float64{1, 2}, []float64{2, 2}},
	} {
		var sum, squares, orders float64
		permutations(len(c.y), func(order []float64) {
			y := make([]float64, len(order))
			for i, k := range order {
				y[i] = c.y[int(k)]
			}
			s := float64(scoreOf(y, c.t))
			sum, squares, orders = sum+s, squares+s*s, orders+1
		})
		want := squares / orders
		got := varS(len(c.y), tiesOf(c.y), tiesOf(c.t))
		if sum != 0 || math.Abs(got-want) > 1e-12*want {
			t.Errorf("t %v, y %v: variance %v, want %v (sum %v)", c.t, c.y, got, want, sum)
		}
	}
}

func scoreOf(y, t []float64) (s int) {
	sign := func(a float64) int {
		switch {
		case a > 0:
			return 1
		case a < 0:
			return -1
		}
		return 0
	}
	for i := range y {
		for j := i + 1; j < len(y); j++ {
			if t == nil {
				s += sign(y[j] - y[i])
			} else {
				s += sign(y[j]-y[i]) * sign(t[j]-t[i])
			}
		}
	}
	return s
}

// permutations calls use with each order of 0 to n-1.
func permutations(n int, use func([]float64)) {
	order := make([]float64, 0, n)
	taken := make([]bool, n)
	var place func()
	place = func() {
		if len(order) == n {
			use(order)
			return
		}
		for k := range n {
			if !taken[k] {
				taken[k] = true
				order = append(order, float64(k))
				place()
				order = order[:len(order)-1]
				taken[k] = false
			}
		}
	}
	place()
}

// Comparisons at the limit. Four falling values have P = 1/24, five with S = -6
// have (1 + 4 + 9)/120 = 14/120 (OEIS A008302, row 5).
func TestFallAtMost(t *testing.T) {
	for _, c := range []struct {
		y        []float64
		num, den int64
		want     bool
	}{
		{[]float64{4, 3, 2, 1}, 1, 24, true},
		{[]float64{4, 3, 2, 1}, 1, 25, false},
		{[]float64{4, 5, 2, 3, 1}, 14, 120, true},
		{[]float64{4, 5, 2, 3, 1}, 7, 60, true},
		{[]float64{4, 5, 2, 3, 1}, 139999, 1200000, false},
		{[]float64{1, 2, 3}, 1, 1, true},
		{[]float64{3, 3, 3}, 1, 10, false},
		{[]float64{9, 9, 8, 8, 7, 7, 6, 6}, 1, 10, true},
		{nil, 1, 10, false},
	} {
		got, err := MannKendall(c.y)
		if err != nil || got.FallAtMost(c.num, c.den) != c.want {
			t.Errorf("%v: P = %v at most %d/%d is not %v", c.y, got.PFall, c.num, c.den, c.want)
		}
	}
}

// A p of exactly 1/10: 12 orders of 120 do not occur at n = 5, so the limit is
// laid on each p that does occur, up to n = 10.
func TestFallAtMostIsExact(t *testing.T) {
	for n := 2; n <= 10; n++ {
		pairs := n * (n - 1) / 2
		for s := -pairs; s <= pairs; s += 2 {
			fall, _, all := ordersAtMost(n, s)
			trend := Trend{Exact: true, Fall: fall, Orders: all}
			if !trend.FallAtMost(fall, all) || trend.FallAtMost(fall-1, all) || !trend.FallAtMost(fall+1, all) {
				t.Errorf("n = %d, S = %d: the limit is not exact", n, s)
			}
		}
	}
}

// How far the normal tail is from the exact one just above the switch, as the
// comment of maxExactTrend says.
func TestNormalBeyondTheSwitch(t *testing.T) {
	for n := maxExactTrend + 1; n <= maxOrders; n++ {
		sd := math.Sqrt(varS(n, ties{}, ties{}))
		pairs := n * (n - 1) / 2
		for s := -pairs; s <= pairs; s += 2 {
			fall, _, all := ordersAtMost(n, s)
			exact := float64(fall) / float64(all)
			if normal := upperNormal(float64(-s-1) / sd); math.Abs(normal-exact) > 0.005 {
				t.Errorf("n = %d, S = %d: normal %v, exact %v", n, s, normal, exact)
			}
		}
	}
}

// R 4.2.2: pnorm(10, lower.tail = FALSE) and qnorm(0.975).
func TestNormal(t *testing.T) {
	if got, want := upperNormal(10), 7.61985302416053e-24; math.Abs(got/want-1) > 1e-12 {
		t.Errorf("upperNormal(10) = %v, want %v", got, want)
	}
	if got, want := twoSidedNormal(0.95), 1.95996398454005; math.Abs(got/want-1) > 1e-14 {
		t.Errorf("twoSidedNormal(0.95) = %v, want %v", got, want)
	}
}

func TestTrendEdges(t *testing.T) {
	nothing := Trend{PFall: 1, PRise: 1, PTwoSided: 1, PNormal: 1}
	for _, c := range []struct {
		y    []float64
		want Trend
	}{
		{nil, Trend{Exact: true, Fall: 1, Rise: 1, Orders: 1}},
		{[]float64{3}, Trend{N: 1, Exact: true, Fall: 1, Rise: 1, Orders: 1}},
		{[]float64{3, 3}, Trend{N: 2, Ties: true}},
		{[]float64{0, math.Copysign(0, -1), 0}, Trend{N: 3, Ties: true}},
	} {
		c.want.PFall, c.want.PRise = nothing.PFall, nothing.PRise
		c.want.PTwoSided, c.want.PNormal = nothing.PTwoSided, nothing.PNormal
		if got, err := MannKendall(c.y); err != nil || got != c.want {
			t.Errorf("%v: got %+v, %v; want %+v", c.y, got, err, c.want)
		}
	}
}

func TestTrendErrors(t *testing.T) {
	long := make([]float64, MaxTrend+1)
	inf, nan := math.Inf(1), math.NaN()
	for _, c := range []struct {
		y    []float64
		want error
	}{{[]float64{1, nan}, ErrNotFinite}, {[]float64{-inf}, ErrNotFinite}, {long, ErrTooMany}} {
		if _, err := MannKendall(c.y); !errors.Is(err, c.want) {
			t.Errorf("MannKendall: %v, want %v", err, c.want)
		}
	}
	for _, c := range []struct {
		t, y  []float64
		level float64
		want  error
	}{
		{[]float64{1}, nil, 0.95, ErrLength},
		{long, long, 0.95, ErrTooMany},
		{[]float64{nan}, []float64{1}, 0.95, ErrNotFinite},
		{[]float64{1}, []float64{inf}, 0.95, ErrNotFinite},
		{[]float64{1}, []float64{1}, 1, ErrLevel},
		{[]float64{1}, []float64{1}, 0, ErrLevel},
		{[]float64{1}, []float64{1}, nan, ErrLevel},
		{[]float64{1, 2}, []float64{-1e308, 1e308}, 0.95, ErrRange},
		{[]float64{0, 5e-324}, []float64{0, 1}, 0.95, ErrRange},
		{[]float64{-1e308, 1e308}, []float64{0, 1}, 0.95, nil}, // a slope of 0 after underflow
	} {
		if _, err := TheilSen(c.t, c.y, c.level); !errors.Is(err, c.want) {
			t.Errorf("TheilSen: %v, want %v", err, c.want)
		}
	}
}

// A slope that can be had, 1e18, with an intercept that cannot, 1e318.
func TestInterceptOutOfRange(t *testing.T) {
	if got, err := TheilSen([]float64{1e300, 1e300 * (1 + 1e-10)}, []float64{0, 1e308}, 0.95); !errors.Is(err, ErrRange) {
		t.Errorf("got %+v, %v", got, err)
	}
}

// By hand: y = 0, 1, 4, 9 at t = 0, 1, 2, 3 has the slopes 1, 2, 3, 3, 4, 5 and
// the median 3; y - 3t = 0, -2, -2, 0 has the median -1. VarS = 4 3 13 / 18 =
// 8.667; at a level of 0.5 z = 0.67449 (table of the normal law), C = 1.98565,
// M1 = 2.00717 and M2 + 1 = 4.99283: the limits are 2 + 0.00717 and 3 + 0.99283.
func TestTheilSenByHand(t *testing.T) {
	got, err := TheilSen([]float64{0, 1, 2, 3}, []float64{0, 1, 4, 9}, 0.5)
	if err != nil || got.Slope != 3 || got.Intercept != -1 || got.Slopes != 6 || !got.HasInterval {
		t.Fatalf("got %+v, %v", got, err)
	}
	for _, c := range []struct{ got, want float64 }{
		{got.RankLow, 2.00717}, {got.RankHigh, 4.99283}, {got.Low, 2.00717}, {got.High, 3.99283},
	} {
		if math.Abs(c.got-c.want) > 2e-5 {
			t.Errorf("%v, want %v", c.got, c.want)
		}
	}
	// At 0.95 the ranks are 0.1 and 6.9: no such slopes.
	got, err = TheilSen([]float64{0, 1, 2, 3}, []float64{0, 1, 4, 9}, 0.95)
	if err != nil || got.HasInterval || got.Low != 0 || got.High != 0 {
		t.Errorf("got %+v, %v", got, err)
	}
	// Equal times: the pair (1, 1) is left out; slopes 2, 3 and median 2.5.
	got, err = TheilSen([]float64{1, 1, 2}, []float64{1, 2, 4}, 0.95)
	if err != nil || got.Slopes != 2 || got.Slope != 2.5 {
		t.Errorf("got %+v, %v", got, err)
	}
	// No two times: nothing to estimate.
	for _, times := range [][]float64{nil, {1}, {2, 2, 2}} {
		y := []float64{1, 2, 3}[:len(times)]
		if got, err := TheilSen(times, y, 0.95); err != nil || got != (Slope{}) {
			t.Errorf("%v: got %+v, %v", times, got, err)
		}
	}
	// All equal: the slope is 0, without an interval.
	got, err = TheilSen([]float64{1, 2, 3, 4}, []float64{5, 5, 5, 5}, 0.95)
	if err != nil || got.Slope != 0 || got.Intercept != 5 || got.HasInterval {
		t.Errorf("got %+v, %v", got, err)
	}
}

// No NaN, no infinity, no p outside [0, 1], whatever is put in; reversing the
// series turns falls into rises; scale and shift change nothing but the slope.
func TestTrendProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := rapid.SliceOfN(rapid.OneOf(
			rapid.Map(rapid.IntRange(0, 6), func(k int) float64 { return float64(k) }),
			rapid.Float64(),
		), 0, 24).Draw(t, "y")
		times := make([]float64, len(y))
		for i := range times {
			times[i] = float64(rapid.IntRange(0, 30).Draw(t, "t"))
		}
		before := slices.Clone(y)
		trend, err := MannKendall(y)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range []float64{trend.PFall, trend.PRise, trend.PTwoSided, trend.PNormal} {
			if !(p >= 0 && p <= 1) {
				t.Fatalf("p = %v", p)
			}
		}
		if math.IsNaN(trend.Z) || !(math.Abs(trend.TauB) <= 1+1e-12) || trend.S != scoreOf(y, nil) {
			t.Fatalf("%+v", trend)
		}
		reversed := slices.Clone(y)
		slices.Reverse(reversed)
		back, _ := MannKendall(reversed)
		if back.S != -trend.S || back.PFall != trend.PRise || back.PRise != trend.PFall || back.PTwoSided != trend.PTwoSided {
			t.Fatalf("reversed: %+v, %+v", trend, back)
		}

		slope, err := TheilSen(times, y, 0.95)
		if err != nil {
			if !errors.Is(err, ErrRange) {
				t.Fatal(err)
			}
			return
		}
		for _, v := range []float64{slope.Slope, slope.Intercept, slope.Low, slope.High, slope.RankLow, slope.RankHigh} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%+v", slope)
			}
		}
		if slope.HasInterval && !(slope.Low <= slope.Slope && slope.Slope <= slope.High) {
			t.Fatalf("%+v", slope)
		}
		doubled := make([]float64, len(y))
		for i := range y {
			doubled[i] = y[i] / 2
		}
		half, err := TheilSen(times, doubled, 0.95)
		if err != nil || math.Abs(half.Slope-slope.Slope/2) > 1e-300+1e-14*math.Abs(slope.Slope) {
			t.Fatalf("half the values: %v, %v", half.Slope, slope.Slope)
		}
		if !slices.Equal(y, before) {
			t.Fatal("the argument was changed")
		}
	})
}

func series(n int) (t, y []float64) {
	t, y = make([]float64, n), make([]float64, n)
	for i := range y {
		t[i], y[i] = float64(i), math.Sin(float64(i*i))-float64(i)/100
	}
	return t, y
}

func BenchmarkMannKendall(b *testing.B) {
	for _, n := range []int{10, 30, 1000} {
		_, y := series(n)
		b.Run(map[int]string{10: "10", 30: "30", 1000: "1000"}[n], func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := MannKendall(y); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkTheilSen1000(b *testing.B) {
	t, y := series(1000)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := TheilSen(t, y, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}
