package due

import (
	"math"
	"math/big"
	"strconv"

	"dewbench/service/civil"
)

// bring sets what to bring to a plant that is fed by hand, and what to mind.
func (w *walk) bring(d *Decision) {
	f := w.f
	d.MaxItemTenths = w.maxItemTenths()
	for i, food := range f.Foods {
		tooLong := d.MaxItemTenths != NoLimit && longer(food.LengthMM, d.MaxItemTenths)
		if tooLong && !food.MayCut {
			continue
		}
		if d.Foods == nil {
			d.Foods = make([]int, 0, len(f.Foods))
			if tooLong {
				d.Instructions.add(CutToLength)
			}
			if f.TrapType == Snap && !food.Moves {
				d.Instructions.add(StrokeClosedTrap)
			}
		}
		d.Foods = append(d.Foods, i)
	}

	if w.lastFed >= 0 {
		last := &f.Feedings[w.lastFed]
		if !last.knownBy(w.asOf) {
			d.Instructions.add(CheckLastFirst)
		}
		for i := w.lastFed; i >= 0 && f.Feedings[i].Day == w.asOf; i-- {
			if fd := &f.Feedings[i]; !(fd.Outcome == Rejected && fd.knownBy(w.asOf)) {
				d.Instructions.add(FedToday)
			}
		}
	}
	if w.exposure == Outdoors && f.Rules.HandFeed == IfNotCatching && w.lowSince != civil.None &&
		w.asOf-w.lastSurvey > civil.Day(f.Rules.IntervalDays) {
		d.Instructions.add(SurveyAgain)
	}
	if n := len(w.series); n > 0 && w.asOf-w.series[n-1].Day > MeasurementValidDays {
		d.Instructions.add(MeasureAgain)
	}
	if w.countDay != civil.None && !w.countedBy(w.asOf) {
		d.Instructions.add(CountAgain)
	}
	if f.Rules.CutStalks && w.stalkUp {
		d.Instructions.add(CutStalk)
	}
}

// maxItemTenths returns the longest item in tenths of a millimetre, rounded
// down in exact decimals. The width of the trap is the last one measured; else
// the taxon's typical width, in proportion to the last diameter where that and
// the typical one are known; else there is no limit to tell.
func (w *walk) maxItemTenths() int {
	percent := w.f.Rules.MaxItemPercent
	if w.widthMM > 0 {
		return scaleDown(percent, w.widthMM, 1, 1)
	}
	if w.f.TypicalWidthMM <= 0 {
		return NoLimit
	}
	if w.diameterMM > 0 && w.f.TypicalDiameterMM > 0 {
		return scaleDown(percent, w.f.TypicalWidthMM, w.diameterMM, w.f.TypicalDiameterMM)
	}
	return scaleDown(percent, w.f.TypicalWidthMM, 1, 1)
}

// scaleDown returns floor(10 x percent/100 x width x over / under), exactly for
// the decimal numbers that the arguments are the nearest floats of. All are
// positive.
func scaleDown(percent int, width, over, under float64) int {
	a, okA := thousandths(width)
	b, okB := thousandths(over)
	c, okC := thousandths(under)
	if okA && okB && okC && a < 1e7 && b < 1e7 {
		// percent (up to 200) x a x b stays below 2^63.
		return int(int64(percent) * a * b / c / 10_000)
	}
	exact := new(big.Rat).SetFrac64(int64(percent), 10)
	exact.Mul(exact, decimal(width))
	exact.Mul(exact, decimal(over))
	exact.Quo(exact, decimal(under))
	return int(new(big.Int).Quo(exact.Num(), exact.Denom()).Int64())
}

// longer tells whether a length in mm, 0 if not known, is above a limit in
// tenths of a millimetre.
func longer(lengthMM float64, tenths int) bool {
	if n, ok := thousandths(lengthMM); ok {
		return n > int64(tenths)*100
	}
	return lengthMM > 0 && decimal(lengthMM).Cmp(big.NewRat(int64(tenths), 10)) > 0
}

// thousandths returns v in thousandths if it is a whole number of them.
func thousandths(v float64) (int64, bool) {
	n := math.Round(v * 1000)
	return int64(n), n >= 1 && n < 1e12 && n/1000 == v
}

// decimal returns the shortest decimal number whose nearest float is v.
func decimal(v float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(v, 'g', -1, 64))
	return r
}
