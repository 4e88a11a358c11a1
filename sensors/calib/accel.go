package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// AccelOptions steer FitAccel; zero values take the defaults.
type AccelOptions struct {
	// OffsetSigma (m/s²) and MatrixSigma (1 = 100 %) are what the data sheet
	// promises of an uncalibrated chip, 1 sigma. When both are positive they act
	// as weak knowledge, so that a few poses already give something, with the
	// rest of the doubt in the covariance. Zero: the poses alone must do.
	OffsetSigma, MatrixSigma float64
	// SlopeSigma is the 1-sigma drift of the offset, m/s² per °C. When positive
	// and the chip temperatures are known, the slope is fitted with it.
	SlopeSigma float64
	// Floor is what averaging cannot remove from one pose, 1 sigma: tremor,
	// non-linearity, hysteresis; 0.01 m/s² (about 0.06°).
	Floor float64
	// SlowSigma is the first guess of the hand's acceleration left in slow
	// poses, m/s²; 0.3. With ten or more of them it is found from the data.
	SlowSigma float64
	// MaxTiltDeg refuses a fit whose 1-sigma tilt error, at its worst attitude,
	// is larger; 0.5. It is not applied when there is prior knowledge.
	MaxTiltDeg float64
}

// AccelFit is an accelerometer calibration and what is known of its quality.
type AccelFit struct {
	Affine Affine
	// Poses counts those used, Directions those among them that are at least 15°
	// apart (slow poses count only where no rest was).
	Poses, Directions int
	// Chi2 and DOF: sum of squared residuals over their variance, and the number
	// of poses, less the nine coefficients when nothing else determined them. A
	// significant excess has been passed on to Cov.
	Chi2 float64
	DOF  int
	// SlowSigma is the hand's acceleration found in slow poses, m/s².
	SlowSigma float64
	// Next is the direction, in sensor axes, that should point up in the next
	// rest pose: the one that takes most from TiltSigmaDeg, and to which value.
	Next             r3.Vec
	NextTiltSigmaDeg float64
	// TiltSigmaDeg is the 1-sigma tilt error that the calibration leaves: root
	// mean square over all attitudes and both axes; WorstTiltDeg is the largest.
	TiltSigmaDeg, WorstTiltDeg float64
}

// The matrix is kept symmetric. |corrected| = g cannot see a rotation of the
// corrected axes, so three of the nine entries need a rule, and the symmetric
// factor is the one that turns the sensor's own axes least (it is the polar
// factor of the full matrix) and prefers no axis, as a triangular one would.
// How the axes so defined sit in the board belongs to mounting.
var symIndex = [6][2]int{{0, 0}, {1, 1}, {2, 2}, {0, 1}, {0, 2}, {1, 2}}

func symMatrix(p []float64) Mat3 {
	return Mat3{
		1 + p[0], p[3], p[4],
		p[3], 1 + p[1], p[5],
		p[4], p[5], 1 + p[2],
	}
}

// accelProblem is the estimation of offset (3), symmetric matrix minus one (6)
// and, when wanted, temperature slope (3) from poses.
type accelProblem struct {
	poses   []Pose
	opt     AccelOptions
	g       float64
	refTemp float64 // NaN: no temperature
	slope   bool
	slow2   float64   // variance of the hand's acceleration in slow poses
	floor2  []float64 // per pose: Floor², times the number of poses that share the attitude
	weight  []float64
	resid   []float64 // standardised, of the last build
}

func (a *accelProblem) size() int {
	if a.slope {
		return 12
	}
	return 9
}

// row is residual, its variance and its derivatives at p for one pose:
// r = |M (a − o − s ΔT)| − g − bias. The noise across gravity lengthens the mean
// vector by half its variance over g; that is the bias.
func (a *accelProblem) row(p []float64, q *Pose, j *[12]float64) (r, variance float64) {
	m := symMatrix(p[3:9])
	d := 0.0
	v := r3.Sub(q.Accel, r3.Vec{X: p[0], Y: p[1], Z: p[2]})
	if a.slope {
		d = q.TempC - a.refTemp
		v = r3.Sub(v, r3.Scale(d, r3.Vec{X: p[9], Y: p[10], Z: p[11]}))
	}
	c := m.Apply(v)
	n := r3.Norm(c)
	u := r3.Scale(1/n, c)
	mu := m.applyT(u)
	along := q.AccelCov.form(mu, mu)
	across := q.AccelCov[0] + q.AccelCov[4] + q.AccelCov[8] - along
	variance = along
	if q.Slow {
		variance += a.slow2
		across += 2 * a.slow2
	}
	r = n - a.g - across/(2*a.g)
	j[0], j[1], j[2] = -mu.X, -mu.Y, -mu.Z
	uu, vv := [3]float64{u.X, u.Y, u.Z}, [3]float64{v.X, v.Y, v.Z}
	for k, ix := range symIndex {
		j[3+k] = uu[ix[0]] * vv[ix[1]]
		if ix[0] != ix[1] {
			j[3+k] += uu[ix[1]] * vv[ix[0]]
		}
	}
	j[9], j[10], j[11] = -d*mu.X, -d*mu.Y, -d*mu.Z
	return r, variance
}

