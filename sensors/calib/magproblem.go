package calib

import (
	"math"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Parameters of the magnetometer problem.
const (
	pOffset = 0  // 3, µT
	pMatrix = 3  // 9, row-major
	pDown   = 12 // vertical intensity, µT, positive down
	pField  = 13 // total intensity, µT
	pBias   = 14 // 3, gyroscope bias left over, rad/s
	pGyro   = 17 // 9, gyroscope matrix minus one
	pLag    = 26 // s, how much later the field was measured than stated
	pCount  = 27
)

// upPair is a field reading with the direction up at the same moment.
type upPair struct {
	raw, up r3.Vec
	rate    r3.Vec // change of raw, µT/s
}

// turnPair is two field readings with the rotation between them: d turns
// vectors from body axes at b into body axes at a, phi is its rotation vector.
type turnPair struct {
	a, b         r3.Vec
	rateA, rateB r3.Vec // change of a and b, µT/s
	d            quat.Number
	phi          r3.Vec
	dt           float64
}

// channel is one kind of residual: its noise, robust weights, correlation.
type channel struct {
	sigma  float64   // of one residual, µT
	floor  float64   // sigma is never taken below
	tau    float64   // integrated autocorrelation: this many residuals tell as much as one
	share  float64   // weight of a residual in the fit, relative to independent ones
	resid  []float64 // µT, of the last build
	weight []float64 // robust weight, 0 to 1
}

func newChannel(n int, sigma float64) channel {
	c := channel{sigma: sigma, tau: 1, share: 1, resid: make([]float64, n), weight: make([]float64, n)}
	for i := range c.weight {
		c.weight[i] = 1
	}
	return c
}

func (c *channel) w(i int) float64 { return c.share * c.weight[i] / (c.sigma * c.sigma) }

// reweigh takes the noise from the median residual and weighs outliers down:
// Huber's weights while the fit is young, Tukey's (none beyond 4.7 sigma) later.
func (c *channel) reweigh(late bool) {
	if len(c.resid) == 0 {
		return
	}
	abs := make([]float64, len(c.resid))
	for i, r := range c.resid {
		abs[i] = math.Abs(r)
	}
	c.sigma = max(median(abs)/0.6745, c.floor)
	for i, r := range c.resid {
		z := math.Abs(r) / c.sigma
		switch {
		case late && z >= 4.685:
			c.weight[i] = 0
		case late:
			c.weight[i] = (1 - z*z/(4.685*4.685)) * (1 - z*z/(4.685*4.685))
		case z > 1.345:
			c.weight[i] = 1.345 / z
		default:
			c.weight[i] = 1
		}
	}
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

// magProblem is the joint maximum-likelihood estimation. Its residuals are
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
	// prior is the normal matrix of what is known before, about mean.
	prior *mat.SymDense
	mean  [pCount]float64
	// skewSigma ties down the rotation of M, which strength cannot see.
	skewSigma float64
}

var (
	strengthIdx = []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, pField}
	dipIdx      = []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, pDown, pLag}
	turnIdx     = []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 24, 25, pLag}
)

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
	var j [13]float64
	for i, raw := range a.raws {
		w := r3.Sub(raw, o)
		c := m.Apply(w)
		n := r3.Norm(c)
		u := r3.Scale(1/n, c)
		dirRow(j[:], u, w, m.applyT(u))
		j[12] = -1
		r := n - p[pField]
		a.strength.resid[i] = r
		q.add(strengthIdx, j[:], r, a.strength.w(i))
	}
}

func (a *magProblem) buildDip(p []float64, q *normal) {
	var j [14]float64
	for i := range a.ups {
		r := a.dipRow(p, i, &j)
		a.dip.resid[i] = r
		q.add(dipIdx, j[:], r, a.dip.w(i))
	}
}

func (a *magProblem) buildTurns(p []float64, q *normal) {
	for i := range a.turns {
		a.buildTurn(p, i, q)
	}
}

func (a *magProblem) dipRow(p []float64, i int, j *[14]float64) float64 {
	o, m := paramsOf(p)
	t := &a.ups[i]
	w := r3.Sub(r3.Add(t.raw, r3.Scale(p[pLag], t.rate)), o)
	u := t.up
	mu := m.applyT(u)
	dirRow(j[:], u, w, mu)
	j[12] = 1
	j[13] = r3.Dot(mu, t.rate)
	return r3.Dot(u, m.Apply(w)) + p[pDown]
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
	r := r3.Sub(x, m.Apply(wa))
	rr := [3]float64{r.X, r.Y, r.Z}
	for k := range 3 {
		var e r3.Vec
		switch k {
		case 0:
			e.X = 1
		case 1:
			e.Y = 1
		default:
			e.Z = 1
		}
		de := rotate(quat.Conj(d), e) // row k of the rotation matrix
		var j [25]float64
		var ja [12]float64
		mde := m.applyT(de)
		me := m.applyT(e)
		dirRow(j[:], de, wb, mde)
		dirRow(ja[:], e, wa, me)
		for c := range ja {
			j[c] -= ja[c]
		}
		// A small further turn f changes x by f × x; e·(f × x) = f·(x × e).
		s := r3.Cross(x, e)
		j[12], j[13], j[14] = -t.dt*s.X, -t.dt*s.Y, -t.dt*s.Z
		dirRowGyro(j[15:], s, t.phi)
		j[24] = r3.Dot(mde, t.rateB) - r3.Dot(me, t.rateA)
		a.turn.resid[3*i+k] = rr[k]
		q.add(turnIdx, j[:], rr[k], a.turn.w(3*i+k))
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
		q.add([]int{x, y}, []float64{1, -1}, p[x]-p[y], w)
	}
}

