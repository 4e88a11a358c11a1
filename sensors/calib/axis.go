package calib

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// AxisOptions steer FitAxis; zero values take the defaults.
type AxisOptions struct {
	// Toward is roughly the direction of the axis toward the night sky, in sensor
	// axes; it picks one of the two ends. +x.
	Toward r3.Vec
	// GyroBias is the rate at rest, rad/s, and GyroBiasSigma its 1 sigma per
	// axis; 0.002.
	GyroBias      r3.Vec
	GyroBiasSigma float64
	// GyroMatrixSigma is the 1-sigma error of each entry of the gyroscope's
	// scale and axis matrix; 0.02 (data sheets' cross-axis figures).
	GyroMatrixSigma float64
	// Accel is the calibration that corrected the specific force; nil: taken as
	// free of error.
	Accel *Affine
	// MinArcRad refuses shorter turns; 80°, so that a quarter turn passes.
	MinArcRad float64
}

// Axis is the direction of the tracker's rotation axis in sensor axes.
type Axis struct {
	Dir r3.Vec // unit length, toward the night sky
	// Cov is the covariance of Dir across itself, rad².
	Cov      Mat3
	SigmaRad float64 // the larger of its two 1 sigmas
	ArcRad   float64 // how far the head was turned
	// ConeRad is the angle between axis and vertical: 90° minus the altitude of
	// the axis. Small cones leave gravity little to say.
	ConeRad float64
	// ByGravity and ByGyro are the two answers that Dir combines, zero where one
	// had nothing to say, and their larger 1 sigmas (rad).
	ByGravity, ByGyro             r3.Vec
	GravitySigmaRad, GyroSigmaRad float64
	// ResidualRMS is how far up left its cone about the axis, rad.
	ResidualRMS float64
}

func axisRefusal(reason, advice string) *Refusal {
	return &Refusal{What: "axis of the head", Reason: reason, Advice: advice}
}

// FitAxis finds the rotation axis from samples taken while the tracker's head,
// with the board on it, was turned by hand through MinArcRad or more. samples
// hold the corrected specific force and the rates as read.
//
// Two independent ways are combined by their covariance. Gravity, seen from the
// head, runs on a cone about the axis: n·up is constant (least squares on the
// plane through the directions of up). And while the head turns about an axis
// that is fixed in it, the integral of the rate is the axis times the angle. The
// first is limited by the accelerometer's calibration, the second by the
// gyroscope's axes. A *Refusal says when the arc was too small or the motion no
// rotation about one axis.
func FitAxis(samples []sensors.InertialSample, opt AxisOptions) (Axis, error) {
	if opt.Toward == (r3.Vec{}) {
		opt.Toward = r3.Vec{X: 1}
	}
	for v, d := range map[*float64]float64{&opt.GyroBiasSigma: 0.002, &opt.GyroMatrixSigma: 0.02, &opt.MinArcRad: rad(80)} {
		if *v <= 0 {
			*v = d
		}
	}
	const advice = "turn the head slowly and evenly through at least a quarter, better a half, without moving the tripod"
	samples = finiteOnly(samples)
	if len(samples) < 20 {
		return Axis{}, axisRefusal(fmt.Sprintf("%d samples", len(samples)), advice)
	}
	nodes := axisNodes(samples, &opt)
	gyro := gyroAxis(samples, &opt)
	gravity, arc, err := gravityAxis(nodes, &opt)
	switch {
	case hasGyro(samples):
		arc = gyro.ArcRad
	case err != nil:
		return Axis{}, axisRefusal(err.Error(), advice)
	}
	if arc < opt.MinArcRad {
		return Axis{}, axisRefusal(fmt.Sprintf("the head was turned by %.0f°, %.0f° are needed", deg(arc), deg(opt.MinArcRad)), advice)
	}
	out, err := combineAxes(gravity, gyro, &opt)
	if err != nil {
		return Axis{}, axisRefusal(err.Error(), advice)
	}
	out.ArcRad = arc
	out.describe(nodes)
	if r := deg(out.ResidualRMS); r > 2 {
		return Axis{}, axisRefusal(fmt.Sprintf("up left its cone about the axis by %.1f°, so the board did not turn about one fixed axis", r), advice)
	}
	return out, nil
}

