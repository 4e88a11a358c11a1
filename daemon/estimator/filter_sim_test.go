package estimator

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// simBoard is an invented board with errors drawn from what FilterOptions
// promise, moved by a script of steady turns, for tests of the filter.
type simBoard struct {
	rnd *rand.Rand
	opt FilterOptions // with defaults

	rate                float64     // Hz
	magEvery            int         // inertial samples per field sample
	q, mid              quat.Number // now and half an interval ago
	offset, accelOff    vec3
	iron, stray, motion vec3
	gyroScale, magScale mat3
	field               vec3       // ENU, µT
	place, speed, push  [2]float64 // east and north, m, m/s, m/s²
	magnet              vec3       // added on the board, sensor axes
	outside             vec3       // added outside, ENU

	late int      // samples by which the field is late
	past []r3.Vec // fields so far

	n    int                                    // samples so far: the clock
	also func(at time.Duration, a, g, m r3.Vec) // sees every sample, too
}

func newSimBoard(seed uint64, o FilterOptions) *simBoard {
	o = o.withDefaults()
	if o.MagNoiseUT == 0 {
		o.MagNoiseUT = 0.4
	}
	b := &simBoard{rnd: rand.New(rand.NewPCG(seed, 17)), opt: o, rate: 50, magEvery: 1}
	b.field = vec3{0, 19, -44}
	b.offset = b.vec(o.GyroOffset)
	b.accelOff = b.vec(o.AccelOffset)
	b.iron = b.vec(o.MagOffsetUT)
	b.stray = b.vec(o.StrayUT)
	for i := range 3 {
		b.gyroScale[i] = b.vec(o.GyroScale)
		b.magScale[i] = b.vec(o.MagScale)
		b.gyroScale[i][i]++
		b.magScale[i][i]++
	}
	b.q = unit(quat.Mul(turnBy(0, 0, 2*math.Pi*b.rnd.Float64()), turnBy(0.3*b.rnd.NormFloat64(), -0.9, 0)))
	return b
}

func (b *simBoard) vec(sigma float64) vec3 {
	return vec3{sigma * b.rnd.NormFloat64(), sigma * b.rnd.NormFloat64(), sigma * b.rnd.NormFloat64()}
}

// run turns the board at the rate w (rad/s, ENU) for the time and feeds f.
func (b *simBoard) run(f *Filter, seconds float64, w vec3) {
	dt := 1 / b.rate
	turned := math.Sqrt(w.norm2())
	// Turning brings the board to another local field, over a radian.
	phi := math.Exp(-defaultTuning().strayTurn * turned * dt)
	for range int(math.Round(seconds * b.rate)) {
		d := b.vec(b.opt.StrayUT * math.Sqrt(1-phi*phi))
		for i := range 3 {
			b.stray[i] = b.stray[i]*phi + d[i]
		}
		h := dt / 2
		b.mid = unit(quat.Mul(turnBy(w[0]*h, w[1]*h, w[2]*h), b.q))
		b.q = unit(quat.Mul(turnBy(w[0]*dt, w[1]*dt, w[2]*dt), b.q))
		b.sample(f, w)
	}
}

func (b *simBoard) now() time.Duration { return time.Duration(float64(b.n) / b.rate * 1e9) }

func (b *simBoard) sample(f *Filter, w vec3) {
	b.n++
	at := b.now()
	r := rotation(b.q)
	var back mat3
	for i := range 3 {
		for j := range 3 {
			back[i][j] = r[j][i]
		}
	}
	g := back.mul(&w)
	g = b.gyroScale.mul(&g)
	// Rate and force are those of the whole interval, the field of its end.
	b.hand(w)
	mid := rotation(b.mid)
	var a vec3
	for i := range 3 {
		a[i] = mid[0][i]*b.push[0] + mid[1][i]*b.push[1] + mid[2][i]*gravity
	}
	e := b.field
	for i := range 3 {
		e[i] += b.stray[i] + b.outside[i]
	}
	m := back.mul(&e)
	m = b.magScale.mul(&m)
	// Density times root of half the rate is the sigma of one sample.
	gn, an, mn := b.vec(b.opt.GyroNoise*math.Sqrt(b.rate/2)), b.vec(0.02), b.vec(b.opt.MagNoiseUT)
	// The field error of motion lasts 0.3 s; in the long run it is as white
	// noise of the density moveField.
	const lasting = 0.3
	phi, moving := math.Exp(-1/(b.rate*lasting)), math.Sqrt(min(math.Sqrt(w.norm2())/fullMoveRate, 1))
	d := b.vec(defaultTuning().moveField * math.Sqrt((1-phi*phi)/(2*lasting)))
	for i := range 3 {
		b.motion[i] = b.motion[i]*phi + d[i]
		mn[i] += moving * b.motion[i]
	}
	for i := range 3 {
		g[i] += b.offset[i] + gn[i]
		a[i] += b.accelOff[i] + an[i]
		m[i] += b.iron[i] + b.magnet[i] + mn[i]
	}
	av, gv, mv := r3.Vec{X: a[0], Y: a[1], Z: a[2]}, r3.Vec{X: g[0], Y: g[1], Z: g[2]}, r3.Vec{X: m[0], Y: m[1], Z: m[2]}
	if b.late > 0 {
		b.past = append(b.past, mv)
		mv = b.past[max(0, len(b.past)-1-b.late)]
	}
	f.Inertial(at, av, gv)
	if b.magEvery > 0 && b.n%b.magEvery == 0 {
		f.Magnetic(at, mv)
	}
	if b.also != nil {
		b.also(at, av, gv, mv)
	}
}

// hand moves the board sideways while it turns: an arm as a damped spring of
// half a second, pushed at random to about 0.5 m/s².
func (b *simBoard) hand(w vec3) {
	const spring, damping = 3.0, 1.4 // rad/s and relative
	dt := 1 / b.rate
	for i := range 2 {
		n := 0.0
		if w.norm2() > 0 {
			n = b.rnd.NormFloat64() * 0.07 / math.Sqrt(dt)
		}
		b.push[i] = n - spring*spring*b.place[i] - damping*spring*b.speed[i]
		b.speed[i] += b.push[i] * dt
		b.place[i] += b.speed[i] * dt
	}
}

// errors of the filter's attitude: heading about up (signed) and inclination,
// rad.
func (b *simBoard) errors(f *Filter) (heading, inclination float64) {
	return attitudeErrors(f.Attitude(), b.q)
}

// attitudeErrors splits the turn from the true to the estimated attitude into
// that about the vertical and the rest, as the BROAD benchmark does (Laidig and
// others, Data 6(7):72, 2021).
func attitudeErrors(estimate, truth quat.Number) (heading, inclination float64) {
	e := quat.Mul(estimate, quat.Conj(truth))
	heading = math.Remainder(2*math.Atan2(e.Kmag, e.Real), 2*math.Pi)
	inclination = 2 * math.Acos(min(1, math.Hypot(e.Real, e.Kmag)))
	return heading, inclination
}
