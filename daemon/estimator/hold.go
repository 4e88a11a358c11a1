package estimator

import (
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
// own, a mean over calm times that are some seconds old: what goes beyond its
// noise within a window is a movement, however slow; what does not is dropped.
type hold struct {
	ok       bool
	azDeg    float64 // at ref
	variance float64 // deg²
	ref      holdMark
	ring     [holdWindow]holdMark // newest at n-1
	n        int

	at, restless time.Duration // of the newest block; at rest but not calm
	offset       r3.Vec        // of the gyroscope, rad/s, body axes
	blocks       float64       // behind offset
	lastFrame    float64
	turnedDeg    float64 // of the axis, by gyroscope and offset, since take
	noiseDeg     float64 // of turnedDeg over a window, 1 sigma
}

// holdMark is the gyroscope's account at one moment.
type holdMark struct {
	turnedDeg float64
	turn      Turn // for its doubt
	block     proofBlock
	still     bool
}

const (
	holdWindow = 50 // blocks: 5 s
	holdNoise  = 3.0
	// holdMemory bounds the offset's mean, in blocks: 30 s.
	holdMemory = 300
	// holdDriftDeg is how far, per second and 1 sigma, a gyroscope's offset may
	// have left its mean of half a minute: 8°/h, an ordinary bias instability.
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
	// holdDoubt is by how many sigmas compass and hold may differ: beyond, the
	// mount was moved without notice, and the compass is believed.
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
	const window = holdWindow * blockSeconds
	noise := e.opt.Inertial.GyroNoise / degree * math.Sqrt(window/2)
	*h = hold{
		ok: true, azDeg: wrap360(az), variance: v, at: e.at, lastFrame: e.filter.frameAzimuth(),
		offset: e.rest.gyroBias, blocks: min(e.rest.biasN, holdMemory), noiseDeg: math.Hypot(noise, holdDriftDeg*window),
	}
	if g := &e.rest.secondGyro; g.n >= restBlocks {
		// What this rest shows is worth more than what was learned before.
		h.offset, h.blocks = g.mean, g.n
	}
	h.ref = h.mark(e)
}

const blockSeconds = float64(blockLength) / float64(time.Second)

func (h *hold) mark(e *Estimator) holdMark {
	r := &e.rest
	return holdMark{turnedDeg: h.turnedDeg, still: r.still, turn: e.filter.TurnNow(), block: proofBlock{accel: r.last, gyro: r.lastG, field: r.lastF, nm: r.lastFN}}
}

// follow takes the block that was just judged.
func (h *hold) follow(e *Estimator) {
	if !h.ok {
		return
	}
	dt := (e.at - h.at).Seconds()
	h.at = e.at
	// The filter's frame turned by the rates less its own offset.
	frame, up := e.filter.frameAzimuth(), e.filter.Up()
	own := r3.Sub(r3.Vec{X: e.filter.offset[0], Y: e.filter.offset[1], Z: e.filter.offset[2]}, h.offset)
	level := max(up.Y*up.Y+up.Z*up.Z, 1e-4)
	h.turnedDeg += wrap180(frame-h.lastFrame) - (own.Y*up.Y+own.Z*up.Z)/level*dt/degree
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
		if h.restless += blockLength; h.restless > holdRestless {
			*h = hold{}
		}
		return
	}
	// Calm for a whole window.
	h.restless = 0
	if math.Abs(old.turnedDeg-h.ref.turnedDeg) > holdNoise*h.noiseDeg {
		h.azDeg, h.variance = h.upTo(old.turnedDeg, e)
		h.variance -= h.noiseDeg * h.noiseDeg // it is of now, not of this movement
	}
	h.ref = *old
	if !old.still {
		return // the end of a movement, perhaps
	}
	h.blocks = min(h.blocks+1, holdMemory)
	h.offset = r3.Add(h.offset, r3.Scale(1/h.blocks, r3.Sub(old.block.gyro, h.offset)))
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
	mean, ok := stood(blocks[:], h.offset, e.rest.accelLevel.variance(), e.rest.fieldNoise)
	if !ok {
		return false
	}
	h.offset, h.blocks = mean, holdWindow/2
	h.turnedDeg = h.ring[0].turnedDeg
	for i := range h.ring {
		h.ring[i].turnedDeg = h.turnedDeg
	}
	return true
}

// upTo is the azimuth and its variance when the account stood at turnedDeg.
func (h *hold) upTo(turnedDeg float64, e *Estimator) (azDeg, variance float64) {
	turned := turnedDeg - h.ref.turnedDeg
	noise := h.noiseDeg * h.noiseDeg
	if math.Abs(turned) <= holdNoise*h.noiseDeg {
		return h.azDeg, h.variance + noise
	}
	_, sigma, ok := e.filter.TurnSince(h.ref.turn)
	if !ok {
		return h.azDeg, math.Inf(1)
	}
	sigma /= degree
	return wrap360(h.azDeg + turned), h.variance + noise + sigma*sigma + holdStepDeg*holdStepDeg + square(holdScale*turned)
}

// useHold puts the held azimuth in place of the compass's where it is the surer,
// with one part in the budget, and forgets it when the two contradict.
func (e *Estimator) useHold(out *Estimate, azDeg float64) float64 {
	h := &e.hold
	if !h.ok {
		return azDeg
	}
	held, variance := h.upTo(h.turnedDeg, e)
	var v float64
	for _, p := range out.Budget {
		v += p.AzimuthDeg * p.AzimuthDeg
	}
	switch {
	case math.Abs(wrap180(held-azDeg)) > holdDoubt*math.Sqrt(v+variance) && !e.disturb.now:
		*h = hold{}
		return azDeg
	case variance >= v:
		return azDeg
	}
	for i := range out.Budget {
		p := &out.Budget[i]
		p.AzimuthDeg = 0
		if p.Name == partReference {
			p.AzimuthDeg = math.Sqrt(variance)
		}
	}
	return held
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
