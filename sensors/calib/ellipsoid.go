package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// ellipsoid is |m (raw − centre)| = 1.
type ellipsoid struct {
	centre r3.Vec
	m      Mat3 // symmetric, positive definite; 1/µT
}

// radius is the geometric mean of the semi-axes.
func (e *ellipsoid) radius() float64 { return math.Pow(e.m.det(), -1.0/3) }

// algebraicEllipsoid fits the quadric xᵀQx + 2bᵀx + c = 0, the trace of Q kept
// at 3, by linear least squares. With the trace fixed, Q = 1 + Q0 where Q0 has
// five free entries, and |x|² = −xᵀQ0x − 2bᵀx − c is linear in all nine
// unknowns. Where the points do not lie on an ellipsoid a sphere is fitted
// (Q0 = 0); ok is false when not even that is possible. The result is a start
// for the maximum-likelihood fit: noise biases it.
func algebraicEllipsoid(pts []r3.Vec) (e ellipsoid, ok bool) {
	var mean r3.Vec
	for _, p := range pts {
		mean = r3.Add(mean, r3.Scale(1/float64(len(pts)), p))
	}
	var size float64
	for _, p := range pts {
		size += r3.Norm2(r3.Sub(p, mean))
	}
	size = math.Sqrt(size / float64(len(pts)))
	if !(size > 0) || math.IsInf(size, 0) {
		return e, false
	}
	for _, first := range []int{0, 5} {
		q := newNormal(9)
		for _, p := range pts {
			x := r3.Scale(1/size, r3.Sub(p, mean))
			row := [9]float64{x.X*x.X - x.Z*x.Z, x.Y*x.Y - x.Z*x.Z, 2 * x.X * x.Y, 2 * x.X * x.Z, 2 * x.Y * x.Z, 2 * x.X, 2 * x.Y, 2 * x.Z, 1}
			q.add(first, row[first:], r3.Norm2(x), 1)
		}
		v, solved := q.solveFrom(first)
		if !solved {
			continue
		}
		sym := mat.NewSymDense(3, []float64{1 + v[0], v[2], v[3], v[2], 1 + v[1], v[4], v[3], v[4], 1 - v[0] - v[1]})
		if e, ok = fromQuadric(sym, r3.Vec{X: v[5], Y: v[6], Z: v[7]}, v[8]); ok {
			e.centre = r3.Add(mean, r3.Scale(size, e.centre))
			for i := range e.m {
				e.m[i] /= size
			}
			return e, true
		}
	}
	return e, false
}

// solveFrom solves for the nine parameters from first on; the others stay 0.
func (q *normal) solveFrom(first int) (v [9]float64, ok bool) {
	n := q.n - first
	s := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			s.SetSym(i, j, q.h[(first+i)*q.n+first+j])
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(s) || ch.Cond() > 1e12 {
		return v, false
	}
	var x mat.VecDense
	if err := ch.SolveVecTo(&x, mat.NewVecDense(n, q.g[first:])); err != nil {
		return v, false
	}
	for i := range n {
		v[first+i] = -x.AtVec(i)
	}
	return v, true
}

// fromQuadric brings a quadric to the form |m (x − centre)| = 1.
func fromQuadric(q *mat.SymDense, b r3.Vec, c float64) (ellipsoid, bool) {
	var eig mat.EigenSym
	if !eig.Factorize(q, true) {
		return ellipsoid{}, false
	}
	val := eig.Values(nil)
	var vec mat.Dense
	eig.VectorsTo(&vec)
	// An axis ratio beyond 3 is no magnetometer but too poor a coverage.
	if val[0] <= 0 || val[2] > 9*val[0] {
		return ellipsoid{}, false
	}
	spread := func(f func(float64) float64) Mat3 {
		var m Mat3
		for i := range 3 {
			for j := range 3 {
				for k := range 3 {
					m[3*i+j] += vec.At(i, k) * f(val[k]) * vec.At(j, k)
				}
			}
		}
		return m
	}
	inv := spread(func(l float64) float64 { return 1 / l })
	centre := r3.Scale(-1, inv.Apply(b))
	r2 := -c - r3.Dot(b, centre)
	if !(r2 > 0) {
		return ellipsoid{}, false
	}
	return ellipsoid{centre: centre, m: spread(func(l float64) float64 { return math.Sqrt(l / r2) })}, true
}
