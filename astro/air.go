package astro

import (
	"fmt"
	"math"

	"github.com/soniakeys/meeus/v3/refraction"
	"github.com/soniakeys/unit"
)

// Air is the state of the air at a site. Pressure 0 is no air: no refraction.
type Air struct {
	PressureHPa float64 // at the site itself, not reduced to sea level; 0 to 1100
	TempC       float64 // -90 to 60
}

// NoAir leaves every place as geometry has it.
var NoAir = Air{TempC: 10}

// StandardAir is the air that the ICAO Standard Atmosphere (Doc 7488) has at
// a height above the sea in metres, for a site without a barometer. A real
// pressure differs by about 15 hPa, a real temperature by 15 °C: 1.5 % and 5 %
// of the refraction.
func StandardAir(heightM float64) Air {
	return Air{
		PressureHPa: 1013.25 * math.Pow(1-2.25577e-5*heightM, 5.25588),
		TempC:       15 - 0.0065*heightM,
	}
}

// Validate refuses air that is not found on the ground.
func (a Air) Validate() error {
	switch {
	case math.IsNaN(a.PressureHPa) || a.PressureHPa < 0 || a.PressureHPa > 1100:
		return fmt.Errorf("pressure %v hPa: give the pressure at the site, 0 (no air) to 1100", a.PressureHPa)
	case math.IsNaN(a.TempC) || a.TempC < -90 || a.TempC > 60:
		return fmt.Errorf("temperature %v °C: give -90 to 60", a.TempC)
	}
	return nil
}

// Refraction is the bending by one state of the air, ready for many altitudes.
//
// Above 9° it is the two-term model of R. C. Stone (1996, PASP 108, 1051) with
// the refractivity of ERFA's eraRefco, for 0.55 µm and the assumed relative
// humidity of 50 %: within 1 arcsec of ERFA for any humidity at a site between
// -20 and 27 °C, 2 arcsec in saturated air of 35 °C. Below 9° that model fails, and
// Bennett's (Meeus 1998, 16.3), joined to it without a step, takes over: within 8
// arcsec of a ray trace at 5°. At the horizon real air differs from any model by
// minutes of arc.
type Refraction struct {
	a, b  float64 // radians, of tan z and tan³ z
	scale float64 // of Bennett's formula, for pressure and temperature
	join  float64 // what Bennett's value is multiplied with at lowAltDeg
}

const (
	lowAltDeg        = 9
	assumedHumidity  = 0.5
	assumedWaveUM    = 0.55
	arcsecPerRad     = 180 * 3600 / math.Pi
	radPerDeg        = math.Pi / 180
	horizonTolerance = 1e-9 // degrees
)

// Refraction prepares the model for this air.
func (a Air) Refraction() Refraction {
	if a.PressureHPa <= 0 {
		return Refraction{}
	}
	kelvin := a.TempC + 273.15
	// Saturation pressure over water (Gill 1982, as in eraRefco).
	saturated := math.Pow(10, (0.7859+0.03477*a.TempC)/(1+0.00412*a.TempC)) * (1 + a.PressureHPa*(4.5e-6+6e-10*a.TempC*a.TempC))
	vapour := assumedHumidity * saturated
	if saturated < a.PressureHPa { // else the air is thinner than its vapour would be
		vapour /= 1 - (1-assumedHumidity)*saturated/a.PressureHPa
	}
	vapour = math.Min(vapour, a.PressureHPa)
	const w2 = assumedWaveUM * assumedWaveUM
	gamma := ((77.53484e-6+(4.39108e-7+3.666e-9/w2)/w2)*a.PressureHPa - 11.2684e-6*vapour) / kelvin
	beta := 4.4474e-6 * kelvin // scale height over the Earth's radius
	r := Refraction{a: gamma * (1 - beta), b: -gamma * (beta - gamma/2), scale: a.PressureHPa / 1010 * 283 / (273 + a.TempC)}
	high := r.liftHigh(lowAltDeg)
	r.join = high / (bennettDeg(lowAltDeg+high) * r.scale)
	return r
}

// Apparent is the altitude at which something is seen whose altitude without
// air is trueAltDeg, both in degrees. It is false, and the altitude stays as it
// is, when the air does not lift it to the horizon.
func (r Refraction) Apparent(trueAltDeg float64) (altDeg float64, visible bool) {
	if r.a == 0 {
		return trueAltDeg, trueAltDeg >= 0
	}
	if trueAltDeg >= lowAltDeg {
		return trueAltDeg + r.liftHigh(trueAltDeg), true
	}
	if trueAltDeg < -r.scale { // the lift at the horizon is 0.58° times scale
		return trueAltDeg, false
	}
	// Newton's iteration on apparent - lift(apparent) = true.
	apparent := math.Max(trueAltDeg+0.5*r.liftLow(math.Max(trueAltDeg, 0)), 0)
	for range 20 {
		const h = 1e-4
		slope := 1 - (r.liftLow(apparent+h)-r.liftLow(apparent))/h
		step := (trueAltDeg + r.liftLow(apparent) - apparent) / slope
		apparent += step
		if apparent < -1 {
			return trueAltDeg, false
		}
		if math.Abs(step) < horizonTolerance {
			break
		}
	}
	if apparent < 0 {
		return trueAltDeg, false
	}
	return apparent, true
}

// True is the altitude without air of something seen at apparentAltDeg, both
// in degrees. Below the horizon it returns its argument.
func (r Refraction) True(apparentAltDeg float64) float64 {
	switch {
	case r.a == 0 || apparentAltDeg < 0:
		return apparentAltDeg
	case apparentAltDeg < lowAltDeg+r.liftHigh(lowAltDeg):
		return apparentAltDeg - r.liftLow(apparentAltDeg)
	}
	alt := apparentAltDeg
	for range 20 {
		step := apparentAltDeg - alt - r.liftHigh(alt)
		alt += step
		if math.Abs(step) < horizonTolerance {
			break
		}
	}
	return alt
}

// liftHigh is the lift in degrees at an altitude without air: one step of
// Newton's on z + A tan z + B tan³ z, which is enough above lowAltDeg.
func (r Refraction) liftHigh(trueAltDeg float64) float64 {
	sinAlt, cosAlt := math.Sincos(trueAltDeg * radPerDeg)
	t := cosAlt / sinAlt
	w := r.b * t * t
	return (r.a + w) * t / (1 + (r.a+3*w)/(sinAlt*sinAlt)) / radPerDeg
}

// liftLow is the lift in degrees at an apparent altitude of 0 to lowAltDeg; the
// factor leads from the two-term model back to Bennett's at the horizon.
func (r Refraction) liftLow(apparentAltDeg float64) float64 {
	return bennettDeg(apparentAltDeg) * r.scale * (1 + (r.join-1)*math.Min(apparentAltDeg/lowAltDeg, 1))
}

func bennettDeg(apparentAltDeg float64) float64 {
	return refraction.Bennett(unit.AngleFromDeg(apparentAltDeg)).Deg()
}
