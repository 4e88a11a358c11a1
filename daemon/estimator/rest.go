package estimator

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// The rest estimator works on blocks of samples: a block is long enough that
// its mean is nearly Gaussian and short enough that a turn begins to show at
// once.
const (
	blockLength = 100 * time.Millisecond
	// restBlocks is how many quiet blocks in a row end a movement.
	restBlocks = 3
	// averageBlocks caps the memory of the average: 60 s. A longer one would
	// follow thermal drift too late and gains nothing: noise is far below the
	// calibration floor by then.
	averageBlocks = 600
	// moveSigma is the deviation of a block, in its own sigma, that is taken
	// for movement; creepSigma that of a second against the whole average.
	moveSigma  = 6.0
	creepSigma = 6.0
	// minRate is the slowest turn, rad/s, that counts as one: 0.03 °/s. The
	// tracker's own turn is 0.004 °/s.
	minRate = 0.03 * degree
	// gyroBiasGain is the share of a quiet block in the learned gyro offset.
	gyroBiasGain = 0.02
)

// noiseModel is what the data sheet says of white noise, as one-sided
// densities; the variance of a mean over T seconds is density²/(2T).
type noiseModel struct {
	accel float64 // m/s²/√Hz
	gyro  float64 // rad/s/√Hz; 0 without a gyroscope
}

// mean3 is a mean with the variance of its blocks (Welford), per axis.
type mean3 struct {
	n    float64
	mean r3.Vec
	m2   r3.Vec
}

func (m *mean3) add(v r3.Vec, limit float64) {
	m.n++
	if m.n > limit {
		// From here on an exponential average of the same memory.
		keep := (limit - 1) / limit
		m.m2 = r3.Scale(keep, m.m2)
		m.n = limit
	}
	d := r3.Sub(v, m.mean)
	m.mean = r3.Add(m.mean, r3.Scale(1/m.n, d))
	e := r3.Sub(v, m.mean)
	m.m2 = r3.Add(m.m2, r3.Vec{X: d.X * e.X, Y: d.Y * e.Y, Z: d.Z * e.Z})
}

// variance of one block; floor is what white noise alone would give.
func (m *mean3) variance(floor float64) r3.Vec {
	// With few blocks the sample variance says little: weigh the floor in as
	// if it were priorBlocks blocks.
	const priorBlocks = 8
	w := priorBlocks + max(m.n-1, 0)
	f := func(m2 float64) float64 { return max((m2+priorBlocks*floor)/w, floor) }
	return r3.Vec{X: f(m.m2.X), Y: f(m.m2.Y), Z: f(m.m2.Z)}
}

// ofMean is the variance of the mean.
func (m *mean3) ofMean(floor float64) r3.Vec {
	if m.n == 0 {
		return r3.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	}
	return r3.Scale(1/m.n, m.variance(floor))
}

// block gathers the samples of one interval.
type block struct {
	start   time.Duration
	end     time.Duration
	n, nm   float64
	accel   r3.Vec // sums
	gyro    r3.Vec
	field   r3.Vec
	accelSq r3.Vec
}

// rest tells stillness from movement and averages while still.
type rest struct {
	noise    noiseModel
	cur      block
	started  bool
	still    bool
	since    time.Duration // start of the present state
	accel    mean3
	field    mean3
	second   mean3 // the last second, against creep
	gyroBias r3.Vec
	biasN    float64
	quiet    int // quiet blocks in a row while moving
	last     r3.Vec
	lastOK   bool
	vibes    float64 // variance of one sample within blocks, running
	moves    int
	jump     fieldJump
	lastMag  r3.Vec // field of the block before
	lastMagN float64
	// fieldNoise is the 1-sigma noise of one field sample, µT.
	fieldNoise float64
}

// fieldJump is a field that changed although nothing moved: steel or current
// came near (or left). The average of before is kept meanwhile.
type fieldJump struct {
	blocks int // deviating blocks in a row
	on     bool
	since  time.Duration
}

// accelFloor is the white-noise variance of a block mean.
func (r *rest) accelFloor() float64 {
	return r.noise.accel * r.noise.accel / (2 * blockLength.Seconds())
}

func (r *rest) gyroSigma() float64 {
	return r.noise.gyro / math.Sqrt(2*blockLength.Seconds())
}

// inertial takes one corrected sample in body axes and reports whether a block
// was closed by it.
func (r *rest) inertial(at time.Duration, accel, gyro r3.Vec) {
	if !r.started {
		r.started = true
		r.cur = block{start: at}
		r.since = at
	}
	if at-r.cur.start >= blockLength {
		r.close()
		r.cur = block{start: at}
	}
	b := &r.cur
	b.n++
	b.end = at
	b.accel = r3.Add(b.accel, accel)
	b.accelSq = r3.Add(b.accelSq, r3.Vec{X: accel.X * accel.X, Y: accel.Y * accel.Y, Z: accel.Z * accel.Z})
	b.gyro = r3.Add(b.gyro, gyro)
}

func (r *rest) magnetic(field r3.Vec) {
	if !r.started {
		return
	}
	r.cur.nm++
	r.cur.field = r3.Add(r.cur.field, field)
}

