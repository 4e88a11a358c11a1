// Package sensors defines what a motion or field sensor delivers and how it
// fails. Drivers, simulated chips and recordings all meet these types; the
// daemon knows nothing else of them.
//
// Units are SI except for the field: specific force m/s², angular rate rad/s,
// magnetic field µT, temperature °C. Axes are the chip's own, right-handed; how
// the board sits in the tracker is a setting of the daemon, not of a driver.
package sensors

import (
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3"
)

// StandardGravity is the conventional acceleration of free fall in m/s²
// (3rd CGPM, 1901), the unit "g" of accelerometer data sheets.
const StandardGravity = 9.80665

// Clock is the monotonic time base of readings. It is passed in, so that
// simulations and recordings run at any speed and tests move time by hand.
type Clock interface {
	// Now is the time since an arbitrary origin; it never goes back.
	Now() time.Duration
	// Sleep returns when d has passed on this clock.
	Sleep(d time.Duration)
}

// Flags mark what is wrong with one sample.
type Flags uint8

const (
	// Clipped: at least one axis stands at the end of its range.
	Clipped Flags = 1 << iota
	// Overrun: the chip replaced at least one sample before it was read.
	Overrun
	// Repeated: the values are the same bits as those of the samples before,
	// for longer than noise allows.
	Repeated
)

// Has reports whether all flags of g are set in f.
func (f Flags) Has(g Flags) bool { return f&g == g }

// InertialSample is one reading of an accelerometer and, mostly, a gyroscope.
type InertialSample struct {
	// At is the time of the reading on the sensor's Clock, not of its arrival.
	At time.Duration
	// Accel is the specific force in m/s²: at rest +g on the axis that points up.
	Accel r3.Vec
	// Gyro is the angular rate in rad/s, right-handed about each axis.
	Gyro r3.Vec
	// TempC is the chip temperature; NaN when the chip has none.
	TempC float64
	Flags Flags
}

// MagneticSample is one reading of a magnetometer.
type MagneticSample struct {
	At time.Duration
	// FieldUT is the magnetic flux density in µT.
	FieldUT r3.Vec
	TempC   float64
	Flags   Flags
}

// InertialSpec states what the data sheet promises of the chip as it is set
// up. A zero means that no figure is known.
type InertialSpec struct {
	Chip   string  // for example "LSM6DSO"
	RateHz float64 // samples per second
	// AccelNoise and GyroNoise are white-noise densities: m/s²/√Hz, rad/s/√Hz.
	AccelNoise, GyroNoise float64
	// AccelOffset is the 1-sigma zero offset before calibration, m/s².
	AccelOffset float64
	// AccelDriftPerC is the 1-sigma change of the offset, m/s² per °C.
	AccelDriftPerC float64
	// AccelScalePerC is the 1-sigma change of each axis's scale per °C (1 = 100 %).
	AccelScalePerC float64
	// AccelCross is the 1-sigma error of each entry of the uncalibrated scale
	// and axis matrix (1 = 100 %).
	AccelCross float64
	// GyroOffset is the 1-sigma zero rate before calibration, rad/s.
	GyroOffset float64
	// GyroScale is the 1-sigma error of each entry of the gyroscope's scale and
	// axis matrix (1 = 100 %).
	GyroScale float64
	// GyroDriftPerC is the 1-sigma change of the zero rate, rad/s per °C, and
	// GyroWander that at rest and one temperature within minutes: 1 sigma, rad/s.
	GyroDriftPerC, GyroWander float64
	// AccelRange and GyroRange are the full scale, m/s² and rad/s.
	AccelRange, GyroRange float64
	// HasGyro is false for a pure accelerometer: Gyro is then always zero.
	HasGyro bool
}

// MagneticSpec is InertialSpec for a magnetometer.
type MagneticSpec struct {
	Chip   string
	RateHz float64
	// NoiseUT is the 1-sigma noise of one sample.
	NoiseUT float64
	// FloorUT is what averaging cannot remove: hysteresis, set/reset
	// repeatability or quantisation, 1 sigma.
	FloorUT float64
	// OffsetUT is the 1-sigma zero offset before calibration (the chip's own).
	OffsetUT float64
	// DriftUTPerC is the 1-sigma change of the offset per °C, ScalePerC that of
	// each axis's scale against the others' (1 = 100 %).
	DriftUTPerC, ScalePerC float64
	// CommonPerC is the change of all axes' scale alike per °C (1 = 100 %), with its
	// sign: it changes the strength that is read, not the direction. Parts differ in
	// it by a fifth, 1 sigma (common practice, no source).
	CommonPerC float64
	// RangeUT is the full scale.
	RangeUT float64
}

// Inertial is an accelerometer with or without a gyroscope.
type Inertial interface {
	conn.Resource
	Spec() InertialSpec
	// ReadInertial reads the newest sample in one bus transaction. It returns
	// ErrNoNewData, cheaply, when the chip has nothing new.
	ReadInertial() (InertialSample, error)
}

// Magnetometer measures the magnetic field.
type Magnetometer interface {
	conn.Resource
	Spec() MagneticSpec
	// ReadMagnetic is ReadInertial for the field.
	ReadMagnetic() (MagneticSample, error)
}
