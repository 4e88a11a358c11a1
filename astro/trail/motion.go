package trail

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// Star is a place in the night sky by hour angle (west positive) and declination.
type Star struct {
	HourAngleDeg float64
	DecDeg       float64 // star declination
}

// The frame of this file: x where the meridian crosses the equator, y in the
// east, z at the northern celestial pole. The night sky turns about -z.

func (s Star) vec() r3.Vec {
	sh, ch := math.Sincos(s.HourAngleDeg * math.Pi / 180)
	sd, cd := math.Sincos(s.DecDeg * math.Pi / 180)
	return r3.Vec{X: cd * ch, Y: -cd * sh, Z: sd}
}

// north and east are the unit vectors of growing declination and of growing
// right ascension at the star.
func (s Star) north() r3.Vec {
	sh, ch := math.Sincos(s.HourAngleDeg * math.Pi / 180)
	sd, cd := math.Sincos(s.DecDeg * math.Pi / 180)
	return r3.Vec{X: -sd * ch, Y: sd * sh, Z: cd}
}

func (s Star) east() r3.Vec {
	sh, ch := math.Sincos(s.HourAngleDeg * math.Pi / 180)
	return r3.Vec{X: sh, Y: ch}
}

// axis is the northern end of the tracker's axis: the elevated end is led from
// its pole by the size of the error, towards the zenith (+x) and the east (+y).
func (e Error) axis(hemisphere astro.Hemisphere) r3.Vec {
	up, east := e.HighArcmin*radPerArcmin, e.EastArcmin*radPerArcmin
	rho := math.Hypot(up, east)
	v := r3.Vec{Z: math.Cos(rho)}
	if rho > 0 {
		k := math.Sin(rho) / rho
		v.X, v.Y = k*up, k*east
	}
	if hemisphere == astro.South {
		v.X, v.Y = -v.X, -v.Y
	}
	return v
}

// Rates is how a star drifts in the camera at one moment.
type Rates struct {
	NorthArcsecPerMin float64 // towards growing declination
	EastArcsecPerMin  float64 // towards growing right ascension, arc on the night sky
	// RotationArcsecPerMin is the field's own rotation about the star, position
	// angle from north through east; with the tracker alone, and with a guider that
	// holds this star.
	RotationArcsecPerMin       float64
	GuidedRotationArcsecPerMin float64
}

// RatesAt is the drift of a star against the camera, exact at the moment: seen
// from the camera the night sky turns with w (axis - pole). For small errors it is
// formulas (1) to (4) of polar_error.md. The guided rotation has no meaning at a
// pole, where it is NaN.
func RatesAt(e Error, hemisphere astro.Hemisphere, s Star) Rates {
	a := e.axis(hemisphere)
	a.Z -= 1
	v := s.vec()
	const perMin = siderealRadPerS * 60 * (180 * 3600 / math.Pi)
	motion := r3.Cross(a, v)
	east := r3.Dot(motion, s.east())
	// Turning about the line of sight with +w moves north towards west.
	rotation := -r3.Dot(a, v)
	r := Rates{
		NorthArcsecPerMin:    perMin * r3.Dot(motion, s.north()),
		EastArcsecPerMin:     perMin * east,
		RotationArcsecPerMin: perMin * rotation,
	}
	// The guider turns the camera about the pole by -east/cos(dec), which turns
	// the field by sin(dec) of that.
	sd, cd := math.Sincos(s.DecDeg * math.Pi / 180)
	r.GuidedRotationArcsecPerMin = math.NaN()
	if math.Abs(cd) > 1e-9 {
		r.GuidedRotationArcsecPerMin = perMin * (rotation + east*sd/cd)
	}
	return r
}

// Motion is how far a star has moved in the camera since a moment.
type Motion struct {
	NorthArcsec    float64
	EastArcsec     float64
	RotationArcsec float64 // of the field about the star, from north through east
}

// Length is the way as the crow flies, arcseconds.
func (m Motion) Length() float64 { return math.Hypot(m.NorthArcsec, m.EastArcsec) }

// Moved is the motion of a star against the camera in a time, exact for any
// error and any time up to a day; s is the star's place at the beginning. North
// and east are those of the beginning.
func Moved(e Error, hemisphere astro.Hemisphere, s Star, seconds float64) Motion {
	turn := relativeTurn(e, hemisphere, seconds)
	v0, north, east := s.vec(), s.north(), s.east()
	v1 := turn.Rotate(v0)
	along := r3.Dot(v1, v0)
	const arcsec = 180 * 3600 / math.Pi
	dn, de := r3.Dot(v1, north), r3.Dot(v1, east)
	k := arcsec
	if sin := math.Hypot(dn, de); sin > 0 { // length of the arc, not of its shadow
		k *= math.Atan2(sin, along) / sin
	}
	// The star's north, carried back along the arc, against north at the start.
	n1 := turn.Rotate(north)
	if cross := r3.Cross(v1, v0); r3.Norm(cross) > 1e-15 {
		n1 = r3.NewRotation(math.Atan2(r3.Norm(cross), along), cross).Rotate(n1)
	}
	return Motion{
		NorthArcsec:    k * dn,
		EastArcsec:     k * de,
		RotationArcsec: arcsec * math.Atan2(r3.Dot(n1, east), r3.Dot(n1, north)),
	}
}

// relativeTurn takes a star's direction at the beginning to its direction in the
// camera's frame after a time: back with the night sky, forth with the camera.
func relativeTurn(e Error, hemisphere astro.Hemisphere, seconds float64) r3.Rotation {
	angle := siderealRadPerS * seconds
	sky := r3.NewRotation(-angle, r3.Vec{Z: 1})
	camera := r3.NewRotation(angle, e.axis(hemisphere))
	return compose(camera, sky)
}
