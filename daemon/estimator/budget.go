package estimator

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Names of the parts of the budget.
const (
	partNoise       = "noise"
	partCalibration = "calibration"
	partTemperature = "temperature"
	partMounting    = "mounting"
	partDeclination = "declination model"
	partVariation   = "field variation"
	partLocal       = "local deviation"
	partIron        = "iron on the mount"
	partReference   = "reference"
)

// budget fills the named parts. Parts are independent of each other; within a
// part, altitude and azimuth come from the same vector errors.
func (e *Estimator) budget(out *Estimate, j *jacobian, up, field r3.Vec, haveField bool, n noiseNow) {
	add := func(name string, s [3]float64) {
		out.Budget = append(out.Budget, Part{Name: name, AltitudeDeg: s[0], AzimuthDeg: s[1], RollDeg: s[2]})
	}
	out.Budget = make([]Part, 0, 9)

	s := j.sigmas(&n.accel, &n.field)
	s[1] = math.Hypot(s[1], n.extraAzimuthDeg)
	add(partNoise, s)

	ca := e.opt.accelError(up)
	var cm Cov3
	if haveField {
		cm = e.opt.fieldError(field)
	}
	then := j
	if e.opt.AxisMeasured {
		a := j.sinceAxis(up)
		then = &a
	}
	add(partCalibration, e.opt.Swing.calibration(then, up, &ca, &cm))
	add(partTemperature, e.opt.temperature(j, then, up, field, e.tempC))

	alt, _ := tilt(up)
	m := e.opt.mountSigmaDeg()
	add(partMounting, [3]float64{m, m / max(math.Cos(alt*degree), 1e-3), m})

	if !haveField {
		return
	}
	out.FieldUT = r3.Norm(field)
	out.DipDeg = math.Asin(-r3.Dot(r3.Unit(field), r3.Unit(up))) / degree
	if e.expected == nil {
		return
	}
	e.judgeField(out, &ca, &cm)
	add(partDeclination, [3]float64{1: e.expected.DeclinationSigmaDeg})
	add(partVariation, [3]float64{1: fieldVariationDeg})
	local := Isotropic(math.Hypot(outsideShare*e.opt.LocalFieldUT, e.disturb.anomalyUT))
	add(partLocal, j.sigmas(nil, &local))
	iron := Isotropic(ironShare * e.opt.LocalFieldUT)
	add(partIron, e.opt.Swing.iron(j, up, &iron))
}

// disturbance is what strength and dip say of the field. They are blind, to
// first order, to the component that spoils heading: a normal field proves
// little, an abnormal one much.
type disturbance struct {
	now       bool
	why       string
	anomalyUT float64
	carrying  bool
	// contradicts: strength and dip are normal, but another heading says so.
	contradicts bool
}

// strength is what the compass would read of the model's field at this
// temperature, and by how much the chip leaves that unsure, 1 sigma, µT: a scale
// that changes with temperature in all axes alike turns no heading.
func (e *Estimator) strength() (expectedUT, sigmaUT float64) {
	x, c := e.expected.StrengthUT, e.opt.Magnetic.CommonPerC
	d := e.tempC - e.opt.CalTempC
	if math.IsNaN(d) {
		return x, math.Abs(x * c * unknownTempDelta)
	}
	return x * (1 + c*d), math.Abs(x * c * d / 5)
}

// fieldSigmas are the 1 sigmas of strength, µT, and dip, degrees, that an
// undisturbed place may show against the model.
func (e *Estimator) fieldSigmas(ca, cm *Cov3) (strengthUT, dipDeg float64) {
	x := e.expected
	cal := math.Sqrt((cm[0][0] + cm[1][1] + cm[2][2]) / 3)
	tiltDeg := math.Sqrt((ca[0][0]+ca[1][1]+ca[2][2])/3) / sensors.StandardGravity / degree
	sf := math.Sqrt(cal*cal + x.StrengthSigmaUT*x.StrengthSigmaUT + e.opt.LocalFieldUT*e.opt.LocalFieldUT)
	_, chip := e.strength()
	return math.Hypot(sf, chip), math.Sqrt(sf*sf/(x.StrengthUT*x.StrengthUT)/(degree*degree) + x.DipSigmaDeg*x.DipSigmaDeg + tiltDeg*tiltDeg)
}

// judgeField compares strength and dip with the model.
func (e *Estimator) judgeField(out *Estimate, ca, cm *Cov3) {
	x := e.expected
	f, dip := out.FieldUT, out.DipDeg
	sf, sd := e.fieldSigmas(ca, cm)
	strength, _ := e.strength()
	df, dd := f-strength, dip-x.DipDeg

	// Leave the state at a lower level than it is entered at.
	limit := 3.0
	if e.disturb.now && !e.disturb.contradicts {
		limit = 2.0
	}
	d := disturbance{}
	switch {
	case math.Abs(df) > limit*sf:
		d.now = true
		d.why = fmt.Sprintf("strength %.1f µT where %.1f is expected", f, strength)
	case math.Abs(dd) > limit*sd:
		d.now = true
		d.why = fmt.Sprintf("dip %.1f° where %.1f° is expected", dip, x.DipDeg)
	}
	if !d.now && e.rest.jump.on {
		d.now, d.carrying = true, true
		d.why = "it changed while nothing moved"
		if e.rest.jump.carried {
			d.why = "it changed while the mount was turned"
		}
		e.disturb = d
		return
	}
	if v := &e.rest.rival; !d.now && v.on {
		d.now, d.contradicts = true, true
		d.why = fmt.Sprintf("before the mount was turned the compass pointed %.1f° away from where it points now, and nothing tells which is right", v.offDeg)
		e.disturb = d
		return
	}
	if a := &e.rest.apart; !d.now && a.doubtDeg(e.at) > 0 {
		d.now, d.contradicts = true, true
		d.why = fmt.Sprintf("it turned the compass by %.1f° while nothing shook the mount, and nothing tells which is right", math.Abs(a.deg))
		e.disturb = d
		return
	}
	if d.now {
		// What shows in the vertical plane has a sister, unseen, across it.
		d.anomalyUT = math.Hypot(df, dd*degree*x.StrengthUT)
	}
	e.disturb = d
}
