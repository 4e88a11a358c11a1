package daemon

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
)

const (
	// fieldBridgeUT is how far the difference of two magnetometers on one board may
	// move within a night, by temperature and by steel that is nearer to one of
	// them, 1 sigma per axis: common practice, no source.
	fieldBridgeUT = 0.2
	// uncalibratedUT is the 1-sigma field of the board itself before any
	// calibration, as in the estimator.
	uncalibratedUT = 25.0
	// usualDeltaC is the change of temperature that is assumed where it is not known.
	usualDeltaC = 10.0
)

// readSecond reads the second magnetometer. While the first is silent its samples
// go to the estimator in the place of the first's; the watch and the night log
// follow the first alone.
func (d *Daemon) readSecond(now time.Duration) {
	s := d.magnetic2
	fresh := s.dev == nil
	if !s.ready(now) || !fresh && s.rests(now, d.opt.Period) {
		return
	}
	dev := s.dev.(sensors.Magnetometer)
	if fresh {
		d.recall(now)
	}
	for {
		x, err := dev.ReadMagnetic()
		if err != nil {
			d.trouble(s, err)
			return
		}
		s.sample(now, x.At, x.TempC, x.Flags)
		if n, ok := dev.(temperatureNoter); ok {
			n.NoteTemperature(d.inertial.status.TempC)
		}
		if d.tap != nil {
			d.tap.takeSecond(x)
		}
		m := d.opt.Magnetic2
		if m.Correct.Apply != nil {
			x.FieldUT = m.Correct.Apply(x.FieldUT, x.TempC)
		}
		x.FieldUT = m.Mount.apply(x.FieldUT)
		if !x.Flags.Has(sensors.Clipped) && !x.Flags.Has(sensors.Repeated) {
			d.fields.second(x.At, x.FieldUT)
			if d.fields.silent(now) {
				d.standIn(dev.Spec(), x)
			}
		}
		if q, ok := s.dev.(queued); !ok || !q.Pending() {
			break
		}
	}
	s.check(now)
}

// standIn feeds the second magnetometer alone.
func (d *Daemon) standIn(spec sensors.MagneticSpec, x sensors.MagneticSample) {
	if d.fields.use != useSecond {
		d.log.Info("the second magnetometer stands in for the first", "shifted", d.fields.bridged())
		if !d.fields.bridged() {
			d.est.SetMagnetic(spec)
		}
	}
	x.FieldUT = d.fields.secondAlone(x.FieldUT)
	d.est.Magnetic(x)
}

// joinField joins a sample of the first magnetometer, corrected and in body axes,
// with what the second says at that time.
func (d *Daemon) joinField(x sensors.MagneticSample) sensors.MagneticSample {
	p := &d.fields
	if d.opt.Magnetic2 == nil {
		return x
	}
	if p.use == useSecond && !p.bridged() {
		// The estimator knows the field of the second alone.
		d.rebuild()
	}
	v2, ok := p.first(x.At, d.rate)
	switch {
	case x.Flags.Has(sensors.Repeated):
		return x
	case !ok:
		x.FieldUT = p.firstAlone(x.FieldUT)
		return x
	case x.Flags.Has(sensors.Clipped) && p.bridged():
		x.FieldUT, x.Flags = p.secondAlone(v2), x.Flags&^sensors.Clipped
		return x
	}
	s1, s2 := d.magneticSpecs()
	if !p.decided {
		d.weigh(x.At, x.FieldUT, s1, s2)
	}
	p.compare(x.At, r3.Sub(x.FieldUT, v2), r3.Norm(d.rate), d.apart(x.FieldUT, s1, s2),
		s1.NoiseUT*s1.NoiseUT+s2.NoiseUT*s2.NoiseUT, time.Duration(float64(time.Second)/s1.RateHz))
	x.FieldUT = p.join(x.FieldUT, v2)
	return x
}

// magneticSpecs are those of the chips that answer; zero for one that does not.
func (d *Daemon) magneticSpecs() (s1, s2 sensors.MagneticSpec) {
	if m := d.magnetic; m != nil && m.dev != nil {
		s1 = m.dev.(sensors.Magnetometer).Spec()
	}
	if m := d.magnetic2; m != nil && m.dev != nil {
		s2 = m.dev.(sensors.Magnetometer).Spec()
	}
	return s1, s2
}

// weigh decides the weights: by noise, by what averaging leaves, and by what each
// calibration leaves. After a turn check the compass that was checked is believed
// alone, and the other one only compared with it.
func (d *Daemon) weigh(at time.Duration, field r3.Vec, s1, s2 sensors.MagneticSpec) {
	variance := func(m *Magnetic, s sensors.MagneticSpec) float64 {
		c := m.left(field, s)
		return (c[0][0]+c[1][1]+c[2][2])/3 + s.NoiseUT*s.NoiseUT + s.FloorUT*s.FloorUT
	}
	v2 := variance(d.opt.Magnetic2, s2)
	if d.swing != nil {
		v2 = 0 // no share
	}
	d.fields.decide(at, variance(d.opt.Magnetic, s1), v2)
	d.est.SetMagnetic(d.fieldSpec())
	d.log.Info("two magnetometers", "first", s1.Chip, "second", s2.Chip, "share_of_second", d.fields.weight)
}

