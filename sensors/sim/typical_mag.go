package sim

import (
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// Figures of the magnetometers, µT; marks as in typical.go.
var (
	// AK8963: initial offset up to ±500 LSB of 0.15 µT as three sigma, residual
	// sensitivity error after the factory adjustment 1 %, noise 0.25 µT [M]; the
	// data sheet states no noise.
	ak8963Mag = spread{
		noise: every(0.25), offset: every(25), scale: 0.01, cross: 0.01,
		offsetPerC: every(0.05), scalePerC: 3e-4, // [P]
	}
	// LIS3MDL [M, DocID024204]: 3.2 mG rms X, Y and 4.1 mG Z in ultra-high
	// performance at ±12 gauss, zero ±1 gauss as three sigma. No set/reset, so
	// the offset wanders; how much is [P].
	lis3mdlMag = spread{
		noise: r3.Vec{X: 0.32, Y: 0.32, Z: 0.41}, offset: every(33), scale: 0.02, cross: 0.01,
		offsetPerC: every(0.05), scalePerC: 5e-4,
		wander: 0.1, wanderTime: 600 * time.Second,
	}
	// MMC5983MA [D, rev. A]: 0.4 mG rms at 100 Hz bandwidth, sensitivity ±5 %,
	// alignment 1° typical, null field ±3 mG over -40..105 °C with set/reset.
	mmc5983Mag = spread{
		noise: every(0.04), scale: 0.05, cross: 0.017, offsetPerC: every(0.3 / 145),
		scalePerC: 3e-4, // [P]
	}
	// HMC5883L [D, noise floor 2 mG, gain ±5 %; M]: offset and cross-axis [P].
	hmc5883Mag = spread{
		noise: every(0.2), offset: every(2), scale: 0.05, cross: 0.005,
		offsetPerC: every(0.02),
	}
	// QMC5883L [D, field resolution 2 mG; M: offset ±10 mG, sensitivity ±5 %].
	qmc5883Mag = spread{
		noise: every(0.2), offset: every(1), scale: 0.05, cross: 0.01,
		offsetPerC: every(0.02), // [P]
	}
)

// Temperature coefficients of sensitivity that all parts share [M].
const (
	hmcScalePerC = -3e-3
	qmcScalePerC = -5e-4
)

// TypicalLIS3MDL draws a plausible part.
func TypicalLIS3MDL(seed uint64) Settings {
	return drawMag(seed, lis3mdlMag, 0.03, 5)
}

// TypicalMMC5983MA draws a plausible part. Bridge offset and its drift are
// assumed: the data sheet gives neither. Set/reset repeatability 1 mG [D].
func TypicalMMC5983MA(seed uint64) Settings {
	s := drawMag(seed, mmc5983Mag, 0.02, 2)
	s.Film = drawFilm(seed, 20, 0.1, 0.1)
	return s
}

// TypicalHMC5883L draws a plausible part.
func TypicalHMC5883L(seed uint64) Settings {
	s := drawMag(seed, hmc5883Mag, 0.03, 0)
	s.Mag.ScalePerC = every(hmcScalePerC)
	return s
}

// TypicalQMC5883L draws a plausible part. Its thermometer's zero is not trimmed.
func TypicalQMC5883L(seed uint64) Settings {
	s := drawMag(seed, qmc5883Mag, 0.03, 15)
	s.Mag.ScalePerC = every(qmcScalePerC)
	s.Film = drawFilm(seed, 30, 0.1, 0)
	return s
}

// drawMag draws a magnetometer; clock and thermometer errors are 1 sigma [P].
func drawMag(seed uint64, mag spread, clock, tempC float64) Settings {
	d := rolled(seed, 0)
	return Settings{
		Seed: seed, Mag: mag.draw(d),
		RateError: bounded(d.r, clock),
		SelfHeatC: 0.5 * d.r.Float64(), SelfHeatTime: 60 * time.Second, // [P]
		TempOffsetC: tempC * d.r.NormFloat64(), TempNoiseC: 0.05, // [P]
	}
}

func drawFilm(seed uint64, bridge, perC, repeat float64) Film {
	d := rolled(seed, 2)
	return Film{
		BridgeUT:   r3.Scale(bridge, d.norm3()),
		BridgePerC: r3.Scale(perC, d.norm3()),
		RepeatUT:   repeat,
		Reversed:   d.r.IntN(2) == 1,
	}
}
