package estimator

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// hold is the azimuth that references have given, kept at rest and carried
// through movements by gyroscope and gravity. A compass repeats itself only to a
// fraction of a degree; a star in the finder is worth minutes of arc, and what
// follows are small moves, which the gyroscope measures far better.
//
// A person who feels for the last tenth of a degree turns so slowly that the
// movement passes for the gyroscope's drift. So the hold keeps an offset of its
// own, a line through calm times that are some seconds old: what goes beyond its
// noise within a window is a movement, however slow; what does not is dropped.
type hold struct {
	_        [0]func() // never compared: no code for that
	ok       bool
	azDeg    float64 // at ref
	variance float64 // deg²
	taken    float64 // deg², the references' own share of it
	ref      holdMark
	ring     [holdWindow]holdMark // newest at n-1
	n        int

	at, restless time.Duration // of the newest block; at rest but not calm
	gyro         offsetTrack
	lastFrame    float64
	turnedDeg    float64 // of the axis, by gyroscope and offset, since begin
	stillDeg     float64 // of turnedDeg, while the mount seemed to rest
	noiseDeg     float64 // of turnedDeg over a window, 1 sigma
}

// holdMark is the gyroscope's account at one moment.
type holdMark struct {
	at        time.Duration
	turnedDeg float64
	stillDeg  float64 // of turnedDeg, while the mount seemed to rest
	turn      Turn    // for its doubt
	block     proofBlock
	still     bool
}

const (
	holdWindow = 50 // blocks: 5 s
	holdNoise  = 3.0
	// holdDriftDeg is how far, per second and 1 sigma, a gyroscope's offset may
	// have left its line through a minute: 8°/h, an ordinary bias instability.
	holdDriftDeg = 8.0 / 3600
	// holdStepDeg is what each movement costs beside the gyroscope's own errors, 1
	// sigma: what is too small to be told from drift.
	holdStepDeg = 0.035
	// holdScale is the error of a turn by the gyroscope's scale and axes, 1 sigma,
	// as data sheets have it.
	holdScale = 0.01
	// holdRestless is for how long the mount may seem to rest and yet to turn:
	// then the offset has changed, and nothing more is known of the azimuth.
	holdRestless = time.Minute
	// holdTrust is for how long: then the offset is taken to have changed, and
	// what was counted meanwhile stays doubted by half.
	holdTrust = 10 * time.Second
	// holdDoubt is by how many sigmas compass and hold may differ.
	holdDoubt = 4.0
)

// frameAzimuth is the axis's azimuth in the filter's gyroscope frame, degrees.
func (f *Filter) frameAzimuth() float64 {
	p := quat.Mul(quat.Mul(f.q, quat.Number{Imag: 1}), quat.Conj(f.q))
	return math.Atan2(p.Imag, p.Jmag) / degree
}

// take joins a reference to the present estimate, in which what was held has
// its share already.
func (h *hold) take(q, prior Quantity, replace bool, e *Estimator) {
	az, v := q.Deg, q.SigmaDeg*q.SigmaDeg
	if prior.Known && !replace {
		k := prior.SigmaDeg * prior.SigmaDeg / (prior.SigmaDeg*prior.SigmaDeg + v)
		az, v = prior.Deg+k*wrap180(q.Deg-prior.Deg), k*v
	}
	if h.at == 0 {
		h.begin(e)
	}
	h.ok, h.azDeg, h.variance, h.taken, h.restless = true, wrap360(az), v, v, 0
	if g := &e.rest.secondGyro; h.gyro.blocks < trackLine && g.n >= restBlocks {
		// What this rest shows is worth more than the little learned before.
		h.gyro = startTrack(g.mean, e.at, g.n)
	}
	h.ref = h.mark(e)
}

const blockSeconds = float64(blockLength) / float64(time.Second)

func (h *hold) mark(e *Estimator) holdMark {
	r := &e.rest
	return holdMark{at: e.at, turnedDeg: h.turnedDeg, stillDeg: h.stillDeg, still: r.still, turn: e.filter.TurnNow(), block: proofBlock{accel: r.last, gyro: r.lastG, field: r.lastF, nm: r.lastFN}}
}

// begin starts the account; it runs on whether or not something is held, so that
// the offset is known well by the time of a sighting.
func (h *hold) begin(e *Estimator) {
	const window = holdWindow * blockSeconds
	noise := e.opt.Inertial.GyroNoise / degree * math.Sqrt(window/2)
	h.at, h.lastFrame, h.noiseDeg = e.at, e.filter.frameAzimuth(), math.Hypot(noise, holdDriftDeg*window)
	if h.gyro.blocks == 0 {
		h.gyro = startTrack(e.rest.gyroBias, e.at, trackStart)
	}
}

