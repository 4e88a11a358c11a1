package stability

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Channel is one component of one sensor.
type Channel struct {
	Name string // ax, ay, az, gx, gy, gz, mx, my, mz
	Unit string // of the readings: m/s2, rad/s, uT
	Mean float64
	// Allan is the overlapping Allan deviation by ascending averaging time.
	Allan []Point
	// Minimum is the least deviation up to a fifth of the recording.
	Minimum Point
	// MinimumAtEnd is true when the deviation still falls there: the true minimum
	// may be lower, a longer recording tells.
	MinimumAtEnd bool
	Trend        Trend
}

// Axis is the tilt of one of the chip's axes.
type Axis struct {
	// ElevationDeg is its mean angle above the horizon.
	ElevationDeg float64
	// Trend is that of the elevation, degrees; not known for an axis so near the
	// vertical that a tilt changes its elevation only to second order.
	Trend Trend
}

// Report is what a recording at rest tells.
type Report struct {
	DurationS float64
	// MinC and MaxC bound the chip temperature, smoothed; NaN when not known.
	MinC, MaxC float64
	Channels   []Channel
	// Tilt holds the chip's x, y and z axes; empty without an accelerometer.
	Tilt []Axis
}

// steepDeg is the elevation above which an axis counts as vertical.
const steepDeg = 80

// Analyse works on the samples of a recording during which the board lay still,
// in the order of time. With tauS, the deviations are those nearest to these
// averaging times (seconds), else ten a decade. An error says what the recording
// does not support.
func Analyse(in []sensors.InertialSample, mag []sensors.MagneticSample, tauS []float64) (Report, error) {
	if len(in) == 0 && len(mag) == 0 {
		return Report{}, fmt.Errorf("the recording has no samples")
	}
	if err := checkStill(in); err != nil {
		return Report{}, err
	}
	r := Report{MinC: math.NaN(), MaxC: math.NaN()}
	if len(in) > 0 {
		t, accel, gyro, temp := make([]time.Duration, len(in)), vectors(len(in)), vectors(len(in)), make([]float64, len(in))
		turning := false
		for i, s := range in {
			t[i], temp[i] = s.At, s.TempC
			accel.set(i, s.Accel)
			gyro.set(i, s.Gyro)
			turning = turning || s.Gyro != r3.Vec{}
		}
		b := newBlocks(t)
		tempC := b.temperature(temp)
		if tempC != nil {
			r.MinC, r.MaxC = floats.Min(tempC), floats.Max(tempC)
		}
		f := newFitter(b.tS, tempC)
		if err := r.channels([3]string{"ax", "ay", "az"}, "m/s2", t, accel, b, f, tauS); err != nil {
			return Report{}, err
		}
		r.tilt(accel, b, f)
		if turning {
			if err := r.channels([3]string{"gx", "gy", "gz"}, "rad/s", t, gyro, b, f, tauS); err != nil {
				return Report{}, err
			}
		}
	}
	if len(mag) > 0 {
		t, field, temp := make([]time.Duration, len(mag)), vectors(len(mag)), make([]float64, len(mag))
		for i, s := range mag {
			t[i], temp[i] = s.At, s.TempC
			field.set(i, s.FieldUT)
		}
		b := newBlocks(t)
		tempC := b.temperature(temp)
		if tempC == nil && len(in) > 0 { // the other chip sits beside it
			tempC = b.nearest(in, t[0])
		}
		if err := r.channels([3]string{"mx", "my", "mz"}, "uT", t, field, b, newFitter(b.tS, tempC), tauS); err != nil {
			return Report{}, err
		}
	}
	return r, nil
}