// left is the covariance that the calibration, or its absence, leaves to a field in
// body axes.
func (m *Magnetic) left(field r3.Vec, s sensors.MagneticSpec) estimator.Cov3 {
	if f := bodyError(m.Mount, m.Correct.Error); f != nil {
		return f(field)
	}
	return estimator.Isotropic(math.Hypot(s.OffsetUT, uncalibratedUT))
}

// apart is the variance per axis of the difference that calibrations, floors,
// temperature and place on the board explain.
func (d *Daemon) apart(field r3.Vec, s1, s2 sensors.MagneticSpec) r3.Vec {
	each := func(m *Magnetic, s sensors.MagneticSpec) r3.Vec {
		c := m.left(field, s)
		dt := d.inertial.status.TempC - m.Correct.TempC
		if math.IsNaN(dt) {
			dt = usualDeltaC
		}
		drift := s.DriftUTPerC*s.DriftUTPerC*dt*dt + s.FloorUT*s.FloorUT
		scale := s.ScalePerC * dt
		return r3.Vec{
			X: c[0][0] + drift + scale*scale*field.X*field.X,
			Y: c[1][1] + drift + scale*scale*field.Y*field.Y,
			Z: c[2][2] + drift + scale*scale*field.Z*field.Z,
		}
	}
	near := fieldBridgeUT * fieldBridgeUT
	return r3.Add(r3.Add(each(d.opt.Magnetic, s1), each(d.opt.Magnetic2, s2)), r3.Vec{X: near, Y: near, Z: near})
}

// fieldSpec is that of the joined field.
func (d *Daemon) fieldSpec() sensors.MagneticSpec {
	s1, s2 := d.magneticSpecs()
	w := d.fields.weight
	if w == 0 || s1 == (sensors.MagneticSpec{}) || s2 == (sensors.MagneticSpec{}) {
		if s1 == (sensors.MagneticSpec{}) {
			return s2
		}
		return s1
	}
	mix := func(a, b float64) float64 { return math.Hypot((1-w)*a, w*b) }
	return sensors.MagneticSpec{
		Chip: s1.Chip + " and " + s2.Chip, RateHz: s1.RateHz,
		NoiseUT: mix(s1.NoiseUT, s2.NoiseUT), FloorUT: mix(s1.FloorUT, s2.FloorUT), OffsetUT: mix(s1.OffsetUT, s2.OffsetUT),
		DriftUTPerC: mix(s1.DriftUTPerC, s2.DriftUTPerC), ScalePerC: mix(s1.ScalePerC, s2.ScalePerC),
		CommonPerC: (1-w)*s1.CommonPerC + w*s2.CommonPerC,
		RangeUT:    min(s1.RangeUT, s2.RangeUT),
	}
}

// fieldError is the covariance that the estimator asks for: of the first compass,
// or of both as they are used at that moment; nil while neither is calibrated.
func (d *Daemon) fieldError() func(r3.Vec) estimator.Cov3 {
	m, m2 := d.opt.Magnetic, d.opt.Magnetic2
	if m == nil {
		return nil
	}
	if m2 == nil || m.Correct.Error == nil && m2.Correct.Error == nil {
		return bodyError(m.Mount, m.Correct.Error)
	}
	return func(v r3.Vec) estimator.Cov3 {
		s1, s2 := d.magneticSpecs()
		return d.fields.cov(m.left(v, s1), m2.left(v, s2), fieldBridgeUT)
	}
}

// pairWarnings tells when two sensors of one quantity contradict each other.
func (d *Daemon) pairWarnings() (out []estimator.Warning) {
	if p := &d.fields; p.differ && p.use == useBoth {
		out = append(out, estimator.Warning{Code: "sensors-disagree", Text: fmt.Sprintf(
			"The magnetometers %s and %s differ by %.1f µT, %.0f times what their errors explain: one of them is disturbed or no longer as calibrated. Directions are less sure: look for steel, cables or a loose board near them, or calibrate again.",
			chipAt(d.magnetic.status.Device), chipAt(d.magnetic2.status.Device), r3.Norm(p.diff), p.sigmas)})
	}
	if p := &d.forces; p.differ && p.use == useBoth {
		out = append(out, estimator.Warning{Code: "sensors-disagree", Text: fmt.Sprintf(
			"The accelerometers %s and %s differ by %.2f°, %.0f times what their errors explain: one of them came loose or is no longer as calibrated. The height is less sure: press on both boards, or calibrate again.",
			chipAt(d.inertial.status.Device), chipAt(d.inertial2.status.Device), r3.Norm(p.diff)/sensors.StandardGravity/degree, p.sigmas)})
	}
	return out
}
