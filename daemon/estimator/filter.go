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
)

// Filter estimates the attitude of the sensor axes in the local frame east,
// north (magnetic), up from angular rate, specific force and magnetic field,
// with the uncertainty of heading and inclination. It is causal, allocates
// nothing per sample and is not safe for concurrent use. The package text
// describes the model.
type Filter struct {
	_    [0]func() // never compared: no code for that
	opt  FilterOptions
	tune tuning

	q      quat.Number // sensor axes to the level frame, whose heading is the gyroscope's
	rot    mat3        // of q
	offset vec3        // of the gyroscope, rad/s
	// learned2 is the variance of an offset known before the first sample, 0 for
	// none.
	learned2 float64
	rate     vec3 // last rate without offset, sensor axes

	begun         bool
	origin        time.Duration // of the first sample
	last, lastMag float64       // s since origin
	haveMag       bool
	gyroTurn      float64 // rad about up, gyroscope alone
	gyroWalk      float64 // rad², variance of it without that of the offset
	turning       float64 // (rad/s)², largest squared mean rate since the last rest
	since         float64 // s since origin when the disturbance began
	refused       uint64

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
	f.opt.Field = e
	f.head.setModel(e)
}

// Inertial takes one sample: specific force (m/s²) and angular rate (rad/s) in
// sensor axes at the time at; both are taken as means over the interval since the
// last sample, which is what a chip's low-pass filter makes of them. A sample that is not finite, absurdly large or not later than the
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
		if f.learned2 > 0 {
			f.tilt.p[tOffset+i][tOffset+i] = f.learned2
		}
	}
	f.still.begin(a, g)
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
	switch {
	case f.opt.NoGyro:
		f.head.wander += f.freeHeading()
		f.levelOnly()
	case f.still.rest:
		f.head.wander += square(f.tune.restTurn) * f.tilt.span
		f.updateTilt(walk, turned)
	default:
		f.head.wander += turned
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
		// While the jump was being proven, it turned the level frame.
		h := &f.head
		h.p[cRate][cRate] += jump
		h.spread(min(jump*square(offsetProof), 1))
		h.saved.ok, h.saving.ok = false, false
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

func (f *Filter) updateHeading(walk float64) {
	h, t := &f.head, &f.tilt
	d := drift{turnVar: h.wander}
	if !f.opt.NoGyro {
		d.rateVar = max(t.offsetVariance(&f.rot[2]), square(f.tune.creep))
		d.rateWalk = walk
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