// priors are the variances of the parameters before any pose; 0: unknown. With
// independent errors of every entry of the full matrix the symmetric part keeps
// half the variance off the diagonal.
func (a *accelProblem) priors() [12]float64 {
	var v [12]float64
	if a.opt.OffsetSigma > 0 && a.opt.MatrixSigma > 0 {
		o2, m2 := a.opt.OffsetSigma*a.opt.OffsetSigma, a.opt.MatrixSigma*a.opt.MatrixSigma
		v = [12]float64{o2, o2, o2, m2, m2, m2, m2 / 2, m2 / 2, m2 / 2}
	}
	if a.slope {
		s2 := a.opt.SlopeSigma * a.opt.SlopeSigma
		v[9], v[10], v[11] = s2, s2, s2
	}
	return v
}

func (a *accelProblem) build(p []float64, q *normal) {
	n := a.size()
	var j [12]float64
	for i := range a.poses {
		r, v := a.row(p, &a.poses[i], &j)
		v += a.floor2[i]
		a.resid[i] = r / math.Sqrt(v)
		q.add(0, j[:n], r, a.weight[i]/v)
	}
	for k, v := range a.priors() {
		if v > 0 {
			q.add(k, []float64{1}, p[k], 1/v)
		}
	}
}

// FitAccel finds offset and symmetric 3x3 matrix (see Affine) from any number
// of rest poses in arbitrary attitudes by maximum likelihood on |corrected| =
// gravity (m/s², sensors.StandardGravity if 0; an error of gravity scales the
// result and leaves tilt alone). Outliers are weighted down (Huber). The method
// is that of Frosio, Pedersini and Borghese, "Autocalibration of MEMS
// accelerometers", IEEE Trans. Instrum. Meas. 58(6) 2034, 2009, with covariance
// and prior knowledge added. A *Refusal is returned when the poses are too few
// or too similar to support the fit.
func FitAccel(poses []Pose, gravity float64, opt AccelOptions) (AccelFit, error) {
	if gravity == 0 {
		gravity = standardGravity
	}
	if opt.Floor <= 0 {
		opt.Floor = 0.01
	}
	if opt.SlowSigma <= 0 {
		opt.SlowSigma = 0.3
	}
	if opt.MaxTiltDeg <= 0 {
		opt.MaxTiltDeg = 0.5
	}
	a := &accelProblem{opt: opt, g: gravity, slow2: opt.SlowSigma * opt.SlowSigma}
	for _, p := range poses {
		if finite(p.Accel) && r3.Norm(p.Accel) > gravity/2 && r3.Norm(p.Accel) < 2*gravity {
			a.poses = append(a.poses, p)
		}
	}
	prior := opt.OffsetSigma > 0 && opt.MatrixSigma > 0
	directions := distinctDirections(a.poses)
	switch {
	case len(a.poses) == 0:
		return AccelFit{}, accelRefusal("no rest pose", "let the board rest for some seconds in several attitudes")
	case !prior && directions < 9:
		return AccelFit{}, accelRefusal(fmt.Sprintf("%d rest poses in different directions, offset and 3x3 matrix need at least 9", directions),
			"let the board rest on each of its faces and some edges")
	}
	a.temperature()
	a.shareFloor()
	a.weight, a.resid = make([]float64, len(a.poses)), make([]float64, len(a.poses))
	for i := range a.weight {
		a.weight[i] = 1
	}
	p := make([]float64, a.size())
	var q *normal
	for range 6 {
		var err error
		if q, err = levenberg(p, a.build); err != nil {
			return AccelFit{}, accelRefusal(err.Error(), "add rest poses in other directions")
		}
		a.reweigh()
	}
	if prior {
		if k, z := a.strain(p); z > 5 {
			return AccelFit{}, accelRefusal(fmt.Sprintf("%s would be %.0f sigma beyond what the data sheet allows, so the board was shaken or the data sheet is another chip's", coefficientNames[k], z), "let the board rest in each attitude")
		}
	}
	return a.result(p, q, directions, prior)
}

var coefficientNames = [12]string{"the offset of x", "the offset of y", "the offset of z", "the scale of x", "the scale of y", "the scale of z",
	"the angle between x and y", "the angle between x and z", "the angle between y and z", "the drift of x", "the drift of y", "the drift of z"}

// strain is the parameter that is farthest from its prior, in sigmas.
func (a *accelProblem) strain(p []float64) (worst int, sigmas float64) {
	for k, v := range a.priors() {
		if v > 0 && k < len(p) {
			if z := math.Abs(p[k]) / math.Sqrt(v); z > sigmas {
				worst, sigmas = k, z
			}
		}
	}
	return worst, sigmas
}

