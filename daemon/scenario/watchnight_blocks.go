package scenario

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// WatchBlock is the mean of what calibrated sensors read in a tenth of a second,
// in body axes; field by field the Block of package watch.
type WatchBlock struct {
	At                time.Duration // end of the tenth
	Accel, Gyro       r3.Vec        // m/s², rad/s
	AccelVar, GyroVar float64       // of single samples, mean of the axes
	N                 int
	Field             r3.Vec // µT
	NField            int
	TempC             float64
	Clipped           bool
}

const (
	watchGrid    = 100 * time.Millisecond
	watchSamples = 10
	watchField   = 5
	// calibrated is what calibration leaves of a part's scale and cross-axis
	// errors; offsetLeftMS2 of its offsets, 1 sigma.
	calibrated    = 0.1
	offsetLeftMS2 = 0.5e-3 * sensors.StandardGravity
	// watchCalC is the temperature at which it was calibrated.
	watchCalC = 21.0
)

// watchBlocks makes blocks of a night by the error model of sim.Triad, without
// chips and drivers.
type watchBlocks struct {
	_           [0]func() // never compared: no code for that
	night       *WatchNight
	rng         *rand.Rand
	part        sim.Settings
	accel, gyro watchTriad
	k           int64
	before      r3.Vec // turn at the end of the last block
	mag         sim.Settings
}

// watchTriad is a triad without white noise.
type watchTriad struct {
	_            [0]func() // never compared: no code for that
	matrix       [9]float64
	offset       r3.Vec
	perC, scaleC r3.Vec
	warm         r3.Vec
	warmTime     float64
	wander, walk r3.Vec
	keep, fresh  float64
	slow, sum    r3.Vec
	prev, now    r3.Vec
	second       int64
	block        float64 // 1 sigma of a block's mean
	single       float64 // of a sample
}

func newWatchTriad(t sim.Triad, fold float64, rng *rand.Rand) watchTriad {
	out := watchTriad{
		matrix: [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}, offset: t.Offset,
		perC: t.OffsetPerC, scaleC: t.ScalePerC, warm: t.WarmUp, warmTime: max(t.WarmUpTime.Seconds(), 1),
		wander: t.Wander, walk: t.Walk, second: -2,
		block:  fold * t.Noise.X / math.Sqrt(2*watchGrid.Seconds()),
		single: fold * t.Noise.X * math.Sqrt(watchSamples/watchGrid.Seconds()/2),
	}
	if t.Matrix != nil {
		for i := range out.matrix {
			out.matrix[i] = t.Matrix.At(i/3, i%3)
		}
	}
	if t.WanderTime > 0 {
		out.keep = math.Exp(-1 / t.WanderTime.Seconds())
	}
	out.fresh = math.Sqrt(1 - out.keep*out.keep)
	out.slow = scaled(out.wander, drawVec(1, rng))
	return out
}

// calibrate takes away what a calibration at tempC finds.
func (t *watchTriad) calibrate(tempC float64, rng *rand.Rand) {
	for i := range t.matrix {
		one := 0.0
		if i%4 == 0 {
			one = 1
		}
		t.matrix[i] = one + calibrated*(t.matrix[i]-one)
	}
	t.offset = r3.Add(drawVec(offsetLeftMS2, rng), r3.Scale(-(tempC-sim.ReferenceC), t.perC))
}

func scaled(a, b r3.Vec) r3.Vec { return r3.Vec{X: a.X * b.X, Y: a.Y * b.Y, Z: a.Z * b.Z} }

// read is the mean reading of a block in the middle of which it is t, seconds.
func (t *watchTriad) read(truth r3.Vec, at, chipC float64, rng *rand.Rand) r3.Vec {
	for s := int64(at); t.second < s; {
		t.second++
		t.prev = t.now
		t.slow = r3.Add(r3.Scale(t.keep, t.slow), r3.Scale(t.fresh, scaled(t.wander, drawVec(1, rng))))
		t.sum = r3.Add(t.sum, scaled(t.walk, drawVec(1, rng)))
		t.now = r3.Add(t.slow, t.sum)
	}
	f := at - float64(t.second)
	m := &t.matrix
	v := r3.Vec{
		X: m[0]*truth.X + m[1]*truth.Y + m[2]*truth.Z,
		Y: m[3]*truth.X + m[4]*truth.Y + m[5]*truth.Z,
		Z: m[6]*truth.X + m[7]*truth.Y + m[8]*truth.Z,
	}
	d := chipC - sim.ReferenceC
	v = r3.Add(v, r3.Add(scaled(r3.Scale(d, t.scaleC), v), r3.Scale(d, t.perC)))
	if x := at / t.warmTime; x < 30 {
		v = r3.Add(v, r3.Scale(math.Exp(-x), t.warm))
	}
	v = r3.Add(v, r3.Add(t.offset, r3.Add(t.prev, r3.Scale(f, r3.Sub(t.now, t.prev)))))
	return r3.Add(v, drawVec(t.block, rng))
}

func newWatchBlocks(n *WatchNight) *watchBlocks {
	b := &watchBlocks{night: n, part: n.opt.Part(n.seed), mag: sim.TypicalMMC5983MA(n.seed + 1)}
	b.rng = rand.New(rand.NewPCG(n.seed, 0x626c6f636b))
	b.accel, b.gyro = newWatchTriad(b.part.Accel, n.opt.Fold, b.rng), newWatchTriad(b.part.Gyro, n.opt.Fold, b.rng)
	b.accel.calibrate(watchCalC, b.rng)
	b.before = n.turned(0)
	return b
}

