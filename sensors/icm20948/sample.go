package icm20948

import (
	"encoding/binary"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// burst is the 14 data bytes, high byte first. The chip holds them together
// while a burst runs (from memory).
const (
	burst    = 14
	measured = 12 // without the temperature, which alone makes no new sample
)

// ReadInertial reads a sample in one burst. At is the time just before the
// transfer. The sample itself was taken at most one period earlier (half a
// period on average when polled), and its signal is older by the filter's delay.
func (d *Dev) ReadInertial() (sensors.InertialSample, error) {
	return d.Inertial(regData, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst { return sensors.Burst{Data: b[:measured]} }

// decode turns the data bytes into units. Temperature: 333.87 counts per °C,
// zero at 21 °C (DS-000189, page 14; SparkFun's library moves the zero by 21 counts,
// 0.06 °C).
func (d *Dev) decode(b []byte) sensors.InertialSample {
	var raw [7]float64
	var s sensors.InertialSample
	for i := range raw {
		v := int16(binary.BigEndian.Uint16(b[2*i:]))
		raw[i] = float64(v)
		if i < 6 && (v == math.MaxInt16 || v <= -math.MaxInt16) {
			s.Flags |= sensors.Clipped
		}
	}
	s.Accel = r3.Scale(d.accel, r3.Vec{X: raw[0], Y: raw[1], Z: raw[2]})
	s.Gyro = r3.Scale(d.gyro, r3.Vec{X: raw[3], Y: raw[4], Z: raw[5]})
	s.TempC = raw[6]/333.87 + 21
	return s
}

// Spec states the data sheet's typical figures, taken as 1 sigma, and the rate
// and ranges in use. DS-000189 rev. 1.3, pages 12 and 13 (read): 230 µg/√Hz,
// zero-g ±50 mg on a board, ±0.80 mg/°C, scale ±0.5 % and ±0.026 %/°C, cross-axis
// ±2 %; page 11 (as quoted): 0.015 °/s/√Hz, ±5 °/s, ±0.05 °/s per °C, gyroscope scale
// ±1.5 %. Wander of 30 °/h: common practice, no source.
func (d *Dev) Spec() sensors.InertialSpec {
	const mg = sensors.StandardGravity / 1000
	return sensors.InertialSpec{
		Chip:           "ICM-20948",
		RateHz:         d.opts.RateHz,
		AccelNoise:     0.230 * mg,
		AccelOffset:    50 * mg,
		AccelDriftPerC: 0.80 * mg,
		AccelScalePerC: 2.6e-4,
		AccelCross:     math.Sqrt((3*0.005*0.005 + 6*0.02*0.02) / 9),
		GyroNoise:      0.015 * degree,
		GyroOffset:     5 * degree,
		GyroScale:      math.Sqrt((3*0.015*0.015 + 6*0.02*0.02) / 9),
		GyroDriftPerC:  0.05 * degree,
		GyroWander:     30 * degree / 3600,
		AccelRange:     float64(d.opts.AccelRangeG) * sensors.StandardGravity,
		GyroRange:      float64(d.opts.GyroRangeDPS) * degree,
		HasGyro:        true,
	}
}
