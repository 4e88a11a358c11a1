package nightlog

import (
	"math"
	"strings"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// Reading is one sensor's second.
type Reading struct {
	// Raw is the mean of what the chip delivered, in its own axes.
	Raw r3.Vec
	// Corrected is the mean after calibration, in body axes: x along the tracker's
	// axis toward the night sky, y left, z up.
	Corrected r3.Vec
	// Spread is the standard deviation of the raw samples within the second.
	Spread r3.Vec
}

// Angle is an angle with its 1 sigma, degrees; NaN when not known.
type Angle struct{ Deg, SigmaDeg float64 }

// Sample is one second. A number that is not known is NaN: see NewSample.
type Sample struct {
	At    time.Duration // of the middle of the second, on the monotonic clock; kept to the millisecond
	State string        // of the estimate: "steady", "moving"
	TempC float64       // chip temperature
	Accel Reading       // m/s²
	Gyro  Reading       // rad/s
	Field Reading       // µT
	// AxisAltitude is above the horizon, AxisAzimuth from true north through east,
	// AxisRoll about the axis.
	AxisAltitude, AxisAzimuth, AxisRoll Angle
	// Error is the angle between the axis and the aim.
	Error Angle
	// VibrationMS2 is the rms of the specific force about its mean, the sensor's noise
	// included; ShakeArcsec that of the direction of the axis over a minute, noise
	// taken off, once a minute.
	VibrationMS2, ShakeArcsec float64
	// StrengthUT and DipDeg are those of the measured field; dip positive down.
	StrengthUT, DipDeg float64
}

// NewSample is a sample of which nothing is known but its time.
func NewSample(at time.Duration) Sample {
	s := Sample{At: at}
	for _, q := range quantities() {
		*q.of(&s) = math.NaN()
	}
	return s
}

// quantity is one number of a sample: how it is stored and shown.
type quantity struct {
	column string // in the database: an integer in the unit that ends the name
	name   string // in exports
	unit   string
	text   string
	scale  float64 // stored = shown × scale
	digits int     // decimals shown
	of     func(*Sample) *float64
}

// quantities lists the numbers of a sample, in the order of the columns of the
// database and of exports.
func quantities() []quantity {
	out := []quantity{{"temp_mc", "temp_c", "°C", "chip temperature", 1e3, 3, func(s *Sample) *float64 { return &s.TempC }}}
	out = append(out, reading("accel", "um_s2", "m_s2", "m/s²", "specific force", 1e6, 6, func(s *Sample) *Reading { return &s.Accel })...)
	out = append(out, reading("gyro", "urad_s", "rad_s", "rad/s", "angular rate", 1e6, 6, func(s *Sample) *Reading { return &s.Gyro })...)
	out = append(out, reading("field", "nT", "uT", "µT", "magnetic field", 1e3, 3, func(s *Sample) *Reading { return &s.Field })...)
	out = append(out, angle("axis_altitude", "altitude of the axis above the horizon", func(s *Sample) *Angle { return &s.AxisAltitude })...)
	out = append(out, angle("axis_azimuth", "azimuth of the axis from true north through east", func(s *Sample) *Angle { return &s.AxisAzimuth })...)
	out = append(out, angle("axis_roll", "roll about the axis", func(s *Sample) *Angle { return &s.AxisRoll })...)
	out = append(out, angle("error", "angle between axis and aim", func(s *Sample) *Angle { return &s.Error })...)
	return append(out,
		quantity{"vibration_um_s2", "vibration_m_s2", "m/s²", "rms of the specific force about its mean, the sensor's noise included", 1e6, 6, func(s *Sample) *float64 { return &s.VibrationMS2 }},
		quantity{"shake_mas", "shake_arcsec", "″", "rms of the axis' direction about its mean over the minute before, the sensor's noise taken off; once a minute", 1e3, 3, func(s *Sample) *float64 { return &s.ShakeArcsec }},
		quantity{"strength_nT", "strength_uT", "µT", "strength of the measured field", 1e3, 3, func(s *Sample) *float64 { return &s.StrengthUT }},
		quantity{"dip_udeg", "dip_deg", "°", "dip of the measured field, positive down", 1e6, 6, func(s *Sample) *float64 { return &s.DipDeg }},
	)
}

func reading(sensor, small, ending, unit, text string, scale float64, digits int, of func(*Sample) *Reading) []quantity {
	var out []quantity
	for _, part := range []struct {
		name, text string
		of         func(*Reading) *r3.Vec
	}{
		{"_raw", ", mean of the second, as the chip delivered it, in its own axes", func(r *Reading) *r3.Vec { return &r.Raw }},
		{"", ", mean of the second after calibration, in body axes (x along the axis toward the night sky, y left, z up)", func(r *Reading) *r3.Vec { return &r.Corrected }},
		{"_spread", ", standard deviation of the raw samples within the second", func(r *Reading) *r3.Vec { return &r.Spread }},
	} {
		vec := func(s *Sample) *r3.Vec { return part.of(of(s)) }
		axes := []func(*Sample) *float64{
			func(s *Sample) *float64 { return &vec(s).X },
			func(s *Sample) *float64 { return &vec(s).Y },
			func(s *Sample) *float64 { return &vec(s).Z },
		}
		for k, f := range axes {
			stem := sensor + part.name + "_" + string("xyz"[k]) + "_"
			out = append(out, quantity{stem + small, stem + ending, unit, text + " along " + string("xyz"[k]) + part.text, scale, digits, f})
		}
	}
	return out
}

func angle(stem, text string, of func(*Sample) *Angle) []quantity {
	return []quantity{
		{stem + "_udeg", stem + "_deg", "°", text, 1e6, 6, func(s *Sample) *float64 { return &of(s).Deg }},
		{stem + "_sigma_udeg", stem + "_sigma_deg", "°", "1 sigma of the " + text, 1e6, 6, func(s *Sample) *float64 { return &of(s).SigmaDeg }},
	}
}

// insertSample is the statement that stores a sample: key, state, then the
// quantities. A second row of the same millisecond is left out.
func insertSample(qs []quantity) string {
	columns := []string{"id", "state"}
	for _, q := range qs {
		columns = append(columns, q.column)
	}
	return "INSERT OR IGNORE INTO samples (" + strings.Join(columns, ",") + ") VALUES (?" + strings.Repeat(",?", len(columns)-1) + ")"
}

// sampleBits of a sample's key are milliseconds (34 years), the rest is the run.
const sampleBits = 40

func sampleKey(run int64, at time.Duration) int64 {
	return run<<sampleBits | at.Milliseconds()&(1<<sampleBits-1)
}

func splitSampleKey(key int64) (run int64, at time.Duration) {
	return key >> sampleBits, time.Duration(key&(1<<sampleBits-1)) * time.Millisecond
}

// most is far beyond every sensor's range and within what an integer holds.
const most = 1e15

// stored is v in the small unit, nil when it is not known.
func (q quantity) stored(v float64) any {
	x := math.Round(v * q.scale)
	if !(math.Abs(x) <= most) {
		return nil
	}
	return int64(x)
}
