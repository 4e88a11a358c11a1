package estimator

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Started reports whether there was a first sample.
func (f *Filter) Started() bool { return f.begun }

// Attitude is the unit quaternion that turns sensor vectors into east, magnetic
// north, up: v_E = q v q*. Before the first sample it is 1; while HeadingKnown
// is false its heading is arbitrary.
func (f *Filter) Attitude() quat.Number {
	a, _ := f.head.azimuth()
	return unit(quat.Mul(turnBy(0, 0, a), f.q))
}

// HeadingKnown reports whether the field has given a heading yet.
func (f *Filter) HeadingKnown() bool { return f.head.known }

// HeadingSigma is the 1-sigma error of the attitude about the vertical, rad; π
// when nothing is known.
func (f *Filter) HeadingSigma() float64 {
	if !f.head.known {
		return math.Pi
	}
	_, v := f.head.azimuth()
	return math.Sqrt(v)
}

// InclinationSigma is the 1-sigma error of the attitude about any one
// horizontal direction, rad; the angle between true and estimated vertical is
// 2.45 times that at 95 % (Rayleigh distribution).
func (f *Filter) InclinationSigma() float64 {
	p := &f.tilt.p
	v := (p[tEast][tEast] + p[tNorth][tNorth]) / 2
	return math.Sqrt(min(max(v, 0)+square(f.opt.AccelOffset/gravity), math.Pi*math.Pi))
}

// GyroOffset is the estimated zero rate in sensor axes and its 1-sigma error
// per axis, rad/s.
func (f *Filter) GyroOffset() (offset, sigma r3.Vec) {
	p := &f.tilt.p
	s := func(i int) float64 { return math.Sqrt(max(p[tOffset+i][tOffset+i], 0)) }
	return r3.Vec{X: f.offset[0], Y: f.offset[1], Z: f.offset[2]}, r3.Vec{X: s(0), Y: s(1), Z: s(2)}
}

// AtRest reports whether the board stands still.
func (f *Filter) AtRest() bool { return f.still.rest }

// Refused counts the samples that were not usable.
func (f *Filter) Refused() uint64 { return f.refused }

// MagDelay is the estimated delay of the magnetometer against the gyroscope and
// its 1-sigma error.
func (f *Filter) MagDelay() (delay, sigma time.Duration) {
	s := math.Sqrt(max(f.head.p[cLag][cLag], 0))
	return time.Duration(f.head.lag * 1e9), time.Duration(s * 1e9)
}

// HardIron is the offset of the magnetometer that the filter has learned, µT in
// sensor axes, and its 1-sigma error per axis.
func (f *Filter) HardIron() (iron, sigma r3.Vec) {
	h := &f.head
	s := func(i int) float64 { return math.Sqrt(max(h.p[cIron+i][cIron+i], 0)) }
	return r3.Vec{X: h.iron[0], Y: h.iron[1], Z: h.iron[2]}, r3.Vec{X: s(0), Y: s(1), Z: s(2)}
}

// Disturbance is what the filter thinks of the magnetic field.
type Disturbance struct {
	// On: the field is not what calibration and an ordinary place explain, so
	// the heading is carried by the gyroscope more than measured.
	On    bool
	Since time.Duration // time of the sample that showed it
	// ExcessUT is the unexplained field, 1 sigma per axis.
	ExcessUT float64
	// StrengthUT and DipDeg are the field now, corrected as far as the filter
	// has learned; NaN before the first. Expected is the reference.
	StrengthUT, DipDeg                 float64
	ExpectedStrengthUT, ExpectedDipDeg float64
}

// MagDisturbance is the state of the magnetic field.
func (f *Filter) MagDisturbance() Disturbance {
	h := &f.head
	d := Disturbance{On: h.on, StrengthUT: math.NaN(), DipDeg: math.NaN(), ExpectedStrengthUT: math.NaN(), ExpectedDipDeg: math.NaN()}
	if !h.known {
		return d
	}
	d.ExcessUT = math.Sqrt(max(h.level, h.hold))
	if h.on {
		d.Since = f.origin + time.Duration(f.since*float64(time.Second))
	}
	// The residual is what is not explained; add the Earth's field again.
	e := h.field
	dip := func(x, y, z float64) float64 { return math.Atan2(-z, math.Hypot(x, y)) / degree }
	d.ExpectedStrengthUT, d.ExpectedDipDeg = math.Sqrt(e.norm2()), dip(e[0], e[1], e[2])
	for i := range 3 {
		e[i] += h.left[i]
	}
	d.StrengthUT, d.DipDeg = math.Sqrt(e.norm2()), dip(e[0], e[1], e[2])
	return d
}

// Why says in words what is wrong with the field; empty when nothing is.
func (d Disturbance) Why() string {
	if !d.On {
		return ""
	}
	if math.Abs(d.StrengthUT-d.ExpectedStrengthUT) < 1 && math.Abs(d.DipDeg-d.ExpectedDipDeg) < 1 {
		return "field turned although the gyroscope saw no turn"
	}
	return fmt.Sprintf("field %.1f µT with dip %.1f°, expected %.1f µT with dip %.1f°", d.StrengthUT, d.DipDeg, d.ExpectedStrengthUT, d.ExpectedDipDeg)
}

// MagDisturbed reports whether the field is disturbed.
func (f *Filter) MagDisturbed() bool { return f.head.on }

// Turn is a moment of the gyroscope's own account of the turn about the
// vertical. Two of them make a turn that owes nothing to the compass.
type Turn struct {
	at, angle, walk float64
	ok              bool
}

// TurnNow marks this moment.
func (f *Filter) TurnNow() Turn {
	return Turn{at: f.last, angle: f.gyroTurn, walk: f.gyroWalk, ok: f.begun && !f.opt.NoGyro}
}

// TurnSince is the change of azimuth since the mark by the gyroscope alone,
// rad, positive clockwise seen from above (north to east), not wrapped, and its
// 1-sigma error. ok is false without a gyroscope.
func (f *Filter) TurnSince(m Turn) (azimuth, sigma float64, ok bool) {
	if !m.ok {
		return 0, math.Pi, false
	}
	angle := f.gyroTurn - m.angle
	v := f.gyroWalk - m.walk + f.tilt.offsetVariance(&f.rot[2])*square(f.last-m.at) + square(f.opt.GyroScale*angle)
	return -angle, math.Sqrt(v), true
}

// Learn tells the filter the gyroscope's offset in sensor axes and its 1 sigma per
// axis, rad/s, found from outside.
func (f *Filter) Learn(offset r3.Vec, sigma float64) {
	if f.opt.NoGyro || !f.begun {
		return
	}
	f.offset = fromR3(offset)
	p := &f.tilt.p
	for i := range 3 {
		for j := range tiltSize {
			p[tOffset+i][j], p[j][tOffset+i] = 0, 0
		}
		p[tOffset+i][tOffset+i] = square(sigma)
	}
	f.head.forget(cRate, square(sigma))
}