// close judges the block and adds it to the average or restarts it.
func (r *rest) close() {
	b := &r.cur
	if b.n == 0 {
		return
	}
	a := r3.Scale(1/b.n, b.accel)
	g := r3.Scale(1/b.n, b.gyro)
	floor := r.accelFloor()

	// Shaking raises the scatter within a block; the mean of such a block is
	// less sure, so the tolerance grows with it.
	within := r3.Sub(r3.Scale(1/b.n, b.accelSq), r3.Vec{X: a.X * a.X, Y: a.Y * a.Y, Z: a.Z * a.Z})
	scatter := max(within.X, 0) + max(within.Y, 0) + max(within.Z, 0)
	r.vibes += 0.1 * (scatter/3 - r.vibes)
	blockVar := max(floor, scatter/3/b.n)

	turning := false
	if r.noise.gyro > 0 {
		d := r3.Norm(r3.Sub(g, r.gyroBias))
		limit := max(moveSigma*r.gyroSigma(), minRate)
		if r.biasN < 10 {
			// The offset is not learned yet: only change of rate can tell.
			limit = math.Inf(1)
		}
		turning = d > limit
	}

	if r.still {
		v := r3.Add(r.accel.variance(floor), r.accel.ofMean(floor))
		d := r3.Sub(a, r.accel.mean)
		limit := moveSigma * moveSigma
		off := d.X*d.X > limit*max(v.X, blockVar) || d.Y*d.Y > limit*max(v.Y, blockVar) || d.Z*d.Z > limit*max(v.Z, blockVar)
		if off || turning {
			r.restart(b.start, false)
			r.last, r.lastOK = a, true
			return
		}
		r.take(b, a, g)
		r.creep(floor)
		return
	}

	// Moving: stillness is several blocks in a row that agree.
	quiet := !turning && !r.fieldTurns(b)
	if quiet && r.lastOK {
		d := r3.Sub(a, r.last)
		quiet = r3.Dot(d, d) < 3*2*moveSigma*moveSigma/2*blockVar
	}
	if !quiet {
		r.quiet = 0
		r.accel, r.field, r.second = mean3{}, mean3{}, mean3{}
	} else {
		r.quiet++
		r.take(b, a, g)
	}
	r.last, r.lastOK = a, true
	if r.quiet >= restBlocks {
		r.still = true
		r.since = b.end
	}
}

// take adds a quiet block to the averages.
func (r *rest) take(b *block, a, g r3.Vec) {
	r.accel.add(a, averageBlocks)
	r.second.add(a, 10)
	if b.nm > 0 {
		r.takeField(b)
	}
	if r.noise.gyro > 0 {
		r.biasN++
		k := max(1/r.biasN, gyroBiasGain)
		r.gyroBias = r3.Add(r.gyroBias, r3.Scale(k, r3.Sub(g, r.gyroBias)))
	}
}

// jumpUT is the smallest change of a resting field, µT on one axis, that is
// called a jump; natural fields change by less within minutes.
const jumpUT = 0.5

func (r *rest) takeField(b *block) {
	f := r3.Scale(1/b.nm, b.field)
	if r.field.n < 10 {
		r.field.add(f, averageBlocks)
		return
	}
	v := r.field.variance(0)
	d := r3.Sub(f, r.field.mean)
	l := func(v float64) float64 { return max(jumpUT*jumpUT, moveSigma*moveSigma*v) }
	if d.X*d.X <= l(v.X) && d.Y*d.Y <= l(v.Y) && d.Z*d.Z <= l(v.Z) {
		r.jump = fieldJump{}
		r.field.add(f, averageBlocks)
		return
	}
	if r.jump.blocks++; r.jump.blocks >= restBlocks && !r.jump.on {
		r.jump.on, r.jump.since = true, b.start
	}
}

// acceptField ends a jump: the new field counts from now on.
func (r *rest) acceptField() {
	r.jump = fieldJump{}
	r.field = mean3{}
}

// creep restarts the average when the last second has left it: a slow sink or
// a turn below the gyroscope's threshold.
func (r *rest) creep(floor float64) {
	if r.second.n < 10 || r.accel.n < 20 {
		return
	}
	v := r3.Add(r3.Scale(0.1, r.accel.variance(floor)), r.accel.ofMean(floor))
	d := r3.Sub(r.second.mean, r.accel.mean)
	l := creepSigma * creepSigma
	if d.X*d.X > l*v.X || d.Y*d.Y > l*v.Y || d.Z*d.Z > l*v.Z {
		r.restart(r.cur.end, true)
	}
}

// fieldTurns reports a field that changes from block to block: a turn about
// the vertical, which the accelerometer cannot see, before the gyroscope's
// offset is known.
func (r *rest) fieldTurns(b *block) bool {
	if b.nm == 0 {
		return false
	}
	f := r3.Scale(1/b.nm, b.field)
	n, before := r.lastMagN, r.lastMag
	r.lastMag, r.lastMagN = f, b.nm
	if n == 0 || r.biasN >= 10 {
		return false
	}
	// 1 µT in a tenth of a second is 30°/s in a field of 20 µT.
	return r3.Norm(r3.Sub(f, before)) > max(2*jumpUT, moveSigma*r.fieldNoise*math.Sqrt(1/n+1/b.nm))
}

func (r *rest) restart(at time.Duration, still bool) {
	r.accel, r.field, r.second = mean3{}, mean3{}, mean3{}
	r.jump = fieldJump{}
	r.lastMagN = 0
	r.quiet = 0
	r.still = still
	r.since = at
	r.moves++
}
