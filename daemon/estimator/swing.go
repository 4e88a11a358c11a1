package estimator

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Swing is what is left, after a turn of the mount in azimuth and the
// correction found by it, of the heading's errors that turn with the board.
//
// A tilt error e acts on the heading like a field offset in the body (the
// horizontal part of it is e times the vertical field), so the turn, compass
// against gyroscope, sees calibration, temperature and iron together and the
// correction takes their sum. What does not turn with the board (declination,
// steel beside the tripod) it cannot see.
type Swing struct {
	// Left is the covariance of the field offset that the correction left, µT²,
	// body axes; only the horizontal part acts.
	Left Cov3
	// Up is the direction up in body axes during the turn. Tilted away from it,
	// the sum of the errors becomes another one.
	Up r3.Vec
	// TempC is the chip temperature of the accelerometer at that time, NaN when
	// unknown.
	TempC float64
}

// away is the sine of the angle by which the board is tilted away from where it
// was turned: 0 while nothing changed.
func (s *Swing) away(up r3.Vec) float64 {
	return min(1, r3.Norm(r3.Cross(r3.Unit(up), r3.Unit(s.Up))))
}

// calibration is the part of that name: of the accelerometer's covariance ca
// only what tilting away brings back acts on the azimuth. The compass
// calibration's own part stays: the turn does not see all of it (an error that
// is the same in every direction).
func (s *Swing) calibration(j *jacobian, up r3.Vec, ca, cm *Cov3) [3]float64 {
	out := j.sigmas(ca, cm)
	if s == nil {
		return out
	}
	out[1] = math.Hypot(j.sigmas(nil, cm)[1], s.away(up)*j.sigmas(ca, nil)[1])
	return out
}

// iron is the part of that name; before is its covariance without a turn.
func (s *Swing) iron(j *jacobian, up r3.Vec, before *Cov3) [3]float64 {
	if s == nil {
		return j.sigmas(nil, before)
	}
	out := j.sigmas(nil, &s.Left)
	out[1] = math.Hypot(out[1], s.away(up)*j.sigmas(nil, before)[1])
	return out
}

// temperature is the part of that name. Errors of the accelerometer that were
// there when the axis was found act by then, newer ones by j; after a turn only
// the change since it acts on the azimuth.
func (o *Options) temperature(j, then *jacobian, up, field r3.Vec, tempC float64) [3]float64 {
	out := o.drift(j, then, up, field, tempC)
	s := o.Swing
	if s == nil {
		return out
	}
	ca, cm := o.temperatureError(up, field, tempC, s.TempC)
	out[1] = math.Hypot(j.sigmas(&ca, &cm)[1], s.away(up)*out[1])
	return out
}

// drift is the temperature part without a turn.
func (o *Options) drift(j, then *jacobian, up, field r3.Vec, tempC float64) [3]float64 {
	ca, cm := o.temperatureError(up, field, tempC, o.CalTempC)
	before, all := o.AxisTempC-o.CalTempC, tempC-o.CalTempC
	if !o.AxisMeasured || math.IsNaN(before+all) || all == 0 {
		return j.sigmas(&ca, &cm)
	}
	if l := o.Learned; l != nil && l.AxisOlder {
		sheet := *o
		sheet.Learned = nil
		c0, _ := sheet.temperatureError(up, field, o.AxisTempC, o.CalTempC)
		c1, _ := o.temperatureError(up, field, tempC, o.AxisTempC)
		out, since := then.sigmas(&c0, nil), j.sigmas(&c1, &cm)
		for r := range out {
			out[r] = math.Hypot(out[r], since[r])
		}
		return out
	}
	// The drift per °C is one number: what it did before the axis was found and
	// what since add up.
	mixed := *j
	w := before / all
	for r := range mixed {
		for k := range 3 {
			mixed[r][k] = w*then[r][k] + (1-w)*j[r][k]
		}
	}
	return mixed.sigmas(&ca, &cm)
}

// Up is the direction up in sensor axes, of unit length.
func (f *Filter) Up() r3.Vec { return rotateInverse(f.q, r3.Vec{Z: 1}) }
