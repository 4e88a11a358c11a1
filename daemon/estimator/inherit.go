package estimator

import "gonum.org/v1/gonum/spatial/r3"

// Inherit takes over what another estimator has learned of the same gyroscope
// and of the noise at rest, before the first sample. Without it an estimator
// that begins in the middle of a movement takes the turn for the offset. turn
// brings o's body axes to e's.
func (e *Estimator) Inherit(o *Estimator, turn func(r3.Vec) r3.Vec) {
	if o.rest.biasN >= 10 {
		e.rest.gyroBias, e.rest.biasN = turn(o.rest.gyroBias), o.rest.biasN
		e.rest.accelLevel.sigma, e.rest.gyroLevel.sigma = widest(o.rest.accelLevel.sigma), widest(o.rest.gyroLevel.sigma)
	}
	if t := o.hold.gyro; t.blocks > 0 {
		t.level, t.slope = turn(t.level), turn(t.slope)
		e.hold.gyro = t
	}
	offset, sigma := o.filter.GyroOffset()
	if s := max(sigma.X, sigma.Y, sigma.Z); o.filter.begun && s > 0 && s < e.filter.opt.GyroOffset {
		e.filter.offset, e.filter.learned2 = fromR3(turn(offset)), s*s
	}
}

// widest is the largest of the three on every axis: axes may have been turned.
func widest(v r3.Vec) r3.Vec {
	m := max(v.X, v.Y, v.Z)
	return r3.Vec{X: m, Y: m, Z: m}
}
