package pole

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

const radPerDeg = math.Pi / 180

// Offset is how far a star stands from a direction, in arcminutes of great
// circle, and towards where: the position angle in degrees, 0 to 360, clockwise
// from "up" (towards the zenith) as the naked eye sees it, which has growing
// azimuth on its right whichever way it faces. At the zenith "up" goes on along
// the meridian of the azimuth given.
func Offset(from, star astro.Direction) (arcmin, positionAngleDeg float64) {
	x, y := tangent(from).of(star.Vec())
	return math.Hypot(x, y) / radPerDeg * 60, astro.Turn360(math.Atan2(x, y) / radPerDeg)
}

// sight is a line of sight with the directions to its right and up.
type sight struct{ forward, right, up r3.Vec }

func tangent(d astro.Direction) sight {
	sinAz, cosAz := math.Sincos(d.AzDeg * radPerDeg)
	sinAlt, cosAlt := math.Sincos(d.AltDeg * radPerDeg)
	return sight{
		forward: r3.Vec{X: cosAlt * sinAz, Y: cosAlt * cosAz, Z: sinAlt},
		right:   r3.Vec{X: cosAz, Y: -sinAz},
		up:      r3.Vec{X: -sinAlt * sinAz, Y: -sinAlt * cosAz, Z: cosAlt},
	}
}

// of is where a direction lies about the sight, radians right and up: distance
// and direction are true on the night sky (azimuthal equidistant).
func (s sight) of(v r3.Vec) (x, y float64) {
	x, y = r3.Dot(v, s.right), r3.Dot(v, s.up)
	sin := math.Hypot(x, y)
	if sin == 0 {
		if r3.Dot(v, s.forward) < 0 { // straight behind: any side will do
			return 0, math.Pi
		}
		return 0, 0
	}
	k := math.Atan2(sin, r3.Dot(v, s.forward)) / sin
	return k * x, k * y
}

// at is the inverse of of.
func (s sight) at(x, y float64) r3.Vec {
	rho := math.Hypot(x, y)
	if rho == 0 {
		return s.forward
	}
	sin, cos := math.Sincos(rho)
	return r3.Add(r3.Scale(cos, s.forward), r3.Scale(sin/rho, r3.Add(r3.Scale(x, s.right), r3.Scale(y, s.up))))
}

// hemisphereOf tells which pole a direction near it belongs to.
func hemisphereOf(aim astro.Direction) astro.Hemisphere {
	if math.Abs(astro.Turn180(aim.AzDeg)) > 90 {
		return astro.South
	}
	return astro.North
}
