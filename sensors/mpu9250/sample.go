package mpu9250

import (
	"encoding/binary"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// A burst starts at the interrupt settings, so that every sample shows whether
// the chip still has them: after a brown-out the MPU-6500 and later go on
// measuring, with other ranges. After a byte without use follow the interrupt
// status and the 14 data bytes: accelerometer X Y Z, temperature, gyroscope
// X Y Z, high byte first (register map, 4.14 to 4.19). The chip holds the data
// together while a burst runs.
const (
	burst    = 18
	atEnable = regIntEnable - regIntPin
	atStatus = regIntStatus - regIntPin
	atData   = atStatus + 1
)

// ReadInertial reads status and data in one burst. At is the time just before
// the transfer. The sample itself was taken at most one period earlier (half a
// period on average when polled), and its signal is older by the filter's delay.
func (d *Dev) ReadInertial() (sensors.InertialSample, error) {
	return d.Inertial(regIntPin, burst, d.split, d.decode, d)
}

func (d *Dev) split(b []byte) sensors.Burst {
	return sensors.Burst{
		Data: b[atData:], Ready: b[atStatus]&dataReady != 0,
		Lost: b[atEnable] != dataReady || d.opts.Bypass && b[0] != bypassEnable,
	}
}

// decode turns the 14 data bytes of a burst into units.
func (d *Dev) decode(b []byte) sensors.InertialSample {
	b = b[atData:]
	var raw [7]int16
	for i := range raw {
		raw[i] = int16(binary.BigEndian.Uint16(b[2*i:]))
	}
	s := sensors.InertialSample{
		Accel: r3.Scale(d.accel, vec(raw[0], raw[1], raw[2])),
		TempC: float64(raw[3])/d.variant.tempPerC + d.variant.tempOffsetC,
		Gyro:  r3.Scale(d.gyro, vec(raw[4], raw[5], raw[6])),
	}
	for i, v := range raw {
		if i != 3 && (v == math.MaxInt16 || v <= -math.MaxInt16) {
			s.Flags |= sensors.Clipped
		}
	}
	return s
}

func vec(x, y, z int16) r3.Vec { return r3.Vec{X: float64(x), Y: float64(y), Z: float64(z)} }
