package calib

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Pose is a stretch of time in which the board kept still.
type Pose struct {
	Start, End time.Duration
	// Accel is the mean specific force in m/s² and AccelCov the covariance of
	// that mean, found from how the parts of the stretch scatter, so slow tremor
	// is in it.
	Accel    r3.Vec
	AccelCov Mat3
	// Gyro is the mean angular rate in rad/s: the gyroscope's bias, if the board
	// did not turn steadily.
	Gyro  r3.Vec
	TempC float64 // mean chip temperature; NaN when unknown
	// Readings is the number of samples in the mean.
	Readings int
	// Slow marks a pose taken in slow movement, freed of the rotation by the
	// gyroscope; the hand's own acceleration is still in it. See SlowPoses.
	Slow bool
}

// RestOptions say what counts as rest; zero values take the defaults.
type RestOptions struct {
	Block       time.Duration // samples are judged in blocks this long; 0.25 s
	MinDuration time.Duration // shorter rests are ignored; 1 s
	MaxDuration time.Duration // longer rests give several poses; 30 s
	// AccelSD and GyroSD are the most that one axis may scatter within a block
	// at rest, 1 sigma: 0.25 m/s² and 0.12 rad/s (a board held in a calm hand).
	// Sensors that are quieter than that tighten the limits by themselves.
	AccelSD, GyroSD float64
	// MaxRate is the largest mean rate that can still be a gyroscope's bias;
	// 0.4 rad/s. See RestOf for a chip whose data sheet admits more.
	MaxRate float64
	// Quiet is the known scatter of one axis at rest in m/s²; 0 learns it.
	Quiet float64
}

// RestOf are the options for a chip: the three offsets together, each of the data
// sheet's 1 sigma, stay below 4 of them in 999 chips of 1,000 (chi-square with
// three degrees of freedom).
func RestOf(spec sensors.InertialSpec) RestOptions {
	o := RestOptions{}.withDefaults()
	o.MaxRate = max(o.MaxRate, 4.1*spec.GyroOffset)
	return o
}

func (o RestOptions) withDefaults() RestOptions {
	def := func(v *time.Duration, d time.Duration) {
		if *v <= 0 {
			*v = d
		}
	}
	def(&o.Block, 250*time.Millisecond)
	def(&o.MinDuration, time.Second)
	def(&o.MaxDuration, 30*time.Second)
	for v, d := range map[*float64]float64{&o.AccelSD: 0.25, &o.GyroSD: 0.12, &o.MaxRate: 0.4} {
		if *v <= 0 {
			*v = d
		}
	}
	return o
}

// block is the summary of a short run of samples.
type block struct {
	start, end  time.Duration
	n           int
	accel, gyro r3.Vec // means
	accelM2     r3.Vec // sums of squared deviations, per axis
	gyroM2      r3.Vec
	temp        float64
	bad         bool // holds a clipped or repeated sample
}

func (b *block) add(s sensors.InertialSample) {
	if b.n == 0 {
		b.start = s.At
	}
	b.n++
	b.end = s.At
	k := 1 / float64(b.n)
	welford(&b.accel, &b.accelM2, s.Accel, k)
	welford(&b.gyro, &b.gyroM2, s.Gyro, k)
	b.temp += (s.TempC - b.temp) * k
	b.bad = b.bad || s.Flags.Has(sensors.Clipped) || s.Flags.Has(sensors.Repeated) || !finite(s.Accel) || !finite(s.Gyro)
}

func welford(mean, m2 *r3.Vec, v r3.Vec, k float64) {
	d := r3.Sub(v, *mean)
	*mean = r3.Add(*mean, r3.Scale(k, d))
	e := r3.Sub(v, *mean)
	m2.X += d.X * e.X
	m2.Y += d.Y * e.Y
	m2.Z += d.Z * e.Z
}

