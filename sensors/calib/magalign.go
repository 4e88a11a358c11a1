package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// fitAligned is the joint fit of strength, dip and turns, from the shape.
func fitAligned(raws []r3.Vec, magnetic []sensors.MagneticSample, inertial []sensors.InertialSample, s *shapeFit, o *MagOptions) (MagFit, error) {
	a := s.problem
	p := s.p
	strength := p[pField]
	a.usePairs(magnetic, inertial, o)
	a.skewSigma = o.AlignSigmaRad
	if err := a.mounted(p, o); err != nil {
		return MagFit{}, err
	}
	if o.DipSigmaRad > 0 {
		sin, cos := math.Sincos(o.DipRad)
		a.know(pDown, strength*sin, strength*cos*o.DipSigmaRad+1e-3*strength)
	} else {
		a.know(pDown, 0, 10*strength)
	}
	if len(a.ups) > 0 {
		for i := range a.ups {
			_, m := paramsOf(p)
			p[pDown] -= r3.Dot(a.ups[i].up, m.Apply(r3.Sub(a.ups[i].raw, r3.Vec{X: p[0], Y: p[1], Z: p[2]}))) / float64(len(a.ups))
		}
	}
	var q *normal
	if len(a.ups)+len(a.turns) > 0 {
		var err error
		if q, err = a.solve(p, 2, 2); err != nil {
			return MagFit{}, magRefusal(err.Error(), turnAdvice)
		}
	} else { // the shape is the solution; only the rotation's doubt is added
		q = newNormal(pCount)
		a.build(p, q)
	}
	inv, cov, err := a.covariance(p, q)
	if err != nil {
		return MagFit{}, magRefusal(err.Error(), turnAdvice)
	}
	a.addAccelError(p, inv, cov, o.Accel, o.Gravity)
	fit := MagFit{
		Affine: affineOf(Magnetometer, p, cov), Coverage: s.coverage,
		FieldUT: p[pField], StrengthKnown: o.StrengthUT > 0,
		DipPairs: len(a.ups), TurnPairs: len(a.turns),
		StrengthNoiseUT: a.strength.sigma,
	}
	a.describe(&fit, raws, p, cov, o)
	return fit, nil
}

// timeJitter is how far, 1 sigma, the times of single samples scatter: a chip at
// 100 Hz that is polled has waited with its sample for anything up to 10 ms. In a
// fast turn that outweighs all noise, and is no noise that averages out.
const timeJitter = 0.003 // s

// usePairs takes the pairs of the recording, and what is believed of the
// gyroscope and the times before.
func (a *magProblem) usePairs(magnetic []sensors.MagneticSample, inertial []sensors.InertialSample, o *MagOptions) {
	strength := a.mean[pField]
	a.ups, a.turns = pairUp(magnetic, inertial, o)
	a.dip, a.turn = newChannel(len(a.ups), 0.03*strength), newChannel(3*len(a.turns), 0.02*strength)
	a.dip.floor, a.turn.floor = 1e-4*strength, 1e-4*strength
	a.turn.blur = make([]float64, 3*len(a.turns))
	for i := range a.turns {
		b := timeJitter * timeJitter * (r3.Norm2(a.turns[i].rateA) + r3.Norm2(a.turns[i].rateB))
		a.turn.blur[3*i], a.turn.blur[3*i+1], a.turn.blur[3*i+2] = b, b, b
	}
	a.know(pLag, 0, o.LagSigmaS)
	for i := pBias; i < pGyro; i++ {
		a.know(i, 0, o.GyroBiasSigma)
	}
	for i := pGyro; i < pCount; i++ {
		a.know(i, 0, o.GyroMatrixSigma)
	}
}

// addAccelError adds to cov what the accelerometer's calibration error does to
// the solution: with the normal matrix N and up's error as a function of the
// accelerometer's coefficients c, dp = −N⁻¹ (Σ w jᵀ dr/dc) dc.
func (a *magProblem) addAccelError(p []float64, inv, cov *mat.SymDense, accel *Affine, gravity float64) {
	if accel == nil || len(a.ups) == 0 {
		return
	}
	k := mat.NewDense(pCount, 12, nil)
	o, m := paramsOf(p)
	for i := range a.ups {
		var j [pLag + 1]float64
		a.dipRow(p, i, &j)
		u := a.ups[i].up
		c := m.Apply(r3.Sub(a.ups[i].raw, o))
		c = r3.Scale(1/gravity, r3.Sub(c, r3.Scale(r3.Dot(c, u), u)))
		ja := accel.jacobian(r3.Scale(gravity, u))
		w := a.dip.w(i)
		for col := range 12 {
			d := w * (c.X*ja[0][col] + c.Y*ja[1][col] + c.Z*ja[2][col])
			for row, jr := range j {
				k.Set(row, col, k.At(row, col)+jr*d)
			}
		}
	}
	var g, gc, extra mat.Dense
	g.Mul(inv, k)
	ac := mat.NewDense(12, 12, nil)
	for i := range 12 {
		for j := range 12 {
			ac.Set(i, j, accel.Cov[i][j])
		}
	}
	gc.Mul(&g, ac)
	extra.Mul(&gc, g.T())
	for i := range pCount {
		for j := i; j < pCount; j++ {
			cov.SetSym(i, j, cov.At(i, j)+extra.At(i, j))
		}
	}
}

