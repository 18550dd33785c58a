package due

import (
	"math/big"
	"math/bits"

	"dewbench/service/civil"
)

// point is a point in time in days, kept exactly: day + num/den, num < den. A
// sum of many odd fractions may not fit 64 bits; then wide holds it instead, up
// to a length (see bounded).
type point struct {
	day      civil.Day
	num, den uint64
	wide     *big.Rat
}

func whole(d civil.Day) point { return point{day: d, den: 1} }

func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

func (p point) rat() *big.Rat {
	if p.wide != nil {
		return p.wide
	}
	r := new(big.Rat).SetFrac(new(big.Int).SetUint64(p.num), new(big.Int).SetUint64(p.den))
	return r.Add(r, new(big.Rat).SetInt64(int64(p.day)))
}

// plus returns p + num/den days. den is not 0. Fractions are reduced only when
// they grow long: most covers are sums of few sessions.
func (p point) plus(num, den uint64) point {
	if p.wide == nil {
		day, num := p.day+civil.Day(num/den), num%den
		if p.num == 0 {
			return point{day: day, num: num, den: den}
		}
		a, b := den, p.den // num/den = num x b / (b x den), and so on
		hi, product := bits.Mul64(p.den, den)
		if hi != 0 || product >= 1<<31 {
			common := gcd(p.den, den)
			a, b = den/common, p.den/common
			hi, product = bits.Mul64(p.den, a)
		}
		if hi == 0 && product < 1<<62 {
			sum := p.num*a + num*b
			if sum >= product {
				sum -= product
				day++
			}
			if product >= 1<<31 {
				common := gcd(sum, product)
				sum, product = sum/common, product/common
			}
			return point{day: day, num: sum, den: product}
		}
	}
	step := new(big.Rat).SetFrac(new(big.Int).SetUint64(num), new(big.Int).SetUint64(den))
	return point{wide: bounded(step.Add(step, p.rat()))}
}

// longestFraction is the most bits that a denominator may have. No history of a
// grower comes near it.
const longestFraction = 2048

// bounded returns r, or, where its denominator is absurdly long, r rounded up to
// a multiple of 2^-64 days. That does not change the whole day that r is rounded
// up to, and keeps a history of thousands of odd targets from taking seconds.
func bounded(r *big.Rat) *big.Rat {
	if r.Denom().BitLen() <= longestFraction {
		return r
	}
	grid := new(big.Int).Lsh(big.NewInt(1), 64)
	up, rest := new(big.Int).DivMod(new(big.Int).Mul(r.Num(), grid), r.Denom(), new(big.Int))
	if rest.Sign() != 0 {
		up.Add(up, big.NewInt(1))
	}
	return new(big.Rat).SetFrac(up, grid)
}

// before tells whether p lies before q.
func (p point) before(q point) bool {
	if p.wide != nil || q.wide != nil {
		return p.rat().Cmp(q.rat()) < 0
	}
	if p.day != q.day {
		return p.day < q.day
	}
	aHi, aLo := bits.Mul64(p.num, q.den)
	bHi, bLo := bits.Mul64(q.num, p.den)
	return aHi < bHi || aHi == bHi && aLo < bLo
}

// ceil returns the point rounded up to a whole day.
func (p point) ceil() civil.Day {
	if p.wide != nil {
		quotient, rest := new(big.Int).DivMod(p.wide.Num(), p.wide.Denom(), new(big.Int))
		day := civil.Day(quotient.Int64())
		if rest.Sign() != 0 {
			day++
		}
		return day
	}
	if p.num != 0 {
		return p.day + 1
	}
	return p.day
}