func (b *block) sd() (accel, gyro float64) {
	if b.n < 3 {
		return math.Inf(1), math.Inf(1)
	}
	k := 1 / float64(b.n-1)
	return math.Sqrt(k * max(b.accelM2.X, b.accelM2.Y, b.accelM2.Z)), math.Sqrt(k * max(b.gyroM2.X, b.gyroM2.Y, b.gyroM2.Z))
}

func finite(v r3.Vec) bool { s := v.X + v.Y + v.Z; return !math.IsNaN(s) && !math.IsInf(s, 0) }

// quietMemory is how many blocks RestFinder looks back for the noise at rest.
const quietMemory = 240

// RestFinder finds rest poses in a running stream of samples, in bounded
// memory. It learns the noise at rest from the quietest tenth of the last
// minute and calls rest what scatters less than 2.5 times that, within the
// limits of its options. The zero value is not usable; see NewRestFinder.
type RestFinder struct {
	opt    RestOptions
	cur    block
	run    []block // the rest in progress
	recent [quietMemory]float64
	seen   int
	sorted []float64
}

// NewRestFinder makes a finder.
func NewRestFinder(opt RestOptions) *RestFinder {
	return &RestFinder{opt: opt.withDefaults()}
}

// Push takes the next sample. When it ends a rest that was long enough, the
// pose is returned with true.
func (f *RestFinder) Push(s sensors.InertialSample) (Pose, bool) {
	var done Pose
	var ok bool
	if f.cur.n > 0 && (s.At-f.cur.start >= f.opt.Block || s.At < f.cur.end) {
		done, ok = f.close()
		if s.At-f.cur.end > f.opt.Block { // a gap ends a rest
			if !ok {
				done, ok = f.Flush()
			}
			f.run = f.run[:0]
		}
		f.cur = block{}
	}
	f.cur.add(s)
	return done, ok
}

// Flush ends the rest in progress and returns its pose, if it is long enough.
func (f *RestFinder) Flush() (Pose, bool) {
	p, ok := f.Current()
	f.run = f.run[:0]
	return p, ok
}

// Current is the pose of the rest in progress, if it has lasted long enough.
func (f *RestFinder) Current() (Pose, bool) {
	if len(f.run) == 0 || f.run[len(f.run)-1].end-f.run[0].start < f.opt.MinDuration*9/10 {
		return Pose{}, false
	}
	return poseOf(f.run), true
}

// close judges the finished block.
func (f *RestFinder) close() (Pose, bool) {
	b := f.cur
	sdA, sdG := b.sd()
	if !b.bad && !math.IsInf(sdA, 0) {
		f.recent[f.seen%quietMemory] = sdA
		f.seen++
	}
	limA := min(f.opt.AccelSD, 2.5*f.quiet())
	if b.bad || sdA > limA || sdG > f.opt.GyroSD || r3.Norm(b.gyro) > f.opt.MaxRate {
		return f.Flush()
	}
	if len(f.run) > 0 {
		p := poseMean(f.run)
		// A tilt that drifts ends the pose; what a calm hand does within one
		// pose turns |mean| by less than a thousandth.
		if r3.Norm(r3.Sub(b.accel, p)) > max(0.03, 2*limA) || r3.Norm(r3.Sub(b.gyro, f.run[0].gyro)) > f.opt.GyroSD {
			done, ok := f.Flush()
			f.run = append(f.run, b)
			return done, ok
		}
	}
	f.run = append(f.run, b)
	if b.end-f.run[0].start >= f.opt.MaxDuration {
		return f.Flush()
	}
	return Pose{}, false
}

// quiet is the scatter of one axis at rest, in m/s².
func (f *RestFinder) quiet() float64 {
	if f.opt.Quiet > 0 {
		return f.opt.Quiet
	}
	n := min(f.seen, quietMemory)
	if n == 0 {
		return f.opt.AccelSD
	}
	f.sorted = append(f.sorted[:0], f.recent[:n]...)
	slices.Sort(f.sorted)
	return f.sorted[n/10]
}

