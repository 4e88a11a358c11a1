package pole

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// siderealRadPerS is the Earth's rotation against the stars (IERS Conventions
// 2010, table 1.1).
const siderealRadPerS = 7.292115e-5

// DriftReading is how fast a star moves in a camera or an eyepiece on the running
// tracker, without guiding, about the middle of the measurement.
type DriftReading struct {
	HourAngleDeg float64 // west positive, at the middle of the measurement
	DecDeg       float64 // star declination, apparent
	// North is towards growing star declination, East towards growing right
	// ascension, arc on the night sky. A sigma of 0 says that this one was not measured.
	NorthArcsecPerMin float64
	NorthSigma        float64 // arcsec per minute, 1 sigma
	EastArcsecPerMin  float64
	EastSigma         float64
	Label             string
}

// DriftSetup is what the readings share.
type DriftSetup struct {
	Site astro.Site
	Air  astro.Air // astro.NoAir leaves the drift of refraction out
	Aim  astro.Direction
	// RateSigmaArcsecPerMin is how well the drive keeps sidereal rate: an error
	// of the drive moves all stars east or west, as an error of the axis does. 1
	// sigma at the equator; 0 trusts the drive.
	RateSigmaArcsecPerMin float64
}

// FromDrift finds the axis from the drift of stars. Two readings some hours
// apart in hour angle, of the drift in declination, are enough. The stars move as
// the air shows them (astro.Refraction), so the axis is the true one above the
// horizon; its error counts from the aim. Signs: polar_error.md (1) and (2),
// exact for large errors.
func FromDrift(setup DriftSetup, readings []DriftReading) (Fix, error) {
	if err := setup.Site.Validate(); err != nil {
		return Fix{}, err
	}
	if err := setup.Air.Validate(); err != nil {
		return Fix{}, err
	}
	if s := setup.RateSigmaArcsecPerMin; !sigmaOrNone(s) || s > 60 {
		return Fix{}, fmt.Errorf("sigma of the drive's rate %v arcsec a minute: give 0 to 60", s)
	}
	if len(readings) == 0 {
		return Fix{}, &Degenerate{"no drift was measured", "measure the drift in declination of a star near the meridian and of one low in the east or west"}
	}
	const perMin = siderealRadPerS * 60 / (radPerDeg / 3600) // arcsec a minute for 1 radian of axis
	base := tangent(setup.Aim)
	sinLat, cosLat := math.Sincos(setup.Site.LatDeg * radPerDeg)
	northPole := r3.Vec{Y: cosLat, Z: sinLat}
	sign := 1.0
	if hemisphereOf(setup.Aim) == astro.South {
		sign = -1
	}
	f := fit{start: make([]float64, 2)}
	if setup.RateSigmaArcsecPerMin > 0 {
		f.start = append(f.start, 0)
		f.priorWeight = []float64{0, 0, perMin / setup.RateSigmaArcsecPerMin}
	}
	refraction := setup.Air.Refraction()
	labels := make([]string, len(readings))
	for i, r := range readings {
		labels[i] = r.Label
		if r.Label == "" {
			labels[i] = fmt.Sprintf("reading %d", i+1)
		}
		if err := r.check(); err != nil {
			return Fix{}, fmt.Errorf("%s: %w", labels[i], err)
		}
		seen, motion, visible := apparentMotion(setup.Site.LatDeg, refraction, r)
		if !visible {
			return Fix{}, fmt.Errorf("%s: hour angle %v°, declination %v° is below the horizon: check both, or the site", labels[i], r.HourAngleDeg, r.DecDeg)
		}
		north := r3.Sub(northPole, r3.Scale(r3.Dot(northPole, seen), seen))
		cosDec := r3.Norm(north)
		if cosDec < 1e-4 {
			return Fix{}, fmt.Errorf("%s: a star at the pole has no north and east: measure another", labels[i])
		}
		north = r3.Scale(1/cosDec, north)
		east := r3.Cross(north, seen)
		size := 0
		if r.NorthSigma > 0 {
			size++
		}
		if r.EastSigma > 0 {
			size++
		}
		f.groups = append(f.groups, group{size: size, residual: func(p, out []float64) {
			axis := r3.Scale(sign, base.at(p[1], p[0])) // its northern end
			v := r3.Add(motion, r3.Cross(axis, seen))   // in units of the sidereal rate
			k := 0
			if r.NorthSigma > 0 {
				out[k] = (r.NorthArcsecPerMin - perMin*r3.Dot(v, north)) / r.NorthSigma
				k++
			}
			if r.EastSigma > 0 {
				drift := perMin * r3.Dot(v, east)
				if len(p) > 2 {
					drift += perMin * p[2] * cosDec
				}
				out[k] = (r.EastArcsecPerMin - drift) / r.EastSigma
			}
		}})
		f.used = append(f.used, true)
	}
	return f.run(base, setup.Aim, labels, func(weak [2]float64, sigma float64) *Degenerate {
		return driftAdvice(weak, sigma)
	})
}

