package calib

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// normal gathers the weighted normal equations of a least-squares problem:
// h = Σ w jᵀj, g = Σ w jᵀr, cost = Σ w r².
type normal struct {
	n    int
	h    []float64 // row-major, upper triangle
	g    []float64
	cost float64
}

func newNormal(n int) *normal { return &normal{n: n, h: make([]float64, n*n), g: make([]float64, n)} }

func (q *normal) reset() {
	clear(q.h)
	clear(q.g)
	q.cost = 0
}

// add takes one residual r with weight w, whose derivatives by the parameters
// from first on are j; by the others they are zero.
func (q *normal) add(first int, j []float64, r, w float64) {
	q.cost += w * r * r
	for a, ja := range j {
		wj := w * ja
		i := first + a
		q.g[i] += wj * r
		rest := j[a:]
		row := q.h[i*q.n+i:][:len(rest)]
		for b, jb := range rest {
			row[b] += wj * jb
		}
	}
}

// sym is h, with mu times its own diagonal added.
func (q *normal) sym(mu float64) *mat.SymDense {
	s := mat.NewSymDense(q.n, append([]float64(nil), q.h...))
	for i := range q.n {
		s.SetSym(i, i, q.h[i*q.n+i]*(1+mu))
	}
	return s
}

var errSingular = errors.New("the data leave at least one coefficient free")

// cov is the inverse of the normal matrix. Rows are scaled first, for the
// coefficients differ in unit.
func (q *normal) cov() (*mat.SymDense, error) {
	s := q.sym(0)
	d := make([]float64, q.n)
	for i := range d {
		if d[i] = math.Sqrt(s.At(i, i)); !(d[i] > 0) || math.IsInf(d[i], 0) {
			return nil, errSingular
		}
	}
	for i := range d {
		for j := i; j < q.n; j++ {
			s.SetSym(i, j, s.At(i, j)/(d[i]*d[j]))
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(s) || ch.Cond() > 1e14 {
		return nil, errSingular
	}
	var inv mat.SymDense
	if err := ch.InverseTo(&inv); err != nil {
		return nil, errSingular
	}
	for i := range d {
		for j := i; j < q.n; j++ {
			inv.SetSym(i, j, inv.At(i, j)/(d[i]*d[j]))
		}
	}
	return &inv, nil
}

// levenberg minimises the cost that build gathers at p, changing p, until a
// step lowers it by less than one part in 10⁷ (a fraction of a sigma too small
// to matter): Levenberg-Marquardt with the
// diagonal of the normal matrix as damping (Marquardt, SIAM Journal 11(2) 431,
// 1963). It returns the normal equations at the final p.
func levenberg(p []float64, build func(p []float64, q *normal)) (*normal, error) {
	cur, next := newNormal(len(p)), newNormal(len(p))
	build(p, cur)
	trial := make([]float64, len(p))
	mu := 1e-4
	for range 60 {
		var ch mat.Cholesky
		if math.IsNaN(cur.cost) || math.IsInf(cur.cost, 0) {
			return nil, errors.New("the data are not finite")
		}
		if !ch.Factorize(cur.sym(mu)) {
			if mu *= 10; mu > 1e8 {
				return nil, errSingular
			}
			continue
		}
		var step mat.VecDense
		// An ill-conditioned step is still a step; the cost decides.
		_ = ch.SolveVecTo(&step, mat.NewVecDense(len(p), cur.g))
		promise := 0.0
		for i := range p {
			trial[i] = p[i] - step.AtVec(i)
			promise += cur.g[i] * step.AtVec(i)
		}
		if promise <= 1e-7*cur.cost && mu < 1 {
			return cur, nil // not worth the step
		}
		next.reset()
		build(trial, next)
		if next.cost <= cur.cost {
			gain := cur.cost - next.cost
			copy(p, trial)
			cur, next = next, cur
			mu = math.Max(mu/10, 1e-12)
			if gain <= 1e-7*cur.cost+1e-300 {
				return cur, nil
			}
			continue
		}
		if mu *= 10; mu > 1e8 {
			return cur, nil
		}
	}
	return cur, nil
}