func poseMean(run []block) r3.Vec {
	var s r3.Vec
	for i := range run {
		s = r3.Add(s, run[i].accel)
	}
	return r3.Scale(1/float64(len(run)), s)
}

// poseOf averages blocks, weighting down those that stand apart (Huber's
// weights at 2 scaled median deviations).
func poseOf(run []block) Pose {
	n := len(run)
	p := Pose{Start: run[0].start, End: run[n-1].end}
	w := make([]float64, n)
	dist := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	for range 3 {
		var s r3.Vec
		var sw float64
		for i := range run {
			s = r3.Add(s, r3.Scale(w[i], run[i].accel))
			sw += w[i]
		}
		p.Accel = r3.Scale(1/sw, s)
		for i := range run {
			dist[i] = r3.Norm(r3.Sub(run[i].accel, p.Accel))
		}
		// The median length of a three-component normal error is 1.54 sigma.
		lim := 2 * median(append([]float64(nil), dist...)) / 1.54 * math.Sqrt(3)
		for i := range w {
			w[i] = 1
			if dist[i] > lim && lim > 0 {
				w[i] = lim / dist[i]
			}
		}
	}
	var scatter Mat3
	var white, sw, sw2 float64
	for i := range run {
		b := &run[i]
		d := r3.Sub(b.accel, p.Accel)
		dd := [3]float64{d.X, d.Y, d.Z}
		for r := range 3 {
			for c := range 3 {
				scatter[3*r+c] += w[i] * w[i] * dd[r] * dd[c]
			}
		}
		white += (b.accelM2.X + b.accelM2.Y + b.accelM2.Z) / 3
		sw += w[i]
		sw2 += w[i] * w[i]
		p.Gyro = r3.Add(p.Gyro, r3.Scale(1/float64(n), b.gyro))
		p.TempC += b.temp / float64(n)
		p.Readings += b.n
	}
	// The scatter of a few blocks is a poor covariance: shrink it towards its
	// mean over the axes with the weight of four more blocks, and never state
	// less than the white noise of the samples allows.
	iso := (scatter[0] + scatter[4] + scatter[8]) / 3
	small := sw2 / max(sw2-1, 0.5) / (sw * sw)
	floor := white / float64(p.Readings) / float64(max(1, p.Readings-n))
	shrink := 4 / (float64(n-1) + 4)
	for r := range 3 {
		for c := range 3 {
			v := (1 - shrink) * scatter[3*r+c]
			if r == c {
				v += shrink * iso
			}
			p.AccelCov[3*r+c] = v * small
		}
		p.AccelCov[4*r] = max(p.AccelCov[4*r], floor)
	}
	return p
}

// median is the middle of v, which it sorts; 0 of nothing.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// FindPoses finds the rest poses of a whole recording. The noise at rest is
// learned from all of it first, so that a beginning in motion does no harm.
func FindPoses(samples []sensors.InertialSample, opt RestOptions) []Pose {
	opt = opt.withDefaults()
	if opt.Quiet <= 0 {
		var sds []float64
		var b block
		for _, s := range samples {
			if b.n > 0 && s.At-b.start >= opt.Block {
				if sd, _ := b.sd(); !b.bad && !math.IsInf(sd, 0) {
					sds = append(sds, sd)
				}
				b = block{}
			}
			b.add(s)
		}
		if len(sds) > 0 {
			slices.Sort(sds)
			opt.Quiet = sds[len(sds)/10]
		}
	}
	f := NewRestFinder(opt)
	var poses []Pose
	for _, s := range samples {
		if p, ok := f.Push(s); ok {
			poses = append(poses, p)
		}
	}
	if p, ok := f.close(); ok {
		poses = append(poses, p)
	}
	if p, ok := f.Flush(); ok {
		poses = append(poses, p)
	}
	return poses
}
