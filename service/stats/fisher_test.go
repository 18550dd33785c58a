package stats

import (
	"encoding/json"
	"errors"
	"math"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func fisher22(input json.RawMessage) (map[string]any, map[string]string, error) {
	var in struct{ Table [2][2]int }
	if err := json.Unmarshal(input, &in); err != nil {
		return nil, nil, err
	}
	f, err := FisherExact(in.Table[0][0], in.Table[0][1], in.Table[1][0], in.Table[1][1])
	if err != nil {
		return nil, nil, err
	}
	got := map[string]any{"p_two": f.PTwoSided, "p_less": f.PLess, "p_greater": f.PGreater, "odds_ratio_sample": math.Inf(1)}
	if f.HasOddsRatio {
		got["odds_ratio_sample"] = f.OddsRatio
	}
	const conditional = "only the odds ratio of the sample is told"
	return got, map[string]string{"odds_ratio_conditional_mle": conditional, "or_ci_low": conditional, "or_ci_high": conditional}, nil
}

func pAdjust(input json.RawMessage) (map[string]any, map[string]string, error) {
	var in struct{ P []float64 }
	if err := json.Unmarshal(input, &in); err != nil {
		return nil, nil, err
	}
	p, err := Holm(in.P)
	if err != nil {
		return nil, nil, err
	}
	holm := make([]any, len(p))
	for i, v := range p {
		holm[i] = v
	}
	const other = "only Holm's adjustment is used"
	return map[string]any{"holm": holm}, map[string]string{"bh": other, "by": other, "bonferroni": other, "hochberg": other, "hommel": other}, nil
}

// exactLaw returns the law of the first cell as fractions, from the lowest it can be:
// by the definition, with binomial coefficients of math/big.
func exactLaw(a, b, c, d int) (low int, law []*big.Rat) {
	row, column, n := int64(a+b), int64(a+c), int64(a+b+c+d)
	all := new(big.Int).Binomial(n, row)
	low = int(max(0, row+column-n))
	for k := int64(low); k <= min(row, column); k++ {
		ways := new(big.Int).Mul(new(big.Int).Binomial(column, k), new(big.Int).Binomial(n-column, row-k))
		law = append(law, new(big.Rat).SetFrac(ways, all))
	}
	return low, law
}

// On tables of any shape the p-values are those of exact fractions (math/big of Go).
func TestFisherIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.OneOf(rapid.IntRange(0, 12), rapid.IntRange(0, 300))
		a, b, c, d := cell.Draw(t, "a"), cell.Draw(t, "b"), cell.Draw(t, "c"), cell.Draw(t, "d")
		got, err := FisherExact(a, b, c, d)
		if err != nil {
			t.Fatal(err)
		}
		low, law := exactLaw(a, b, c, d)
		less, greater, two, sum := new(big.Rat), new(big.Rat), new(big.Rat), new(big.Rat)
		for i, p := range law {
			sum.Add(sum, p)
			if low+i <= a {
				less.Add(less, p)
			}
			if low+i >= a {
				greater.Add(greater, p)
			}
			if p.Cmp(law[a-low]) <= 0 {
				two.Add(two, p)
			}
		}
		if sum.Cmp(big.NewRat(1, 1)) != 0 {
			t.Fatalf("the law of the test adds up to %v", sum)
		}
		for _, c := range []struct {
			name string
			got  float64
			want *big.Rat
		}{{"less", got.PLess, less}, {"greater", got.PGreater, greater}, {"two-sided", got.PTwoSided, two}} {
			want, _ := c.want.Float64()
			if !(c.got >= 0 && c.got <= 1) || math.Abs(c.got-want) > 1e-11*want {
				t.Fatalf("%s: %v, want %v", c.name, c.got, want)
			}
		}
	})
}

// Both tails share the table seen; turning rows or columns around turns the sides;
// swapping rows for columns changes nothing; one more in the first cell of the same
// margins is not more probable to be reached.
func TestFisherProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.OneOf(rapid.IntRange(0, 9), rapid.IntRange(0, 5000))
		a, b, c, d := cell.Draw(t, "a"), cell.Draw(t, "b"), cell.Draw(t, "c"), cell.Draw(t, "d")
		of := func(a, b, c, d int) Fisher {
			f, err := FisherExact(a, b, c, d)
			if err != nil {
				t.Fatal(err)
			}
			return f
		}
		near := func(x, y float64) bool { return math.Abs(x-y) <= 1e-9*max(x, y) }
		f, turned, rows, swapped := of(a, b, c, d), of(b, a, d, c), of(c, d, a, b), of(a, c, b, d)
		if f.PLess+f.PGreater < 1-1e-12 {
			t.Fatalf("the tails leave something out: %+v", f)
		}
		if !near(f.PGreater, turned.PLess) || !near(f.PGreater, rows.PLess) || !near(f.PGreater, swapped.PGreater) ||
			!near(f.PLess, swapped.PLess) || !near(f.PTwoSided, turned.PTwoSided) || !near(f.PTwoSided, rows.PTwoSided) {
			t.Fatalf("not symmetric: %+v, %+v, %+v, %+v", f, turned, rows, swapped)
		}
		if f.PTwoSided < min(f.PLess, f.PGreater)*(1-1e-9) {
			t.Fatalf("two-sided below one-sided: %+v", f)
		}
		if b > 0 && c > 0 {
			if more := of(a+1, b-1, c-1, d+1); more.PGreater > f.PGreater+1e-12 || more.PLess < f.PLess-1e-12 {
				t.Fatalf("not monotone: %+v, then %+v", f, more)
			}
			if want := float64(a) * float64(d) / (float64(b) * float64(c)); !f.HasOddsRatio || !near(f.OddsRatio, want) {
				t.Fatalf("odds ratio %v, want %v", f.OddsRatio, want)
			}
		} else if f.HasOddsRatio || f.OddsRatio != 0 {
			t.Fatalf("an odds ratio of %+v", f)
		}
	})
}

