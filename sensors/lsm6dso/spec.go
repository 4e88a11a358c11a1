package lsm6dso

import (
	"math"

	"plumbstar/sensors"
)

const (
	idLSM6DSO    = 0x6C // also LSM6DSOX
	idISM330DHCX = 0x6B // also LSM6DSR
	idLSM6DSL    = 0x6A // also LSM6DS3TR-C
	idLSM6DS3    = 0x69
)

const (
	milliG = sensors.StandardGravity / 1000
	microG = sensors.StandardGravity / 1e6
	degree = math.Pi / 180
)

// variant is where the chips differ.
type variant struct {
	id   byte
	name string
	// i3c: the chip speaks I3C too, which must be turned off on a shared bus.
	// secondFilter: it has the second accelerometer low-pass as in DS12140.
	i3c, secondFilter bool
	tempPerC          float64 // counts per °C; zero is 25 °C
	spec              sensors.InertialSpec
}

// variantOf knows the group by its identity register. Typical figures of the
// data sheets are taken as 1 sigma; all chips of a group get the same.
//
// LSM6DSO: DS12140 rev. 2, table 2: 70 µg/√Hz, ±20 mg, ±0.1 mg/°C, 3.8 m°/s/√Hz,
// ±1 °/s; gyroscope sensitivity ±1 % (rev. 3, as quoted), cross-axis 1 % from memory.
// ISM330DHCX: DS13012 rev. 7: 60 µg/√Hz, ±10 mg, ±0.1 mg/°C typical and ±0.5 at
// 3 sigma (0.17 taken), cross-axis 0.5 %, scale ±0.005 %/°C; gyroscope 5 m°/s/√Hz and
// ±1 °/s (rev. 6, as quoted), sensitivity ±0.5 % from memory.
// LSM6DSL and LSM6DS3TR-C: the LSM6DSM has the same identity, and its data sheet was
// read (table 3): 90 µg/√Hz, ±40 mg, ±0.1 mg/°C, ±0.01 %/°C, ±3 °/s, sensitivity ±1 %;
// 90 µg/√Hz is quoted of the LSM6DS3TR-C too. It has 3.8 m°/s/√Hz; 4 of the LSM6DSL,
// from memory, is taken.
// LSM6DS3: 90 µg/√Hz, ±40 mg, ±0.5 mg/°C, 7 m°/s/√Hz (its data sheet as quoted; the
// LSM6DS33, table 3, has the same and ±10 °/s); ±0.01 %/°C, sensitivity ±1 % from
// memory.
// Zero rate per °C: ±0.01 °/s (LSM6DSO, rev. 3, as quoted), ±0.015 (LSM6DSM), ±0.05
// (LSM6DS3, as quoted); ±0.005 (ISM330DHCX) from memory. Gyroscope wander: 3 °/h as bias instability, so 5 °/h as 1 sigma
// (DS13012); for the others 8 °/h: common practice, no source.
// Temperature: 256 counts/°C, in the LSM6DS3 16 (its data sheet, as two public
// drivers quote it).
func variantOf(id byte) (variant, bool) {
	figures := func(noise, offset, drift, scale, cross, gyroNoise, gyroOffset, gyroScale, gyroDrift, gyroWander float64) sensors.InertialSpec {
		return sensors.InertialSpec{
			AccelNoise:     noise * microG,
			AccelOffset:    offset * milliG,
			AccelDriftPerC: drift * milliG,
			AccelScalePerC: scale,
			AccelCross:     cross,
			GyroNoise:      gyroNoise * degree / 1000,
			GyroOffset:     gyroOffset * degree,
			GyroScale:      gyroScale,
			GyroDriftPerC:  gyroDrift * degree,
			GyroWander:     gyroWander * degree / 3600,
		}
	}
	switch id {
	case idLSM6DSO:
		return variant{id, "LSM6DSO", true, true, 256, figures(70, 20, 0.1, 1e-4, 0.01, 3.8, 1, 0.01, 0.01, 8)}, true
	case idISM330DHCX:
		return variant{id, "ISM330DHCX", true, true, 256, figures(60, 10, 0.17, 5e-5, 0.005, 5, 1, 0.005, 0.005, 5)}, true
	case idLSM6DSL:
		return variant{id, "LSM6DSL", false, false, 256, figures(90, 40, 0.1, 1e-4, 0.01, 4, 3, 0.01, 0.015, 8)}, true
	case idLSM6DS3:
		return variant{id, "LSM6DS3", false, false, 16, figures(90, 40, 0.5, 1e-4, 0.01, 7, 10, 0.01, 0.05, 8)}, true
	}
	return variant{}, false
}

func identities() []byte { return []byte{idLSM6DSO, idISM330DHCX, idLSM6DSL, idLSM6DS3} }

// Spec states the data sheet's figures for the chip that answers (variantOf
// names their sources), and the rate and ranges in use. The chip's own clock
// makes the true rate differ by some percent.
func (d *Dev) Spec() sensors.InertialSpec {
	s := d.variant.spec
	s.Chip = d.variant.name
	s.RateHz = d.opts.RateHz
	s.AccelRange = float64(d.opts.AccelRangeG) * sensors.StandardGravity
	s.GyroRange = float64(d.opts.GyroRangeDPS) * degree
	s.HasGyro = true
	return s
}
