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
// What the axis turns while the mount is seen to move is counted. A person who
// feels for the last tenth of a degree turns so slowly that the movement passes for
// the gyroscope's drift: so the hold keeps an offset of its own, learned in calm
// times that are some seconds old, and what goes beyond its noise within a window
// at rest is a movement, however slow; what does not is dropped.
type hold struct {
	_        [0]func() // never compared: no code for that
	ok       bool
	azDeg    float64 // at ref
	variance float64 // deg²
	creepDeg float64 // 1 sigma beside it: turns that may have been none
	taken    float64 // deg², the references' own share of it
	ref      holdMark
	ring     [holdWindow]holdMark // newest at n-1
	n        int

	account
	at, restless time.Duration // of the newest block; at rest but not calm
	edge         int           // blocks since a movement, up to holdEdge
	gyro         offsetTrack
	lastFrame    float64
	noiseDeg     float64 // of a turn over the newest window, 1 sigma
	stepDeg      float64 // what each movement costs, 1 sigma
	warmth       float64 // °C of the chip, smoothed
}

// account is what the axis has turned since begin by gyroscope and offset.
type account struct {
	movedDeg, stillDeg float64 // while the mount moved; while it seemed to rest
	movedS             float64 // for how long it moved
	doubtDeg           float64 // of movedDeg by the offset, 1 sigma
}

// less is what came between two accounts.
func (a account) less(b account) account {
	return account{a.movedDeg - b.movedDeg, a.stillDeg - b.stillDeg, a.movedS - b.movedS, a.doubtDeg - b.doubtDeg}
}

// holdMark is the gyroscope's account at one moment.
type holdMark struct {
	account
	at       time.Duration
	driftDeg float64 // per second, 1 sigma, of the offset
	warmth   float64
	block    proofBlock
	still    bool
}

const (
	holdWindow = 50 // blocks: 5 s
	holdNoise  = 3.0
	// holdEdge is how many blocks around a movement belong to it: it begins and
	// ends too gently to be seen at once.
	holdEdge = 5
	// holdStepS is for how long, at those edges, a turn may stay below what shows as
	// one.
	holdStepS = 0.35
	// ordinaryScale is the error of a turn by the gyroscope's scale and axes, 1
	// sigma, of a chip that does not tell.
	ordinaryScale = 0.01
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
	h.ok, h.azDeg, h.variance, h.creepDeg, h.taken, h.restless = true, wrap360(az), v, 0, v, 0
	if g := &e.rest.secondGyro; h.gyro.blocks < trackLine && g.n >= restBlocks {
		// What this rest shows is worth more than the little learned before.
		h.startGyro(g.mean, g.n, e)
	}
	h.ref = h.mark(e)
}

const blockSeconds = float64(blockLength) / float64(time.Second)

func (h *hold) mark(e *Estimator) holdMark {
	r := &e.rest
	return holdMark{
		account: h.account, at: e.at, driftDeg: h.driftDeg(e), warmth: h.warmth, still: r.still && h.edge >= holdEdge,
		block: proofBlock{accel: r.last, gyro: r.lastG, field: r.lastF, nm: r.lastFN},
	}
}

// begin starts the account; it runs on whether or not something is held, so that
// the offset is known well by the time of a sighting.
func (h *hold) begin(e *Estimator) {
	h.at, h.lastFrame, h.warmth, h.edge = e.at, e.filter.frameAzimuth(), e.warmth(), holdEdge
	if h.gyro.blocks == 0 {
		h.startGyro(e.rest.gyroBias, trackStart, e)
	}
	h.weigh(e)
}

// startGyro starts to follow the offset anew, from the mean of some blocks.
func (h *hold) startGyro(mean r3.Vec, blocks float64, e *Estimator) {
	v := e.rest.gyroLevel.variance()
	h.gyro.start(mean, e.at, h.warmth, blocks, max(v.X, v.Y, v.Z), &e.opt)
}

// cosAltitude is that of the axis: the azimuth of one that points up turns faster
// than the board.
func (e *Estimator) cosAltitude() float64 {
	up := e.filter.Up()
	return math.Sqrt(max(up.Y*up.Y+up.Z*up.Z, 1e-4))
}

// driftDeg is what the doubt of the offset turns the azimuth by in a second.
func (h *hold) driftDeg(e *Estimator) float64 {
	_, v := h.gyro.now(e.at, h.warmth)
	return math.Sqrt(v) / degree / e.cosAltitude()
}

// weigh says how well a turn is known now: what is too slow for the rest estimator
// to see is missed for as long as the edges of a movement last, or the window finds
// it.
func (h *hold) weigh(e *Estimator) {
	const window = holdWindow * blockSeconds
	h.noiseDeg = math.Hypot(e.whiteDeg(window), h.driftDeg(e)*window)
	v := e.rest.gyroLevel.variance()
	seen := max(minRate, moveSigma*math.Sqrt(max(v.X, v.Y, v.Z))) / degree
	h.stepDeg = min(seen*holdStepS/e.cosAltitude(), holdNoise*h.noiseDeg)
}

