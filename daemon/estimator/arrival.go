package estimator

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// A field can change while the mount is moved, when nothing tells it from the
// movement: somebody leans over with a phone. So the heading of a new rest is
// held against that of the rest before, carried along by the gyroscope. Where
// the two contradict each other beyond what iron on the mount explains, one of
// them was taken in a field that is not the place's. Where nothing tells which,
// the new one is shown with a doubt that covers both, and the other remembered.

const (
	// arrivalSigma is by how many sigmas two rests must contradict each other.
	arrivalSigma = 4.0
	// arrivalFloorDeg is what the comparison leaves in any case: the natural
	// field's wander and the vertical of a short rest, 1 sigma.
	arrivalFloorDeg = 0.3
	// A field is strange to the place when strength and dip leave the model's by
	// more than strangeSigma, and plain within plainSigma; between the two they
	// tell nothing, as they are blind to most of what spoils a heading.
	strangeSigma = 3.0
	plainSigma   = 2.0
	// A rival is forgotten when so many rests over so long a time have agreed with
	// the field that is shown: nobody stands beside a tripod that still for that
	// long (common practice, no source).
	rivalRests = 2
	rivalFor   = time.Minute
)

// rival is the field of an earlier rest, in the body as it is now, that
// contradicts the one that is shown, when either may be right.
type rival struct {
	on     bool
	field  r3.Vec
	offDeg float64 // between the two headings
	tolUT  float64
	since  time.Duration
	rests  int // since then, that agreed with what is shown
	blocks int // in a row that agreed with the rival
}

// rivalTol is how near a field must come to the rival's to be the same: what a
// doubt of the heading makes of the horizontal field, but well apart from the one
// that is shown.
func rivalTol(doubtDeg, levelUT float64, apart r3.Vec) float64 {
	return min(max(jumpUT, 3*doubtDeg*degree*levelUT), r3.Norm(apart)/2)
}

// doubtDeg is the 1 sigma of the heading that is shown: the other lies well
// inside its 95 % bound.
func (v *rival) doubtDeg() float64 {
	if !v.on {
		return 0
	}
	return v.offDeg / 2
}

// back reports that the field of this rest has come back to the rival's.
func (v *rival) back(f, variance r3.Vec) bool {
	if !v.on {
		return false
	}
	if beyond(r3.Sub(f, v.field), moveSigma, atLeast(variance, v.tolUT/moveSigma)) {
		v.blocks = 0
		return false
	}
	v.blocks++
	return v.blocks >= restBlocks
}

// arrive compares a new rest with the one before.
func (e *Estimator) arrive() {
	b := &e.base
	measured, ok := e.restField()
	if ok && !e.opt.Inertial.HasGyro {
		e.arriveAlone(measured)
		return
	}
	if !ok || !b.ok || !b.haveField || !b.carrier.ok || e.expected == nil {
		return
	}
	up := e.rest.accel.mean
	c := &b.carrier
	carried := c.field(b.field, b.up, up)
	plain := math.Sqrt(square(e.carrierSigmaDeg()) + square(arrivalFloorDeg) + square(e.turnsWith(up, measured, b)))
	between := math.Hypot(plain, b.extraDeg)
	level := r3.Norm(r3.Cross(measured, r3.Unit(up)))
	off := wrap180(heading(up, measured) - heading(up, carried))
	if v := b.rival; v.on {
		v.field = c.field(v.field, b.up, up)
		toRival := wrap180(heading(up, measured) - heading(up, v.field))
		v.tolUT = rivalTol(plain, level, r3.Sub(measured, v.field))
		near := arrivalSigma * plain
		switch {
		case math.Abs(toRival) <= near && math.Abs(off) > near:
			b.agreed = 1 // what was before is back
			return
		case math.Abs(off) <= near:
			if v.rests++; v.rests < rivalRests || e.at-v.since < rivalFor {
				e.rest.rival = v
			}
			return
		default:
			// A third field: the doubt grows.
			v.offDeg, v.rests = max(v.offDeg, math.Abs(toRival)), 0
			e.rest.rival = v
			return
		}
	}
	if math.Abs(off) <= arrivalSigma*between {
		b.agreed++
		return
	}
	before, after := e.anomaly(b.up, b.field), e.anomaly(up, measured)
	switch {
	case before > strangeSigma && after < plainSigma:
		// The rest before is the one that does not fit the place.
		b.agreed = 0
		return
	case b.agreed == 0 && (after <= strangeSigma || before >= plainSigma):
		e.rest.rival = rival{on: true, field: carried, offDeg: math.Abs(off), tolUT: rivalTol(plain, level, r3.Sub(measured, carried)), since: e.at}
		return
	}
	since := e.at
	if b.extraDeg > 0 {
		since = b.since
	}
	e.rest.carry(carried, since, math.Hypot(b.extraDeg, e.carrierSigmaDeg()), max(jumpUT, 3*between*degree*level))
}

// turnsWith is how much, 1 sigma in degrees, errors that turn with the board may
// differ between the rest at b and this one.
func (e *Estimator) turnsWith(up, field r3.Vec, b *pose0) float64 {
	j := poseJacobian(up, field)
	ca, cm := e.opt.accelError(up), e.opt.fieldError(field)
	iron := Isotropic(ironShare * e.opt.LocalFieldUT)
	s := e.opt.Swing
	prior := math.Hypot(s.calibration(&j, up, &ca, &cm)[1], s.iron(&j, up, &iron)[1])
	prior = math.Hypot(prior, e.opt.temperature(&j, &j, up, field, e.tempC)[1])
	cos := math.Cos(b.carrier.turned) * r3.Dot(r3.Unit(up), r3.Unit(b.up))
	return prior * math.Sqrt(max(0, 2*(1-cos)))
}

// anomaly is by how many sigmas strength and dip of a field leave the model's.
func (e *Estimator) anomaly(up, field r3.Vec) float64 {
	ca, cm := e.opt.accelError(up), e.opt.fieldError(field)
	sf, sd := e.fieldSigmas(&ca, &cm)
	strength, _ := e.strength()
	df := (r3.Norm(field) - strength) / sf
	dd := (math.Asin(-r3.Dot(r3.Unit(field), r3.Unit(up)))/degree - e.expected.DipDeg) / sd
	return math.Hypot(df, dd)
}

// carry believes another field instead of that of this rest, as heading(up,
// field) ± extraDeg, until that of the rest comes back to it within tolUT or the
// doubt has grown too old.
func (r *rest) carry(field r3.Vec, since time.Duration, extraDeg, tolUT float64) {
	const weight = 10 // blocks: as good as a full second
	v := r.fieldVariance(1)
	r.field = mean3{n: weight, mean: field, m2: r3.Scale(weight, v)}
	r.jump = fieldJump{on: true, since: since, extraDeg: extraDeg, tolUT: tolUT, carried: true}
}
