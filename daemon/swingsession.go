package daemon

import (
	"math"

	"plumbstar/sensors/calib"
)

// headingSigma is the deviation's 1 sigma in degrees, root mean square over all
// headings.
func (t *checkedTurn) headingSigma() float64 {
	const steps = 36
	var sum float64
	for k := range steps {
		_, s := t.At(2 * math.Pi * float64(k) / steps)
		sum += s * s / steps
	}
	return math.Sqrt(sum) / degree
}

// heldBack finds the curve from seven tenths of the turn and compares compass
// and gyroscope in the other three: root mean square, rad, without and with it.
func (t *checkedTurn) heldBack() (before, after float64, err error) {
	var train, test []calib.TurnReading
	for i, r := range t.readings {
		switch i * 10 / len(t.readings) {
		case 2, 5, 8:
			test = append(test, r)
		default:
			train = append(train, r)
		}
	}
	o := t.prior
	o.MinArcRad = 1e-3 // the whole was long enough
	part, err := calib.CheckTurn(train, o)
	if err != nil {
		return 0, 0, err
	}
	return apart(test, nil), apart(test, &part), nil
}

// apart is the scatter of compass minus gyroscope about a straight line, as the
// gyroscope has neither a zero nor an exact scale.
func apart(readings []calib.TurnReading, d *calib.Deviation) float64 {
	n := float64(len(readings))
	if n < 3 {
		return 0
	}
	zero := readings[0].CompassRad - readings[0].GyroRad
	y := make([]float64, len(readings))
	var sx, sy, sxx, sxy float64
	for i, r := range readings {
		y[i] = math.Remainder(r.CompassRad-r.GyroRad-zero, 2*math.Pi)
		if d != nil {
			dev, _ := d.At(r.CompassRad)
			y[i] += dev
		}
		x := r.GyroRad - readings[0].GyroRad
		sx, sy, sxx, sxy = sx+x, sy+y[i], sxx+x*x, sxy+x*y[i]
	}
	slope := 0.0
	if v := sxx - sx*sx/n; v > 1e-9*n {
		slope = (sxy - sx*sy/n) / v
	}
	var s2 float64
	for i, r := range readings {
		e := y[i] - sy/n - slope*(r.GyroRad-readings[0].GyroRad-sx/n)
		s2 += e * e
	}
	return math.Sqrt(s2 / n)
}