// axisNodes are the directions of up, each over a quarter of a second.
func axisNodes(samples []sensors.InertialSample, o *AxisOptions) []r3.Vec {
	const length = 250 * time.Millisecond
	t := newTrack(samples, o.GyroBias, length, 0)
	gyro := hasGyro(samples)
	var nodes []r3.Vec
	for lo := 0; lo < len(samples); {
		hi := lo
		for hi < len(samples) && samples[hi].At-samples[lo].At < length {
			hi++
		}
		mid := (lo + hi) / 2
		up := samples[mid].Accel
		if gyro {
			up = t.stable(lo, mid, hi)
		} else if hi-lo > 1 {
			up = r3.Vec{}
			for _, s := range samples[lo:hi] {
				up = r3.Add(up, s.Accel)
			}
		}
		if finite(up) && up != (r3.Vec{}) {
			nodes = append(nodes, r3.Unit(up))
		}
		lo = hi
	}
	return nodes
}

// gyroAxis is the integral of the rate while the head turned, with the doubt of
// bias and gyroscope axes. Dir is zero without rotation.
func gyroAxis(samples []sensors.InertialSample, o *AxisOptions) Axis {
	if !hasGyro(samples) {
		return Axis{}
	}
	// Rates well under the mean turning rate belong to the rests before and
	// after, where only the bias would be summed.
	var fastest float64
	for i := range samples {
		fastest = max(fastest, r3.Norm(r3.Sub(samples[i].Gyro, o.GyroBias)))
	}
	var sum r3.Vec
	var turned, seconds float64
	for i := 1; i < len(samples); i++ {
		w := r3.Sub(r3.Scale(0.5, r3.Add(samples[i-1].Gyro, samples[i].Gyro)), o.GyroBias)
		dt := (samples[i].At - samples[i-1].At).Seconds()
		if r3.Norm(w) < 0.05*fastest || dt <= 0 {
			continue
		}
		// The head may be turned forth and back: count the sense by the axis so
		// far.
		phi := r3.Scale(dt, w)
		if r3.Dot(phi, sum) < 0 {
			phi = r3.Scale(-1, phi)
		}
		sum = r3.Add(sum, phi)
		turned += r3.Norm(phi)
		seconds += dt
	}
	arc := r3.Norm(sum)
	if arc < rad(10) {
		return Axis{}
	}
	a := Axis{Dir: toward(r3.Unit(sum), o.Toward), ArcRad: arc}
	// Wobble: path that is not along the axis, by its own random walk.
	wobble := math.Max(0, turned-arc) / arc
	s2 := o.GyroMatrixSigma*o.GyroMatrixSigma + math.Pow(o.GyroBiasSigma*seconds/arc, 2) + wobble*wobble
	a.Cov = acrossCov(&Mat3{0: s2, 4: s2, 8: s2}, a.Dir)
	a.SigmaRad = math.Sqrt(s2)
	return a
}

func toward(v, t r3.Vec) r3.Vec {
	if r3.Dot(v, t) < 0 {
		return r3.Scale(-1, v)
	}
	return v
}

// gravityAxis fits the plane n·up = c. The arc is measured about n.
func gravityAxis(nodes []r3.Vec, o *AxisOptions) (Axis, float64, error) {
	if len(nodes) < 6 {
		return Axis{}, 0, fmt.Errorf("%d directions of gravity", len(nodes))
	}
	ch := newChannel(len(nodes), rad(0.5))
	ch.floor = rad(0.01)
	var n, mean r3.Vec
	var s *mat.SymDense
	for range 6 {
		mean, s = planeScatter(nodes, ch.weight)
		var eig mat.EigenSym
		if !eig.Factorize(s, true) {
			return Axis{}, 0, fmt.Errorf("gravity shows no axis")
		}
		var v mat.Dense
		eig.VectorsTo(&v)
		n = toward(r3.Vec{X: v.At(0, 0), Y: v.At(1, 0), Z: v.At(2, 0)}, o.Toward)
		for i := range nodes {
			ch.resid[i] = r3.Dot(n, r3.Sub(nodes[i], mean))
		}
		ch.reweigh(false)
	}
	ch.correlate(1)
	arc := arcAbout(nodes, n)
	// First order: dn = −S⁺ Σ w (up − mean) (n·dup), within the plane across n.
	pinv, ok := planeInverse(s, n)
	if radius := math.Sqrt(mat.Trace(s) / float64(len(nodes))); !ok || radius < 10*ch.sigma {
		return Axis{}, arc, fmt.Errorf("up stayed within %.1f° of one direction", deg(radius))
	}
	a := Axis{Dir: n}
	noise := ch.sigma * ch.sigma * ch.tau
	for i := range a.Cov {
		a.Cov[i] = noise * pinv[i]
	}
	if o.Accel != nil {
		addAxisAccel(&a, nodes, ch.weight, mean, &pinv, o.Accel)
	}
	a.SigmaRad = math.Sqrt(tangentMax(&a.Cov))
	return a, arc, nil
}