// whiteDeg is what the gyroscope's white noise adds up to in t seconds, in azimuth.
func (e *Estimator) whiteDeg(t float64) float64 {
	return e.opt.Inertial.GyroNoise / degree * math.Sqrt(t/2) / e.cosAltitude()
}

// warm smoothes the chip's temperature.
func (h *hold) warm(c float64) {
	if math.Abs(c-h.warmth) > warmthLeap {
		h.warmth = c
	}
	h.warmth += (c - h.warmth) / warmthMemory
}

// warmth is the chip's temperature over the last block; of a chip that tells none, one that follows
// time.
func (e *Estimator) warmth() float64 {
	if t := e.rest.lastT; !math.IsNaN(t) {
		return t
	}
	return unknownCooling * e.at.Seconds()
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
	h.warm(e.warmth())
	// The filter's frame turned by the rates less its own offset.
	frame, up := e.filter.frameAzimuth(), e.filter.Up()
	offset, _ := h.gyro.now(e.at, h.warmth)
	own := r3.Sub(r3.Vec{X: e.filter.offset[0], Y: e.filter.offset[1], Z: e.filter.offset[2]}, offset)
	level := max(up.Y*up.Y+up.Z*up.Z, 1e-4)
	turned := wrap180(frame-h.lastFrame) - (own.Y*up.Y+own.Z*up.Z)/level*dt/degree
	h.lastFrame = frame
	h.weigh(e)
	switch {
	case !e.rest.still:
		if h.edge >= holdEdge {
			h.widen()
		}
		h.edge = 0
	default:
		h.edge = min(h.edge+1, holdEdge)
	}
	if h.edge < holdEdge {
		h.movedDeg += turned
		h.movedS += dt
		h.doubtDeg += h.driftDeg(e) * dt
	} else {
		h.stillDeg += turned
	}

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
	if math.Abs(h.stillDeg-old.stillDeg) > holdNoise*h.noiseDeg && !h.drifted(e) {
		h.restless += blockLength
		if e.at-e.rest.since > holdTrust && h.restless%holdTrust == 0 {
			h.startGyro(e.rest.gyroBias, trackStart, e)
		}
		if h.restless > holdRestless {
			h.ok = false
		}
		return
	}
	// Calm for a whole window.
	h.restless = 0
	if !old.still {
		return // part of a movement
	}
	if old.at > h.ref.at {
		h.azDeg, h.variance, h.creepDeg = h.upTo(old.account, e)
		h.ref = *old
	}
	h.gyro.take(old.at, old.warmth, old.block.gyro, e.rest.gyroLevel.variance())
}

// widen counts the last blocks at rest as the beginning of the movement that has
// just shown.
func (h *hold) widen() {
	from := h.ref
	if k := h.n - 1 - holdEdge; k >= 0 && h.ring[k].at > h.ref.at {
		from = h.ring[k]
	}
	last := from
	for i := range h.n {
		m := &h.ring[i]
		if m.at <= from.at {
			continue
		}
		dt := (m.at - last.at).Seconds()
		m.movedDeg += m.stillDeg - from.stillDeg
		m.stillDeg, m.still = from.stillDeg, false
		m.movedS = last.movedS + dt
		m.doubtDeg = last.doubtDeg + m.driftDeg*dt
		last = *m
	}
	h.account = last.account
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
	known, _ := h.gyro.now(e.at, h.warmth)
	mean, ok := stood(blocks[:], known, e.rest.accelLevel.variance(), e.rest.fieldNoise)
	if !ok {
		return false
	}
	h.startGyro(mean, holdWindow/2, e)
	h.account = h.ring[0].account
	for i := range h.ring {
		h.ring[i].account = h.account
	}
	return true
}

// upTo is the azimuth, its variance and creepDeg when the account stood at a. What
// turned while the mount seemed to rest may be a hand that turns too slowly to be
// noticed otherwise, or the gyroscope's offset, and is doubted by half: one time as
// the other, so these doubts add up.
func (h *hold) upTo(a account, e *Estimator) (azDeg, variance, creepDeg float64) {
	if !e.opt.Inertial.HasGyro {
		return h.azDeg, math.Inf(1), 0
	}
	a = a.less(h.ref.account)
	turned, v, creep := a.movedDeg, h.variance, h.creepDeg
	if a.movedS > 0 {
		v += square(e.whiteDeg(a.movedS)) + a.doubtDeg*a.doubtDeg + square(e.gyroScale()*a.movedDeg) + h.stepDeg*h.stepDeg
	}
	if math.Abs(a.stillDeg) > holdNoise*h.noiseDeg {
		turned += a.stillDeg
		v += h.noiseDeg * h.noiseDeg
		creep += math.Abs(a.stillDeg) / 2
	}
	return wrap360(h.azDeg + turned), v, creep
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
	held, vh, creep := h.upTo(h.account, e)
	vh += h.noiseDeg*h.noiseDeg + creep*creep
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

// gyroScale is the 1 sigma of the gyroscope's scale and axes.
func (e *Estimator) gyroScale() float64 {
	if s := e.opt.Inertial.GyroScale; s > 0 {
		return s
	}
	return ordinaryScale
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
	return deg, math.Sqrt(square(sigma/degree) + square(e.hold.stepDeg) + square(e.gyroScale()*deg)), ok
}
