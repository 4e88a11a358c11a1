package estimator

import (
	"math"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Limits of what a sample may be and of what two samples may lie apart.
const (
	maxAccel   = 1e4 // m/s²
	maxRate    = 1e3 // rad/s
	maxFieldUT = 1e6

	gravity = sensors.StandardGravity

	// maxGap is the longest time between two inertial samples that is bridged
	// as if the rate had stayed, s.
	maxGap = 0.5
	// gapRate is the 1-sigma rate at which the board may have turned in a gap,
	// rad/s.
	gapRate = 0.5
)

// Filter estimates the attitude of the sensor axes in the local frame east,
// north (magnetic), up from angular rate, specific force and magnetic field,
// with the uncertainty of heading and inclination. It is causal, allocates
// nothing per sample and is not safe for concurrent use. The package text
// describes the model.
type Filter struct {
	opt  FilterOptions
	tune tuning

	q      quat.Number // sensor axes to the level frame, whose heading is the gyroscope's
	rot    mat3        // of q
	offset vec3        // of the gyroscope, rad/s
	rate   vec3        // last rate without offset, sensor axes

	begun          bool
	origin         time.Duration // of the first sample
	last, lastMag  float64       // s since origin
	haveMag        bool
	gyroTurn       float64 // rad about up, gyroscope alone
	gyroWalk       float64 // rad², variance of it without that of the offset
	turning        float64 // (rad/s)², largest squared mean rate since the last rest
	since          float64 // s since origin when the disturbance began
	refused, early uint64

	tilt  tiltFilter
	head  headingFilter
	still stillness
}

// NewFilter makes a filter that waits for its first sample.
func NewFilter(o FilterOptions) *Filter {
	f := &Filter{opt: o.withDefaults(), tune: defaultTuning(), q: quat.Number{Real: 1}}
	f.rot = rotation(f.q)
	f.head.restart(&f.opt, &f.tune)
	return f
}

// SetField tells what the field model expects at the site, from now on.
func (f *Filter) SetField(e Field) {
	if e.StrengthUT > 0 && !math.IsInf(e.StrengthUT, 0) {
		f.opt.Field = e
		f.head.setModel(e)
	}
}

// Inertial takes one sample: specific force (m/s²) and angular rate (rad/s) in
// sensor axes at the time at; the rate is that of the interval since the last
// sample. A sample that is not finite, absurdly large or not later than the
// last one is refused and counted.
func (f *Filter) Inertial(at time.Duration, accel, gyro r3.Vec) {
	if !within(accel, maxAccel) || !within(gyro, maxRate) {
		f.refused++
		return
	}
	a, g := fromR3(accel), fromR3(gyro)
	if f.opt.NoGyro {
		g = vec3{}
	}
	if !f.begun {
		f.begin(at, &a, &g)
		return
	}
	t := (at - f.origin).Seconds()
	dt := t - f.last
	if !(dt > 0) {
		f.refused++
		return
	}
	f.last = t
	if dt > maxGap {
		f.gap(dt, &a, &g)
		return
	}
	f.integrate(dt, &a, &g)
	f.still.add(&f.tune, dt, &a, &g)
	if f.tilt.span >= f.tune.epoch-1e-9 {
		f.update()
	}
}

// Magnetic takes one sample of the field, µT, in sensor axes. Samples before
// the first inertial one are passed over; bad ones are refused and counted.
func (f *Filter) Magnetic(at time.Duration, fieldUT r3.Vec) {
	if !within(fieldUT, maxFieldUT) {
		f.refused++
		return
	}
	if !f.begun {
		f.early++
		return
	}
	t := (at - f.origin).Seconds()
	if f.haveMag && !(t > f.lastMag) || math.Abs(t-f.last) > maxGap {
		f.refused++
		return
	}
	m := fromR3(fieldUT)
	r := &f.rot
	if d := t - f.last; d != 0 {
		// Carry the attitude to the time of the sample.
		q := quat.Mul(f.q, turnBy(f.rate[0]*d, f.rate[1]*d, f.rate[2]*d))
		near := rotation(q)
		r = &near
	}
	f.still.addField(t-f.lastMag, &m, f.opt.NoGyro)
	f.haveMag, f.lastMag = true, t
	f.head.add(r, &m, &f.rate)
}

func (f *Filter) begin(at time.Duration, a, g *vec3) {
	if a.norm2() == 0 {
		f.refused++
		return
	}
	f.begun, f.origin = true, at
	f.q = levelled(a)
	f.rot = rotation(f.q)
	f.head.anchor = f.q
	f.tilt.restart(openTilt(a))
	for i := range 3 {
		f.tilt.p[tOffset+i][tOffset+i] = square(f.opt.GyroOffset)
	}
	f.still.begin(a, g)
}

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

// integrate turns the attitude by one step and collects for the updates.
func (f *Filter) integrate(dt float64, a, g *vec3) {
	w := vec3{g[0] - f.offset[0], g[1] - f.offset[1], g[2] - f.offset[2]}
	f.rate = w
	f.q = unit(quat.Mul(f.q, turnBy(w[0]*dt, w[1]*dt, w[2]*dt)))
	r := rotation(f.q)
	var mid mat3
	for i := range 3 {
		mid[i][0] = 0.5 * (r[i][0] + f.rot[i][0])
		mid[i][1] = 0.5 * (r[i][1] + f.rot[i][1])
		mid[i][2] = 0.5 * (r[i][2] + f.rot[i][2])
	}
	f.rot = r
	turned := math.Sqrt(w.norm2()) * dt
	f.tilt.add(&mid, a, g, &w, dt, f.tune.moveMemory)
	f.head.span += dt
	f.head.path += turned
	f.gyroTurn += (mid[2][0]*w[0] + mid[2][1]*w[1] + mid[2][2]*w[2]) * dt
	if lim := 0.98 * f.opt.GyroRange; math.Abs(g[0]) > lim || math.Abs(g[1]) > lim || math.Abs(g[2]) > lim {
		f.tilt.clipped += square(0.5 * turned)
	}
}

// update runs the Kalman updates of one epoch.
func (f *Filter) update() {
	walk := f.settle()
	turned := f.turned()
	f.gyroWalk += turned
	f.head.wander += turned
	if f.opt.NoGyro {
		f.levelOnly()
	} else {
		f.updateTilt(walk, turned)
	}
	f.tilt.clear()
	f.head.stroll(f.q)
	if f.head.n > 0 {
		f.updateHeading(walk)
	}
}

// settle finds whether the board rests and gives the walk of the gyroscope's
// offset that goes with it.
func (f *Filter) settle() float64 {
	p := &f.tilt.p
	if f.still.quiet < f.tune.restTime {
		f.turning = max(f.turning, f.tilt.drift.norm2())
	} else if f.turning > 0 {
		// In a steady turn the error of the scale passes as offset; the first
		// rest after it must not trust the offset more than that.
		v := square(f.opt.GyroScale) * f.turning
		for i := range 3 {
			p[tOffset+i][tOffset+i] += v
		}
		f.turning = 0
	}
	v := vec3{p[tOffset][tOffset], p[tOffset+1][tOffset+1], p[tOffset+2][tOffset+2]}
	if f.opt.NoGyro {
		v = vec3{1, 1, 1}
	}
	if jump := f.still.settle(&f.tune, f.tilt.span, &f.offset, &v, f.opt.GyroNoise, square(f.opt.GyroOffset)); jump > 0 {
		for i := range 3 {
			p[tOffset+i][tOffset+i] += jump
		}
	}
	if f.still.quiet >= f.tune.restTime {
		// At rest, or in a turn as smooth as rest.
		return f.tune.gyroWalkRest
	}
	return f.tune.gyroWalkMove
}

// turned is the variance, rad² about each axis, by which the attitude has
// become uncertain since the last update, apart from the gyroscope's offset.
func (f *Filter) turned() float64 {
	// An error of scale and axes adds up as long as the turn goes one way: the
	// mean rate over some seconds counts, not the path.
	t := &f.tilt
	steady := 2 * f.tune.steadyTime * square(f.opt.GyroScale) * t.drift.norm2()
	return (steady+square(f.opt.GyroNoise)/2)*t.span + t.clipped
}

func (f *Filter) updateTilt(walk, turned float64) {
	t := &f.tilt
	t.predict(gravity, walk, turned)
	var x [tiltSize]float64
	if f.still.rest {
		n := float64(t.n)
		v := max(square(f.opt.GyroNoise)/2/t.span, f.still.rateVar/n)
		for i := range 3 {
			t.observe(tOffset+i, t.rate[i]/n-f.offset[i], v, &x)
		}
	}
	t.stand(&f.tune, &x)
	for i := range 2 {
		t.speed[i] += x[tSpeed+i]
		t.place[i] += x[tPlace+i]
	}
	for i := range 3 {
		f.offset[i] += x[tOffset+i]
		f.head.rateStep += x[tOffset+i] * f.rot[2][i]
	}
	f.turnBy(x[tEast], x[tNorth])
	if t.strain > strainLimit {
		f.reopen()
	}
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

// Without a gyroscope the attitude is free to turn at these rates, rad/√s.
const (
	freeTurnMoving = 1.0
	freeTurnRest   = 0.002
	// freeHeadingRest is larger: gravity does not show a turn about it.
	freeHeadingRest = 0.05
	// freeTilt is the least sigma of the tilt while moving, rad.
	freeTilt = 0.05
)

// levelOnly is the tilt update of a board without gyroscope: the mean specific
// force is gravity, give or take the motion.
func (f *Filter) levelOnly() {
	t := &f.tilt
	q := square(freeTurnMoving)
	if f.still.rest {
		q = square(freeTurnRest)
	}
	e := t.impulse
	h := math.Hypot(e[0], e[1])
	angle := math.Atan2(h, e[2])
	if h == 0 {
		h = 1
	}
	v := (t.motion + square(f.tune.accelFloor)) / square(gravity)
	if !f.still.rest {
		v = max(v, square(freeTilt))
	}
	var y [2]float64
	for i, c := range [2]float64{e[1] / h, -e[0] / h} {
		p := min(t.p[i][i]+q*t.span, square(math.Pi))
		k := p / (p + v)
		t.p[i][i] = p * (1 - k)
		y[i] = k * angle * c
	}
	f.turnBy(y[0], y[1])
}

func (f *Filter) updateHeading(walk float64) {
	h, t := &f.head, &f.tilt
	d := drift{
		turnVar:  h.wander,
		rateVar:  t.offsetVariance(&f.rot[2]),
		rateWalk: walk,
	}
	if f.still.rest {
		d.turnVar = square(f.tune.restTurn) * h.span
	}
	d.rateVar = max(d.rateVar, square(f.tune.creep))
	if f.opt.NoGyro {
		free := freeTurnMoving
		if f.still.rest {
			free = freeHeadingRest
		}
		d = drift{turnVar: square(free) * h.span}
	}
	was := h.on
	up := f.rot[2]
	rate, ok := h.update(&f.opt, &f.tune, f.magNoise(), [2]float64{t.p[tEast][tEast], t.p[tNorth][tNorth]}, d)
	if !ok {
		h.restart(&f.opt, &f.tune)
		return
	}
	for i := range 3 {
		f.offset[i] += rate * up[i]
	}
	if h.on && !was {
		f.since = f.last
	}
}

// magNoise is the variance of one field sample, µT².
func (f *Filter) magNoise() float64 {
	switch {
	case f.opt.MagNoiseUT > 0:
		return square(f.opt.MagNoiseUT)
	case f.still.noiseCount > 50:
		return max(f.still.noiseSum, square(0.02))
	}
	return square(0.5)
}

// turnBy turns the attitude about the horizontal axes of the level frame.
func (f *Filter) turnBy(x, y float64) {
	f.q = unit(quat.Mul(turnBy(x, y, 0), f.q))
	f.rot = rotation(f.q)
}

func within(v r3.Vec, limit float64) bool {
	// A comparison with NaN is false.
	return math.Abs(v.X) <= limit && math.Abs(v.Y) <= limit && math.Abs(v.Z) <= limit
}
