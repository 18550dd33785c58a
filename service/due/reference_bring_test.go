package due_test

import (
	"math/big"
	"strconv"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// Section 6.

// refDecimal returns the number that the shortest decimal of x stands for.
func refDecimal(x float64) *big.Rat {
	r, ok := new(big.Rat).SetString(strconv.FormatFloat(x, 'f', -1, 64))
	if !ok {
		panic("not a number: " + strconv.FormatFloat(x, 'g', -1, 64))
	}
	return r
}

// refTrapWidth returns the width of a trap in mm, or nil.
func refTrapWidth(f *due.Facts, asOf civil.Day) *big.Rat {
	var width, diameter float64
	for _, o := range f.Observations {
		if o.Kind != due.Measured || o.Day > asOf {
			continue
		}
		if o.WidthMM > 0 {
			width = o.WidthMM
		}
		if o.DiameterMM > 0 {
			diameter = o.DiameterMM
		}
	}
	switch {
	case width > 0:
		return refDecimal(width)
	case f.TypicalWidthMM <= 0:
		return nil
	case diameter > 0 && f.TypicalDiameterMM > 0:
		ratio := new(big.Rat).Quo(refDecimal(diameter), refDecimal(f.TypicalDiameterMM))
		return ratio.Mul(ratio, refDecimal(f.TypicalWidthMM))
	}
	return refDecimal(f.TypicalWidthMM)
}

// refBring fills in the longest item, the foods and what goes with the first of
// them.
func refBring(f *due.Facts, asOf civil.Day, out *due.Decision) {
	if width := refTrapWidth(f, asOf); width != nil {
		tenths := new(big.Rat).Mul(width, big.NewRat(int64(f.Rules.MaxItemPercent)*10, 100))
		out.MaxItemTenths = int(refDown(tenths).Int64())
	}
	for i, food := range f.Foods {
		tooLong := false
		if out.MaxItemTenths != due.NoLimit && food.LengthMM != 0 {
			tooLong = refDecimal(food.LengthMM).Cmp(big.NewRat(int64(out.MaxItemTenths), 10)) > 0
		}
		if tooLong && !food.MayCut {
			continue
		}
		if len(out.Foods) == 0 {
			if tooLong {
				out.Instructions |= 1 << due.CutToLength
			}
			if f.TrapType == due.Snap && !food.Moves {
				out.Instructions |= 1 << due.StrokeClosedTrap
			}
		}
		out.Foods = append(out.Foods, i)
	}
}

// refMind fills in the other instructions.
func refMind(f *due.Facts, asOf civil.Day, out *due.Decision) {
	lastUnknown := false
	for _, x := range f.Feedings {
		if x.Day > asOf {
			continue
		}
		outcome, _ := refOutcome(x, asOf)
		lastUnknown = outcome == due.Unknown
		if x.Day == asOf && outcome != due.Rejected {
			out.Instructions |= 1 << due.FedToday
		}
	}
	if lastUnknown {
		out.Instructions |= 1 << due.CheckLastFirst
	}
	if f.Rules.HandFeed == due.IfNotCatching && refExposure(f, asOf) == due.Outdoors {
		if _, last, ok := refLowSurveys(f, asOf); ok && int(asOf-last) > f.Rules.IntervalDays {
			out.Instructions |= 1 << due.SurveyAgain
		}
	}
	if series := refDiameters(f, asOf); len(series) > 0 && asOf-series[len(series)-1].day > 60 {
		out.Instructions |= 1 << due.MeasureAgain
	}
	if _, on := refTrapCount(f, asOf); on != civil.None && asOf-on > 90 {
		out.Instructions |= 1 << due.CountAgain
	}
	if refStalkUp(f, asOf) {
		out.Instructions |= 1 << due.CutStalk
	}
}

func refStalkUp(f *due.Facts, asOf civil.Day) bool {
	up := false
	for _, o := range f.Observations {
		if o.Kind == due.Stalk && o.Day <= asOf {
			up = o.StalkUp
		}
	}
	return up && f.Rules.CutStalks
}
