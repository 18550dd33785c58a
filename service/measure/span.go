package measure

import (
	"errors"
	"fmt"
	"math"
)

const (
	// MaxTiltDeg is the largest tilt that can be reckoned with.
	MaxTiltDeg = 45

	// level is that of the expanded uncertainty: true lengths lie within it so often.
	level = 0.95

	// ShortestScale and ShortestSpan: a line is at least so many errors of pointing long.
	// With shorter ones the law of a quotient is too far from normal for the interval to
	// hold its level; a shorter scale would also tell little: at its limit it alone makes
	// 14 % of uncertainty.
	ShortestScale, ShortestSpan = 20, 10

	// skew is by how much the interval is widened for the skewness of 1/scale: see
	// Length.
	skew = 3.5
)

// Size is a length with its expanded uncertainty, in millimetres: the true length lies
// from Mm - UncertaintyMm to Mm + UncertaintyMm 95 times in 100.
type Size struct{ Mm, UncertaintyMm float64 }

// Length returns the length of the span in millimetres and its expanded uncertainty at
// a level of 95 %, from the errors of pointing of both lines, and from the tilt.
//
//	Mm = LengthMm D/S                                D, S: lengths of span and scale in px
//	UncertaintyMm = Mm (1.96 sqrt(v (1 + 3.5 q)) + tilt)
//	v = p + q, p = 2 errorD^2/D^2, q = 2 errorS^2/S^2
//	tilt = sqrt((1 + k)/(1 - k)) - 1
//	k = |sin theta| / sqrt((1 + 2/tan^2 t)^2 - cos^2 theta)
//
// The difference of two ends that are each off by e has an error of e sqrt 2 along the
// line, and v is the relative variance of the quotient to first order. 1.96 is the
// factor of coverage of a normal law. The factor with 3.5 makes good that the law of
// 1/S is skewed: to the order of q, and with an exact D, an interval without it covers
//
//	0.95 - phi(z) z q ((z^2 + 1/2)^2 - 4 z^2),    z = 1.96
//
// of the true values; the outer bracket is 3.5. Simulated over the whole domain, the
// interval covers 95.0 to 95.6 % (TestCoverage). Mm itself is too large by the share
// p/2 + q/2, on average, which is at most 1.3 %, and then 1/25 of the uncertainty.
//
// Where the plane is tilted by t about any axis in it, seen from afar (orthographic),
// what lies across the axis looks shorter by cos t. So the quotient is wrong where the
// lines differ in direction, by theta; tilt is the largest share that any axis and any
// tilt up to t can give, for small t about t^2/2 |sin theta|. It is a limit, so it is
// added. The perspective of a near camera, which shows what is nearer larger, is not
// in it, nor is an error of LengthMm.
//
// Domain: LengthMm and both errors are positive, the tilt is from 0 to 45 degrees, the
// scale is at least 20 and the span at least 10 of its errors of pointing long. All
// faults are told at once: ErrNotFinite, ErrNotPositive, ErrTilt, ErrCoincident,
// ErrShort; ErrRange where the result does not fit a float64. A line whose true length is
// about at the limit is refused if it looks shorter, so what is answered was chosen for
// looking longer: of answers by a scale of just 20 errors 92 % hold. From 26 errors of
// the scale and 16 of the span next to nothing is refused.
//
// Sources: JCGM 100:2008 (GUM), 5.1.2 and 5.1.6 (relative variances of a quotient add),
// 6.2.1 (expanded uncertainty), table G.1 (the factor). The correction and the tilt are
// derived here: with the observed direction at phi to the axis, a length is the one seen
// times sqrt(1 + tan^2 t sin^2 phi); the quotient of two of them is largest where its
// derivative by phi is 0.
func Length(scale Scale, span Line) (Size, error) {
	faults := scale.faults("scale")
	scaleIsLine := len(faults) == 0
	if err := positive(scale.LengthMm); err != nil {
		faults = append(faults, fmt.Errorf("scale.lengthMm %w", err))
	}
	if !(scale.TiltDeg >= 0 && scale.TiltDeg <= MaxTiltDeg) {
		faults = append(faults, fmt.Errorf("scale.tiltDeg %w", ErrTilt))
	}
	if scaleIsLine {
		faults = append(faults, long("scale", scale.Line, ShortestScale)...)
	}
	spanFaults := span.faults("span")
	if len(spanFaults) == 0 {
		spanFaults = long("span", span, ShortestSpan)
	}
	if faults = append(faults, spanFaults...); len(faults) > 0 {
		return Size{}, errors.Join(faults...)
	}

	size := sizeOf(scale, span)
	if !isFinite(size.UncertaintyMm) || size.Mm == 0 || size.UncertaintyMm == 0 {
		return Size{}, fmt.Errorf("the lengths of scale and span %w", ErrRange)
	}
	return size, nil
}

// sizeOf is Length without its faults.
func sizeOf(scale Scale, span Line) Size {
	p, q := relativeVariance(span), relativeVariance(scale.Line)
	factor := math.Sqrt2 * math.Erfinv(level)
	mm := scale.LengthMm * (span.LengthPx() / scale.LengthPx())
	return Size{mm, mm * (factor*math.Sqrt((p+q)*(1+skew*q)) + tilt(scale, span))}
}

func long(name string, l Line, errorsLong float64) []error {
	if l.LengthPx() >= errorsLong*l.ErrorPx {
		return nil
	}
	return []error{fmt.Errorf("%s %w: it must be at least %v times as long as errorPx", name, ErrShort, errorsLong)}
}

// relativeVariance is that of the length of a line.
func relativeVariance(l Line) float64 {
	share := l.ErrorPx / l.LengthPx()
	return 2 * share * share
}

// tilt returns the largest share by which a plane out of square makes the quotient of
// the lines wrong.
func tilt(scale Scale, span Line) float64 {
	if scale.TiltDeg == 0 {
		return 0
	}
	seen, known := span.LengthPx(), scale.LengthPx()
	ux, uy := (span.B.X-span.A.X)/seen, (span.B.Y-span.A.Y)/seen
	vx, vy := (scale.B.X-scale.A.X)/known, (scale.B.Y-scale.A.Y)/known
	sin, cos := ux*vy-uy*vx, ux*vx+uy*vy
	tan := math.Tan(scale.TiltDeg * math.Pi / 180)
	if tan*tan == 0 {
		return 0
	}
	c := 1 + 2/(tan*tan)
	k := math.Abs(sin) / math.Sqrt(c*c-cos*cos)
	return math.Sqrt((1+k)/(1-k)) - 1
}
