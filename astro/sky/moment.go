// Package sky computes where stars, Sun, Moon and planets stand above a site,
// and when the Sun and the Moon rise and set. It is pure.
//
// The route is that of Jean Meeus, Astronomical Algorithms, 2nd edition 1998, in
// the package meeus: IAU 1976 precession, IAU 1980 nutation, IAU 1982 sidereal
// time. The vectors of this package replace its formulas where those fail near a
// pole. UT1 is taken as UTC: the night sky's rotation is then off by less than 13.5
// arcsec, and the place of a star 0.6° from the pole by less than 0.15.
package sky

import (
	"fmt"
	"math"
	"time"

	"github.com/soniakeys/meeus/v3/base"
	"github.com/soniakeys/meeus/v3/coord"
	"github.com/soniakeys/meeus/v3/nutation"
	"github.com/soniakeys/meeus/v3/precess"
	"github.com/soniakeys/meeus/v3/sidereal"
	"github.com/soniakeys/meeus/v3/solar"
	"github.com/soniakeys/unit"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

const (
	radPerDeg    = math.Pi / 180
	radPerArcsec = math.Pi / (180 * 3600)
	daysPerYear  = 365.25 // Julian
	// aberrationConstant is kappa of Meeus ch. 23: the Earth's mean speed over light's.
	aberrationConstant = 20.49552 * radPerArcsec
)

// The dates for which places are given. Before 1972 UTC has no leap seconds;
// after 2100 the models have not been compared with others.
var (
	firstDate = time.Date(1972, 1, 1, 0, 0, 0, 0, time.UTC)
	lastDate  = time.Date(2101, 1, 1, 0, 0, 0, 0, time.UTC)
)

// Moment holds what all bodies share at one instant.
type Moment struct {
	instant    astro.Instant
	jdTT, jdUT float64
	years      float64 // Julian years since J2000.0
	// toDate leads from the equator and equinox of J2000 to the true ones of date;
	// the rows are its axes.
	toDate [3]r3.Vec
	// velocity is the Earth's, in units of light's, and toSun the way to the Sun in
	// au; both J2000.
	velocity, toSun r3.Vec
	// gast is the apparent sidereal time at Greenwich, radians.
	gast float64
	// sinObliquity and cosObliquity are of the true obliquity of date, nutationLon
	// the nutation in longitude in radians.
	sinObliquity, cosObliquity, nutationLon float64
}

// At prepares the moment of an instant from 1972 to 2100.
func At(i astro.Instant) (Moment, error) {
	if t := i.Time(); t.Before(firstDate) || !t.Before(lastDate) {
		return Moment{}, fmt.Errorf("date %s: places are computed from %d to %d", i, firstDate.Year(), lastDate.Year()-1)
	}
	m := Moment{instant: i, jdTT: i.JulianTT(), jdUT: i.JulianUT()}
	m.years = (m.jdTT - base.J2000) / daysPerYear
	precession := precessionMatrix(2000 + m.years)

	// The Earth's velocity in the mean ecliptic of date, as in the aberration of
	// Meeus 23.2; longitude less anomaly is the Sun's perigee, opposite the Earth's
	// perihelion.
	obliquity := nutation.MeanObliquity(m.jdTT)
	sinMean, cosMean := obliquity.Sincos()
	century := base.J2000Century(m.jdTT)
	longitude, anomaly := solar.True(century)
	eccentricity := solar.Eccentricity(century)
	sinLon, cosLon := longitude.Sincos()
	sinPeri, cosPeri := (longitude - anomaly).Sincos()
	vx := aberrationConstant * (sinLon + eccentricity*sinPeri)
	vy := -aberrationConstant * (cosLon + eccentricity*cosPeri)
	m.velocity = transposed(precession, r3.Vec{X: vx, Y: cosMean * vy, Z: sinMean * vy})

	distance := 1.000001018 * (1 - eccentricity*eccentricity) / (1 + eccentricity*anomaly.Cos()) // Meeus 25.5
	m.toSun = transposed(precession, r3.Scale(distance, r3.Vec{X: cosLon, Y: cosMean * sinLon, Z: sinMean * sinLon}))

	inLongitude, inObliquity := nutation.Nutation(m.jdTT)
	m.nutationLon = inLongitude.Rad()
	m.sinObliquity, m.cosObliquity = (obliquity + inObliquity).Sincos()
	m.toDate = nutated(precession, sinMean, cosMean, m.nutationLon, m.sinObliquity, m.cosObliquity)

	m.gast = sidereal.Mean(m.jdUT).Rad() + m.nutationLon*m.cosObliquity
	return m, nil
}

// Instant is the instant of the moment.
func (m *Moment) Instant() astro.Instant { return m.instant }

// SiderealDeg is the apparent sidereal time at a longitude (east positive),
// degrees, 0 to 360.
func (m *Moment) SiderealDeg(lonDeg float64) float64 {
	return astro.Turn360(m.gast/radPerDeg + lonDeg)
}

// precessionMatrix has the columns into which the axes of J2000 precess.
func precessionMatrix(epoch float64) [3]r3.Vec {
	p := precess.NewPrecessor(2000, epoch)
	var columns [3]r3.Vec
	for i, axis := range [3]coord.Equatorial{{RA: 0}, {RA: unit.RA(math.Pi / 2)}, {Dec: math.Pi / 2}} {
		p.Precess(&axis, &axis)
		columns[i] = unitVec(axis.RA.Rad(), axis.Dec.Rad())
	}
	x, y, z := columns[0], columns[1], columns[2]
	return [3]r3.Vec{{X: x.X, Y: y.X, Z: z.X}, {X: x.Y, Y: y.Y, Z: z.Y}, {X: x.Z, Y: y.Z, Z: z.Z}}
}

// nutated turns a matrix that ends at the mean equator and equinox on to the
// true ones: about x by the mean obliquity, about z by the nutation in longitude,
// back about x by the true obliquity.
func nutated(mean [3]r3.Vec, sinMean, cosMean, inLongitude, sinTrue, cosTrue float64) [3]r3.Vec {
	sin, cos := math.Sincos(inLongitude)
	ecl := [3]r3.Vec{
		mean[0],
		r3.Add(r3.Scale(cosMean, mean[1]), r3.Scale(sinMean, mean[2])),
		r3.Sub(r3.Scale(cosMean, mean[2]), r3.Scale(sinMean, mean[1])),
	}
	x := r3.Sub(r3.Scale(cos, ecl[0]), r3.Scale(sin, ecl[1]))
	y := r3.Add(r3.Scale(sin, ecl[0]), r3.Scale(cos, ecl[1]))
	return [3]r3.Vec{
		x,
		r3.Sub(r3.Scale(cosTrue, y), r3.Scale(sinTrue, ecl[2])),
		r3.Add(r3.Scale(sinTrue, y), r3.Scale(cosTrue, ecl[2])),
	}
}

func unitVec(ra, dec float64) r3.Vec {
	sinRA, cosRA := math.Sincos(ra)
	sinDec, cosDec := math.Sincos(dec)
	return r3.Vec{X: cosDec * cosRA, Y: cosDec * sinRA, Z: sinDec}
}

func rotated(rows [3]r3.Vec, v r3.Vec) r3.Vec {
	return r3.Vec{X: r3.Dot(rows[0], v), Y: r3.Dot(rows[1], v), Z: r3.Dot(rows[2], v)}
}

func transposed(rows [3]r3.Vec, v r3.Vec) r3.Vec {
	return r3.Add(r3.Add(r3.Scale(v.X, rows[0]), r3.Scale(v.Y, rows[1])), r3.Scale(v.Z, rows[2]))
}
