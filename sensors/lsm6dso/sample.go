package lsm6dso

import (
	"encoding/binary"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// burst is the status register, a reserved one, and the 14 data bytes from
// 0x20: temperature, gyroscope X Y Z, accelerometer X Y Z, low byte first.
const burst = 16

// Counts at the end of the promised range. The gyroscope's full scale of
// 28571 counts of 4.375 m°/s (and their multiples) ends before its counts do.
const (
	accelEnd = math.MaxInt16
	gyroEnd  = 28571
)

// scales gives m/s² and rad/s per count: 2000 mg over 32768 counts and its
// multiples, which the data sheet rounds to 0.061, 0.122, 0.244 and 0.488 mg;
// 4.375 m°/s at 125 °/s and its multiples (DS12140, table 2).
func scales(o Opts) (accel, gyro float64) {
	return float64(o.AccelRangeG) / 32768 * sensors.StandardGravity,
		float64(o.GyroRangeDPS) / 125 * 4.375e-3 * degree
}

// ReadInertial reads status and data in one burst. At is the time just before
// the transfer. The sample itself was taken at most one period earlier (half a
// period on average when polled), and its signal is older by the filter's delay.
// The gyroscope's values may be one sample older than the accelerometer's.
func (d *Dev) ReadInertial() (sensors.InertialSample, error) {
	return d.Inertial(regStatus, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst {
	// The temperature alone makes no new sample.
	return sensors.Burst{Data: b[4:], Ready: b[0]&accelReady != 0}
}

// decode turns the 14 data bytes of a burst into units.
func (d *Dev) decode(b []byte) sensors.InertialSample {
	b = b[2:]
	var raw [7]int
	for i := range raw {
		raw[i] = int(int16(binary.LittleEndian.Uint16(b[2*i:])))
	}
	s := sensors.InertialSample{
		TempC: float64(raw[0])/d.variant.tempPerC + 25,
		Gyro:  r3.Scale(d.gyro, vec(raw[1:4])),
		Accel: r3.Scale(d.accel, vec(raw[4:7])),
	}
	for i, v := range raw[1:] {
		end := gyroEnd
		if i >= 3 {
			end = accelEnd
		}
		if v >= end || v <= -end {
			s.Flags |= sensors.Clipped
		}
	}
	return s
}

func vec(c []int) r3.Vec { return r3.Vec{X: float64(c[0]), Y: float64(c[1]), Z: float64(c[2])} }
