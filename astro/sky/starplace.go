package sky

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Star is one row of the embedded lists: ICRS, equinox and epoch J2000.0.
type Star struct {
	HIP         int    // Hipparcos number, 0 when it has none
	TYC         string // Tycho number, empty for the bright list
	Name        string // proper name, may be empty
	Designation string // Bayer or variable-star name such as "σ Oct", may be empty
	RADeg       float64
	DecDeg      float64
	PMRA        float64 // proper motion in right ascension times cos(dec), mas a year
	PMDec       float64 // mas a year
	ParallaxMas float64 // 0: not known, or too small to matter
	RVKms       float64 // radial velocity, km/s, away positive
	VMag        float64 // Johnson V; the brightest value of variables
	BV          float64 // colour B-V

	place  r3.Vec // unit vector of J2000
	motion r3.Vec // its change, radians a year
}

const (
	masPerRad = 180 * 3600 * 1000 / math.Pi
	// auPerYearPerKms turns km/s into au a Julian year: IAU 2012 resolution B2 (au)
	// and 365.25 days.
	auPerYearPerKms = 365.25 * 86400 / 149597870.7
)

// prepare fills the vectors. The motion is that of a straight way through space
// (Meeus, ch. 21, "rigorous" proper motion): sidewards by the proper motion,
// along by the radial velocity at the parallax's distance.
func (s *Star) prepare() {
	sinRA, cosRA := math.Sincos(s.RADeg * radPerDeg)
	sinDec, cosDec := math.Sincos(s.DecDeg * radPerDeg)
	s.place = r3.Vec{X: cosDec * cosRA, Y: cosDec * sinRA, Z: sinDec}
	east := r3.Vec{X: -sinRA, Y: cosRA}
	north := r3.Vec{X: -sinDec * cosRA, Y: -sinDec * sinRA, Z: cosDec}
	along := s.RVKms * auPerYearPerKms * s.ParallaxMas / masPerRad
	s.motion = r3.Add(r3.Add(r3.Scale(s.PMRA/masPerRad, east), r3.Scale(s.PMDec/masPerRad, north)), r3.Scale(along, s.place))
}

// Label is the shortest name that a person would use: proper name, designation
// or catalogue number.
func (s *Star) Label() string {
	switch {
	case s.Name != "":
		return s.Name
	case s.Designation != "":
		return s.Designation
	}
	return s.ID()
}

// Apparent is the geocentric apparent place of the star as a unit vector, true
// equator and equinox of date: proper motion, parallax and aberration with the
// Earth's velocity, precession, nutation. Within 0.1 arcsec of ERFA (IAU
// 2006/2000A) from 2000 to 2050 but for stars within 5° of the Sun, whose light
// the Sun bends by up to 0.1 arcsec and, at its limb, 1.75.
func (m *Moment) Apparent(s *Star) r3.Vec {
	v := r3.Add(s.place, r3.Scale(m.years, s.motion))
	v = r3.Add(v, r3.Scale(s.ParallaxMas/masPerRad, m.toSun))
	return rotated(m.toDate, aberrated(r3.Unit(v), m.velocity))
}

// aberrated turns the direction of light towards the Earth's motion (in units
// of light's speed): special relativity to the second order.
func aberrated(v, velocity r3.Vec) r3.Vec {
	return r3.Unit(r3.Add(v, r3.Scale(1+r3.Dot(v, velocity)/2, velocity)))
}
