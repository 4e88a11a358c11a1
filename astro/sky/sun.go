package sky

import (
	"math"

	"github.com/soniakeys/meeus/v3/base"
	"github.com/soniakeys/meeus/v3/solar"
	"gonum.org/v1/gonum/spatial/r3"
)

// Body is a member of the solar system at a moment: where its light comes from,
// geocentric, true equator and equinox of date, in au.
type Body struct {
	Name string
	vec  r3.Vec
}

// DistanceAU is the distance from the Earth's centre.
func (b Body) DistanceAU() float64 { return r3.Norm(b.vec) }

// Apparent is the geocentric apparent direction.
func (b Body) Apparent() r3.Vec { return r3.Unit(b.vec) }

// earthRadiusAU is the equatorial radius, 6378.137 km (WGS 84), in au of 149597870.7 km.
const earthRadiusAU = 6378.137 / 149597870.7

// Body computes the place of a body for an observer, parallax included.
func (o *Observer) Body(m *Moment, b Body) Place {
	return o.Look(m, r3.Unit(r3.Sub(b.vec, o.stand(m))))
}

// stand is the observer's place from the Earth's centre in the frame of Body, au.
func (o *Observer) stand(m *Moment) r3.Vec {
	sin, cos := math.Sincos(m.gast + o.lon)
	return r3.Vec{X: o.fromAxisAU * cos, Y: o.fromAxisAU * sin, Z: o.northAU}
}

// sunSecondsOfArc and the like: the Sun of Meeus's chapter 25 moves on an
// ellipse and is wrong by up to 37 arcsec in longitude, 1.2 in latitude and 8e-5
// au. These terms, fitted to ERFA's eraEpv00 from 1972 to 2100
// (testdata/astro/fit_sun.py), leave 4.1 (rms 1.1), 0.7 and 3e-5. The arguments
// are mean longitudes: IERS Conventions 2003, as in ERFA's eraFave03 and so on.
type sunTerm struct {
	v, e, m, j, s, d, f float64 // multiples of Venus, Earth, Mars, Jupiter, Saturn, the Moon's D and F
	sin, cos            float64
}

var sunLongitude = [...]sunTerm{ // arcsec
	{j: 1, e: -1, sin: 7.17, cos: -0.16},
	{d: 1, sin: 6.47},
	{v: 2, e: -2, sin: -5.52, cos: -0.01},
	{v: 1, e: -1, sin: 4.83},
	{j: 2, e: -2, sin: -2.73, cos: 0.02},
	{j: 1, sin: -2.64, cos: 0.46},
	{v: 2, e: -3, sin: -0.02, cos: 2.45},
	{m: 2, e: -2, sin: 2.11, cos: 0.02},
	{m: 2, e: -1, sin: 1.44, cos: 1.22},
	{j: 2, e: -1, sin: 0.93, cos: 1.31},
	{v: 3, e: -4, sin: 0.13, cos: 1.21},
	{v: 3, e: -5, sin: -1.05, cos: -0.11},
	{v: 3, e: -3, sin: -0.67, cos: 0.01},
	{j: 3, e: -2, sin: -0.55, cos: 0.11},
	{m: 3, e: -2, sin: 0.38, cos: 0.20},
	{s: 1, e: -1, sin: 0.41, cos: -0.04},
}

var (
	sunLatitude = [...]sunTerm{{f: 1, sin: 0.58}} // arcsec
	sunDistance = [...]sunTerm{                   // 1e-6 au
		{d: 1, cos: 30.84},
		{j: 1, e: -1, sin: 0.83, cos: 16.37},
		{v: 2, e: -2, sin: 0.01, cos: 15.73},
	}
)

const (
	sunLongitudeMean = -8.73 // arcsec
	sunDistanceMean  = -0.74 // 1e-6 au
)

// sumTerms adds up a table at t Julian centuries since J2000.
func sumTerms(terms []sunTerm, t float64) float64 {
	v := 3.176146697 + 1021.3285546211*t
	e := 1.753470314 + 628.3075849991*t
	m := 6.203480913 + 334.0612426700*t
	j := 0.599546497 + 52.9690962641*t
	s := 0.874016757 + 21.3299104960*t
	d := 5.198466741 + 7771.377146834*t
	f := 1.627905234 + 8433.466158131*t
	sum := 0.0
	for i := range terms {
		k := &terms[i]
		sin, cos := math.Sincos(k.v*v + k.e*e + k.m*m + k.j*j + k.s*s + k.d*d + k.f*f)
		sum += k.sin*sin + k.cos*cos
	}
	return sum
}

// geometricSun is the Sun without aberration and nutation: ecliptic longitude
// and latitude of the mean equinox of date in radians, distance in au.
func geometricSun(t float64) (lon, lat, distance float64) {
	longitude, anomaly := solar.True(t)
	e := solar.Eccentricity(t)
	lon = longitude.Rad() + (sumTerms(sunLongitude[:], t)+sunLongitudeMean)*radPerArcsec
	lat = sumTerms(sunLatitude[:], t) * radPerArcsec
	distance = 1.000001018*(1-e*e)/(1+e*anomaly.Cos()) + (sumTerms(sunDistance[:], t)+sunDistanceMean)*1e-6 // Meeus 25.5
	return lon, lat, distance
}

// Sun is the Sun, within 5 arcsec of ERFA from 1972 to 2100. It must never be
// looked at through any optics, nor with the eye.
func (m *Moment) Sun() Body {
	lon, lat, distance := geometricSun(base.J2000Century(m.jdTT))
	lon += m.nutationLon - 20.4898*radPerArcsec/distance // aberration: Meeus 25.10
	return Body{Name: "Sun", vec: m.ofEcliptic(lon, lat, distance)}
}

// ofEcliptic turns an ecliptic place of the true equinox of date into the
// frame of Body.
func (m *Moment) ofEcliptic(lon, lat, distance float64) r3.Vec {
	v := r3.Scale(distance, unitVec(lon, lat))
	return r3.Vec{X: v.X, Y: v.Y*m.cosObliquity - v.Z*m.sinObliquity, Z: v.Y*m.sinObliquity + v.Z*m.cosObliquity}
}

// SunCaution is to be shown wherever the Sun's place is given to a person.
const SunCaution = "Never look at the Sun through a finder, a lens or any other optics, nor with the bare eye: " +
	"it blinds at once and for good. Use the shadow; keep caps on all lenses."
