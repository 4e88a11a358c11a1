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

// level tracks the noise of block means, per axis, from the differences of
// neighbouring blocks. It follows a low quantile, so that movement, which is
// rarer than rest, hardly raises it, and stays between the data sheet's figure
// and noiseCap times that.
type level struct {
	sigma r3.Vec
	floor float64
}

const (
	noiseCap   = 8.0
	noiseStart = 3.0
	// levelUp is the step of the tracker; the step down is its power 7/3, which
	// settles where 30 % of the differences are smaller: at 0.385 sigma of a
	// normal distribution.
	levelUp       = 1.03
	levelQuantile = 0.385
)

var levelDown = math.Pow(levelUp, -7.0/3)

func newLevel(floor float64) level {
	s := noiseStart * floor
	return level{floor: floor, sigma: r3.Vec{X: s, Y: s, Z: s}}
}

// see takes the difference of two neighbouring block means.
func (l *level) see(d r3.Vec) {
	step := func(s *float64, d float64) {
		x := math.Abs(d) / math.Sqrt2
		switch {
		case x > moveSigma*noiseCap*l.floor:
			// A movement, not noise.
		case x > levelQuantile*(*s):
			*s = min(*s*levelUp, noiseCap*l.floor)
		default:
			*s = max(*s*levelDown, l.floor)
		}
	}
	step(&l.sigma.X, d.X)
	step(&l.sigma.Y, d.Y)
	step(&l.sigma.Z, d.Z)
}

func (l *level) variance() r3.Vec { return squares(l.sigma) }

func squares(v r3.Vec) r3.Vec { return r3.Vec{X: v.X * v.X, Y: v.Y * v.Y, Z: v.Z * v.Z} }

// beyond reports whether any axis of d lies outside n sigma.
func beyond(d r3.Vec, n float64, variance r3.Vec) bool {
	n *= n
	return d.X*d.X > n*variance.X || d.Y*d.Y > n*variance.Y || d.Z*d.Z > n*variance.Z
}

