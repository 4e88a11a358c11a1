package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Parameters of the magnetometer problem.
const (
	// The offset, µT, stands in the first three.
	pMatrix = 3  // 9, row-major
	pField  = 12 // total intensity, µT
	pDown   = 13 // vertical intensity, µT, positive down
	pLag    = 14 // s, how much later the field was measured than stated
	pBias   = 15 // 3, gyroscope bias left over, rad/s
	pGyro   = 18 // 9, gyroscope matrix minus one
	pCount  = 27
)

// channel is one kind of residual: its noise, robust weights, correlation.
type channel struct {
	sigma  float64   // of one residual, µT
	floor  float64   // sigma is never taken below
	tau    float64   // integrated autocorrelation: this many residuals tell as much as one
	share  float64   // weight of a residual in the fit, relative to independent ones
	resid  []float64 // µT, of the last build
	weight []float64 // robust weight, 0 to 1
	blur   []float64 // µT², variance of a residual beyond sigma²; nil: none
}

func newChannel(n int, sigma float64) channel {
	c := channel{sigma: sigma, tau: 1, share: 1, resid: make([]float64, n), weight: make([]float64, n)}
	for i := range c.weight {
		c.weight[i] = 1
	}
	return c
}

func (c *channel) w(i int) float64 { return c.share * c.weight[i] * c.soft(i) / (c.sigma * c.sigma) }

// soft is the weight of a residual that is blurred beyond the others, 0 to 1.
func (c *channel) soft(i int) float64 {
	if c.blur == nil {
		return 1
	}
	return 1 / (1 + c.blur[i]/(c.sigma*c.sigma))
}

// squared gives the weights with which w becomes the square of w times the
// residual.
func (c *channel) squared() []float64 {
	s := make([]float64, len(c.weight))
	for i, r := range c.resid {
		s[i] = c.share * c.weight[i] * c.weight[i] * c.soft(i) * r * r / (c.sigma * c.sigma)
	}
	return s
}

// reweigh takes the noise from the median residual and weighs outliers down:
// Huber's weights while the fit is young; later full weight up to 3 sigma,
// falling to none at 5 (a descending weight after Hampel, "The influence curve
// and its role in robust estimation", JASA 69 383, 1974).
func (c *channel) reweigh(late bool) {
	if len(c.resid) == 0 {
		return
	}
	abs := make([]float64, len(c.resid))
	for i, r := range c.resid {
		abs[i] = math.Abs(r) * math.Sqrt(c.soft(i))
	}
	c.sigma = max(robustSigma(abs), c.floor)
	for i, r := range c.resid {
		z := math.Abs(r) * math.Sqrt(c.soft(i)) / c.sigma
		switch {
		case late:
			c.weight[i] = min(1, max(0, (5-z)/2))
		case z > 1.345:
			c.weight[i] = 1.345 / z
		default:
			c.weight[i] = 1
		}
	}
}

// robustSigma is the 1 sigma of residuals given by absolute value (it sorts
// them): from the median, then twice from the mean square with what lies beyond
// 2.5 sigma cut back to that (Huber's proposal 2; 0.9776 is the expected value for
// normal errors).
func robustSigma(abs []float64) float64 {
	s := median(abs) / 0.6745
	for range 2 {
		sum := 0.0
		for _, r := range abs {
			r = min(r, 2.5*s)
			sum += r * r
		}
		s = math.Sqrt(sum / (0.9776 * float64(len(abs))))
	}
	return s
}

// correlate measures the integrated autocorrelation time over the residuals,
// stride apart (vectors lie component by component). The sum ends where the
// correlation falls under 0.05 (the window rule of Sokal, "Monte Carlo methods
// in statistical mechanics", 1996, in its simplest form).
func (c *channel) correlate(stride int) {
	n := len(c.resid) / stride
	at := func(lag int) float64 {
		s := 0.0
		for i := 0; i < (n-lag)*stride; i++ {
			j := i + lag*stride
			s += c.resid[i] * c.weight[i] * c.resid[j] * c.weight[j]
		}
		return s / float64(n-lag)
	}
	c.tau = 1
	zero := at(0)
	if n < 20 || zero == 0 {
		return
	}
	for lag := 1; lag < n/4; lag++ {
		rho := at(lag) / zero
		if rho < 0.05 {
			break
		}
		c.tau += 2 * rho
	}
}