func planeScatter(nodes []r3.Vec, w []float64) (mean r3.Vec, s *mat.SymDense) {
	var sw float64
	for i := range nodes {
		mean = r3.Add(mean, r3.Scale(w[i], nodes[i]))
		sw += w[i]
	}
	mean = r3.Scale(1/sw, mean)
	s = mat.NewSymDense(3, nil)
	for i := range nodes {
		d := r3.Sub(nodes[i], mean)
		s.SymRankOne(s, w[i], mat.NewVecDense(3, []float64{d.X, d.Y, d.Z}))
	}
	return mean, s
}

// planeInverse is the inverse of s within the plane across n.
func planeInverse(s *mat.SymDense, n r3.Vec) (Mat3, bool) {
	e1 := r3.Unit(r3.Cross(n, leastAxis(n)))
	e2 := r3.Cross(n, e1)
	m := Mat3{s.At(0, 0), s.At(0, 1), s.At(0, 2), s.At(1, 0), s.At(1, 1), s.At(1, 2), s.At(2, 0), s.At(2, 1), s.At(2, 2)}
	a, b, c := m.form(e1, e1), m.form(e1, e2), m.form(e2, e2)
	det := a*c - b*b
	if !(det > 1e-12*(a+c)*(a+c)) || a+c == 0 {
		return Mat3{}, false
	}
	return spread(e1, e2, c/det, -b/det, a/det), true
}

// leastAxis is the coordinate axis that is least along n.
func leastAxis(n r3.Vec) r3.Vec {
	x, y, z := math.Abs(n.X), math.Abs(n.Y), math.Abs(n.Z)
	switch {
	case x <= y && x <= z:
		return r3.Vec{X: 1}
	case y <= z:
		return r3.Vec{Y: 1}
	}
	return r3.Vec{Z: 1}
}

// addAxisAccel adds what the accelerometer's calibration error does to the
// axis; it is common to all directions and does not average out.
func addAxisAccel(a *Axis, nodes []r3.Vec, w []float64, mean r3.Vec, pinv *Mat3, accel *Affine) {
	var g [3][12]float64
	for i := range nodes {
		u := nodes[i]
		d := pinv.Apply(r3.Scale(-w[i], r3.Sub(u, mean)))
		across := r3.Scale(1/standardGravity, r3.Sub(a.Dir, r3.Scale(r3.Dot(a.Dir, u), u)))
		j := accel.jacobian(r3.Scale(standardGravity, u))
		for k := range 12 {
			v := across.X*j[0][k] + across.Y*j[1][k] + across.Z*j[2][k]
			g[0][k] += d.X * v
			g[1][k] += d.Y * v
			g[2][k] += d.Z * v
		}
	}
	for r := range 3 {
		for s := range 3 {
			for k := range 12 {
				for l := range 12 {
					a.Cov[3*r+s] += g[r][k] * accel.Cov[k][l] * g[s][l]
				}
			}
		}
	}
}

// arcAbout is the angle about n between the outermost directions, found from
// the largest gap between neighbours around the circle.
func arcAbout(nodes []r3.Vec, n r3.Vec) float64 {
	e1 := r3.Unit(r3.Cross(n, leastAxis(n)))
	e2 := r3.Cross(n, e1)
	const bins = 180
	var seen [bins]bool
	for i := range nodes {
		phi := math.Atan2(r3.Dot(e2, nodes[i]), r3.Dot(e1, nodes[i]))
		seen[min(bins-1, int((phi+math.Pi)/(2*math.Pi)*bins))] = true
	}
	gap, run := 0, 0
	for k := range 2 * bins {
		run++
		if seen[k%bins] {
			run = 0
		}
		gap = max(gap, run)
	}
	return 2 * math.Pi * (1 - float64(min(gap, bins))/bins)
}