func (r DriftReading) check() error {
	in := func(v, limit float64) bool { return math.Abs(v) <= limit }
	switch {
	case !in(r.HourAngleDeg, 360):
		return fmt.Errorf("hour angle %v°: give -180 to 180, west positive", r.HourAngleDeg)
	case !in(r.DecDeg, 90):
		return fmt.Errorf("star declination %v°: give -90 to 90", r.DecDeg)
	case !sigmaOrNone(r.NorthSigma) || !sigmaOrNone(r.EastSigma):
		return fmt.Errorf("sigmas %v and %v: give 0.0001 to 10000 arcsec per minute, 0 for a drift that was not measured", r.NorthSigma, r.EastSigma)
	case r.NorthSigma == 0 && r.EastSigma == 0:
		return fmt.Errorf("no sigma: give that of the drift to the north, to the east, or both")
	case r.NorthSigma > 0 && !in(r.NorthArcsecPerMin, 900), r.EastSigma > 0 && !in(r.EastArcsecPerMin, 900):
		return fmt.Errorf("drift %v north, %v east: give arcsec per minute, at most 900", r.NorthArcsecPerMin, r.EastArcsecPerMin)
	}
	return nil
}

func sigmaOrNone(s float64) bool { return s == 0 || s >= 1e-4 && s <= 1e4 }

// apparentMotion is where the air shows a star (east, north, up) and how that
// moves above the horizon, in units of the sidereal rate.
func apparentMotion(latDeg float64, refraction astro.Refraction, r DriftReading) (seen, motion r3.Vec, visible bool) {
	const step = 0.1 // degrees of hour angle
	at := func(hourAngleDeg float64) r3.Vec {
		d := horizontal(latDeg, hourAngleDeg, r.DecDeg)
		alt, ok := refraction.Apparent(d.AltDeg)
		visible = visible && ok
		d.AltDeg = alt
		return d.Vec()
	}
	visible = true
	before, after := at(r.HourAngleDeg-step), at(r.HourAngleDeg+step)
	seen = at(r.HourAngleDeg)
	return seen, r3.Scale(1/(2*step*radPerDeg), r3.Sub(after, before)), visible
}

// horizontal is the direction above the horizon of an hour angle and a star
// declination, without air.
func horizontal(latDeg, hourAngleDeg, decDeg float64) astro.Direction {
	sinLat, cosLat := math.Sincos(latDeg * radPerDeg)
	sinH, cosH := math.Sincos(hourAngleDeg * radPerDeg)
	sinDec, cosDec := math.Sincos(decDeg * radPerDeg)
	return astro.DirectionOf(r3.Vec{
		X: -cosDec * sinH,
		Y: sinDec*cosLat - cosDec*cosH*sinLat,
		Z: sinDec*sinLat + cosDec*cosH*cosLat,
	})
}

// driftAdvice names the star that would fix the weak direction (up, right): by
// (1) the drift in declination shows u sin H + e cos H.
func driftAdvice(weak [2]float64, sigma float64) *Degenerate {
	if weak == [2]float64{} {
		return &Degenerate{"the readings cannot tell the axis from the drive's rate", "add drifts in declination, of stars on the meridian and in the east or west"}
	}
	uncertain := "the readings leave one direction of the axis open"
	if !math.IsInf(sigma, 1) {
		uncertain = fmt.Sprintf("the readings fix one direction of the axis only to %.1f°", sigma/radPerDeg)
	}
	if math.Abs(weak[0]) > math.Abs(weak[1]) {
		return &Degenerate{uncertain + ", mostly its altitude", "measure the drift in declination of a star in the east or west, about six hours from the meridian"}
	}
	return &Degenerate{uncertain + ", mostly its azimuth", "measure the drift in declination of a star near the meridian"}
}