// atLeast raises each axis of a variance to sigma².
func atLeast(v r3.Vec, sigma float64) r3.Vec {
	s := sigma * sigma
	return r3.Vec{X: max(v.X, s), Y: max(v.Y, s), Z: max(v.Z, s)}
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

// variance of one block; expected is what the noise level says, weighed in as
// if it were priorBlocks blocks, since few blocks say little.
func (m *mean3) variance(expected r3.Vec) r3.Vec {
	const priorBlocks = 8
	w := priorBlocks + max(m.n-1, 0)
	return r3.Scale(1/w, r3.Add(m.m2, r3.Scale(priorBlocks, expected)))
}

// ofMean is the variance of the mean.
func (m *mean3) ofMean(expected r3.Vec) r3.Vec {
	if m.n == 0 {
		return r3.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	}
	return r3.Scale(1/m.n, m.variance(expected))
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
	temp    float64
}

// rest tells stillness from movement and averages while still.
type rest struct {
	_          [0]func() // never compared: no code for that
	hasGyro    bool
	accelLevel level
	gyroLevel  level
	cur        block
	started    bool
	still      bool
	since      time.Duration // start of the present state
	accel      mean3
	field      mean3
	second     mean3 // the last second, against creep
	secondGyro mean3
	// Without a gyroscope: the field's mean of the last second, its noise, the
	// block before and its number of readings.
	secondField mean3
	fieldLevel  level
	plainLast   r3.Vec
	plainN      float64
	gyroBias    r3.Vec
	biasN       float64
	quiet       int // quiet blocks in a row while moving
	last, lastG r3.Vec
	lastF       r3.Vec // field of the block before, of lastFN readings
	lastFN      float64
	lastT       float64 // °C of the block before
	lastOK      bool
	vibes       float64 // variance of one sample within blocks, running
	moves       int
	jump        fieldJump
	rival       rival
	quietV      float64 // variance of one sample within a block at rest, (m/s²)²
	quietN      float64
	alone       fieldAlone
	apart       apart
	lastMag     r3.Vec // field of the block before
	lastMagN    float64
	// fieldNoise is the 1-sigma noise of one field sample, µT.
	fieldNoise float64
	proof      proof
	proved     bool // by the last block: the offset was wrong
}

// setNoise takes the data sheet's white noise: one-sided densities, with the
// variance of a mean over T seconds density²/(2T).
func (r *rest) setNoise(accel, gyro float64, hasGyro bool) {
	per := math.Sqrt(2 * blockLength.Seconds())
	r.hasGyro = hasGyro
	r.accelLevel, r.gyroLevel = newLevel(accel/per), newLevel(gyro/per)
}

// fieldJump is a field that changed although nothing moved: steel or current
// came near (or left). The average of before is kept meanwhile.
type fieldJump struct {
	blocks int // deviating blocks in a row
	on     bool
	since  time.Duration
	// carried: the field is that of an earlier rest, its heading good to
	// extraDeg, and comes back when this rest's is within tolUT of it.
	carried         bool
	extraDeg, tolUT float64
}

// doubt is the 1 sigma, degrees, of a heading by the field of before.
func (j *fieldJump) doubt(now time.Duration) float64 {
	return math.Sqrt(carryFixedDeg*carryFixedDeg + j.extraDeg*j.extraDeg + square(carryRateDeg*(now-j.since).Seconds()))
}

// due reports whether the block is full at the time at; close it then, before
// the sample is taken.
func (r *rest) due(at time.Duration) bool { return r.started && at-r.cur.start >= blockLength }

// inertial takes one corrected sample in body axes.
func (r *rest) inertial(at time.Duration, accel, gyro r3.Vec, tempC float64) {
	if !r.started {
		r.started = true
		r.cur = block{start: at}
		r.since = at
	}
	b := &r.cur
	if b.n == 0 {
		b.start = at
	}
	b.n++
	b.end = at
	b.accel = r3.Add(b.accel, accel)
	b.accelSq = r3.Add(b.accelSq, squares(accel))
	b.gyro = r3.Add(b.gyro, gyro)
	b.temp += tempC
}

func (r *rest) magnetic(field r3.Vec) {
	if !r.started {
		return
	}
	r.cur.nm++
	r.cur.field = r3.Add(r.cur.field, field)
}

// close judges the block, adds it to the average or restarts that, and begins
// the next block.
func (r *rest) close() {
	r.proved = false
	b := r.cur
	r.cur = block{}
	if b.n == 0 {
		return
	}
	r.judge(&b)
}

func (r *rest) judge(b *block) {
	a := r3.Scale(1/b.n, b.accel)
	g := r3.Scale(1/b.n, b.gyro)
	var v float64
	if b.n > 1 {
		within := r3.Scale(b.n/(b.n-1), r3.Sub(r3.Scale(1/b.n, b.accelSq), squares(a)))
		v = max(within.X+within.Y+within.Z, 0) / 3
		r.vibes += 0.1 * (v - r.vibes)
	}
	change := r3.Sub(a, r.last)
	if r.lastOK {
		r.accelLevel.see(change)
		r.gyroLevel.see(r3.Sub(g, r.lastG))
	}
	known := r.lastOK
	r.last, r.lastG, r.lastT, r.lastOK = a, g, b.temp/b.n, true
	if r.lastFN = b.nm; b.nm > 0 {
		r.lastF = r3.Scale(1/b.nm, b.field)
	}

	expected := r.accelLevel.variance()
	turning := r.turning(g)
	if r.still {
		limit := r3.Add(r.spread(expected), r.accel.ofMean(expected))
		if turning || beyond(r3.Sub(a, r.accel.mean), moveSigma, limit) {
			r.restart(b.start, false)
			return
		}
		if r.fieldLeft(b) {
			r.restartAlone(b.start)
			r.alone.shake(v)
			return
		}
		r.quiets(v)
		r.take(b, a, g)
		r.creep(expected, b.end)
		return
	}
	r.alone.shake(v)

	// Moving: stillness is several blocks in a row that agree.
	calm := !known || !beyond(change, moveSigma, r3.Scale(2, expected))
	// Before the offset rests on some seconds, what looks like a turn may be one:
	// a board in the hand must not teach its rate.
	if turning && calm && r.biasN >= carryBlocks {
		r.proof.add(b, a, g)
		for n := 10; n <= r.proof.n && !r.proved; n += 10 {
			if o, ok := stood(r.proof.newest(n), r.gyroBias, expected, r.fieldNoise); ok {
				r.gyroBias, r.proved = o, true
				turning = r.turning(g)
			}
		}
	}
	if !turning || !calm {
		r.proof.n = 0
	}
	quiet := calm && !turning && !r.fieldTurns(b)
	if !quiet {
		r.quiet = 0
		r.accel, r.field, r.second, r.secondGyro, r.secondField = mean3{}, mean3{}, mean3{}, mean3{}, mean3{}
		return
	}
	r.quiet++
	r.take(b, a, g)
	if r.quiet >= restBlocks {
		r.still = true
		r.since = b.end
	}
}

// turning reports a rate that is not the gyroscope's offset.
func (r *rest) turning(g r3.Vec) bool {
	if !r.hasGyro || r.biasN < 10 {
		// The offset is not learned yet.
		return false
	}
	return beyond(r3.Sub(g, r.gyroBias), moveSigma, atLeast(r.gyroLevel.variance(), minRate/moveSigma))
}

// believe corrects an offset that was learned while the board turned, too
// smoothly to be noticed: the filter, which at rest proves its offset by gravity
// and field, knows better. Otherwise all rest would look like a turn.
func (r *rest) believe(offset, sigma r3.Vec) {
	if r.still || r.biasN < 10 || max(sigma.X, sigma.Y, sigma.Z) > minRate {
		return
	}
	if beyond(r3.Sub(offset, r.gyroBias), moveSigma, atLeast(r.gyroLevel.variance(), minRate/moveSigma)) {
		r.gyroBias = offset
	}
}

// take adds a quiet block to the averages.
func (r *rest) take(b *block, a, g r3.Vec) {
	r.accel.add(a, r.memory())
	r.second.add(a, 10)
	r.secondGyro.add(g, 10)
	if b.nm > 0 {
		r.takeField(b)
	}
	if r.hasGyro {
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
	if !r.hasGyro {
		r.takePlainField(f, b.nm)
		return
	}
	if r.rival.back(f, r.fieldVariance(b.nm)) {
		r.acceptField()
		r.rival = rival{}
	}
	if r.field.n < 10 {
		r.field.add(f, averageBlocks)
		return
	}
	if !beyond(r3.Sub(f, r.field.mean), moveSigma, atLeast(r.field.variance(r.fieldVariance(b.nm)), max(jumpUT, r.jump.tolUT)/moveSigma)) {
		if r.jump.carried {
			r.field = mean3{}
		}
		r.jump = fieldJump{}
		r.field.add(f, averageBlocks)
		return
	}
	if r.jump.blocks++; r.jump.blocks >= restBlocks && !r.jump.on {
		r.jump.on, r.jump.since = true, b.start
	}
}

// fieldVariance is the white noise of a mean of n samples.
func (r *rest) fieldVariance(n float64) r3.Vec {
	v := r.fieldNoise * r.fieldNoise / max(n, 1)
	return r3.Vec{X: v, Y: v, Z: v}
}

// acceptField ends a jump: the new field counts from now on.
func (r *rest) acceptField() {
	r.jump = fieldJump{}
	r.field = mean3{}
}

// creep restarts the average when the last second has left it: a slow sink, or
// a turn below what the gyroscope shows in one block.
func (r *rest) creep(expected r3.Vec, end time.Duration) {
	if r.second.n < 10 || r.accel.n < 20 {
		return
	}
	if r.fieldCrept() {
		r.restartAlone(end)
		return
	}
	v := r3.Add(r.secondsSpread(expected), r.meanSpread(expected))
	if beyond(r3.Sub(r.second.mean, r.accel.mean), creepSigma, v) {
		r.restart(end, true)
		return
	}
	if r.hasGyro && r.biasN >= 20 {
		v := atLeast(r3.Scale(0.1, r.gyroLevel.variance()), minRate/creepSigma)
		if beyond(r3.Sub(r.secondGyro.mean, r.gyroBias), creepSigma, v) {
			r.restart(end, false)
		}
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
	r.accel, r.field, r.second, r.secondGyro, r.secondField = mean3{}, mean3{}, mean3{}, mean3{}, mean3{}
	r.jump, r.rival, r.alone = fieldJump{}, rival{}, fieldAlone{}
	r.lastMagN = 0
	r.quiet = 0
	r.still = still
	r.since = at
	r.moves++
}
