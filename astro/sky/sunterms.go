package sky

import "math"

// The Sun of Meeus's chapter 25 moves on an ellipse and is wrong by up to 37
// arcsec in longitude, 1.2 in latitude and 8.1e-5 au. The terms below, fitted to
// ERFA's eraEpv00 from 1972 to 2100 by testdata/astro/fit_sun.py, leave 1.8 (rms
// 0.4), 0.4 and 1.7e-5: pulls of Venus, Mars, Jupiter and Saturn, and the Earth's way
// about its common centre with the Moon.

// sunTerm multiplies mean longitudes of Venus, the Earth, Mars, Jupiter and
// Saturn, and the arguments D, l, l' and F of the Moon.
type sunTerm struct {
	v, e, m, j, s, d, l, a, f float64
	sin, cos                  float64
}

var sunLongitude = [...]sunTerm{ // arcsec
	{j: 1, e: -1, sin: 7.21, cos: -0.14},
	{d: 1, sin: 6.47},
	{v: 2, e: -2, sin: -5.52, cos: -0.01},
	{v: 1, e: -1, sin: 4.83},
	{j: 2, e: -2, sin: -2.73, cos: 0.02},
	{j: 1, sin: -2.59, cos: 0.38},
	{v: 2, e: -3, sin: -0.03, cos: 2.47},
	{m: 2, e: -2, sin: 2.1},
	{m: 2, e: -1, sin: 1.34, cos: 1.14},
	{j: 2, e: -1, sin: 0.95, cos: 1.29},
	{v: 3, e: -4, sin: -0.03, cos: 1.55},
	{v: 3, e: -5, sin: -1.04, cos: 0.11},
	{v: 3, e: -3, sin: -0.67, cos: 0.01},
	{j: 3, e: -2, sin: -0.55, cos: 0.11},
	{m: 3, e: -2, sin: 0.37, cos: 0.21},
	{s: 1, e: -1, sin: 0.41, cos: -0.03},
	{d: 1, l: -1, sin: -0.43},
	{m: 4, e: -3, sin: 0.43, cos: 0.26},
	{m: 5, e: -3, sin: 0.11, cos: 0.17},
	{v: 5, e: -8, sin: 0.04, cos: 0.33},
	{v: 4, e: -4, sin: -0.21},
	{m: 1, e: -1, sin: 0.27},
	{d: 1, l: 1, sin: 0.18},
	{d: 1, a: -1, sin: 0.17},
	{v: 4, e: -6, sin: -0.15, cos: 0.04},
	{j: 3, e: -1, sin: 0.12, cos: 0.15},
	{s: 1, sin: 0.01, cos: 0.33},
}

var sunLatitude = [...]sunTerm{ // arcsec
	{f: 1, sin: 0.58},
	{v: 3, e: -4, sin: 0.04, cos: 0.2},
	{j: 2, e: -1, sin: 0.03, cos: 0.16},
}

var sunDistance = [...]sunTerm{ // 1e-6 au
	{d: 1, cos: 30.84},
	{j: 1, e: -1, sin: 0.43, cos: 16.15},
	{v: 2, e: -2, sin: -0.03, cos: 15.79},
	{j: 2, e: -2, sin: -0.02, cos: -9.33},
	{v: 1, e: -1, sin: -0.06, cos: -5.37},
	{m: 2, e: -2, sin: -0.17, cos: 4.96},
}

// sunLongitudeMean is a polynomial in Julian centuries, arcsec; sunDistanceMean
// is in 1e-6 au.
var sunLongitudeMean = [3]float64{-8.17, -5.4, 5.21}

const sunDistanceMean = -0.72

// sumTerms adds up a table at t Julian centuries since J2000. The arguments are
// those of the IERS Conventions 2003, as in ERFA's eraFave03 and its like.
func sumTerms(terms []sunTerm, t float64) float64 {
	v := 3.176146697 + 1021.3285546211*t
	e := 1.753470314 + 628.3075849991*t
	m := 6.203480913 + 334.0612426700*t
	j := 0.599546497 + 52.9690962641*t
	s := 0.874016757 + 21.3299104960*t
	d := 5.198466741 + 7771.377146834*t
	l := 2.355555744 + 8328.691425719*t
	a := 6.240060127 + 628.301955178*t
	f := 1.627905234 + 8433.466158131*t
	sum := 0.0
	for i := range terms {
		k := &terms[i]
		sin, cos := math.Sincos(k.v*v + k.e*e + k.m*m + k.j*j + k.s*s + k.d*d + k.l*l + k.a*a + k.f*f)
		sum += k.sin*sin + k.cos*cos
	}
	return sum
}
