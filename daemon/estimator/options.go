package estimator

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Field is what a model expects of the magnetic field at the site.
type Field struct {
	DeclinationDeg, DeclinationSigmaDeg float64
	DipDeg, DipSigmaDeg                 float64
	StrengthUT, StrengthSigmaUT         float64
}

// Options describe the sensors and what is known of their errors. All vectors
// and covariances are in body axes.
type Options struct {
	Inertial sensors.InertialSpec
	Magnetic sensors.MagneticSpec

	// AccelError is the covariance, (m/s²)², of the corrected specific force
	// that the calibration leaves in direction up; nil when uncalibrated.
	AccelError func(up r3.Vec) Cov3
	// FieldError is the same for the corrected field, µT²; nil when uncalibrated.
	FieldError func(field r3.Vec) Cov3
	// CalTempC is the chip temperature of the accelerometer calibration, NaN
	// when unknown.
	CalTempC float64
	// MountSigmaDeg is the angle, 1 sigma per direction, between the tracker's
	// axis and the board's forward edge.
	MountSigmaDeg float64
	// AxisMeasured is set when the axis was found in sensor axes, by turning the
	// tracker's head: then MountSigmaDeg is the error of that. AxisTempC is the
	// chip temperature of the accelerometer at that time, NaN when unknown.
	AxisMeasured bool
	AxisTempC    float64
	// LocalFieldUT is the 1-sigma field, per axis, of steel and currents near
	// the board that no calibration knows of. See DefaultLocalFieldUT.
	LocalFieldUT float64
	// Learned is what former nights have shown of the drift with temperature that
	// the accelerometer's correction does not take off; nil: the data sheet's figures.
	Learned *Learned
	// Swing is what a turn in azimuth has left of the errors that turn with the
	// board; nil: not turned.
	Swing *Swing
}

const (
	// DefaultLocalFieldUT makes a heading of 2° in a horizontal field of 20 µT,
	// the routine figure for calibrated compasses (Tomasch and Winer, 2018).
	DefaultLocalFieldUT = 0.7
	// outsideShare is the part of that field which stands around the tripod, in
	// the same direction whatever way the mount points: right after a good
	// calibration 1° of the 2° is often left (the same source). The other part,
	// ironShare (1 = hypot of both), is iron on the mount that has changed since
	// the calibration; it turns with the board.
	outsideShare = 0.5
	ironShare    = 0.8660254
	// DefaultMountSigmaDeg is a board screwed down against an edge (common
	// practice, no source).
	DefaultMountSigmaDeg = 0.2
	// fieldVariationDeg is how far the natural field stands from its model at
	// a random minute of the night: 7′, median of 15 nights at the Boulder
	// observatory (USGS data, January 2016).
	fieldVariationDeg = 0.12
	// unknownTempDelta is assumed, °C, when the temperature of the calibration
	// or of now is not known.
	unknownTempDelta = 10.0
	// uncalibratedIronUT is the 1-sigma hard iron of a board near motor,
	// battery and screws before any calibration (from memory: 10 to 50 µT).
	uncalibratedIronUT = 25.0
	// azimuthLimitDeg and altitudeLimitDeg are the sigmas beyond which no
	// number is shown.
	azimuthLimitDeg  = 20.0
	altitudeLimitDeg = 10.0
)

// mountSigmaDeg adds how the sensing axes lie in the board. Rest poses cannot
// see a common rotation of them: of a cross-axis matrix with independent
// entries its antisymmetric part, 1/√2 of an entry about each axis.
func (o *Options) mountSigmaDeg() float64 {
	if o.AxisMeasured {
		return o.MountSigmaDeg
	}
	return math.Hypot(o.MountSigmaDeg, o.Inertial.AccelCross/math.Sqrt2/degree)
}

// accelError is the covariance that calibration, or its absence, leaves.
func (o *Options) accelError(up r3.Vec) Cov3 {
	if o.AccelError != nil {
		return o.AccelError(up)
	}
	return Isotropic(math.Hypot(o.Inertial.AccelOffset, o.Inertial.AccelCross*sensors.StandardGravity))
}

// fieldError is the same for the field. What no average removes (FloorUT) was in
// the calibration once; its other share, of today, counts as noise.
func (o *Options) fieldError(field r3.Vec) Cov3 {
	if o.FieldError != nil {
		c := o.FieldError(field)
		for i := range 3 {
			c[i][i] += o.Magnetic.FloorUT * o.Magnetic.FloorUT
		}
		return c
	}
	return Isotropic(math.Hypot(o.Magnetic.OffsetUT, uncalibratedIronUT))
}

// temperatureError is the covariance of specific force and field, here up and
// field, after the temperature left the one at which their errors were known.
func (o *Options) temperatureError(up, field r3.Vec, tempC, knownC float64) (accel, mag Cov3) {
	d := tempC - knownC
	if math.IsNaN(d) {
		d = unknownTempDelta
	}
	i, m := &o.Inertial, &o.Magnetic
	accel, mag = drifted(up, i.AccelDriftPerC*d, i.AccelScalePerC*d), drifted(field, m.DriftUTPerC*d, m.ScalePerC*d)
	if o.Learned != nil && !math.IsNaN(tempC-knownC) {
		accel = o.Learned.drift(up, tempC, knownC, &accel, i.AccelScalePerC)
	}
	return accel, mag
}

// drifted is the covariance of v whose offset and scale, axis by axis, have
// changed by these 1 sigmas.
func drifted(v r3.Vec, offset, scale float64) Cov3 {
	s := func(x float64) float64 { return offset*offset + scale*scale*x*x }
	return Diagonal(r3.Vec{X: s(v.X), Y: s(v.Y), Z: s(v.Z)})
}
