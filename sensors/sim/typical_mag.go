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
	// LIS3MDL [D, DocID024204 rev. 4, table 3, as quoted in public drivers]: 3.2 mG
	// rms X, Y and 4.1 mG Z in ultra-high performance at ±12 gauss, zero typically
	// ±1 gauss. No set/reset: the offset goes with temperature (one part, measured by
	// djmcmath/dpv-nav: 0.54, 0.42, 0.28 µT/°C) and wanders [P].
	lis3mdlMag = spread{
		noise: r3.Vec{X: 0.32, Y: 0.32, Z: 0.41}, offset: every(100), scale: 0.02, cross: 0.01,
		offsetPerC: every(0.43), scalePerC: 5e-4,
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
	// QMC5883L [D, field resolution 2 mG; offset ±10 mG as of the QMC6310 of the same
	// maker; M: sensitivity ±5 %].
	qmc5883Mag = spread{
		noise: every(0.2), offset: every(1), scale: 0.05, cross: 0.01,
		offsetPerC: every(0.02), // [P]
	}
	// QMC5883P [D, field resolution 2 mG; the rest as for the QMC5883L: P].
	qmc5883pMag = spread{
		noise: every(0.2), offset: every(1), scale: 0.03, cross: 0.01,
		offsetPerC: every(0.02),
	}
	// MMC5603 [D, 2 mG rms: feature list, as quoted in frankcohen/ReflectionsOS];
	// the rest [P].
	mmc5603Mag = spread{
		noise: every(0.2), offset: every(2), scale: 0.05, cross: 0.017,
		offsetPerC: every(0.02), scalePerC: 3e-4,
	}
	// RM3100 [D, 15 nT at 200 cycles, "free from offset drift"]; coils are set by
	// the board's maker: 1° [P], and so is the rest.
	rm3100Mag = spread{
		noise: every(0.015), offset: every(0.5), scale: 0.01, cross: 0.017,
		offsetPerC: every(0.005), scalePerC: 3e-4,
	}
	// LIS2MDL [D, DS12144 rev. 6, tables 2 and 9, as quoted]: 3 mG rms with the
	// low-pass, ±60 mG with the offset cancelled as three sigma; ±0.3 mG/°C, ±7 % as
	// three sigma, cross-axis 1 % [M].
	lis2mdlMag = spread{
		noise: every(0.3), offset: every(2), scale: 0.023, cross: 0.01,
		offsetPerC: every(0.03), scalePerC: 3e-4,
	}
	// BMM350: 190 nT rms X and Y, 450 nT Z with two measurements [D]; users report
	// 25 µT after the correction; the rest [P].
	bmm350Mag = spread{
		noise: r3.Vec{X: 0.19, Y: 0.19, Z: 0.45}, offset: every(25), scale: 0.01, cross: 0.005,
		offsetPerC: every(0.05), scalePerC: 3e-4,
	}
	// AK09916 [D, DS-000189 rev. 1.3: initial offset ±2000 LSB as three sigma]; the
	// rest as for the AK8963 [P].
	ak09916Mag = spread{
		noise: every(0.25), offset: every(100), scale: 0.01, cross: 0.01,
		offsetPerC: every(0.05), scalePerC: 3e-4,
	}
)

// Temperature coefficients of sensitivity that all parts share [M]; ±0.05 %/°C of the
// QMC5883L [D, rev. B, table 2, as quoted], whose sign is [M].
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

// TypicalLSM303DLHC draws a plausible magnetometer of an LSM303DLHC: its die is a
// sister of the HMC5883L's [P].
func TypicalLSM303DLHC(seed uint64) Settings { return TypicalHMC5883L(seed) }

// TypicalQMC5883P draws a plausible part.
func TypicalQMC5883P(seed uint64) Settings {
	s := drawMag(seed, qmc5883pMag, 0.03, 0)
	s.Film = drawFilm(seed, 30, 0.1, 0)
	return s
}

// TypicalMMC5603 draws a plausible part; its bridge is that of the MMC5983MA.
func TypicalMMC5603(seed uint64) Settings {
	s := drawMag(seed, mmc5603Mag, 0.02, 2)
	s.Film = drawFilm(seed, 20, 0.1, 0.1)
	return s
}

// TypicalRM3100 draws a plausible part, whose clock is good to 7 % [D].
func TypicalRM3100(seed uint64) Settings { return drawMag(seed, rm3100Mag, 0.07, 0) }

// TypicalLIS2MDL draws a plausible LIS2MDL or LSM303AGR.
func TypicalLIS2MDL(seed uint64) Settings {
	s := drawMag(seed, lis2mdlMag, 0.03, 5)
	s.Film = drawFilm(seed, 20, 0.1, 0)
	return s
}

// TypicalBMM350 draws a plausible part, corrected with its coefficients.
func TypicalBMM350(seed uint64) Settings { return drawMag(seed, bmm350Mag, 0.02, 1) }

// TypicalAK09916 draws a plausible part.
func TypicalAK09916(seed uint64) Settings { return drawMag(seed, ak09916Mag, 0.02, 0) }

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