// combineAxes weighs the two answers by the inverse of their covariances across
// the axis, after checking that they agree.
func combineAxes(gravity, gyro Axis, o *AxisOptions) (Axis, error) {
	const useless = 0.25 // rad; a worse answer is left out
	var out Axis
	if gravity.Dir != (r3.Vec{}) && gravity.SigmaRad < useless {
		out.ByGravity, out.GravitySigmaRad = gravity.Dir, gravity.SigmaRad
	}
	if gyro.Dir != (r3.Vec{}) && gyro.SigmaRad < useless {
		out.ByGyro, out.GyroSigmaRad = gyro.Dir, gyro.SigmaRad
	}
	base, other := &gravity, &gyro
	switch {
	case out.ByGravity == (r3.Vec{}) && out.ByGyro == (r3.Vec{}):
		return Axis{}, fmt.Errorf("neither gravity nor gyroscope shows the axis better than to %.0f°", deg(useless))
	case out.ByGyro == (r3.Vec{}):
		out.Dir, out.Cov, out.SigmaRad = gravity.Dir, gravity.Cov, gravity.SigmaRad
		return out, nil
	case out.ByGravity == (r3.Vec{}):
		out.Dir, out.Cov, out.SigmaRad = gyro.Dir, gyro.Cov, gyro.SigmaRad
		return out, nil
	case gyro.SigmaRad < gravity.SigmaRad:
		base, other = &gyro, &gravity
	}
	// Both may name opposite ends when Toward lies across the axis.
	other.Dir = toward(other.Dir, base.Dir)
	apart := math.Acos(min(1, r3.Dot(base.Dir, other.Dir)))
	if both := math.Hypot(gravity.SigmaRad, gyro.SigmaRad); apart > 4*both {
		return Axis{}, fmt.Errorf("gravity and gyroscope name axes %.1f° apart, %.1f° (1 sigma) would be usual, so the board did not turn about one fixed axis", deg(apart), deg(both))
	}
	e1 := r3.Unit(r3.Cross(base.Dir, leastAxis(base.Dir)))
	e2 := r3.Cross(base.Dir, e1)
	two := func(c *Mat3) *mat.SymDense {
		return mat.NewSymDense(2, []float64{c.form(e1, e1), c.form(e1, e2), c.form(e1, e2), c.form(e2, e2)})
	}
	var sum, inv mat.SymDense
	var chol mat.Cholesky
	cb, co := two(&base.Cov), two(&other.Cov)
	sum.AddSym(cb, co)
	if !chol.Factorize(&sum) || chol.InverseTo(&inv) != nil {
		return Axis{}, fmt.Errorf("gravity and gyroscope show no axis")
	}
	var gain, shift, left mat.Dense
	gain.Mul(cb, &inv)
	shift.Mul(&gain, mat.NewDense(2, 1, []float64{r3.Dot(e1, other.Dir), r3.Dot(e2, other.Dir)}))
	left.Mul(&gain, cb)
	out.Dir = toward(r3.Unit(r3.Add(base.Dir, r3.Add(r3.Scale(shift.At(0, 0), e1), r3.Scale(shift.At(1, 0), e2)))), o.Toward)
	out.Cov = spread(e1, e2, cb.At(0, 0)-left.At(0, 0), cb.At(0, 1)-left.At(0, 1), cb.At(1, 1)-left.At(1, 1))
	out.SigmaRad = math.Sqrt(tangentMax(&out.Cov))
	return out, nil
}

// spread is the 3x3 form of the symmetric 2x2 matrix a, b, c in the plane of the
// unit vectors e1 and e2.
func spread(e1, e2 r3.Vec, a, b, c float64) Mat3 {
	x, y := [3]float64{e1.X, e1.Y, e1.Z}, [3]float64{e2.X, e2.Y, e2.Z}
	var m Mat3
	for i := range 3 {
		for j := range 3 {
			m[3*i+j] = a*x[i]*x[j] + b*(x[i]*y[j]+y[i]*x[j]) + c*y[i]*y[j]
		}
	}
	return m
}

// describe fills in cone and residual.
func (a *Axis) describe(nodes []r3.Vec) {
	var c, s2 float64
	for i := range nodes {
		c += r3.Dot(a.Dir, nodes[i]) / float64(len(nodes))
	}
	for i := range nodes {
		d := r3.Dot(a.Dir, nodes[i]) - c
		s2 += d * d / float64(len(nodes))
	}
	a.ConeRad = math.Acos(min(1, max(-1, c)))
	a.ResidualRMS = math.Sqrt(s2) / max(0.05, math.Sin(a.ConeRad))
}
