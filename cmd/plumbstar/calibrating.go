package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"

	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/calib"
	"plumbstar/sensors/recorded"
)

// correction hands a calibration to the daemon.
func correction(a calib.Affine) daemon.Correction {
	return daemon.CorrectionOf(a)
}

// uncalibrated leaves the readings as they are.
func uncalibrated() daemon.Correction { return daemon.Correction{TempC: math.NaN()} }

// corrections runs the calibrations on samples of one board and says on w what
// was refused. A field, where known, gives strength and dip.
func corrections(in []sensors.InertialSample, mag []sensors.MagneticSample, spec sensors.InertialSpec, field *geomag.Field, w io.Writer) (accel, compass daemon.Correction, err error) {
	accel, compass = uncalibrated(), uncalibrated()
	opt := calib.RecordingOptions{Spec: spec}
	if field != nil {
		opt.Mag.StrengthUT, opt.Mag.StrengthSigmaUT = field.TotalNT/1000, math.Hypot(field.TotalSigmaNT/1000, estimator.DefaultLocalFieldUT)
	}
	r, err := calib.FromRecording(in, mag, opt)
	if err != nil {
		return accel, compass, err
	}
	if r.AccelErr == nil {
		accel = correction(r.Accel)
	} else {
		fmt.Fprintln(w, "plumbstar:", r.AccelErr)
	}
	if r.MagErr == nil {
		compass = correction(r.Mag.Affine)
	} else {
		fmt.Fprintln(w, "plumbstar:", r.MagErr)
	}
	return accel, compass, nil
}

func openRecording(path string) (*os.File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%w: give a readable recording", err)
	}
	return f, nil
}

// readRecording loads all samples of a recording.
func readRecording(path string) (in []sensors.InertialSample, mag []sensors.MagneticSample, err error) {
	f, err := openRecording(path)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	r, err := recorded.NewReader(f)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	for {
		row, err := r.Next()
		if errors.Is(err, io.EOF) {
			return in, mag, nil
		}
		if err != nil {
			return nil, nil, fmt.Errorf("%s: %w", path, err)
		}
		if row.HasInertial {
			in = append(in, row.Inertial)
		}
		if row.HasMagnetic {
			mag = append(mag, row.Magnetic)
		}
	}
}
