package pole

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// group is one reading: its residuals, observed minus model, each divided by
// its sigma.
type group struct {
	size     int
	residual func(p, out []float64)
}

// fit is weighted least squares over groups. The first two parameters are the
// axis (radians up and right of a reference), the others nuisance.
type fit struct {
	groups []group
	used   []bool
	start  []float64
	// priorWeight is 1/sigma of a parameter known beforehand to be about start; 0
	// for none.
	priorWeight []float64
}

// solution of a fit.
type solution struct {
	p         []float64
	info      *mat.SymDense // inverse covariance of all parameters
	chiSquare float64
	freedom   int
}

// residuals of the groups in use, with the priors appended.
func (f *fit) residuals(p []float64, out []float64) []float64 {
	out = out[:0]
	for i, g := range f.groups {
		if f.used[i] {
			n := len(out)
			out = append(out, make([]float64, g.size)...)
			g.residual(p, out[n:])
		}
	}
	for i, w := range f.priorWeight {
		if w > 0 {
			out = append(out, w*(f.start[i]-p[i]))
		}
	}
	return out
}

// jacobian by central differences: rows are residuals.
func (f *fit) jacobian(p []float64, rows int) *mat.Dense {
	const h = 2e-6 // radians: 0.4 arcsec
	j := mat.NewDense(rows, len(p), nil)
	q := append([]float64(nil), p...)
	var a, b []float64
	for k := range p {
		q[k] = p[k] + h
		a = f.residuals(q, a)
		q[k] = p[k] - h
		b = f.residuals(q, b)
		q[k] = p[k]
		for i := range a {
			j.Set(i, k, (a[i]-b[i])/(2*h))
		}
	}
	return j
}

// solve minimises by Levenberg and Marquardt's method. It always returns the best
// that it found; whether that is determined shows in info.
func (f *fit) solve() solution {
	p := append([]float64(nil), f.start...)
	r := f.residuals(p, nil)
	cost := dot(r, r)
	damping := 1e-6
	n := len(p)
	for range 100 {
		j := f.jacobian(p, len(r))
		var normal mat.SymDense
		normal.SymOuterK(1, j.T())
		gradient := mat.NewVecDense(n, nil)
		gradient.MulVec(j.T(), mat.NewVecDense(len(r), r))
		improved, small := false, false
		for range 30 {
			damped := mat.NewSymDense(n, nil)
			damped.CopySym(&normal)
			for k := range n {
				damped.SetSym(k, k, normal.At(k, k)*(1+damping)+1e-12)
			}
			var chol mat.Cholesky
			step := mat.NewVecDense(n, nil)
			if !chol.Factorize(damped) || chol.SolveVecTo(step, gradient) != nil {
				damping = math.Max(damping*10, 1e-9)
				continue
			}
			q := append([]float64(nil), p...)
			for k := range q {
				q[k] -= step.AtVec(k)
			}
			trial := f.residuals(q, nil)
			c := dot(trial, trial)
			// The step in sigmas, squared: below 1e-10 nothing more is to be had.
			small = mat.Inner(step, &normal, step) < 1e-10
			if c <= cost {
				p, r, cost, improved = q, trial, c, true
				damping = math.Max(damping/10, 1e-12)
				break
			}
			if small {
				break
			}
			damping *= 10
		}
		if !improved || small {
			break
		}
	}
	s := solution{p: p, chiSquare: cost, freedom: len(r) - n}
	j := f.jacobian(p, len(r))
	s.info = mat.NewSymDense(n, nil)
	s.info.SymOuterK(1, j.T())
	return s
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

// axisInfo is the inverse covariance of the two axis parameters when the others
// are free (the Schur complement); false when the others are not determined.
func (s solution) axisInfo() (info [2][2]float64, ok bool) {
	n := len(s.p)
	for i := range 2 {
		for k := range 2 {
			info[i][k] = s.info.At(i, k)
		}
	}
	if n == 2 {
		return info, true
	}
	rest := mat.NewSymDense(n-2, nil)
	for i := range n - 2 {
		for k := range n - 2 {
			rest.SetSym(i, k, s.info.At(i+2, k+2))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(rest) || chol.Cond() > 1e13 {
		return info, false
	}
	for i := range 2 {
		column := mat.NewVecDense(n-2, nil)
		for k := range n - 2 {
			column.SetVec(k, s.info.At(i, k+2))
		}
		solved := mat.NewVecDense(n-2, nil)
		if chol.SolveVecTo(solved, column) != nil {
			return info, false
		}
		for k := range 2 {
			for m := range n - 2 {
				info[k][i] -= s.info.At(k, m+2) * solved.AtVec(m)
			}
		}
	}
	return info, true
}

// eigen of a symmetric 2x2 matrix: values, and the unit vector of the smaller.
func eigen(m [2][2]float64) (large, small float64, weak [2]float64) {
	mid, half := (m[0][0]+m[1][1])/2, (m[0][0]-m[1][1])/2
	root := math.Hypot(half, m[0][1])
	angle := 0.5*math.Atan2(m[0][1], half) + math.Pi/2
	sin, cos := math.Sincos(angle)
	return mid + root, mid - root, [2]float64{cos, sin}
}

// misfit is, for each group in use, by how much chi-square would fall without
// it (exact for a linear model); -1 for a group that nothing else checks.
func (f *fit) misfit(s solution) []float64 {
	out := make([]float64, len(f.groups))
	r := f.residuals(s.p, nil)
	j := f.jacobian(s.p, len(r))
	var chol mat.Cholesky
	if !chol.Factorize(s.info) {
		return out
	}
	row := 0
	for i, g := range f.groups {
		out[i] = -1
		if !f.used[i] {
			continue
		}
		part := j.Slice(row, row+g.size, 0, len(s.p))
		ri := mat.NewVecDense(g.size, r[row:row+g.size])
		row += g.size
		// I - J C J^T: what is left of the reading's variance in its residual.
		var solved, hat mat.Dense
		if chol.SolveTo(&solved, part.T()) != nil {
			continue
		}
		hat.Mul(part, &solved)
		left := mat.NewSymDense(g.size, nil)
		for a := range g.size {
			for b := range g.size {
				v := -(hat.At(a, b) + hat.At(b, a)) / 2
				if a == b {
					v++
				}
				left.SetSym(a, b, v)
			}
		}
		var leftChol mat.Cholesky
		x := mat.NewVecDense(g.size, nil)
		if !leftChol.Factorize(left) || leftChol.Cond() > 1e6 || leftChol.SolveVecTo(x, ri) != nil {
			continue
		}
		out[i] = mat.Dot(ri, x)
	}
	return out
}

// chance is the probability that chi-square is at least as large.
func chance(chiSquare float64, freedom int) float64 {
	if freedom <= 0 || !(chiSquare > 0) {
		return 1
	}
	return 1 - distuv.ChiSquared{K: float64(freedom)}.CDF(chiSquare)
}