func accelRefusal(reason, advice string) *Refusal {
	return &Refusal{What: "accelerometer calibration", Reason: reason, Advice: advice}
}

// temperature sets the reference to the mean of the poses, which makes offset
// and slope independent to first order.
func (a *accelProblem) temperature() {
	a.refTemp = 0
	for i := range a.poses {
		a.refTemp += a.poses[i].TempC / float64(len(a.poses))
	}
	a.slope = a.opt.SlopeSigma > 0 && a.refTemp == a.refTemp
}

// shareFloor lets poses in one attitude share one floor: what averaging cannot
// remove does not shrink when the same attitude is taken many times.
func (a *accelProblem) shareFloor() {
	a.floor2 = make([]float64, len(a.poses))
	u := make([]r3.Vec, len(a.poses))
	for i := range a.poses {
		u[i] = r3.Unit(a.poses[i].Accel)
	}
	near := math.Cos(rad(10))
	for i := range u {
		for k := range u {
			if r3.Dot(u[i], u[k]) > near {
				a.floor2[i] += a.opt.Floor * a.opt.Floor
			}
		}
	}
}

// reweigh applies Huber's weights at 2.5 sigma and, with enough slow poses,
// takes their extra variance from their own residuals.
func (a *accelProblem) reweigh() {
	var slow []float64
	for i := range a.poses {
		a.weight[i] = 1
		if z := math.Abs(a.resid[i]); z > 2.5 {
			a.weight[i] = 2.5 / z
		}
		if a.poses[i].Slow {
			slow = append(slow, math.Abs(a.resid[i]))
		}
	}
	if len(slow) >= 10 {
		k := median(slow) / 0.6745
		a.slow2 = min(max(a.slow2*k*k, 1e-4), 4)
	}
}

func (a *accelProblem) result(p []float64, q *normal, directions int, prior bool) (AccelFit, error) {
	cov, err := q.cov()
	if err != nil {
		return AccelFit{}, accelRefusal(err.Error(), "add rest poses in other directions")
	}
	fit := AccelFit{Poses: len(a.poses), Directions: directions, DOF: len(a.poses)}
	var sum2 float64
	for i := range a.poses {
		z := a.resid[i]
		fit.Chi2 += a.weight[i] * z * z
		if a.poses[i].Slow {
			fit.SlowSigma = math.Sqrt(a.slow2)
		}
		var j [12]float64
		r, _ := a.row(p, &a.poses[i], &j)
		sum2 += r * r
	}
	if !prior {
		fit.DOF -= 9
	}
	// A significant excess (3 sigma of chi-square) means that the poses scatter
	// by more than was claimed: the covariance grows with it. The prior part
	// grows too, which errs on the safe side.
	scale := 1.0
	if d := float64(fit.DOF); d >= 1 && fit.Chi2 > d+3*math.Sqrt(2*d) {
		scale = fit.Chi2 / d
	}
	m := symMatrix(p[3:9])
	fit.Affine = Affine{
		Kind: Accelerometer, Offset: r3.Vec{X: p[0], Y: p[1], Z: p[2]}, Matrix: m,
		RefTempC: a.refTemp, ResidualRMS: math.Sqrt(sum2 / float64(len(a.poses))), Readings: len(a.poses),
	}
	if a.slope {
		fit.Affine.TempSlope = r3.Vec{X: p[9], Y: p[10], Z: p[11]}
		fit.Affine.TempSlopeSigma = r3.Vec{X: math.Sqrt(scale * cov.At(9, 9)), Y: math.Sqrt(scale * cov.At(10, 10)), Z: math.Sqrt(scale * cov.At(11, 11))}
	}
	fit.Affine.Cov = accelCov(cov, scale)
	fit.TiltSigmaDeg, fit.WorstTiltDeg = tiltOverSphere(&fit.Affine, a.g)
	if !prior && fit.WorstTiltDeg > a.opt.MaxTiltDeg {
		next, _ := a.next(p, cov, scale)
		return AccelFit{}, accelRefusal(fmt.Sprintf("the poses are too similar: tilt would be uncertain by %.2g° (1 sigma), %.2g° allowed", fit.WorstTiltDeg, a.opt.MaxTiltDeg),
			"add a rest pose with "+axisWords(next)+" up")
	}
	fit.Next, fit.NextTiltSigmaDeg = a.next(p, cov, scale)
	return fit, nil
}

// accelCov spreads the covariance of the nine parameters over the twelve
// coefficients.
func accelCov(cov mat.Symmetric, scale float64) Cov12 {
	var from [12]int
	for i := range 3 {
		from[i] = i
	}
	for k, ix := range symIndex {
		from[3+3*ix[0]+ix[1]] = 3 + k
		from[3+3*ix[1]+ix[0]] = 3 + k
	}
	var c Cov12
	for i := range 12 {
		for j := range 12 {
			c[i][j] = scale * cov.At(from[i], from[j])
		}
	}
	return c
}
