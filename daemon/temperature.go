package daemon

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
	"plumbstar/daemon/watch"
	"plumbstar/sensors"
	"plumbstar/sensors/stability"
)

// TemperatureRecord is how the offsets of an inertial sensor follow its
// temperature, in its own axes and before any other correction.
type TemperatureRecord struct {
	// AccelPerC is the change of the reading, m/s² per °C, AccelSigma its 1 sigma,
	// and AccelNext that of one further night's own coefficient about it.
	AccelPerC  r3.Vec `json:"accel_m_s2_per_c"`
	AccelSigma r3.Vec `json:"accel_sigma_m_s2_per_c"`
	AccelNext  r3.Vec `json:"accel_next_sigma_m_s2_per_c"`
	// GyroPerC and GyroSigma are rad/s per °C, nil without a gyroscope.
	GyroPerC  *r3.Vec `json:"gyro_rad_s_per_c,omitempty"`
	GyroSigma *r3.Vec `json:"gyro_sigma_rad_s_per_c,omitempty"`
	// Up is the direction up of those nights; MinC and MaxC bound their temperature.
	Up   r3.Vec  `json:"up"`
	MinC float64 `json:"min_c"`
	MaxC float64 `json:"max_c"`
	// Nights are the numbers of the nights behind it, newest first.
	Nights []int64 `json:"nights"`
}

func temperatureRecord(l *stability.Learned) *TemperatureRecord {
	vec := func(p [3]stability.Pooled, of func(*stability.Pooled) float64) r3.Vec {
		return r3.Vec{X: of(&p[0]), Y: of(&p[1]), Z: of(&p[2])}
	}
	value := func(p *stability.Pooled) float64 { return p.Value }
	sigma := func(p *stability.Pooled) float64 { return p.Sigma }
	r := &TemperatureRecord{
		AccelPerC: vec(l.Accel, value), AccelSigma: vec(l.Accel, sigma),
		AccelNext: vec(l.Accel, func(p *stability.Pooled) float64 { return p.NextSigma }),
		Up:        l.Up, MinC: l.MinC, MaxC: l.MaxC,
	}
	if l.Gyro[0].Nights > 0 && l.Gyro[1].Nights > 0 && l.Gyro[2].Nights > 0 {
		v, s := vec(l.Gyro, value), vec(l.Gyro, sigma)
		r.GyroPerC, r.GyroSigma = &v, &s
	}
	for _, n := range l.Nights {
		r.Nights = append(r.Nights, n.ID)
	}
	return r
}

// warmth is a temperature record in use.
type warmth struct {
	TemperatureRecord
	// gyroRefC is where the gyroscope's correction is zero: the temperature of its
	// first use, so that the offset known then stays right. NaN before.
	gyroRefC float64
	// axisOlder: see estimator.Learned.
	axisOlder bool
}

// useTemperature puts a record to use. What a turn or a sighting has shown was
// seen without it, and is dropped. The caller holds the lock.
func (d *Daemon) useTemperature(r *CalibrationRecord) {
	d.warmth = &warmth{TemperatureRecord: *r.Temperature, gyroRefC: math.NaN()}
	if a := d.inUse[PartAxis]; a != nil && d.axisMeasured && !math.IsNaN(d.axisTempC) {
		d.warmth.axisOlder = a.Time.Before(r.Time)
	}
	d.swing = nil
	delete(d.inUse, PartTurnCheck)
	d.rebuild()
}

// refC is the temperature at which the accelerometer's correction is zero; NaN
// when that is not known, and then there is none.
func (d *Daemon) refC() float64 {
	c := &d.opt.Inertial.Correct
	if c.Affine == nil {
		return math.NaN()
	}
	if d.warmth.axisOlder {
		return d.axisTempC
	}
	return c.TempC
}

// compensate takes off what the chip's temperature does to a raw sample.
func (d *Daemon) compensate(x *sensors.InertialSample) {
	w := d.warmth
	if w == nil || math.IsNaN(x.TempC) {
		return
	}
	if dt := x.TempC - d.refC(); !math.IsNaN(dt) {
		// The calibration's own slope is applied after this one.
		x.Accel = r3.Sub(x.Accel, r3.Scale(dt, r3.Sub(w.AccelPerC, d.opt.Inertial.Correct.Affine.TempSlope)))
	}
	if w.GyroPerC != nil {
		if math.IsNaN(w.gyroRefC) {
			w.gyroRefC = x.TempC
		}
		x.Gyro = r3.Sub(x.Gyro, r3.Scale(x.TempC-w.gyroRefC, *w.GyroPerC))
	}
}

// learnedFor is what the budget may rely on; nil when nothing is corrected.
func (d *Daemon) learnedFor(m Mount) *estimator.Learned {
	w := d.warmth
	if w == nil || math.IsNaN(d.refC()) {
		return nil
	}
	n := w.AccelNext
	return &estimator.Learned{
		PerC: m.cov(estimator.Diagonal(r3.Vec{X: n.X * n.X, Y: n.Y * n.Y, Z: n.Z * n.Z})),
		Up:   m.apply(w.Up), MinC: w.MinC, MaxC: w.MaxC, AxisOlder: w.axisOlder,
	}
}

// watchSlopes are the coefficients that the correction leaves for the watch, nil
// when nothing is corrected. Hysteresis is no coefficient, so they are never taken
// as better than a quarter of the data sheet's.
func (d *Daemon) watchSlopes() *watch.Slopes {
	w := d.warmth
	if w == nil || math.IsNaN(d.refC()) {
		return nil
	}
	s := max(tiltSigma(w.AccelNext, w.Up), d.spec.AccelDriftPerC/sensors.StandardGravity/degree/4)
	return &watch.Slopes{UpSigma: s, SideSigma: s}
}

// tiltSigma is the 1 sigma of the tilt, degrees per °C, that a coefficient with
// this sigma leaves: across up, along the worse of both directions at most.
func tiltSigma(perC, up r3.Vec) float64 {
	v := r3.Vec{X: perC.X * perC.X * (1 - up.X*up.X), Y: perC.Y * perC.Y * (1 - up.Y*up.Y), Z: perC.Z * perC.Z * (1 - up.Z*up.Z)}
	return math.Sqrt((v.X+v.Y+v.Z)/2) / sensors.StandardGravity / degree
}
