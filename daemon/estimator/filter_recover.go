package estimator

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
)

// gapRate is the 1-sigma rate at which the board may have turned in a gap,
// rad/s.
const gapRate = 0.5

// openTilt is the sigma of a tilt read from one specific force: the worse the
// farther that is from gravity.
func openTilt(a *vec3) float64 {
	off := math.Abs(math.Sqrt(a.norm2())/gravity - 1)
	return min(0.1+2*off, 1)
}

// gap restarts what a pause of dt seconds has made worthless.
func (f *Filter) gap(dt float64, a, g *vec3) {
	turned := square(gapRate * dt)
	if a.norm2() > 0 {
		// Bring the measured force to the vertical, leaving the heading.
		e := f.rot.mul(a)
		f.q = unit(quat.Mul(levelled(&e), f.q))
		f.rot = rotation(f.q)
	}
	f.tilt.restart(openTilt(a))
	h := &f.head
	h.clear()
	h.spread(turned)
	h.saved.ok, h.saving.ok = false, false
	f.gyroWalk += turned
	f.rate = vec3{}
	s := f.still
	f.still.begin(a, g)
	f.still.noiseSum, f.still.noiseCount = s.noiseSum, s.noiseCount
}

// strainLimit is the mean ratio of the squared speed to its variance from which
// the tilt filter must have gone wrong; hard movement by hand reaches 1.2.
const strainLimit = 8

// reopen levels the attitude by the mean specific force and forgets the
// gyroscope's offset: something has happened that no model of this filter
// holds, for example rates beyond the range.
func (f *Filter) reopen() {
	e := f.rot.mul(&f.still.accel)
	if e.norm2() > 0 {
		f.q = unit(quat.Mul(levelled(&e), f.q))
		f.rot = rotation(f.q)
	}
	t := &f.tilt
	t.restart(reopenedTilt)
	for i := range 3 {
		for j := i; j < 3; j++ {
			t.p[tOffset+i][tOffset+j] = 0
		}
		t.p[tOffset+i][tOffset+i] = square(farOffset * f.opt.GyroOffset)
	}
	f.head.restart(&f.opt, &f.tune)
	f.head.p[cRate][cRate] = square(farOffset * f.opt.GyroOffset)
	f.gyroWalk += math.Pi * math.Pi
}

// reopenedTilt is the sigma of the tilt after that, rad.
const reopenedTilt = 0.3