func (r *Report) channels(names [3]string, unit string, t []time.Duration, v columns, b blocks, f fitter, tauS []float64) error {
	r.DurationS = max(r.DurationS, (t[len(t)-1] - t[0]).Seconds())
	for k, name := range names {
		s, err := NewSeries(t, v[k])
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		c := Channel{Name: name, Unit: unit, Mean: mean(v[k]), Trend: f.trend(b.means(v[k]))}
		curve := s.Curve()
		if len(curve) == 0 {
			return fmt.Errorf("%s: %d readings in one piece: an Allan deviation needs five at least", name, s.Longest())
		}
		c.Minimum = curve[0]
		for i, p := range curve {
			if p.Deviation < c.Minimum.Deviation {
				c.Minimum, c.MinimumAtEnd = p, i == len(curve)-1
			}
		}
		c.Allan = curve
		if len(tauS) > 0 {
			if c.Allan, err = s.Chosen(tauS); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
		r.Channels = append(r.Channels, c)
	}
	return nil
}

// Chosen are the deviations nearest to these averaging times, seconds.
func (s Series) Chosen(tauS []float64) ([]Point, error) {
	var out []Point
	for _, tau := range tauS {
		m := math.Round(tau / s.StepS)
		if !(tau > 0) || m < 1 {
			return nil, fmt.Errorf("averaging time %g s: one reading takes %.3g s already", tau, s.StepS)
		}
		p, ok := Point{}, false
		if m < float64(s.Longest()) {
			p, ok = s.At(int(m))
		}
		if !ok {
			return nil, fmt.Errorf("averaging time %g s: the recording allows %.4g s, half of its longest uninterrupted part", tau, float64(s.Longest()/2)*s.StepS)
		}
		out = append(out, p)
	}
	return out, nil
}

// tilt follows the elevation of each axis. Blocks are averaged as vectors first:
// the noise of single readings would raise a mean of angles.
func (r *Report) tilt(accel columns, b blocks, f fitter) {
	var m [3][]float64
	for k := range m {
		m[k] = b.means(accel[k])
	}
	elevation := func(a, b, c float64) float64 { return math.Atan2(a, math.Hypot(b, c)) * 180 / math.Pi }
	for k := range 3 {
		i, j := (k+1)%3, (k+2)%3
		a := Axis{ElevationDeg: elevation(mean(m[k]), mean(m[i]), mean(m[j]))}
		if math.Abs(a.ElevationDeg) > steepDeg {
			why := unknown("the axis is nearly vertical: its tilt shows in the other two")
			a.Trend = Trend{why, why, why, why}
		} else {
			e := make([]float64, len(m[k]))
			for n := range e {
				e[n] = elevation(m[k][n], m[i][n], m[j][n])
			}
			a.Trend = f.trend(e)
		}
		r.Tilt = append(r.Tilt, a)
	}
}

// Movement that is no drift: within one second the direction of gravity or the
// rate leaves the middle of the recording by this much.
const (
	movedDeg    = 1.0
	turnedRadS  = math.Pi / 180
	stillWindow = time.Second
)

func checkStill(in []sensors.InertialSample) error {
	var accel, gyro columns
	var at []time.Duration
	for i := 0; i < len(in); {
		var a, g r3.Vec
		j := i
		for ; j < len(in) && in[j].At-in[i].At < stillWindow; j++ {
			a, g = r3.Add(a, in[j].Accel), r3.Add(g, in[j].Gyro)
		}
		n := 1 / float64(j-i)
		at = append(at, in[i].At)
		accel.add(r3.Scale(n, a))
		gyro.add(r3.Scale(n, g))
		i = j
	}
	if len(at) == 0 {
		return nil
	}
	down, rate := accel.middle(), gyro.middle()
	for i, t := range at {
		if a := angle(accel.at(i), down); !(a <= movedDeg*math.Pi/180) {
			return fmt.Errorf("the board was tilted by %.1f° about %.0f s into the recording: give a part in which it lies still", a*180/math.Pi, (t - at[0]).Seconds())
		}
		if w := r3.Norm(r3.Sub(gyro.at(i), rate)); !(w <= turnedRadS) {
			return fmt.Errorf("the board turned at %.1f°/s about %.0f s into the recording: give a part in which it lies still", w*180/math.Pi, (t - at[0]).Seconds())
		}
	}
	return nil
}

func angle(a, b r3.Vec) float64 { return math.Atan2(r3.Norm(r3.Cross(a, b)), r3.Dot(a, b)) }
