// Package measure measures plants on pictures: spans that a grower pointed out, beside
// a known length; the rosette, found by its colour; and strips of pictures at one scale.
//
// It takes pictures that are decoded and upright. Points are in pixels of the picture:
// the origin is its upper left corner, x runs right and y down, and the first pixel
// covers [0, 1) x [0, 1). All functions are deterministic, and none changes its
// arguments.
package measure

import (
	"errors"
	"fmt"
	"math"
)

// What the functions return for input outside their domain, wrapped with the place
// where it was found.
var (
	// ErrNotFinite: a value is NaN or infinite.
	ErrNotFinite = errors.New("must be a finite number")
	// ErrNotPositive: a length or an error of pointing is zero or negative.
	ErrNotPositive = errors.New("must be greater than 0")
	// ErrCoincident: both ends of a line are the same point.
	ErrCoincident = errors.New("must have two different ends")
	// ErrShort: a line is too short for its error of pointing.
	ErrShort = errors.New("is too short for its error of pointing")
	// ErrTilt: a tilt is not from 0 to MaxTiltDeg.
	ErrTilt = errors.New("must lie from 0 to 45 degrees")
	// ErrRange: the result does not fit a float64.
	ErrRange = errors.New("differ too much to be computed")
)

// Point is a place on a picture, in pixels.
type Point struct{ X, Y float64 }

// Line is what was pointed out: its two ends.
type Line struct {
	A, B Point
	// ErrorPx is the error of pointing: the standard deviation, in pixels, of each
	// coordinate of each end.
	ErrorPx float64
}

// LengthPx returns the length of the line in pixels.
func (l Line) LengthPx() float64 { return math.Hypot(l.B.X-l.A.X, l.B.Y-l.A.Y) }

// Scale is a known length that was pointed out on the picture: of a ruler, or of a
// label. It lies in the plane of what is measured.
type Scale struct {
	Line
	LengthMm float64
	// TiltDeg is the most by which the camera may have been out of square to the
	// plane, in degrees; 0: it is not reckoned with.
	TiltDeg float64
}

// MmPerPx returns how many millimetres a pixel is.
func (s Scale) MmPerPx() float64 { return s.LengthMm / s.LengthPx() }

// faults returns what is wrong with the line by itself.
func (l Line) faults(name string) (faults []error) {
	fault := func(field string, err error) { faults = append(faults, fmt.Errorf("%s.%s %w", name, field, err)) }
	for _, c := range []struct {
		field string
		value float64
	}{{"a.x", l.A.X}, {"a.y", l.A.Y}, {"b.x", l.B.X}, {"b.y", l.B.Y}} {
		if !isFinite(c.value) {
			fault(c.field, ErrNotFinite)
		}
	}
	if err := positive(l.ErrorPx); err != nil {
		fault("errorPx", err)
	}
	if len(faults) > 0 {
		return faults
	}
	switch length := l.LengthPx(); {
	case l.A == l.B:
		faults = append(faults, fmt.Errorf("%s %w", name, ErrCoincident))
	case !isFinite(length) || length == 0:
		faults = append(faults, fmt.Errorf("the ends of %s %w", name, ErrRange))
	}
	return faults
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func positive(v float64) error {
	switch {
	case !isFinite(v):
		return ErrNotFinite
	case v <= 0:
		return ErrNotPositive
	}
	return nil
}
