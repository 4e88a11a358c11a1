package estimator

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// offsetTrack follows the gyroscope's offset at rest by the chip's own figures: a
// level that wanders, and a slope against the chip's temperature, since a board
// that was carried into the cold drifts by hundredths of a degree per second within
// a minute, all the time in one direction. It is the Kalman filter of the two
// (Brown and Hwang, Introduction to Random Signals and Applied Kalman Filtering,
// 4th ed., chapter 4), with one covariance for all axes; a block counts by at most
// trackClip of its sigmas. So the offset has a sigma at any moment, also after a
// movement in which the board went on cooling.
type offsetTrack struct {
	level, slope r3.Vec        // rad/s, at warmth; rad/s per °C
	pl, pb, plb  float64       // variances of level and slope, covariance
	at           time.Duration // of level
	warmth       float64       // °C, of level
	blocks       float64       // behind it

	// The chip's figures: variance of the wander per second, and of the slope.
	wander, perC float64
}

const (
	// trackLine is for how long, in blocks, the offset must have been followed to
	// be better known than by a rest of a second.
	trackStart = 10
	trackLine  = 150
	trackClip  = 2.5
	// wanderTime is the correlation time of a chip's wander, s (common practice, no
	// source): by its end the offset is anywhere within the wander's sigma.
	wanderTime = 150
	// ordinaryWander is that of a chip which does not tell, rad/s: 8°/h, an ordinary
	// bias instability.
	ordinaryWander = 8 * degree / 3600
	// warmthMemory is the time constant, in blocks, of the chip's temperature;
	// unknownCooling is what is assumed, °C/s, of a chip that tells none.
	// A leap beyond warmthLeap, °C, is another state of the chip.
	warmthMemory   = 20
	warmthLeap     = 5
	unknownCooling = 2.0 / 60
	// slopeWalk is the share of the slope's variance by which it may become another
	// one, per °C: hysteresis and gradients within the chip (common practice, no
	// source).
	slopeWalk = 0.01
)

// start starts at an offset that is known from some blocks of this variance.
func (t *offsetTrack) start(level r3.Vec, at time.Duration, warmth, blocks, variance float64, o *Options) {
	w := o.Inertial.GyroWander
	if w <= 0 {
		w = ordinaryWander
	}
	if perC := square(o.Inertial.GyroDriftPerC); t.blocks == 0 {
		*t = offsetTrack{pb: perC, perC: perC}
	}
	t.wander = 2 * w * w / wanderTime
	t.level, t.at, t.warmth, t.blocks = level, at, warmth, blocks
	t.pl, t.plb = variance/max(blocks, 1)+t.wander*blocks*blockSeconds/3, 0
}

// now is the offset and its variance, each axis, at a later time and temperature.
func (t *offsetTrack) now(at time.Duration, warmth float64) (offset r3.Vec, variance float64) {
	d := warmth - t.warmth
	return r3.Add(t.level, r3.Scale(d, t.slope)), t.pl + 2*d*t.plb + d*d*t.pb + t.wander*max(0, (at-t.at).Seconds())
}

// take takes the mean rate of a block at rest, whose noise has this variance.
func (t *offsetTrack) take(at time.Duration, warmth float64, rate, variance r3.Vec) {
	d := warmth - t.warmth
	t.level, t.pl = t.now(at, warmth)
	t.plb += d * t.pb
	t.pb += slopeWalk * math.Abs(d) * t.perC
	t.at, t.warmth = at, warmth
	s := t.pl + max(variance.X, variance.Y, variance.Z)
	off := clip(r3.Sub(rate, t.level), r3.Vec{X: s, Y: s, Z: s})
	kl, kb := t.pl/s, t.plb/s
	t.level, t.slope = r3.Add(t.level, r3.Scale(kl, off)), r3.Add(t.slope, r3.Scale(kb, off))
	t.pb -= kb * t.plb
	t.plb *= 1 - kl
	t.pl *= 1 - kl
	t.blocks++
}

// clip bounds each axis of v to trackClip sigmas.
func clip(v, variance r3.Vec) r3.Vec {
	bound := func(v, variance float64) float64 {
		s := trackClip * math.Sqrt(variance)
		return max(-s, min(s, v))
	}
	return r3.Vec{X: bound(v.X, variance.X), Y: bound(v.Y, variance.Y), Z: bound(v.Z, variance.Z)}
}
