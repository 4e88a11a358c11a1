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
// them was taken in a field that is not the place's, and the doubt is stated.

const (
	// arrivalSigma is by how many sigmas two rests must contradict each other.
	arrivalSigma = 4.0
	// arrivalFloorDeg is what the comparison leaves in any case: the natural
	// field's wander and the vertical of a short rest, 1 sigma.
	arrivalFloorDeg = 0.3
)

// arrive compares a new rest with the one before.
func (e *Estimator) arrive() {
	b := &e.base
	measured, ok := e.restField()
	if !ok || !b.ok || !b.haveField || !b.carrier.ok || e.expected == nil {
		return
	}
	up := e.rest.accel.mean
	c := &b.carrier
	carried := c.field(b.field, b.up, up)
	extra := math.Hypot(b.extraDeg, e.carrierSigmaDeg())
	off := wrap180(heading(up, measured) - heading(up, carried))
	between := math.Sqrt(square(extra) + square(arrivalFloorDeg) + square(e.turnsWith(up, measured, b)))
	if math.Abs(off) <= arrivalSigma*between {
		b.agreed++
		return
	}
	if b.agreed == 0 || e.anomaly(up, measured) < e.anomaly(b.up, b.field)-1 {
		// One against one, or the rest before is the one that does not fit the
		// place.
		b.agreed = 0
		return
	}
	since := e.at
	if b.extraDeg > 0 {
		since = b.since
	}
	h := r3.Norm(r3.Cross(measured, r3.Unit(up)))
	e.rest.carry(carried, since, extra, max(jumpUT, 3*between*degree*h))
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
	df := (r3.Norm(field) - e.expected.StrengthUT) / sf
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
