package estimator

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// Without a gyroscope only gravity and field show a movement. Two things follow.
// The noise that was seen at rest must not hide one that begins smoothly. And a
// field that changes is a turn about the vertical: nobody can tell it from steel
// that comes near, and to hold on to the direction of before would be wrong for
// every turn of the azimuth knob.
const (
	// plainAccel is the noise of a block, m/s² (0.06° of tilt), that counts as
	// rest in any chip: wind, footsteps (common practice, no source).
	plainAccel = 0.01
	// plainBlocks is the memory of gravity and field: 2 s, so that a turn too slow or
	// too small to be noticed is made good soon. Noise is far below what calibration
	// leaves by then.
	plainBlocks = 20
	// plainCreep is the least change of gravity's mean of a second that is a
	// movement, m/s²: 0.1° of tilt.
	plainCreep = 0.017
	// plainFieldUT is the least change of the field's mean of a second that is a
	// turn: 0.9° in a horizontal field of 19 µT.
	plainFieldUT = 0.3
)

// spread is the variance of a block at rest, as seen and expected.
func (r *rest) spread(expected r3.Vec) r3.Vec {
	v := r.accel.variance(expected)
	if r.hasGyro {
		return v
	}
	return least(v, square(max(noiseCap*r.accelLevel.floor, plainAccel)))
}

// memory is that of gravity's average at rest.
func (r *rest) memory() float64 {
	if r.hasGyro {
		return averageBlocks
	}
	return plainBlocks
}

// secondsSpread is the variance of a second's mean at rest: without a gyroscope as
// the quiet blocks have it, since what small movements have scattered would hide the
// next one.
func (r *rest) secondsSpread(expected r3.Vec) r3.Vec {
	if r.hasGyro {
		return r3.Scale(0.1, r.spread(expected))
	}
	return atLeast(r3.Scale(0.1, expected), plainCreep/creepSigma)
}

// meanSpread is that of the whole average.
func (r *rest) meanSpread(expected r3.Vec) r3.Vec {
	if r.hasGyro {
		return r.accel.ofMean(expected)
	}
	return r3.Scale(1/r.accel.n, expected)
}

func least(v r3.Vec, limit float64) r3.Vec {
	return r3.Vec{X: min(v.X, limit), Y: min(v.Y, limit), Z: min(v.Z, limit)}
}

// takePlainField adds a block of the field at rest.
func (r *rest) takePlainField(f r3.Vec, n float64) {
	if r.fieldLevel.floor == 0 {
		r.fieldLevel = newLevel(r.fieldNoise / math.Sqrt(max(1, n)))
	}
	r.field.add(f, plainBlocks)
	r.secondField.add(f, 10)
}

// fieldAlone is the rest whose field changed while nothing shook the mount: hands
// that turn a knob do shake it. So the field of before may still be the right one.
type fieldAlone struct {
	on        bool
	up, field r3.Vec
	v, n      float64 // scatter of the samples since, as rest.quietV; blocks
}

func (a *fieldAlone) shake(v float64) { a.v, a.n = a.v+v, a.n+1 }

// apart is what such changes have turned the compass by, together: when the steel
// goes away, nothing is left. It is forgotten after rivalFor.
type apart struct {
	deg   float64
	since time.Duration
}

// doubtDeg is the 1 sigma of the heading that is shown: the other lies well inside
// its 95 % bound.
func (a *apart) doubtDeg(now time.Duration) float64 {
	if math.Abs(a.deg) < aloneDeg || now-a.since > rivalFor {
		return 0
	}
	return math.Abs(a.deg) / 2
}

const (
	// shakenBy is by how much the variance of samples must exceed that at rest: with
	// forty of them, five sigma.
	shakenBy = 2.2
	// shakenLately is the same of the last second or two: a change of the field shows
	// only when the turn is over.
	shakenLately = 1.6
	// aloneDeg is the least turn of the compass that is doubted for it, the figure of
	// plainFieldUT.
	aloneDeg = 1.0
	quietMem = 100 // blocks
)

// quiets learns what a block at rest scatters by.
func (r *rest) quiets(v float64) {
	r.quietN = min(r.quietN+1, quietMem)
	r.quietV += (v - r.quietV) / r.quietN
}

// restartAlone ends a rest because of the field.
func (r *rest) restartAlone(at time.Duration) {
	was := fieldAlone{on: r.field.n >= 10 && r.quietN >= 10 && r.vibes < shakenLately*r.quietV, up: r.accel.mean, field: r.field.mean}
	r.restart(at, false)
	r.alone = was
}

// arriveAlone compares the field of a new rest with the one that it left although
// nothing shook the mount. Where gravity is the same too, either may be right.
func (e *Estimator) arriveAlone(measured r3.Vec) {
	r := &e.rest
	a := r.alone
	r.alone = fieldAlone{}
	up := r.accel.mean
	if !a.on || a.v > shakenBy*r.quietV*a.n || beyond(r3.Sub(up, a.up), 1, r3.Vec{X: plainCreep * plainCreep, Y: plainCreep * plainCreep, Z: plainCreep * plainCreep}) {
		return
	}
	turned := wrap180(heading(up, measured) - heading(a.up, a.field))
	if r.apart.doubtDeg(e.at) == 0 {
		r.apart.deg = 0
	}
	r.apart = apart{deg: wrap180(r.apart.deg + turned), since: e.at}
}

// fieldLeft reports a block whose field is no longer that of the rest.
func (r *rest) fieldLeft(b *block) bool {
	if r.hasGyro || b.nm == 0 {
		return false
	}
	f := r3.Scale(1/b.nm, b.field)
	if r.plainN > 0 && r.fieldLevel.floor > 0 {
		r.fieldLevel.see(r3.Sub(f, r.plainLast))
	}
	r.plainLast, r.plainN = f, b.nm
	if r.field.n < restBlocks {
		return false
	}
	v := r3.Scale(1+1/r.field.n, r.fieldLevel.variance())
	return beyond(r3.Sub(f, r.field.mean), moveSigma, atLeast(v, jumpUT/moveSigma))
}

// fieldCrept is fieldLeft for the last second.
func (r *rest) fieldCrept() bool {
	if r.hasGyro || r.secondField.n < 10 || r.field.n < 20 {
		return false
	}
	v := r3.Scale(0.1+1/r.field.n, r.fieldLevel.variance())
	return beyond(r3.Sub(r.secondField.mean, r.field.mean), creepSigma, atLeast(v, plainFieldUT/creepSigma))
}