// By hand: 3 of 3 here, 0 of 3 there. There are choose(6, 3) = 20 ways, of which one is
// as far, and one as far to the other side.
func TestFisherByHand(t *testing.T) {
	got, err := FisherExact(3, 0, 0, 3)
	if err != nil || math.Abs(got.PGreater-0.05) > 1e-15 || got.PLess != 1 || math.Abs(got.PTwoSided-0.1) > 1e-15 || got.HasOddsRatio {
		t.Errorf("got %+v, %v", got, err)
	}
	for _, c := range [][4]int{{}, {5, 0, 7, 0}, {0, 5, 0, 7}, {0, 0, 3, 4}, {3, 4, 0, 0}} {
		got, err := FisherExact(c[0], c[1], c[2], c[3])
		if err != nil || got.PLess != 1 || got.PGreater != 1 || got.PTwoSided != 1 || got.HasOddsRatio {
			t.Errorf("%v: got %+v, %v", c, got, err)
		}
	}
	// The largest tables: none of it overflows, and the middle is even.
	got, err = FisherExact(MaxTable/4, MaxTable/4, MaxTable/4, MaxTable/4)
	if err != nil || math.Abs(got.PLess-got.PGreater) > 1e-9 || math.Abs(got.PTwoSided-1) > 1e-9 {
		t.Errorf("got %+v, %v", got, err)
	}
	if got, err = FisherExact(MaxTable/2, 0, 0, MaxTable/2); err != nil || got.PGreater != 0 || got.PLess != 1 {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestFisherErrors(t *testing.T) {
	for _, c := range []struct {
		cells [4]int
		want  error
	}{
		{[4]int{-1, 1, 1, 1}, ErrNegative}, {[4]int{1, 1, 1, -1}, ErrNegative}, {[4]int{MaxTable, 1, 0, 0}, ErrTooMany},
		{[4]int{math.MaxInt, math.MaxInt, math.MaxInt, math.MaxInt}, ErrTooMany},
	} {
		if _, err := FisherExact(c.cells[0], c.cells[1], c.cells[2], c.cells[3]); !errors.Is(err, c.want) {
			t.Errorf("%v: %v, want %v", c.cells, err, c.want)
		}
	}
	for _, p := range [][]float64{{0.5, -0.1}, {1.1}, {math.NaN()}, {math.Inf(1)}} {
		if _, err := Holm(p); !errors.Is(err, ErrProbability) {
			t.Errorf("%v: %v", p, err)
		}
	}
}

// Adjusted values keep the order, lie between p and Bonferroni's m p, and do not depend
// on the order in which they are given; the smallest is Bonferroni's.
func TestHolmProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(0, 1), rapid.SampledFrom([]float64{0, 0.01, 0.05, 1})), 0, 12).Draw(t, "p")
		before := slices.Clone(p)
		got, err := Holm(p)
		if err != nil || len(got) != len(p) || !slices.Equal(p, before) {
			t.Fatalf("%v, %v; the argument is %v", got, err, p)
		}
		for i := range p {
			bonferroni := min(1, float64(len(p))*p[i])
			if got[i] < p[i] || got[i] > bonferroni || p[i] == slices.Min(p) && got[i] != bonferroni {
				t.Fatalf("p %v became %v of %d", p[i], got[i], len(p))
			}
			for j := range p {
				if p[i] <= p[j] && got[i] > got[j] {
					t.Fatalf("the order changed: %v to %v", p, got)
				}
			}
		}
		slices.Reverse(before)
		back, err := Holm(before)
		slices.Reverse(back)
		if err != nil || !slices.Equal(back, got) {
			t.Fatalf("another order: %v, %v, %v", got, back, err)
		}
	})
}

func BenchmarkFisherExact(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FisherExact(400, 3600, 20000, 340000); err != nil {
			b.Fatal(err)
		}
	}
}