// Part is the inertial chip of the night.
func (n *WatchNight) Part() sim.Settings { return n.opt.Part(n.seed) }

// NextBlock is the next tenth of a second; false when the night is over.
func (n *WatchNight) NextBlock() (WatchBlock, bool) {
	if n.blocks == nil {
		n.blocks = newWatchBlocks(n)
	}
	b := n.blocks
	t0 := time.Duration(b.k) * watchGrid
	b.k++
	t1 := time.Duration(b.k) * watchGrid
	if t1 > n.End() {
		return WatchBlock{}, false
	}
	mid := (t0 + t1) / 2
	out := WatchBlock{At: t1, N: watchSamples, NField: watchField}

	after := n.turned(t1)
	rate := r3.Scale(1/watchGrid.Seconds(), r3.Sub(after, b.before))
	turn := r3.Scale(0.5, r3.Add(after, b.before))
	b.before = after
	force := r3.Vec{Z: sensors.StandardGravity}
	var shake, swing float64 // variances of samples about the mean, sum of axes
	if n.busy(t0, t1) {
		turn, force, shake, swing = n.sampled(t0)
	}
	mean, v := n.toneMean(mid)
	force = r3.Add(force, mean)
	shake += v

	at := mid.Seconds()
	var sin, cos float64
	if n.opt.OnHead {
		sin, cos = math.Sincos(n.headRate() * at * degree)
	}
	chipC := n.TempC(mid) + b.part.SelfHeatC
	if x := at / max(b.part.SelfHeatTime.Seconds(), 1); x < 30 {
		chipC -= b.part.SelfHeatC * math.Exp(-x)
	}
	back := r3.Scale(-1, turn)
	w := n.body(bodyRate(turn, rate), sin, cos)
	w.X += n.headRate() * degree
	out.Accel = b.accel.read(n.body(rotated(back, force), sin, cos), at, chipC, b.rng)
	out.Gyro = b.gyro.read(w, at, chipC, b.rng)
	// A variance of three axes of ten samples scatters by √(2/27).
	const scatter = 0.272
	out.AccelVar = b.accel.single*b.accel.single*max(0.1, 1+scatter*b.rng.NormFloat64()) + shake/3
	out.GyroVar = b.gyro.single*b.gyro.single*max(0.1, 1+scatter*b.rng.NormFloat64()) + swing/3
	out.TempC = chipC + b.part.TempOffsetC + b.part.TempNoiseC/math.Sqrt(watchSamples/2)*b.rng.NormFloat64()
	out.Field = r3.Add(n.body(rotated(back, n.fieldAt(mid)), sin, cos), drawVec(b.mag.Mag.Noise.X/math.Sqrt(watchField), b.rng))
	return out, true
}

// busy: a knock or a walker makes a block that needs a closer look.
func (n *WatchNight) busy(t0, t1 time.Duration) bool {
	for i := range n.events {
		if e := &n.events[i]; !e.Sink && t1 > e.At && t0 < e.At+swing {
			return true
		}
	}
	for i := range n.walks {
		if w := &n.walks[i]; t1 > w.from && t0 < w.to {
			return true
		}
	}
	return false
}

// sampled looks at a block as a chip does, sample by sample.
func (n *WatchNight) sampled(t0 time.Duration) (turn, force r3.Vec, shake, swing float64) {
	const step = watchGrid / watchSamples
	var rates, sum r3.Vec
	var sq, rateSq float64
	before := n.turned(t0)
	for i := range time.Duration(watchSamples) {
		t := t0 + i*step + step/2
		a := n.bursts(t)
		sum = r3.Add(sum, a)
		sq += r3.Norm2(a)
		turn = r3.Add(turn, n.turned(t))
		after := n.turned(t0 + (i+1)*step)
		r := r3.Scale(degree/step.Seconds(), r3.Sub(after, before))
		before = after
		rates = r3.Add(rates, r)
		rateSq += r3.Norm2(r)
	}
	const k = 1.0 / watchSamples
	mean := r3.Scale(k, sum)
	force = r3.Add(r3.Vec{Z: sensors.StandardGravity}, mean)
	return r3.Scale(k, turn), force, k*sq - r3.Norm2(mean), k*rateSq - k*k*r3.Norm2(rates)
}

// toneMean is the mean of the steady tones over the samples of a block centred
// on t, and the variance about it: a tone sampled N times at a spacing d has the
// mean sin(πfNd)/(N·sin(πfd)) of its value in the middle.
func (n *WatchNight) toneMean(t time.Duration) (mean r3.Vec, variance float64) {
	const d = (watchGrid / watchSamples)
	for _, list := range [2][]spell{n.gusts, n.hums} {
		for i := range list {
			s := &list[i]
			if t <= s.from || t >= s.to {
				continue
			}
			x := math.Pi * s.hz * d.Seconds()
			k := 1.0
			if den := watchSamples * math.Sin(x); math.Abs(den) > 1e-9 {
				k = math.Sin(watchSamples*x) / den
			}
			mean = r3.Add(mean, r3.Scale(k, tone(s, t)))
			f := s.fade(t)
			variance += 0.5 * f * f * r3.Norm2(s.way) * max(0, 1-k*k)
		}
	}
	return mean, variance
}
