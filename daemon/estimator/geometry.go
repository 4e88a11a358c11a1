package estimator

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Pose is the attitude of the tracker's axis, degrees. Azimuth is counted from
// the north that the field vector shows (magnetic), through east, 0 to 360.
type Pose struct {
	AltitudeDeg, AzimuthDeg, RollDeg float64
}

// zenithLimitDeg is how near the zenith the axis may stand before its azimuth
// and roll mean nothing.
const zenithLimitDeg = 89.5

const degree = math.Pi / 180

// tilt gives altitude and roll, degrees, of a body whose up direction (specific
// force at rest) is up in body axes. Geometry: the axis is body x, so
// sin(altitude) = up.x; the roll turns body z out of the vertical plane.
func tilt(up r3.Vec) (altitudeDeg, rollDeg float64) {
	altitudeDeg = math.Atan2(up.X, math.Hypot(up.Y, up.Z)) / degree
	rollDeg = math.Atan2(up.Y, up.Z) / degree
	return
}

// heading gives the azimuth of body x from the horizontal part of field,
// degrees 0 to 360. east = field × up, north = up × east: the tilt-compensated
// compass written with vectors, so that no angle order is involved.
func heading(up, field r3.Vec) float64 {
	east := r3.Cross(field, up)
	north := r3.Cross(up, east)
	// |north| = |up|·|east|: bring both to the same length.
	e := east.X * r3.Norm(up)
	return wrap360(math.Atan2(e, north.X) / degree)
}

// PoseOf is the pose of a body at rest: up is its specific force, field the
// magnetic field, both in body axes and any unit.
func PoseOf(up, field r3.Vec) Pose {
	alt, roll := tilt(up)
	return Pose{AltitudeDeg: alt, AzimuthDeg: heading(up, field), RollDeg: roll}
}

// jacobian of (altitude, azimuth, roll) in degrees with respect to up and field
// in their own units, by central differences; rows altitude, azimuth, roll.
type jacobian [3][6]float64

func poseJacobian(up, field r3.Vec) jacobian {
	var j jacobian
	hu, hf := 1e-6*r3.Norm(up), 1e-6*r3.Norm(field)
	unit := [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}
	for k := range 3 {
		du := r3.Scale(hu, unit[k])
		ap, rp := tilt(r3.Add(up, du))
		am, rm := tilt(r3.Sub(up, du))
		j[0][k] = (ap - am) / (2 * hu)
		j[2][k] = wrap180(rp-rm) / (2 * hu)
		if hf == 0 {
			continue
		}
		j[1][k] = wrap180(heading(r3.Add(up, du), field)-heading(r3.Sub(up, du), field)) / (2 * hu)
		df := r3.Scale(hf, unit[k])
		j[1][3+k] = wrap180(heading(up, r3.Add(field, df))-heading(up, r3.Sub(field, df))) / (2 * hf)
	}
	return j
}

// Cov3 is a symmetric 3x3 covariance.
type Cov3 [3][3]float64

// Isotropic is the covariance of a vector with the same sigma on each axis.
func Isotropic(sigma float64) Cov3 {
	v := sigma * sigma
	return Cov3{{v, 0, 0}, {0, v, 0}, {0, 0, v}}
}

// Diagonal is the covariance of independent axes with the given variances.
func Diagonal(v r3.Vec) Cov3 {
	return Cov3{{v.X, 0, 0}, {0, v.Y, 0}, {0, 0, v.Z}}
}

// sigmas propagates independent covariances of up and field to 1 sigma of
// altitude, azimuth and roll in degrees. The same up error enters altitude and
// azimuth through one Jacobian, so tilt and heading stay correlated.
func (j *jacobian) sigmas(up, field *Cov3) [3]float64 {
	var out [3]float64
	for r := range 3 {
		out[r] = math.Sqrt(quadratic(j[r][0:3], up) + quadratic(j[r][3:6], field))
	}
	return out
}

func quadratic(g []float64, c *Cov3) float64 {
	if c == nil {
		return 0
	}
	var s float64
	for a := range 3 {
		for b := range 3 {
			s += g[a] * c[a][b] * g[b]
		}
	}
	return max(s, 0)
}

func wrap360(d float64) float64 {
	d = math.Mod(d, 360)
	if d < 0 {
		d += 360
	}
	if d >= 360 {
		d = 0
	}
	return d
}

func wrap180(d float64) float64 {
	d = math.Mod(d, 360)
	switch {
	case d > 180:
		return d - 360
	case d <= -180:
		return d + 360
	}
	return d
}
