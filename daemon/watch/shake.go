package watch

import (
	"math"
	"time"

	"plumbstar/sensors"
)

// Minute is the vibration of one minute.
type Minute struct {
	At time.Duration // its end
	// AccelRMS is the acceleration of the shaking, m/s², all axes together, the
	// sensor's own noise taken off.
	AccelRMS float64
	// TiltRMSDeg is what a tilt would have to be to give the accelerations below
	// 5 Hz: an upper bound of the shake in altitude, from the accelerometer.
	TiltRMSDeg float64
	// ShakeRMSDeg is the angle by which the axis shook on the night sky, by the
	// gyroscope: measured below 5 Hz, bounded from above beyond. Without a
	// gyroscope it is TiltRMSDeg.
	ShakeRMSDeg float64
	// FloorDeg is what the sensor's own noise can feign in ShakeRMSDeg: less means
	// nothing.
	FloorDeg float64
	// Blurs: more than the lens in use bears, and more than FloorDeg.
	Blurs bool
	// Blocks is how much of the minute was seen, 600 at most.
	Blocks int
}

// shake measures vibration.
type shake struct {
	noise *noise
	// The least variances seen in a minute are the sensor's own noise: of samples
	// within a block, of blocks, and of the jitter.
	accelLeast, gyroLeast  float64
	tiltLeast, jitterLeast float64
	// Leaky sums of the turn: what is slower than a second does not count.
	jitterL, jitterZ float64

	minute   int64
	n        float64
	accelVar float64
	gyroVar  float64
	jitter   float64
	up, side float64 // sum of squared steps from block to block
	lastUp   float64
	lastSide float64
	started  bool

	ready    bool
	done     Minute
	warned   bool
	warnedAt time.Duration
	// moved: the axis moved within the minute, which was told.
	moved bool
}

const (
	// leak gives the jitter a memory of a second.
	leak = 1.0
	// blockHz is the frequency that vibration within a block has at least.
	blockHz = 5.0
	// floorShare is the share of the noise's variance that is left when the least
	// of many minutes is taken off. White noise scatters by √(2/60) from minute to
	// minute, but a real gyroscope's flickers: that of the MPU-6050 recordings by
	// 0.6 of the least.
	floorShare = 1.0
	// warnAgain is the least time between two warnings of the same shaking.
	warnAgain = 10 * time.Minute
)

// noisier is by how much, as a variance, a gyroscope may be noisier than its data
// sheet before anything was seen: the MPU-6050 of the tests turns 3.5 times as
// noisily. Less, and such a chip would be told to shake for ever.
const noisier = 16

// init: before anything was seen, the accelerometer's own noise is at most twice
// the variance that the data sheet states, the gyroscope's noisier times that.
func (s *shake) init(n *noise, in *sensors.InertialSpec) {
	s.noise = n
	s.minute = math.MinInt64
	rate := in.RateHz
	if rate == 0 {
		rate = 100
	}
	s.accelLeast = 2 * square(in.AccelNoise) * rate / 2
	s.gyroLeast = noisier * square(in.GyroNoise) * rate / 2
	s.tiltLeast = 2 * 2 * square(n.tilt)
	k := 1 - BlockLength.Seconds()/leak
	s.jitterLeast = noisier * 2 * square(n.turn) / (1 - k*k)
}

// turn takes the turn of one block about left and across the axis in the
// vertical plane, degrees: what moves the picture.
func (s *shake) turn(left, z, dt float64) {
	k := 1 - dt/leak
	s.jitterL, s.jitterZ = k*s.jitterL+left, k*s.jitterZ+z
	s.jitter += s.jitterL*s.jitterL + s.jitterZ*s.jitterZ
}

func (s *shake) add(w *Watch, b *Block, up, side float64) {
	m := int64((b.At - 1) / minuteLength)
	if m != s.minute {
		if s.n >= minuteLeast {
			s.close(w, b.At)
		}
		s.minute = m
		s.clear()
	}
	s.n++
	s.accelVar += b.AccelVar
	s.gyroVar += b.GyroVar
	if s.started {
		s.up += square(up - s.lastUp)
		s.side += square(side - s.lastSide)
	}
	s.lastUp, s.lastSide, s.started = up, side, true
}

func (s *shake) clear() {
	s.n, s.accelVar, s.gyroVar, s.jitter, s.up, s.side, s.moved = 0, 0, 0, 0, 0, 0, false
}

// begin forgets what was shaken before the watch was armed.
func (s *shake) begin() {
	s.warned, s.warnedAt = false, 0
	s.jitterL, s.jitterZ = 0, 0
	s.clear()
}

// close sums a minute up. What the sensor itself contributes is the least that
// it was ever seen to.
func (s *shake) close(w *Watch, at time.Duration) {
	n := s.n
	accel, gyro, jitter := s.accelVar/n, s.gyroVar/n, s.jitter/n
	// Steps between neighbours have twice the variance of a block.
	tilt := (s.up + s.side) / n / 2
	s.accelLeast = min(s.accelLeast, accel)
	s.gyroLeast = min(s.gyroLeast, gyro)
	s.jitterLeast = min(s.jitterLeast, jitter)
	s.tiltLeast = min(s.tiltLeast, tilt)
	tilt -= s.tiltLeast
	d := Minute{At: at.Truncate(minuteLength), Blocks: int(n)}
	d.AccelRMS = math.Sqrt(3*max(accel-s.accelLeast, 0) + tilt*square(degree*sensors.StandardGravity))
	d.TiltRMSDeg = math.Sqrt(tilt)
	d.ShakeRMSDeg = d.TiltRMSDeg
	d.FloorDeg = math.Sqrt(floorShare * s.tiltLeast)
	if s.noise.gyro {
		d.FloorDeg = math.Sqrt(floorShare * s.jitterLeast)
		fast := 2 * max(gyro-s.gyroLeast, 0) / square(2*math.Pi*blockHz*degree)
		d.ShakeRMSDeg = math.Sqrt(max(jitter-s.jitterLeast, 0) + fast)
	}
	d.Blurs = w.allow.LongestS != nil && w.allow.BlurDeg > 0 && d.ShakeRMSDeg > max(w.allow.BlurDeg, d.FloorDeg)
	s.done, s.ready = d, true
	if !d.Blurs || !w.reporting() || s.moved || w.event.on {
		return // a move is told as such
	}
	if s.warned && at-s.warnedAt < warnAgain {
		return
	}
	s.warned, s.warnedAt = true, at
	after := w.soFar()
	w.tell(Finding{ID: w.nextID(), Final: true, Kind: Shaking, Start: d.At - minuteLength, Shake: d}, &after)
}

// Minute gives each complete minute of vibration once.
func (w *Watch) Minute() (Minute, bool) {
	s := &w.shake
	if !s.ready {
		return Minute{}, false
	}
	s.ready = false
	return s.done, true
}
