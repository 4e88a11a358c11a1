package calib

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Rotated is the same correction in other axes: it takes readings that were
// turned by r and gives what a gave, turned by r. The rows of r are the new axes
// in the old ones; r must be a rotation. It is exact.
func (a Affine) Rotated(r Mat3) Affine {
	turn := func(v r3.Vec) r3.Vec { return r.Apply(v) }
	out := a
	out.Offset, out.TempSlope = turn(a.Offset), turn(a.TempSlope)
	// The sigmas of the slope are taken as independent: turned as variances.
	out.TempSlopeSigma = turnedSigma(&r, a.TempSlopeSigma)
	rt := Mat3{r[0], r[3], r[6], r[1], r[4], r[7], r[2], r[5], r[8]}
	rm := r.mul(&a.Matrix)
	out.Matrix = rm.mul(&rt)
	// The coefficients turn linearly: offset by r, the matrix by r on both sides.
	var t Cov12
	for i := range 3 {
		for k := range 3 {
			t[i][k] = r[3*i+k]
			for m := range 3 {
				for n := range 3 {
					t[3+3*i+k][3+3*m+n] = r[3*i+m] * r[3*k+n]
				}
			}
		}
	}
	var tc Cov12
	for i := range 12 {
		for k := range 12 {
			for m := range 12 {
				tc[i][k] += t[i][m] * a.Cov[m][k]
			}
		}
	}
	for i := range 12 {
		for k := range 12 {
			var s float64
			for m := range 12 {
				s += tc[i][m] * t[k][m]
			}
			out.Cov[i][k] = s
		}
	}
	return out
}

func turnedSigma(r *Mat3, s r3.Vec) r3.Vec {
	v := [3]float64{s.X * s.X, s.Y * s.Y, s.Z * s.Z}
	var out [3]float64
	for i := range 3 {
		for k := range 3 {
			out[i] += r[3*i+k] * r[3*i+k] * v[k]
		}
	}
	return r3.Vec{X: math.Sqrt(out[0]), Y: math.Sqrt(out[1]), Z: math.Sqrt(out[2])}
}
