package estimator

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// sinceAxis is the Jacobian for an error of the specific force that was there
// already when the axis was found by turning the head.
//
// An offset o, fixed in the board, shows up = u + o across u, over g. Seen from
// the turning head u runs on a cone about the axis n, and the least squares
// fit of n·up = constant (calib.FitAxis) ends where the part of o across n is
// taken for a tilt of the axis: n' = n + sin(altitude)·o across n, over g. The
// altitude, angle between n' and up, then keeps only the error of o along n,
// and of the azimuth's the part that comes from the axis moving sideways is
// added here.
func (j *jacobian) sinceAxis(up r3.Vec) jacobian {
	out := *j
	g, r := r3.Norm(up), math.Hypot(up.Y, up.Z)
	if g == 0 || r < 1e-3*g {
		return out
	}
	s := up.X / (g * g) / degree // degrees of axis per m/s² of offset
	y, z := up.Y/r, up.Z/r
	out[0][1] += s * y
	out[0][2] += s * z
	// Left of the axis is (z, -y) in body y, z; azimuth counts to the right.
	cos := r / g
	out[1][1] -= s * z / cos
	out[1][2] += s * y / cos
	return out
}
