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

// geometricSun is the Sun without aberration and nutation: ecliptic longitude
// and latitude of the mean equinox of date in radians, distance in au.
func geometricSun(t float64) (lon, lat, distance float64) {
	longitude, anomaly := solar.True(t)
	e := solar.Eccentricity(t)
	mean := sunLongitudeMean[0] + (sunLongitudeMean[1]+sunLongitudeMean[2]*t)*t
	lon = longitude.Rad() + (sumTerms(sunLongitude[:], t)+mean)*radPerArcsec
	lat = sumTerms(sunLatitude[:], t) * radPerArcsec
	distance = 1.000001018*(1-e*e)/(1+e*anomaly.Cos()) + (sumTerms(sunDistance[:], t)+sunDistanceMean)*1e-6 // Meeus 25.5
	return lon, lat, distance
}

// Sun is the Sun, within 3 arcsec of ERFA from 1972 to 2100. It must never be
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
