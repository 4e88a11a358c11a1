package mpu9250

import (
	"math"

	"plumbstar/sensors"
)

const (
	idMPU6050 = 0x68
	idMPU6500 = 0x70
	idMPU9250 = 0x71
	idMPU9255 = 0x73
)

// variant is where the four chips differ.
type variant struct {
	id   byte
	name string
	// accelFilter: the accelerometer has a filter register of its own.
	accelFilter bool
	// Temperature in °C = raw/tempPerC + tempOffsetC.
	tempPerC, tempOffsetC float64
	spec                  sensors.InertialSpec
}

const (
	milliG  = sensors.StandardGravity / 1000
	microG  = sensors.StandardGravity / 1e6
	degree  = math.Pi / 180
	tempOld = 340.0  // MPU-6050: register map, 4.18
	tempNew = 333.87 // MPU-6500 and later: Linux driver
	offsOld = 36.53
	offsNew = 21.0
)

// rms combines the figures of the three axes into one.
func rms(x, y, z float64) float64 { return math.Sqrt((x*x + y*y + z*z) / 3) }

// variantOf knows the chip by its identity register. Typical figures of the
// data sheet are taken as 1 sigma.
//
// MPU-6050: PS-MPU-6000A-00 rev. 3.4, tables 6.1 and 6.2: 400 µg/√Hz; zero-g
// ±50 mg on X and Y, ±80 mg on Z, changing by ±35 and ±60 mg from 0 to 70 °C;
// scale ±3 %, cross-axis ±2 %. Its gyroscope (same tables, quoted from rev. 3.1):
// 0.005 °/s/√Hz, ±20 °/s, scale ±3 %, cross-axis ±2 %; the change of the scale,
// ±0.02 %/°C, from memory.
//
// MPU-9250: PS-MPU-9250A-01 rev. 1.0, tables 1 and 2: 300 µg/√Hz; zero-g ±60 mg on X
// and Y, ±80 mg on Z, ±1.5 mg/°C; scale ±3 %, ±0.026 %/°C, cross-axis ±2 %;
// 0.01 °/s/√Hz, ±5 °/s, gyroscope scale ±3 %, cross-axis ±2 %. MPU-6500 and 9255 are
// taken to be the same.
//
// The gyroscope's zero rate over -40..85 °C, ±20 °/s and later ±30 °/s: the same
// tables; its wander of 30 °/h common practice, no source. GyroScale takes the larger of scale
// and cross-axis, since about one axis the scale alone counts.
func variantOf(id byte) (variant, bool) {
	old := sensors.InertialSpec{
		AccelNoise:     400 * microG,
		GyroNoise:      0.005 * degree,
		AccelOffset:    rms(50, 50, 80) * milliG,
		AccelDriftPerC: rms(35, 35, 60) / 70 * milliG,
		AccelScalePerC: 2e-4,
		AccelCross:     math.Sqrt((3*0.03*0.03 + 6*0.02*0.02) / 9),
		GyroOffset:     20 * degree,
		GyroScale:      0.03,
		GyroDriftPerC:  0.16 * degree,
		GyroWander:     30 * degree / 3600,
	}
	later := sensors.InertialSpec{
		AccelNoise:     300 * microG,
		GyroNoise:      0.01 * degree,
		AccelOffset:    rms(60, 60, 80) * milliG,
		AccelDriftPerC: 1.5 * milliG,
		AccelScalePerC: 2.6e-4,
		AccelCross:     old.AccelCross,
		GyroOffset:     5 * degree,
		GyroScale:      old.GyroScale,
		GyroDriftPerC:  0.24 * degree,
		GyroWander:     old.GyroWander,
	}
	switch id {
	case idMPU6050:
		return variant{id, "MPU-6050", false, tempOld, offsOld, old}, true
	case idMPU6500:
		return variant{id, "MPU-6500", true, tempNew, offsNew, later}, true
	case idMPU9250:
		return variant{id, "MPU-9250", true, tempNew, offsNew, later}, true
	case idMPU9255:
		return variant{id, "MPU-9255", true, tempNew, offsNew, later}, true
	}
	return variant{}, false
}

func identities() []byte { return []byte{idMPU6050, idMPU6500, idMPU9250, idMPU9255} }

// Spec states the data sheet's figures for the chip that answers (variantOf
// names their sources), and the rate and ranges in use.
func (d *Dev) Spec() sensors.InertialSpec {
	s := d.variant.spec
	s.Chip = d.variant.name
	s.RateHz = d.opts.RateHz
	s.AccelRange = float64(d.opts.AccelRangeG) * sensors.StandardGravity
	s.GyroRange = float64(d.opts.GyroRangeDPS) * degree
	s.HasGyro = true
	return s
}