// know states that parameter i is v with 1 sigma s.
func (a *magProblem) know(i int, v, s float64) {
	a.mean[i] = v
	a.prior.SetSym(i, i, 1/(s*s))
}

// solve iterates the fit, the noise of each channel, its outliers and the
// correlation of its residuals, from p. It gives the inverse of the normal
// matrix N and the covariance. Correlated residuals tell less than their number:
// with Nc the part of a channel whose residuals count tc too often, the
// covariance is N⁻¹ (Σ tc·Nc + prior) N⁻¹. Dip and turn, which compete for the
// rotation, count by what they tell; strength counts fully, for nothing else
// should bend the shape that it alone determines well.
func (a *magProblem) solve(p []float64, rounds int) (inv, cov *mat.SymDense, err error) {
	var q *normal
	for k := range rounds {
		if q, err = levenberg(p, a.build); err != nil {
			return nil, nil, err
		}
		a.strength.correlate(1)
		a.dip.correlate(1)
		a.turn.correlate(3)
		if k < rounds-1 {
			a.strength.reweigh(k >= 2)
			a.dip.reweigh(k >= 2)
			a.turn.reweigh(k >= 2)
			a.dip.share, a.turn.share = 1/a.dip.tau, 1/a.turn.tau
		}
	}
	if inv, err = q.cov(); err != nil {
		return nil, nil, err
	}
	meat := newNormal(len(p))
	a.buildPrior(p, meat)
	for _, c := range []struct {
		ch    *channel
		build func([]float64, *normal)
	}{{&a.strength, a.buildStrength}, {&a.dip, a.buildDip}, {&a.turn, a.buildTurns}} {
		part := newNormal(len(p))
		c.build(p, part)
		for i := range part.h {
			meat.h[i] += c.ch.tau * c.ch.share * part.h[i]
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

// pairUp finds the pairs of a recording. Every step, the accelerometer's
// direction is averaged over the second half of smooth before and the first
// half after, freed of rotation by the gyroscope.
func pairUp(magnetic []sensors.MagneticSample, inertial []sensors.InertialSample, o *MagOptions) (ups []upPair, turns []turnPair) {
	if len(inertial) < 2 || len(magnetic) < 2 {
		return nil, nil
	}
	const step, half, maxGap = 100 * time.Millisecond, 125 * time.Millisecond, 100 * time.Millisecond
	const turnSteps = 2
	gyro := false
	for i := range inertial {
		gyro = gyro || inertial[i].Gyro != (r3.Vec{})
	}
	t := newTrack(inertial, o.GyroBias, maxGap, o.GyroRange)
	type node struct {
		at   int // inertial sample
		raw  r3.Vec
		rate r3.Vec
		ok   bool
	}
	var last [turnSteps]node
	k := 0
	next := inertial[0].At
	lo, hi := 0, 0
	for i := range inertial {
		at := inertial[i].At
		if at < next {
			continue
		}
		next = at + step
		for k+1 < len(magnetic) && magnetic[k+1].At <= at {
			k++
		}
		n := node{at: i}
		n.raw, n.rate, n.ok = interpolate(magnetic, k, at, maxGap)
		for lo < i && at-inertial[lo].At > half {
			lo++
		}
		for hi < len(inertial) && inertial[hi].At-at <= half {
			hi++
		}
		if n.ok && hi > lo {
			var s r3.Vec
			if gyro && t.broken[hi-1] == t.broken[lo] {
				s = t.stable(lo, i, hi)
			} else {
				s = inertial[i].Accel
			}
			// More than a tenth of g of the hand's own acceleration says nothing
			// about up.
			if math.Abs(r3.Norm(s)-o.Gravity) < 0.1*o.Gravity {
				ups = append(ups, upPair{raw: n.raw, up: r3.Unit(s), rate: n.rate})
			}
		}
		if first := last[0]; gyro && n.ok && first.ok && t.broken[i] == t.broken[first.at] {
			turns = append(turns, turnPair{
				a: first.raw, b: n.raw, rateA: first.rate, rateB: n.rate, d: t.between(first.at, i),
				phi: r3.Sub(t.turned[i], t.turned[first.at]), dt: (at - inertial[first.at].At).Seconds(),
			})
			// The next pair starts where this one ends: pairs share no rotation.
			last = [turnSteps]node{}
			last[turnSteps-1] = n
			continue
		}
		copy(last[:], last[1:])
		last[turnSteps-1] = n
	}
	return ups, turns
}

// interpolate is the field at time at, between samples k and k+1, and its
// change in µT/s over some samples around.
func interpolate(m []sensors.MagneticSample, k int, at, maxGap time.Duration) (v, rate r3.Vec, ok bool) {
	if k+1 >= len(m) || m[k].At > at || m[k+1].At-m[k].At > maxGap || m[k+1].At <= m[k].At {
		return v, rate, false
	}
	f := float64(at-m[k].At) / float64(m[k+1].At-m[k].At)
	v = r3.Add(r3.Scale(1-f, m[k].FieldUT), r3.Scale(f, m[k+1].FieldUT))
	lo, hi := max(0, k-2), min(len(m)-1, k+3)
	if dt := m[hi].At - m[lo].At; dt > 0 && dt < 5*maxGap {
		rate = r3.Scale(1/dt.Seconds(), r3.Sub(m[hi].FieldUT, m[lo].FieldUT))
	}
	return v, rate, finite(v) && finite(rate)
}
