package calib

import (
	"errors"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// RecordingOptions steer FromRecording.
type RecordingOptions struct {
	Rest RestOptions
	// Spec is the data sheet of the inertial chip: what is believed of the
	// accelerometer before any pose, and its range.
	Spec sensors.InertialSpec
	// Accel and Mag steer the two fits. FromRecording fills in the prior sigmas
	// of Accel from Spec where they are zero, and of Mag what the inertial
	// samples tell.
	Accel AccelOptions
	Mag   MagOptions
}

// Result is what one recording gave. Accelerometer and compass succeed or are
// refused apart.
type Result struct {
	// HasAccel is true when the recording holds inertial samples at all.
	HasAccel bool
	// Accel corrects the specific force. When AccelErr is not nil it is the
	// data sheet's knowledge alone, with the data sheet's doubt.
	Accel    Affine
	AccelFit AccelFit
	AccelErr error
	// Poses are the rest poses found.
	Poses []Pose
	// GyroBias (rad/s) and its 1 sigma per axis come from the turning of the
	// field, or else from the rest poses (median and scatter); GyroBiasKnown is
	// false when there was neither.
	GyroBias, GyroBiasSigma r3.Vec
	GyroBiasKnown           bool
	// Mag corrects the field when MagErr is nil.
	Mag    MagFit
	MagErr error
}

// FromRecording runs the calibrations of a whole recording of one board: rest
// poses, accelerometer, gyroscope bias, and the compass aligned to the
// accelerometer. The error is not nil only when there is nothing to work on;
// refusals of the parts stand in the result.
func FromRecording(inertial []sensors.InertialSample, magnetic []sensors.MagneticSample, opt RecordingOptions) (Result, error) {
	if len(inertial) == 0 && len(magnetic) == 0 {
		return Result{}, errors.New("the recording holds no samples: record the board while it rests in several attitudes and turns about all axes")
	}
	res := Result{HasAccel: len(inertial) > 0, Accel: UncalibratedAccel(opt.Spec, math.NaN())}
	m := opt.Mag
	if len(inertial) == 0 {
		res.AccelErr = accelRefusal("the recording has no accelerometer", "record ax, ay, az too")
	} else {
		res.calibrateInertial(inertial, &opt)
		m.Accel = &res.Accel
		m.GyroRange = opt.Spec.GyroRange
		if res.GyroBiasKnown {
			m.GyroBias = res.GyroBias
			m.GyroBiasSigma = max(m.GyroBiasSigma, 0.005, res.GyroBiasSigma.X, res.GyroBiasSigma.Y, res.GyroBiasSigma.Z)
		} else {
			m.GyroBiasSigma = max(m.GyroBiasSigma, opt.Spec.GyroOffset)
		}
	}
	if len(magnetic) == 0 {
		res.MagErr = magRefusal("the recording has no magnetometer", "record mx, my, mz too")
		return res, nil
	}
	corrected := make([]sensors.InertialSample, len(inertial))
	for i, s := range inertial {
		s.Accel = res.Accel.Apply(s.Accel, s.TempC)
		corrected[i] = s
	}
	res.Mag, res.MagErr = FitMag(magnetic, corrected, m)
	if res.MagErr == nil && res.Mag.GyroBiasKnown {
		res.GyroBias, res.GyroBiasSigma, res.GyroBiasKnown = res.Mag.GyroBias, res.Mag.GyroBiasSigma, true
	}
	return res, nil
}

// slowLength and slowRate: stretches for SlowPoses, and the fastest rotation in
// them (rad/s) for which the pull of the turn itself stays small.
const (
	slowLength = 500 * time.Millisecond
	slowRate   = 1.5
)

func (res *Result) calibrateInertial(inertial []sensors.InertialSample, opt *RecordingOptions) {
	rest := opt.Rest
	if rest.MaxRate <= 0 {
		rest.MaxRate = RestOf(opt.Spec).MaxRate
	}
	res.Poses = FindPoses(inertial, rest)
	res.gyroBias(inertial)
	o := opt.Accel
	if o.OffsetSigma == 0 && o.MatrixSigma == 0 {
		o.OffsetSigma, o.MatrixSigma = opt.Spec.AccelOffset, opt.Spec.AccelCross
	}
	if o.SlopeSigma == 0 {
		o.SlopeSigma = opt.Spec.AccelDriftPerC
	}
	poses := res.Poses
	if distinctDirections(poses) < 12 && res.GyroBiasKnown {
		all := append(append([]Pose(nil), poses...), thin(SlowPoses(inertial, res.GyroBias, slowLength, slowRate))...)
		// Slow poses are worth their doubt only where the board went round.
		if distinctDirections(all) >= 6 {
			poses = all
		}
	}
	res.AccelFit, res.AccelErr = FitAccel(poses, 0, o)
	if res.AccelErr == nil {
		res.Accel = res.AccelFit.Affine
	}
}

// gyroBias is the median rate of the poses, axis by axis.
func (res *Result) gyroBias(inertial []sensors.InertialSample) {
	n := len(res.Poses)
	if n == 0 || !hasGyro(inertial) {
		return
	}
	axis := func(get func(*Pose) float64) (m, s float64) {
		v := make([]float64, n)
		for i := range res.Poses {
			v[i] = get(&res.Poses[i])
		}
		m = median(v)
		for i := range v {
			v[i] = math.Abs(v[i] - m)
		}
		return m, median(v) / 0.6745
	}
	res.GyroBias.X, res.GyroBiasSigma.X = axis(func(p *Pose) float64 { return p.Gyro.X })
	res.GyroBias.Y, res.GyroBiasSigma.Y = axis(func(p *Pose) float64 { return p.Gyro.Y })
	res.GyroBias.Z, res.GyroBiasSigma.Z = axis(func(p *Pose) float64 { return p.Gyro.Z })
	res.GyroBiasKnown = true
}
