package daemon

import (
	"math"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

// accelBridge is how far the difference of two calibrated accelerometers may move
// within a night beside what temperature explains, m/s², 1 sigma per axis (0.06° of
// tilt): common practice, no source.
const accelBridge = 0.01

// readSecondInertial reads the second accelerometer. Its gyroscope, if it has one,
// counts only when it stands in for the first; the watch and the night log follow
// the first alone.
func (d *Daemon) readSecondInertial(now time.Duration) {
	s := d.inertial2
	fresh := s.dev == nil
	if !s.ready(now) || !fresh && s.rests(now, d.opt.Period) {
		return
	}
	dev := s.dev.(sensors.Inertial)
	if fresh {
		d.recall(now)
	}
	for {
		x, err := dev.ReadInertial()
		if err != nil {
			d.trouble(s, err)
			return
		}
		s.sample(now, x.At, x.TempC, x.Flags)
		if d.tap != nil {
			d.tap.takeSecondInertial(x)
		}
		i := d.opt.Inertial2
		if i.Correct.Apply != nil {
			x.Accel = i.Correct.Apply(x.Accel, x.TempC)
		}
		x.Accel, x.Gyro = i.Mount.apply(x.Accel), i.Mount.apply(x.Gyro)
		if !x.Flags.Has(sensors.Clipped) && !x.Flags.Has(sensors.Repeated) {
			d.forces.second(x.At, x.Accel)
			if d.bySecond || d.forces.silent(now) {
				d.standInInertial(dev.Spec(), x)
			}
		}
		if q, ok := s.dev.(queued); !ok || !q.Pending() {
			break
		}
	}
	s.check(now)
}

// standInInertial feeds the second alone. It is another sensor: the estimator starts
// anew with it, and with the first when that is back.
func (d *Daemon) standInInertial(spec sensors.InertialSpec, x sensors.InertialSample) {
	if !d.bySecond {
		d.log.Info("the second inertial sensor stands in for the first")
		d.bySecond, d.spec = true, spec
		d.rebuild()
	}
	d.rate = x.Gyro
	d.est.Inertial(x)
}

// joinForce joins the specific force of a sample of the first, corrected and in body
// axes, with what the second says at that time.
func (d *Daemon) joinForce(x sensors.InertialSample) sensors.InertialSample {
	p := &d.forces
	if d.opt.Inertial2 == nil {
		return x
	}
	if d.bySecond {
		d.bySecond = false
		d.rebuild()
	}
	v2, ok := p.first(x.At, x.Gyro)
	switch {
	case x.Flags.Has(sensors.Repeated):
		return x
	case !ok:
		x.Accel = p.firstAlone(x.Accel)
		return x
	case x.Flags.Has(sensors.Clipped) && p.bridged():
		x.Accel, x.Flags = p.secondAlone(v2), x.Flags&^sensors.Clipped
		return x
	}
	s2 := d.secondSpec()
	if !p.decided {
		variance := func(i *Inertial, s sensors.InertialSpec) float64 {
			c := i.left(x.Accel, s)
			return (c[0][0] + c[1][1] + c[2][2]) / 3
		}
		p.decide(x.At, variance(d.opt.Inertial, d.spec), variance(d.opt.Inertial2, s2))
		d.log.Info("two accelerometers", "first", d.spec.Chip, "second", s2.Chip, "share_of_second", p.weight)
	}
	noise := func(s sensors.InertialSpec) float64 { return s.AccelNoise * s.AccelNoise * s.RateHz / 2 }
	p.compare(x.At, r3.Sub(x.Accel, v2), r3.Norm(x.Gyro), d.forcesApart(x.Accel, s2), noise(d.spec)+noise(s2),
		time.Duration(float64(time.Second)/d.spec.RateHz))
	x.Accel = p.join(x.Accel, v2)
	return x
}

// secondSpec is that of the second accelerometer, zero while it does not answer.
func (d *Daemon) secondSpec() sensors.InertialSpec {
	if s := d.inertial2; s != nil && s.dev != nil {
		return s.dev.(sensors.Inertial).Spec()
	}
	return sensors.InertialSpec{}
}

// left is the covariance that the calibration, or its absence, leaves to a specific
// force in body axes.
func (i *Inertial) left(accel r3.Vec, s sensors.InertialSpec) estimator.Cov3 {
	if f := bodyError(i.Mount, i.Correct.Error); f != nil {
		return f(accel)
	}
	return estimator.Isotropic(math.Hypot(s.AccelOffset, s.AccelCross*sensors.StandardGravity))
}

// forcesApart is the variance per axis of the difference that calibrations and
// temperature explain.
func (d *Daemon) forcesApart(accel r3.Vec, s2 sensors.InertialSpec) r3.Vec {
	each := func(i *Inertial, s sensors.InertialSpec, tempC float64) r3.Vec {
		c := i.left(accel, s)
		dt := tempC - i.Correct.TempC
		if math.IsNaN(dt) {
			dt = usualDeltaC
		}
		drift, scale := s.AccelDriftPerC*dt, s.AccelScalePerC*dt
		at := func(v, x float64) float64 { return v + drift*drift + scale*scale*x*x + accelBridge*accelBridge }
		return r3.Vec{X: at(c[0][0], accel.X), Y: at(c[1][1], accel.Y), Z: at(c[2][2], accel.Z)}
	}
	return r3.Add(each(d.opt.Inertial, d.spec, d.inertial.status.TempC), each(d.opt.Inertial2, s2, d.inertial2.status.TempC))
}

// accelError is the covariance that the estimator asks for: of the first
// accelerometer, or of both as they are used at that moment; nil while neither is
// calibrated.
func (d *Daemon) accelError() func(r3.Vec) estimator.Cov3 {
	i, i2 := d.opt.Inertial, d.opt.Inertial2
	switch {
	case i2 == nil || i.Correct.Error == nil && i2.Correct.Error == nil:
		return bodyError(i.Mount, i.Correct.Error)
	case d.bySecond:
		return bodyError(i2.Mount, i2.Correct.Error)
	}
	return func(v r3.Vec) estimator.Cov3 {
		return d.forces.cov(i.left(v, d.spec), i2.left(v, d.secondSpec()), accelBridge)
	}
}

// alignment is the rotation that brings the calibrated poses of the second
// accelerometer onto those of the first: rest poses of one alone do not show how its
// axes lie in the board. The rotation is small, and found to first order from all
// poses that both saw.
func alignment(first, second []calib.Pose, a1, a2 *calib.Affine) (Mount, int) {
	n := mat.NewSymDense(3, nil)
	b := mat.NewVecDense(3, nil)
	pairs := 0
	for i := range first {
		for k := range second {
			p, q := &first[i], &second[k]
			mid := (p.Start + p.End) / 2
			if mid < q.Start || mid > q.End {
				continue
			}
			u1, u2 := r3.Unit(a1.Apply(p.Accel, p.TempC)), r3.Unit(a2.Apply(q.Accel, q.TempC))
			// u1 - u2 = ρ × u2: its normal equations are (1 - u2·u2ᵀ) ρ = u2 × u1.
			c := r3.Cross(u2, u1)
			v := [3]float64{u2.X, u2.Y, u2.Z}
			for r, y := range [3]float64{c.X, c.Y, c.Z} {
				b.SetVec(r, b.AtVec(r)+y)
				for s := r; s < 3; s++ {
					one := 0.0
					if r == s {
						one = 1
					}
					n.SetSym(r, s, n.At(r, s)+one-v[r]*v[s])
				}
			}
			pairs++
			break
		}
	}
	var rho mat.VecDense
	var chol mat.Cholesky
	if pairs < wantDirections || !chol.Factorize(n) || chol.SolveVecTo(&rho, b) != nil {
		return Straight(), pairs
	}
	v := r3.Vec{X: rho.AtVec(0), Y: rho.AtVec(1), Z: rho.AtVec(2)}
	angle := r3.Norm(v)
	if !(angle > 1e-9) {
		return Straight(), pairs
	}
	turn := r3.NewRotation(angle, v)
	var m Mount // rows of the rotation
	for _, e := range []struct {
		unit r3.Vec
		put  func(row *r3.Vec, x float64)
	}{
		{r3.Vec{X: 1}, func(row *r3.Vec, x float64) { row.X = x }},
		{r3.Vec{Y: 1}, func(row *r3.Vec, x float64) { row.Y = x }},
		{r3.Vec{Z: 1}, func(row *r3.Vec, x float64) { row.Z = x }},
	} {
		c := turn.Rotate(e.unit)
		e.put(&m[0], c.X)
		e.put(&m[1], c.Y)
		e.put(&m[2], c.Z)
	}
	return m, pairs
}