// magProblem is the joint maximum-likelihood estimation. Its residuals, in
// units of the expected strength over B, are
//
//	strength: |M(m − o)| − B                    every sample
//	dip:      up · M(m − o) + V                 pairs with an accelerometer
//	turn:     D M(m₂ − o) − M(m₁ − o)           pairs with a gyroscope
//
// with D the gyroscope's rotation between the two, corrected for bias and
// matrix. Strength alone fixes the ellipsoid, the other two its rotation into
// the axes of the inertial sensor.
type magProblem struct {
	raws  []r3.Vec
	ups   []upPair
	turns []turnPair

	strength, dip, turn channel
	// lift is how much white noise across the field lengthens |M(m − o)|: its
	// variance over the strength.
	lift float64
	// prior is the normal matrix of what is known before, about mean.
	prior *mat.SymDense
	mean  [pCount]float64
	// skewSigma ties down the rotation of M, which strength cannot see.
	skewSigma float64
	// priorRules is set where the prior holds more of the shape than the data:
	// then strength, too, counts by what its correlated residuals tell.
	priorRules bool
}

func paramsOf(p []float64) (o r3.Vec, m Mat3) {
	return r3.Vec{X: p[0], Y: p[1], Z: p[2]}, Mat3(p[pMatrix : pMatrix+9])
}

// dirRow writes the derivatives of u·M(m − o) by the twelve coefficients: w is
// m − o, mu is Mᵀu.
func dirRow(j []float64, u, w, mu r3.Vec) {
	j[0], j[1], j[2] = -mu.X, -mu.Y, -mu.Z
	j[3], j[4], j[5] = u.X*w.X, u.X*w.Y, u.X*w.Z
	j[6], j[7], j[8] = u.Y*w.X, u.Y*w.Y, u.Y*w.Z
	j[9], j[10], j[11] = u.Z*w.X, u.Z*w.Y, u.Z*w.Z
}

func (a *magProblem) build(p []float64, q *normal) {
	a.buildStrength(p, q)
	a.buildDip(p, q)
	a.buildTurns(p, q)
	a.buildPrior(p, q)
}

func (a *magProblem) buildStrength(p []float64, q *normal) {
	o, m := paramsOf(p)
	k := a.scale(p)
	var j [pField + 1]float64
	for i, raw := range a.raws {
		w := r3.Sub(raw, o)
		c := m.Apply(w)
		n := math.Sqrt(r3.Norm2(c))
		u := r3.Scale(k/n, c)
		dirRow(j[:], u, w, m.applyT(u))
		j[pField] = -k * n / p[pField]
		r := k*(n-p[pField]) - a.lift
		a.strength.resid[i] = r
		q.add(0, j[:], r, a.strength.w(i))
	}
}

// scale brings residuals to the strength that is expected. Without it a
// doubtful strength would be fitted to zero, where all residuals vanish.
func (a *magProblem) scale(p []float64) float64 { return a.mean[pField] / p[pField] }

func (a *magProblem) buildDip(p []float64, q *normal) {
	var j [pLag + 1]float64
	for i := range a.ups {
		r := a.dipRow(p, i, &j)
		a.dip.resid[i] = r
		q.add(0, j[:], r, a.dip.w(i))
	}
}

func (a *magProblem) dipRow(p []float64, i int, j *[pLag + 1]float64) float64 {
	o, m := paramsOf(p)
	t := &a.ups[i]
	k := a.scale(p)
	w := r3.Sub(r3.Add(t.raw, r3.Scale(p[pLag], t.rate)), o)
	u := r3.Scale(k, t.up)
	mu := m.applyT(u)
	dirRow(j[:], u, w, mu)
	r := r3.Dot(u, m.Apply(w)) + k*p[pDown]
	j[pField] = -r / p[pField]
	j[pDown] = k
	j[pLag] = r3.Dot(mu, t.rate)
	return r
}

func (a *magProblem) buildTurns(p []float64, q *normal) {
	for i := range a.turns {
		a.buildTurn(p, i, q)
	}
}

func (a *magProblem) buildTurn(p []float64, i int, q *normal) {
	o, m := paramsOf(p)
	t := &a.turns[i]
	g := Mat3(p[pGyro : pGyro+9])
	bias := r3.Vec{X: p[pBias], Y: p[pBias+1], Z: p[pBias+2]}
	d := quat.Mul(rotQuat(r3.Sub(g.Apply(t.phi), r3.Scale(t.dt, bias))), t.d)
	wa := r3.Sub(r3.Add(t.a, r3.Scale(p[pLag], t.rateA)), o)
	wb := r3.Sub(r3.Add(t.b, r3.Scale(p[pLag], t.rateB)), o)
	x := rotate(d, m.Apply(wb))
	scale := a.scale(p)
	r := r3.Scale(scale, r3.Sub(x, m.Apply(wa)))
	rr := [3]float64{r.X, r.Y, r.Z}
	for k := range 3 {
		var e r3.Vec
		switch k {
		case 0:
			e.X = scale
		case 1:
			e.Y = scale
		default:
			e.Z = scale
		}
		de := rotate(quat.Conj(d), e) // row k of the rotation matrix
		var j [pCount]float64
		var ja [12]float64
		mde := m.applyT(de)
		me := m.applyT(e)
		dirRow(j[:], de, wb, mde)
		dirRow(ja[:], e, wa, me)
		for c := range ja {
			j[c] -= ja[c]
		}
		j[pField] = -rr[k] / p[pField]
		// A small further turn f changes x by f × x; e·(f × x) = f·(x × e).
		s := r3.Cross(x, e)
		j[pBias], j[pBias+1], j[pBias+2] = -t.dt*s.X, -t.dt*s.Y, -t.dt*s.Z
		dirRowGyro(j[pGyro:], s, t.phi)
		j[pLag] = r3.Dot(mde, t.rateB) - r3.Dot(me, t.rateA)
		a.turn.resid[3*i+k] = rr[k]
		q.add(0, j[:], rr[k], a.turn.w(3*i+k))
	}
}

