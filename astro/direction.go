package astro

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Direction is where something stands above a site.
type Direction struct {
	AzDeg  float64 `json:"azimuth_deg"`  // from true north through east, 0 to 360
	AltDeg float64 `json:"altitude_deg"` // above the horizon, -90 to 90
}

// Vec is the direction as a unit vector east, north, up.
func (d Direction) Vec() r3.Vec {
	sinAz, cosAz := math.Sincos(d.AzDeg * (math.Pi / 180))
	sinAlt, cosAlt := math.Sincos(d.AltDeg * (math.Pi / 180))
	return r3.Vec{X: cosAlt * sinAz, Y: cosAlt * cosAz, Z: sinAlt}
}

// DirectionOf is the direction of an east, north, up vector of any length but
// zero. Straight up or down has azimuth 0.
func DirectionOf(v r3.Vec) Direction {
	return Direction{AzDeg: Turn360(math.Atan2(v.X, v.Y) * (180 / math.Pi)), AltDeg: math.Atan2(v.Z, math.Hypot(v.X, v.Y)) * (180 / math.Pi)}
}

// Separation is the angle between two directions, degrees, 0 to 180; good to
// 1e-13 at any angle.
func Separation(a, b Direction) float64 {
	va, vb := a.Vec(), b.Vec()
	return math.Atan2(r3.Norm(r3.Cross(va, vb)), r3.Dot(va, vb)) * (180 / math.Pi)
}

// Turn360 brings an angle in degrees into 0 up to, but without, 360.
func Turn360(deg float64) float64 {
	if deg >= 0 && deg < 360 {
		return deg
	}
	deg = math.Mod(deg, 360)
	if deg < 0 {
		deg += 360
	}
	if deg >= 360 { // a tiny negative angle rounds up to a full turn
		return 0
	}
	return deg
}

// Turn180 brings an angle in degrees into -180 up to, but without, 180.
func Turn180(deg float64) float64 { return Turn360(deg+180) - 180 }
