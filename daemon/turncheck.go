package daemon

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

// TurnCheck is what a turn of the mount in azimuth has told of the compass.
type TurnCheck struct {
	// Deviation is the curve that was found; see calib.CheckTurn.
	calib.Deviation
	// OffsetUT is the field, body axes, that explains its semicircular part
	// (coefficients B and C): of iron that turns with the board, of what the
	// calibration left, and of the tilt's error, together.
	OffsetUT r3.Vec
	// Swing is what is left of it once OffsetUT is taken off.
	Swing estimator.Swing
}

// CheckTurn compares the compass with the gyroscope over samples, as the
// drivers gave them, that were taken while the mount was turned in azimuth. They
// begin with a rest of at least two seconds, from which the gyroscope's offset is
// learned. Nothing is changed; see UseTurnCheck. A *calib.Refusal says what was
// missing.
func (d *Daemon) CheckTurn(inertial []sensors.InertialSample, magnetic []sensors.MagneticSample) (TurnCheck, error) {
	t, err := d.checkedTurn(inertial, magnetic)
	return t.TurnCheck, err
}

// checkedTurn is a turn check with what it was made from.
type checkedTurn struct {
	TurnCheck
	readings []calib.TurnReading
	prior    calib.TurnOptions
}

// checkedTurn holds the lock only while it takes what it needs: guidance goes on.
func (d *Daemon) checkedTurn(inertial []sensors.InertialSample, magnetic []sensors.MagneticSample) (checkedTurn, error) {
	r, prior, err := d.turnReader()
	if err != nil {
		return checkedTurn{}, err
	}
	t := r.read(inertial, magnetic)
	dev, err := calib.CheckTurn(t.readings, prior)
	if err != nil {
		return checkedTurn{}, err
	}
	return checkedTurn{TurnCheck: t.result(dev), readings: t.readings, prior: prior}, nil
}

// turnReader is how samples are read now.
type turnReader struct {
	in       Inertial
	mag      Magnetic
	gyro     bool
	magFloor float64 // µT
}

func (d *Daemon) turnReader() (turnReader, calib.TurnOptions, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.opt.Magnetic == nil {
		return turnReader{}, calib.TurnOptions{}, fmt.Errorf("turn check: there is no magnetometer")
	}
	prior, err := d.turnPrior()
	r := turnReader{in: *d.opt.Inertial, mag: *d.opt.Magnetic, gyro: d.spec.HasGyro}
	if d.magnetic.dev != nil {
		r.magFloor = d.magnetic.dev.(sensors.Magnetometer).Spec().FloorUT
	}
	return r, prior, err
}

// turnPrior is what the budget of this moment thinks of the deviation.
func (d *Daemon) turnPrior() (calib.TurnOptions, error) {
	const degree = math.Pi / 180
	e := d.est.Estimate(d.opt.Clock.Now())
	if !e.Azimuth.Known {
		return calib.TurnOptions{}, fmt.Errorf("turn check: no direction: %s", e.Azimuth.Why)
	}
	// The axis of a leaning base is followed by a horizontal rate too (azimuthRate):
	// what scale and axes make of the turn there counts by the tangent of the altitude.
	o := calib.TurnOptions{GyroScaleSigma: d.spec.GyroScale / max(math.Cos(e.Altitude.Deg*degree), 0.1)}
	for _, p := range e.Budget {
		switch p.Name {
		case "calibration":
			o.QuadrantalSigma = max(0.1, p.AzimuthDeg) * degree
			fallthrough
		case "temperature", "iron on the mount":
			o.SemicircularSigma = math.Hypot(o.SemicircularSigma, p.AzimuthDeg*degree)
		}
	}
	return o, nil
}

// turn is a turn as compass and gyroscope saw it.
type turn struct {
	readings []calib.TurnReading
	up       r3.Vec  // mean direction, body axes
	level    float64 // mean horizontal field, µT
	tempC    float64
	floorUT  float64 // what no average removes: the turn saw one value of it
}

