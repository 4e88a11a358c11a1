package estimator

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// FilterOptions tell the filter about the sensors. Zero fields take the value
// in brackets, that of a calibrated board with consumer-grade chips.
type FilterOptions struct {
	// NoGyro is set for a pure accelerometer; rates are then ignored.
	NoGyro bool
	// GyroNoise is the white-noise density, rad/s/√Hz (0.014°/s/√Hz).
	GyroNoise float64
	// GyroOffset is the 1-sigma zero rate before it is learned, rad/s (0.5°/s).
	GyroOffset float64
	// GyroScale is the 1-sigma error of the scale and axes, 1 = 100 % (0.45 %).
	GyroScale float64
	// GyroRange is the full scale, rad/s; beyond 98 % of it a rate counts as
	// clipped (0: none).
	GyroRange float64
	// AccelOffset is the 1-sigma error per axis that calibration left, m/s²
	// (0.02). It is the floor of the inclination's sigma.
	AccelOffset float64
	// MagNoiseUT is the 1-sigma noise of one field sample, µT (0: learned at
	// rest, 0.5 until then).
	MagNoiseUT float64
	// MagOffsetUT is the 1-sigma hard iron per axis that calibration left (0.25).
	MagOffsetUT float64
	// MagScale is the 1-sigma error of each entry of the field's 3x3 matrix that
	// calibration left, misalignment included (0.007).
	MagScale float64
	// StrayUT is the 1-sigma local field per axis (steel and currents near the
	// place) that counts as undisturbed (0.4).
	StrayUT float64
	// Field is what a model expects at the site; with a zero StrengthUT the
	// field is learned from the first samples. Declination is not used here:
	// the filter's north is the magnetic one.
	Field Field
}

func (o FilterOptions) withDefaults() FilterOptions {
	set := func(v *float64, d float64) {
		if !(*v > 0 && *v < 1e6) {
			*v = d
		}
	}
	set(&o.GyroNoise, 0.014*degree)
	set(&o.GyroOffset, 0.5*degree)
	set(&o.GyroScale, 0.0045)
	set(&o.GyroRange, math.MaxFloat64)
	set(&o.AccelOffset, 0.02)
	set(&o.MagNoiseUT, 0)
	set(&o.MagOffsetUT, 0.25)
	set(&o.MagScale, 0.007)
	set(&o.StrayUT, 0.4)
	return o
}

// filterOptions is what the estimator's options mean for the filter.
func filterOptions(o Options) FilterOptions {
	up, field := r3.Vec{Z: sensors.StandardGravity}, r3.Vec{Y: 20, Z: -40}
	return FilterOptions{
		NoGyro:      !o.Inertial.HasGyro,
		GyroNoise:   o.Inertial.GyroNoise,
		GyroOffset:  o.Inertial.GyroOffset,
		GyroScale:   o.Inertial.GyroScale,
		GyroRange:   o.Inertial.GyroRange,
		AccelOffset: perAxis(o.accelError(up)),
		MagNoiseUT:  o.Magnetic.NoiseUT,
		MagOffsetUT: perAxis(o.fieldError(field)),
		StrayUT:     o.LocalFieldUT,
	}
}

// perAxis is the root mean square of the three sigmas of c.
func perAxis(c Cov3) float64 {
	return math.Sqrt(max(0, c[0][0]+c[1][1]+c[2][2]) / 3)
}