// follow takes the block that was just judged.
func (h *hold) follow(e *Estimator) {
	if h.at == 0 {
		if e.rest.biasN < trackStart {
			return
		}
		h.begin(e)
	}
	dt := (e.at - h.at).Seconds()
	h.at = e.at
	// The filter's frame turned by the rates less its own offset.
	frame, up := e.filter.frameAzimuth(), e.filter.Up()
	own := r3.Sub(r3.Vec{X: e.filter.offset[0], Y: e.filter.offset[1], Z: e.filter.offset[2]}, h.gyro.now(e.at))
	level := max(up.Y*up.Y+up.Z*up.Z, 1e-4)
	turned := wrap180(frame-h.lastFrame) - (own.Y*up.Y+own.Z*up.Z)/level*dt/degree
	h.turnedDeg += turned
	if e.rest.still {
		h.stillDeg += turned
	}
	h.lastFrame = frame

	if h.n == holdWindow {
		copy(h.ring[:], h.ring[1:])
		h.n--
	}
	h.ring[h.n] = h.mark(e)
	h.n++
	old := &h.ring[0]
	if !e.rest.still || h.n < holdWindow {
		h.restless = 0
		return
	}
	if math.Abs(h.turnedDeg-old.turnedDeg) > holdNoise*h.noiseDeg && !h.drifted(e) {
		h.restless += blockLength
		if e.at-e.rest.since > holdTrust && h.restless%holdTrust == 0 {
			h.gyro = startTrack(e.rest.gyroBias, e.at, trackStart)
		}
		if h.restless > holdRestless {
			h.ok = false
		}
		return
	}
	// Calm for a whole window.
	h.restless = 0
	if math.Abs(old.turnedDeg-h.ref.turnedDeg) > holdNoise*h.noiseDeg {
		h.azDeg, h.variance = h.upTo(old.turnedDeg, old.stillDeg, e)
		h.variance -= h.noiseDeg * h.noiseDeg // it is of now, not of this movement
	}
	h.ref = *old
	if !old.still {
		return // the end of a movement, perhaps
	}
	h.gyro.take(old.at, old.block.gyro, e.rest.gyroLevel.variance())
}

// drifted reports that what the window counted as a turn was the gyroscope's
// offset: the mount has rested all the time, and gravity and field prove that it
// stood. The offset is taken from the window then, and the turn back.
func (h *hold) drifted(e *Estimator) bool {
	if e.at-e.rest.since < holdWindow*blockLength {
		return false
	}
	var blocks [holdWindow]proofBlock
	for i := range blocks {
		blocks[i] = h.ring[i].block
	}
	mean, ok := stood(blocks[:], h.gyro.now(e.at), e.rest.accelLevel.variance(), e.rest.fieldNoise)
	if !ok {
		return false
	}
	h.gyro = startTrack(mean, e.at, holdWindow/2)
	h.turnedDeg, h.stillDeg = h.ring[0].turnedDeg, h.ring[0].stillDeg
	for i := range h.ring {
		h.ring[i].turnedDeg, h.ring[i].stillDeg = h.turnedDeg, h.stillDeg
	}
	return true
}

// upTo is the azimuth and its variance when the account stood at turnedDeg, of
// which stillDeg while the mount seemed to rest: that may be a hand that turns too
// slowly to be noticed otherwise, or the gyroscope's offset, and is doubted by half.
func (h *hold) upTo(turnedDeg, stillDeg float64, e *Estimator) (azDeg, variance float64) {
	turned := turnedDeg - h.ref.turnedDeg
	noise := h.noiseDeg
	if math.Abs(turned) <= holdNoise*h.noiseDeg {
		return h.azDeg, h.variance + noise*noise
	}
	_, sigma, ok := e.filter.TurnSince(h.ref.turn)
	if !ok {
		return h.azDeg, math.Inf(1)
	}
	sigma /= degree
	return wrap360(h.azDeg + turned), h.variance + noise*noise + sigma*sigma + holdStepDeg*holdStepDeg + square(holdScale*turned) + square((stillDeg-h.ref.stillDeg)/2)
}

// useHold joins the held azimuth to the one that compass and references give, in
// one part of the budget. The two share the error of the references. Where they
// contradict each other, the field has changed unseen or the mount was turned
// unseen: the gyroscope, which sees turns, is believed, and the doubt stated.
func (e *Estimator) useHold(out *Estimate, azDeg float64) float64 {
	h := &e.hold
	if !h.ok {
		return azDeg
	}
	held, vh := h.upTo(h.turnedDeg, h.stillDeg, e)
	var v float64
	for _, p := range out.Budget {
		v += p.AzimuthDeg * p.AzimuthDeg
	}
	off := wrap180(azDeg - held)
	switch shared := min(h.taken, vh, v); {
	case math.IsInf(vh, 1):
		return azDeg
	case math.Abs(off) > holdDoubt*math.Sqrt(v+vh):
		vh += square(off / holdDoubt)
		e.contradict(off)
	case vh+v-2*shared > 0:
		k := (vh - shared) / (vh + v - 2*shared)
		held, vh = wrap360(held+k*off), (vh*v-shared*shared)/(vh+v-2*shared)
	}
	for i := range out.Budget {
		p := &out.Budget[i]
		p.AzimuthDeg = 0
		if p.Name == partReference {
			p.AzimuthDeg = math.Sqrt(vh)
		}
	}
	return held
}

// contradict calls the field disturbed because it is off degrees away from what
// a sighting, carried on, says.
func (e *Estimator) contradict(off float64) {
	d := &e.disturb
	if d.now {
		return
	}
	d.now, d.contradicts = true, true
	d.why = fmt.Sprintf("the compass contradicts the sighting, carried on by the gyroscope, by %.1f°; was the mount moved while the sensors were off? Then repeat the sighting", math.Abs(off))
}

// AxisMark is a moment from which a turn of the axis is counted.
type AxisMark struct {
	frameDeg float64
	turn     Turn
}

// MarkAxis marks this moment.
func (e *Estimator) MarkAxis() AxisMark {
	return AxisMark{frameDeg: e.filter.frameAzimuth(), turn: e.filter.TurnNow()}
}

// AxisTurned is how far the azimuth of the axis grew since the mark, degrees,
// by gyroscope and gravity alone, and its 1 sigma. False without a gyroscope.
// Turns slower than about 0.1°/s pass for the gyroscope's drift in part.
func (e *Estimator) AxisTurned(m AxisMark) (deg, sigmaDeg float64, ok bool) {
	_, sigma, ok := e.filter.TurnSince(m.turn)
	deg = wrap180(e.filter.frameAzimuth() - m.frameDeg)
	return deg, math.Sqrt(square(sigma/degree) + holdStepDeg*holdStepDeg + square(holdScale*deg)), ok
}