// describe fills in everything that is derived from the solution.
func (a *magProblem) describe(fit *MagFit, raws []r3.Vec, p []float64, cov mat.Symmetric, o *MagOptions) {
	aff := &fit.Affine
	aff.Readings = len(raws)
	var s, s2 float64
	for _, raw := range raws {
		n := r3.Norm(aff.Apply(raw, math.NaN()))
		s += n
		s2 += (n - p[pField]) * (n - p[pField])
	}
	mean := s / float64(len(raws))
	aff.ResidualRMS = math.Sqrt(s2 / float64(len(raws)))
	fit.ResidualPercent = 100 * strengthScatter(aff, raws)
	for _, w := range a.strength.weight {
		fit.Outliers += float64(b2i(w == 0)) / float64(len(raws))
	}
	if len(a.ups) > 0 {
		fit.DipNoiseUT = a.dip.sigma
	}
	if len(a.turns) > 0 {
		fit.TurnNoiseUT = a.turn.sigma
	}
	fit.Rotation, fit.RotationSigma = rotationPart(aff)
	fit.Aligned = max(fit.RotationSigma.X, fit.RotationSigma.Y, fit.RotationSigma.Z) < 0.5*o.AlignSigmaRad
	switch {
	case len(a.ups) > 0 && fit.Aligned:
		fit.DipKnown = true
		fit.DipRad = math.Asin(min(1, max(-1, p[pDown]/mean)))
		fit.DipSigmaRad = math.Sqrt(cov.At(pDown, pDown)) / (mean * math.Cos(fit.DipRad))
	case o.DipSigmaRad > 0:
		fit.DipKnown, fit.DipRad, fit.DipSigmaRad = true, o.DipRad, o.DipSigmaRad
	}
	if len(a.turns) > 0 {
		fit.GyroBiasKnown = true
		fit.GyroBias = r3.Add(o.GyroBias, r3.Vec{X: p[pBias], Y: p[pBias+1], Z: p[pBias+2]})
		sd := func(i int) float64 { return math.Sqrt(cov.At(i, i)) }
		fit.GyroBiasSigma = r3.Vec{X: sd(pBias), Y: sd(pBias + 1), Z: sd(pBias + 2)}
	}
	fit.HeadingDipRad = o.DipAssumedRad
	if fit.DipKnown {
		fit.HeadingDipRad = fit.DipRad
	}
	fit.HeadingSigmaDeg = deg(HeadingSigmaLevel(aff, o.Accel, p[pField], fit.HeadingDipRad, o.Up))
}

// rotationPart is the rotation R, as a vector, of the polar decomposition
// Matrix = R·S with S symmetric, and its 1 sigma per axis. To first order in
// the off-diagonal entries R turns by half their antisymmetric differences over
// the mean of the diagonal; the sigma is that order's.
func rotationPart(a *Affine) (rot, sigma r3.Vec) {
	eig, ok := a.Matrix.square()
	if !ok {
		return r3.Vec{}, r3.Vec{}
	}
	// S = V·diag(s)·Vᵀ, so R = Matrix·V·diag(1/s)·Vᵀ.
	var v, unstretched, r mat.Dense
	eig.VectorsTo(&v)
	squares := eig.Values(nil)
	unstretched.Apply(func(_, j int, x float64) float64 { return x / math.Sqrt(squares[j]) }, &v)
	r.Product(mat.NewDense(3, 3, a.Matrix[:]), &unstretched, v.T())
	axis := r3.Vec{X: r.At(2, 1) - r.At(1, 2), Y: r.At(0, 2) - r.At(2, 0), Z: r.At(1, 0) - r.At(0, 1)}
	sin := r3.Norm(axis) / 2
	angle := math.Atan2(sin, (mat.Trace(&r)-1)/2)
	if sin > 1e-12 {
		rot = r3.Scale(angle/(2*sin), axis)
	}
	d := (a.Matrix[0] + a.Matrix[4] + a.Matrix[8]) / 3
	half := func(i, j int) float64 {
		x, y := pMatrix+i, pMatrix+j
		return math.Sqrt(max(0, a.Cov[x][x]+a.Cov[y][y]-2*a.Cov[x][y])) / (2 * d)
	}
	return rot, r3.Vec{X: half(7, 5), Y: half(2, 6), Z: half(3, 1)}
}

// HeadingSigmaLevel is the 1-sigma heading error in rad, root mean square over
// all headings, that the calibrations leave to a board whose direction up (in
// sensor axes) stands vertical, in a field of strength µT and dip rad. accel may
// be nil: then tilt is taken as free of error. The tilt's error enters by the
// tangent of the dip; the two calibrations' errors are taken as independent.
func HeadingSigmaLevel(mag, accel *Affine, strength, dip float64, up r3.Vec) float64 {
	var tilt Mat3
	if accel != nil {
		tilt = accel.DirectionCov(r3.Scale(standardGravity, r3.Unit(up)), math.NaN())
	}
	const steps = 24
	var sum float64
	for _, h := range levelFields(strength, dip, up, steps) {
		s := mag.HeadingSigma(h.field, up, math.NaN())
		t := math.Tan(dip)
		sum += s*s + t*t*tilt.form(h.east, h.east)
	}
	return math.Sqrt(sum / steps)
}

// levelField is the field and the directions of magnetic north and east, all in
// sensor axes, for one heading of a level board.
type levelField struct{ field, north, east r3.Vec }

// levelFields turns a board, up vertical, through evenly spaced headings.
func levelFields(strength, dip float64, up r3.Vec, steps int) []levelField {
	up = r3.Unit(up)
	e0 := r3.Unit(r3.Cross(leastAxis(up), up))
	n0 := r3.Cross(up, e0)
	out := make([]levelField, steps)
	for k := range out {
		s, c := math.Sincos(2 * math.Pi * float64(k) / float64(steps))
		north := r3.Add(r3.Scale(c, n0), r3.Scale(s, e0))
		out[k] = levelField{
			north: north, east: r3.Cross(north, up),
			field: r3.Sub(r3.Scale(strength*math.Cos(dip), north), r3.Scale(strength*math.Sin(dip), up)),
		}
	}
	return out
}