func dirRowGyro(j []float64, s, phi r3.Vec) {
	j[0], j[1], j[2] = s.X*phi.X, s.X*phi.Y, s.X*phi.Z
	j[3], j[4], j[5] = s.Y*phi.X, s.Y*phi.Y, s.Y*phi.Z
	j[6], j[7], j[8] = s.Z*phi.X, s.Z*phi.Y, s.Z*phi.Z
}

func (a *magProblem) buildPrior(p []float64, q *normal) {
	for i := range pCount {
		di := p[i] - a.mean[i]
		q.cost += a.prior.At(i, i) * di * di
		for k := range pCount {
			v := a.prior.At(i, k)
			if v == 0 {
				continue
			}
			dk := p[k] - a.mean[k]
			q.g[i] += v * dk
			if k > i {
				q.cost += 2 * v * di * dk
			}
			if k >= i {
				q.h[i*q.n+k] += v
			}
		}
	}
	w := 1 / (4 * a.skewSigma * a.skewSigma)
	for _, ij := range [3][2]int{{0, 1}, {0, 2}, {1, 2}} {
		x, y := pMatrix+3*ij[0]+ij[1], pMatrix+3*ij[1]+ij[0]
		var j [9]float64
		j[x-pMatrix], j[y-pMatrix] = 1, -1
		q.add(pMatrix, j[:], p[x]-p[y], w)
	}
}

// know states that parameter i is v with 1 sigma s.
func (a *magProblem) know(i int, v, s float64) {
	a.mean[i] = v
	a.prior.SetSym(i, i, 1/(s*s))
}

// solve iterates the fit, the noise of each channel, its outliers and the
// correlation of its residuals, from p: early rounds with mild weights for a
// start that outliers may have spoiled, late ones that leave them out. Dip and
// turn, which compete for the rotation, count by what their correlated residuals
// tell; strength counts fully, for nothing else should bend the shape that it
// alone determines well.
func (a *magProblem) solve(p []float64, early, late int) (*normal, error) {
	q, err := levenberg(p, a.build)
	for k := range early + late {
		if err != nil {
			return nil, err
		}
		a.strength.reweigh(k >= early)
		a.dip.reweigh(k >= early)
		a.turn.reweigh(k >= early)
		a.dip.correlate(1)
		a.turn.correlate(3)
		a.dip.share, a.turn.share = 1/a.dip.tau, 1/a.turn.tau
		if a.priorRules {
			a.strength.correlate(1)
			a.strength.share = 1 / a.strength.tau
		}
		q, err = levenberg(p, a.build)
	}
	return q, err
}

// covariance gives the inverse of the normal matrix N at the solution and the
// covariance of the parameters, N⁻¹ (Σ tc·Sc + prior) N⁻¹, where Sc gathers for
// each channel w²r²·jᵀj from its actual residuals, since noise is larger in
// motion than at rest (White, Econometrica 48 817, 1980), and tc says how many
// correlated ones tell as much as one.
func (a *magProblem) covariance(p []float64, q *normal) (inv, cov *mat.SymDense, err error) {
	if inv, err = q.cov(); err != nil {
		return nil, nil, err
	}
	a.strength.correlate(1)
	meat := newNormal(len(p))
	a.buildPrior(p, meat)
	for _, c := range []struct {
		ch    *channel
		build func([]float64, *normal)
	}{{&a.strength, a.buildStrength}, {&a.dip, a.buildDip}, {&a.turn, a.buildTurns}} {
		weight := c.ch.weight
		c.ch.weight = c.ch.squared()
		part := newNormal(len(p))
		c.build(p, part)
		c.ch.weight = weight
		for i := range part.h {
			meat.h[i] += c.ch.tau * part.h[i]
		}
	}
	var half, full mat.Dense
	half.Mul(inv, meat.sym(0))
	full.Mul(&half, inv)
	cov = mat.NewSymDense(len(p), nil)
	for i := range len(p) {
		for j := i; j < len(p); j++ {
			cov.SetSym(i, j, (full.At(i, j)+full.At(j, i))/2)
		}
	}
	return inv, cov, nil
}
