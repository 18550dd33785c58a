// Package season tells when a plant rests: from the length of the day at a
// latitude, or from a range of the calendar.
package season

import "math"

// twilight is p of the model, in degrees: day is while the upper edge of the
// sun stands above the horizon, refraction counted (the sunrise of almanacs).
const twilight = 0.8333

// DayLength returns the length of the day, in hours from 0 to 24, at a latitude
// (degrees, north positive) on a day of the year (1-366). It is the CBM model:
//
//	theta = 0.2163108 + 2 atan(0.9671396 tan(0.00860 (J - 186)))
//	phi   = asin(0.39795 cos theta)
//	D     = 24 - 24/pi acos((sin p + sin L sin phi) / (cos L cos phi))
//
// with p = 0.8333 degrees and the argument of acos clamped to [-1, 1]: polar
// night is 0, polar day 24.
//
// A latitude beyond a pole is taken as the pole, a day outside 1-366 as the
// nearest of these. NaN as a latitude gives NaN.
//
// The model knows no years. Against an ephemeris of the years 2024 to 2027 it is
// within 3.5 minutes up to 35 degrees of latitude, 6.5 up to 55 and 8 up to 60;
// nearer a pole within 25 minutes of the length of that day or a day beside it.
//
// Source: Forsythe W. C., Rykiel E. J., Stahl R. S., Wu H., Schoolfield R. M.
// (1995). A model comparison for daylength as a function of latitude and day of
// year. Ecological Modelling 80: 87-95, eq. 1 to 3.
func DayLength(latDeg float64, yearDay int) float64 {
	return observer(latDeg).dayLength(yearDay)
}

// sun is the sine and the cosine of the sun's declination on each day of the
// year; entry 0 is not used.
var sun = declinations()

func declinations() (table [yearDays + 1]struct{ sin, cos float64 }) {
	for j := 1; j <= yearDays; j++ {
		theta := 0.2163108 + 2*math.Atan(0.9671396*math.Tan(0.00860*float64(j-186)))
		table[j].sin = 0.39795 * math.Cos(theta)
		table[j].cos = math.Sqrt(1 - table[j].sin*table[j].sin)
	}
	return table
}

const yearDays = 366

// site is a latitude, ready for many days. The cosine is never 0: that of the
// float64 next to 90 degrees is 6e-17.
type site struct{ sin, cos float64 }

func observer(latDeg float64) site {
	sin, cos := math.Sincos(max(-90, min(90, latDeg)) * math.Pi / 180)
	return site{sin, cos}
}

func (s site) dayLength(yearDay int) float64 {
	d := sun[max(1, min(yearDays, yearDay))]
	x := (sinTwilight + s.sin*d.sin) / (s.cos * d.cos)
	return 24 - 24/math.Pi*math.Acos(max(-1, min(1, x)))
}

var sinTwilight = math.Sin(twilight * math.Pi / 180)
