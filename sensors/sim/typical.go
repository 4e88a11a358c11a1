package sim

import (
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// spread says how parts of a type differ: 1-sigma figures unless named
// otherwise, in the unit of the quantity. A "typical ±" of a data sheet counts
// as one sigma, a "maximum ±" as three.
type spread struct {
	noise      r3.Vec  // not drawn: every part has it
	offset     r3.Vec  // zero offset
	scale      float64 // relative, each axis
	cross      float64 // each off-diagonal entry
	offsetPerC r3.Vec
	scalePerC  float64 // relative per °C
	warmUp     r3.Vec
	warmUpTime time.Duration
	wander     float64 // not drawn
	wanderTime time.Duration
	walk       float64 // not drawn
}

// draw makes one part.
func (s spread) draw(d *dice) Triad {
	r := d.r
	m := r3.Eye()
	for i := range 3 {
		for j := range 3 {
			if i == j {
				m.Set(i, j, 1+s.scale*r.NormFloat64())
			} else {
				m.Set(i, j, s.cross*r.NormFloat64())
			}
		}
	}
	return Triad{
		Noise:      s.noise,
		Offset:     product(s.offset, d.norm3()),
		Matrix:     m,
		OffsetPerC: product(s.offsetPerC, d.norm3()),
		ScalePerC:  r3.Scale(s.scalePerC, d.norm3()),
		WarmUp:     product(s.warmUp, d.norm3()),
		WarmUpTime: s.warmUpTime,
		Wander:     every(s.wander),
		WanderTime: s.wanderTime,
		Walk:       every(s.walk),
	}
}

const (
	mg       = 1e-3 * sensors.StandardGravity // m/s²
	microG   = 1e-6 * sensors.StandardGravity
	mdps     = 1e-3 * degree // rad/s
	degPerHr = degree / 3600
)

// Sources of the figures below: [D] the data sheets named with each chip; [R]
// an MPU-6050 recording (github.com/sunsided/sensor-fusion f16045a, data/set-2),
// whose z accelerometer moved by 0.2° in the first two minutes; [M] from memory;
// [P] common practice, no source.

var (
	// MPU-6050 [D, PS-MPU-6000A-00 rev. 3.4]: 400 µg/√Hz, ±50 mg (z ±80), change
	// over 0..70 °C ±35 mg (z ±60), gain ±3 %, cross-axis 2 %.
	mpu6050Accel = spread{
		noise: every(400 * microG), offset: r3.Vec{X: 50 * mg, Y: 50 * mg, Z: 80 * mg},
		scale: 0.03, cross: 0.02, offsetPerC: r3.Vec{X: 0.5 * mg, Y: 0.5 * mg, Z: 0.86 * mg},
		scalePerC: 2e-4,                                                                        // ±0.02 %/°C [M]
		warmUp:    r3.Vec{X: 1.5 * mg, Y: 1.5 * mg, Z: 3.4 * mg}, warmUpTime: 40 * time.Second, // [R]
		wander: 0.05 * mg, wanderTime: 200 * time.Second, // [P]
	}
	// 5 mdps/√Hz, ±20 °/s, ±20 °/s over -40..85 °C, ±3 %, ±2 % over that range, ±2 %
	// [D, same tables, quoted from rev. 3.1]; instability [P].
	mpu6050Gyro = spread{
		noise: every(5 * mdps), offset: every(20 * degree), scale: 0.03, cross: 0.02,
		offsetPerC: every(0.16 * degree), scalePerC: 2e-4,
		wander: 30 * degPerHr, wanderTime: 100 * time.Second, walk: 1e-5 * degree,
	}
	// MPU-9250 [D, PS-MPU-9250A-01 rev. 1.0, tables 1 and 2], MPU-6500 taken to be the
	// same: 300 µg/√Hz, ±60 mg (z ±80), ±1.5 mg/°C, ±3 %, ±0.026 %/°C, 2 %;
	// 10 mdps/√Hz, ±5 °/s, ±30 °/s and ±4 % over -40..85 °C.
	mpu6500Accel = spread{
		noise: every(300 * microG), offset: r3.Vec{X: 60 * mg, Y: 60 * mg, Z: 80 * mg},
		scale: 0.03, cross: 0.02, offsetPerC: every(1.5 * mg), scalePerC: 2.6e-4,
		warmUp: every(2 * mg), warmUpTime: 40 * time.Second, // [P]
		wander: 0.05 * mg, wanderTime: 200 * time.Second, // [P]
	}
	mpu6500Gyro = spread{
		noise: every(10 * mdps), offset: every(5 * degree), scale: 0.03, cross: 0.02,
		offsetPerC: every(0.24 * degree), scalePerC: 4e-4,
		wander: 30 * degPerHr, wanderTime: 100 * time.Second, walk: 1e-5 * degree, // [P]
	}
	// LSM6DSO [D, DS12140 rev. 2]: 70 µg/√Hz, ±20 mg, ±0.1 mg/°C, 3.8 mdps/√Hz,
	// ±1 °/s; sensitivity ±1 %, ±0.01 °/s and ±0.007 % per °C [D, rev. 3, quoted];
	// cross-axis 1 % [M].
	lsm6dsoAccel = spread{
		noise: every(70 * microG), offset: every(20 * mg), scale: 0.01, cross: 0.01,
		offsetPerC: every(0.1 * mg), scalePerC: 1e-4,
		warmUp: every(0.3 * mg), warmUpTime: 60 * time.Second, // [P]
		wander: 0.02 * mg, wanderTime: 300 * time.Second, // [P]
	}
	lsm6dsoGyro = spread{
		noise: every(3.8 * mdps), offset: every(1 * degree), scale: 0.01, cross: 0.01,
		offsetPerC: every(10 * mdps), scalePerC: 7e-5,
		wander: 8 * degPerHr, wanderTime: 200 * time.Second, walk: 3e-6 * degree, // [P]
	}
	// ISM330DHCX [D, DS13012 rev. 7]: 60 µg/√Hz, ±10 mg, ±0.1 mg/°C, cross-axis
	// 0.5 %, ±0.005 %/°C, ±1 °/s, 5 mdps/√Hz, instability 3 °/h [D, rev. 6, quoted];
	// ±0.005 °/s per °C, sensitivity ±0.5 % [M]. The wander is 3 °/h over 0.62, see
	// Triad.
	ism330Accel = spread{
		noise: every(60 * microG), offset: every(10 * mg), scale: 0.005, cross: 0.005,
		offsetPerC: every(0.1 * mg), scalePerC: 5e-5,
		warmUp: every(0.3 * mg), warmUpTime: 60 * time.Second, // [P]
		wander: 0.02 * mg, wanderTime: 300 * time.Second, // [P]
	}
	ism330Gyro = spread{
		noise: every(5 * mdps), offset: every(1 * degree), scale: 0.005, cross: 0.005,
		offsetPerC: every(5 * mdps), scalePerC: 7e-5,
		wander: 3 / 0.62 * degPerHr, wanderTime: 200 * time.Second, walk: 3e-6 * degree, // walk [P]
	}
)

// TypicalMPU6050 draws a plausible part.
func TypicalMPU6050(seed uint64) Settings {
	return drawMPU(seed, mpu6050Accel, mpu6050Gyro)
}

// TypicalMPU6500 draws a plausible part.
func TypicalMPU6500(seed uint64) Settings {
	return drawMPU(seed, mpu6500Accel, mpu6500Gyro)
}

// TypicalMPU9250 draws a plausible part with its magnetometer.
func TypicalMPU9250(seed uint64) Settings {
	s := drawMPU(seed, mpu6500Accel, mpu6500Gyro)
	s.Mag = ak8963Mag.draw(rolled(seed, 1))
	return s
}

// TypicalLSM6DSO draws a plausible LSM6DSO or LSM6DSOX.
func TypicalLSM6DSO(seed uint64) Settings {
	return drawLSM(seed, lsm6dsoAccel, lsm6dsoGyro)
}

// TypicalISM330DHCX draws a plausible part.
func TypicalISM330DHCX(seed uint64) Settings {
	return drawLSM(seed, ism330Accel, ism330Gyro)
}

// rolled is a fresh dice for one group of draws.
func rolled(seed uint64, group time.Duration) *dice {
	d := newDice()
	d.at(seed, channelTypical, group)
	return d
}

func drawMPU(seed uint64, accel, gyro spread) Settings {
	d := rolled(seed, 0)
	return Settings{
		Seed: seed, Accel: accel.draw(d), Gyro: gyro.draw(d),
		RateError: bounded(d.r, 0.01),                                // oscillator ±1 % [M]
		SelfHeatC: 2 + d.r.Float64(), SelfHeatTime: 90 * time.Second, // [P]
		TempOffsetC: 3 * d.r.NormFloat64(), TempNoiseC: 0.05, // [P]
	}
}

func drawLSM(seed uint64, accel, gyro spread) Settings {
	d := rolled(seed, 0)
	return Settings{
		Seed: seed, Accel: accel.draw(d), Gyro: gyro.draw(d),
		RateError: bounded(d.r, 0.015),                               // [M]
		SelfHeatC: 1 + d.r.Float64(), SelfHeatTime: 90 * time.Second, // [P]
		TempOffsetC: 5 * d.r.NormFloat64(), TempNoiseC: 0.05, // ±15 °C maximum [D]
	}
}

// bounded is a normal draw cut at three sigma.
func bounded(r *rand.Rand, sigma float64) float64 {
	return sigma * max(-3, min(3, r.NormFloat64()))
}