// read follows the turn by the gyroscope alone, about the vertical, with the
// offset of the rests at the beginning and the end. The vertical is the mean specific force
// around each moment: the base turns about it or nearly so, and a filter would
// let the gyroscope's axes tilt it in proportion to the rate.
func (r *turnReader) read(inertial []sensors.InertialSample, magnetic []sensors.MagneticSample) turn {
	const degree = math.Pi / 180
	t := turn{tempC: math.NaN(), floorUT: r.magFloor}
	if len(inertial) == 0 || !r.gyro {
		return t
	}
	in, mag := &r.in, &r.mag
	force := make([]r3.Vec, len(inertial))
	for i, s := range inertial {
		force[i] = in.Mount.apply(in.Correct.apply(s.Accel, s.TempC))
	}
	offset := restRateOf(inertial, magnetic)
	var temp, horizontal, angle, before, n float64
	var sum r3.Vec // of force[lo:hi], around sample i
	lo, hi := 0, 0
	last := inertial[0].At
	for i, s := range inertial {
		for hi < len(inertial) && inertial[hi].At-s.At <= aroundTurn {
			sum = r3.Add(sum, force[hi])
			hi++
		}
		for s.At-inertial[lo].At > aroundTurn {
			sum = r3.Sub(sum, force[lo])
			lo++
		}
		up := r3.Unit(sum)
		rate := azimuthRate(in.Mount.apply(r3.Sub(s.Gyro, offset.now(s.At))), up)
		step := (s.At - last).Seconds()
		for ; len(magnetic) > 0 && magnetic[0].At <= s.At; magnetic = magnetic[1:] {
			m := &magnetic[0]
			if m.At < last || step == 0 {
				continue
			}
			dt := (m.At - last).Seconds()
			field := mag.Mount.apply(mag.Correct.apply(m.FieldUT, m.TempC))
			t.readings = append(t.readings, calib.TurnReading{
				At: m.At, CompassRad: estimator.PoseOf(up, field).AzimuthDeg * degree,
				// Rates count to the left, headings to the right.
				GyroRad: -(angle + dt*(before+(rate-before)*dt/step/2)),
			})
			t.up = r3.Add(t.up, up)
			horizontal += r3.Norm(r3.Cross(field, up))
			n++
		}
		if i > 0 {
			angle += (before + rate) / 2 * step
		}
		last, before = s.At, rate
		temp += s.TempC / float64(len(inertial))
	}
	if n > 0 {
		t.up, t.level, t.tempC = r3.Unit(t.up), horizontal/n, temp
	}
	return t
}

// azimuthRate is how fast body x goes round the vertical, to the left, when the
// body turns at rate. On a leaning base that is not the rate about the vertical:
// a turn about the horizontal direction of x swings an axis that points up.
func azimuthRate(rate, up r3.Vec) float64 {
	level := r3.Sub(r3.Vec{X: 1}, r3.Scale(up.X, up)) // its length is cos(altitude)
	return r3.Dot(rate, up) - up.X*r3.Dot(rate, level)/max(r3.Norm2(level), 1e-4)
}

// aroundTurn is half the time over which the vertical is averaged.
const aroundTurn = 500 * time.Millisecond

// restBefore is how long the mount stands at the beginning of a turn check.
const restBefore = 2 * time.Second

// result turns the curve into a field.
func (t *turn) result(dev calib.Deviation) TurnCheck {
	forward := r3.Unit(r3.Sub(r3.Vec{X: 1}, r3.Scale(t.up.X, t.up)))
	left := r3.Cross(t.up, forward)
	f, l := dev.HardIron(t.level)
	out := TurnCheck{Deviation: dev, OffsetUT: r3.Add(r3.Scale(f, forward), r3.Scale(l, left))}
	// B and C are the sines; left is -C times the field.
	h2 := t.level * t.level
	ff, ll, fl := h2*dev.Cov[0][0], h2*dev.Cov[1][1], -h2*dev.Cov[0][1]
	floor := h2*dev.FloorSigma*dev.FloorSigma + t.floorUT*t.floorUT
	a, b := components(forward), components(left)
	out.Swing = estimator.Swing{Up: t.up, TempC: t.tempC}
	for i := range 3 {
		for j := range 3 {
			out.Swing.Left[i][j] = ff*a[i]*a[j] + ll*b[i]*b[j] + fl*(a[i]*b[j]+b[i]*a[j]) + floor*(a[i]*a[j]+b[i]*b[j])
		}
	}
	return out
}

func components(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// UseTurnCheck takes the offset that was found off the compass from now on, and
// what is left of the doubt into the budget. References are dropped: they were
// taken with the compass as it was.
func (d *Daemon) UseTurnCheck(t TurnCheck) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.useTurnCheck(t)
}

// useTurnCheck is UseTurnCheck for a caller that holds the lock.
func (d *Daemon) useTurnCheck(t TurnCheck) error {
	m := d.opt.Magnetic
	if m == nil {
		return fmt.Errorf("turn check: there is no magnetometer")
	}
	m.Correct = m.Correct.less(m.Mount.inverse(t.OffsetUT))
	d.swing = &t.Swing
	d.rebuild()
	d.log.Info("turn check used", "offset_uT", r3.Norm(t.OffsetUT), "arc_deg", t.ArcRad*180/math.Pi)
	return nil
}

// less is the correction that takes a further offset, sensor axes, off.
func (c Correction) less(offset r3.Vec) Correction {
	before := c
	c.Apply = func(raw r3.Vec, tempC float64) r3.Vec { return r3.Sub(before.apply(raw, tempC), offset) }
	return c
}

// apply corrects one vector.
func (c *Correction) apply(raw r3.Vec, tempC float64) r3.Vec {
	if c.Apply == nil {
		return raw
	}
	return c.Apply(raw, tempC)
}

// turnSwing brings a Swing into body axes that were turned by m.
func turnSwing(s *estimator.Swing, m Mount) *estimator.Swing {
	if s == nil {
		return nil
	}
	return &estimator.Swing{Left: m.cov(s.Left), Up: m.apply(s.Up), TempC: s.TempC}
}
