package estimator

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// The filter works on fixed-size arrays: general matrices would allocate and
// cost several times its budget per sample.
type vec3 [3]float64

type mat3 [3]vec3

func fromR3(v r3.Vec) vec3 { return vec3{v.X, v.Y, v.Z} }

func (v *vec3) norm2() float64 { return v[0]*v[0] + v[1]*v[1] + v[2]*v[2] }

func (m *mat3) mul(v *vec3) vec3 {
	return vec3{
		m[0][0]*v[0] + m[0][1]*v[1] + m[0][2]*v[2],
		m[1][0]*v[0] + m[1][1]*v[1] + m[1][2]*v[2],
		m[2][0]*v[0] + m[2][1]*v[1] + m[2][2]*v[2],
	}
}

func cross(a, b *vec3) vec3 {
	return vec3{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func square(x float64) float64 { return x * x }

// rotation is the matrix of the unit quaternion q: v_E = R v_sensor.
func rotation(q quat.Number) mat3 {
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	return mat3{
		{1 - 2*(y*y+z*z), 2 * (x*y - w*z), 2 * (x*z + w*y)},
		{2 * (x*y + w*z), 1 - 2*(x*x+z*z), 2 * (y*z - w*x)},
		{2 * (x*z - w*y), 2 * (y*z + w*x), 1 - 2*(x*x+y*y)},
	}
}

// turnBy is the unit quaternion of the rotation vector (x, y, z) in radians.
func turnBy(x, y, z float64) quat.Number {
	h2 := (x*x + y*y + z*z) / 4
	var c, s float64
	if h2 < 0.01 {
		// Series of cos and sin(h)/h to h^6: better than 1e-11 here.
		c = 1 - h2/2*(1-h2/12*(1-h2/30))
		s = 0.5 * (1 - h2/6*(1-h2/20*(1-h2/42)))
	} else {
		h := math.Sqrt(h2)
		c = math.Cos(h)
		s = 0.5 * math.Sin(h) / h
	}
	return quat.Number{Real: c, Imag: s * x, Jmag: s * y, Kmag: s * z}
}

// unit brings a quaternion that is nearly of length 1 back to it.
func unit(q quat.Number) quat.Number {
	n := q.Real*q.Real + q.Imag*q.Imag + q.Jmag*q.Jmag + q.Kmag*q.Kmag
	if n > 0.99 && n < 1.01 {
		return quat.Scale(1.5-0.5*n, q)
	}
	return quat.Scale(1/math.Sqrt(n), q)
}

// levelled is the shortest turn that brings the vector a to the vertical.
func levelled(a *vec3) quat.Number {
	h := math.Hypot(a[0], a[1])
	if h == 0 {
		if a[2] >= 0 {
			return quat.Number{Real: 1}
		}
		return quat.Number{Imag: 1}
	}
	angle := math.Atan2(h, a[2])
	return turnBy(angle*a[1]/h, -angle*a[0]/h, 0)
}
