// Package stats holds the statistics of trials and of growth: pure functions of
// numbers, each with its source.
//
// They do not change their arguments. Input is users' data, so what lies
// outside a function's domain is an error, never a panic, and a result never
// holds NaN or an infinity.
package stats

import (
	"errors"
	"fmt"
	"math"
)

// What the functions return for input outside their domain, wrapped with the
// place where it was found.
var (
	// ErrNotFinite: a value is NaN or infinite.
	ErrNotFinite = errors.New("must be a finite number")
	// ErrLength: two series that belong together are not of one length.
	ErrLength = errors.New("must be of the same length")
	// ErrTooMany: the series is longer than the function's limit.
	ErrTooMany = errors.New("has too many values")
	// ErrLevel: a level of confidence is not between 0 and 1.
	ErrLevel = errors.New("must lie between 0 and 1, both excluded")
	// ErrRange: the result does not fit a float64.
	ErrRange = errors.New("differs too much to be computed")
)

func finite(name string, values []float64) error {
	for i, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%s[%d] %w", name, i, ErrNotFinite)
		}
	}
	return nil
}

// upperNormal returns the probability that a standard normal variable is at
// least z. It keeps its relative accuracy far out, where 1 - CDF does not.
func upperNormal(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// twoSidedNormal returns the z for which a standard normal variable lies in
// [-z, z] with the given probability.
func twoSidedNormal(probability float64) float64 { return math.Sqrt2 * math.Erfinv(probability) }
