package daemon

import (
	"encoding/json"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/daemon/estimator"
	"plumbstar/sensors/calib"
)

// Store keeps what must outlast the program. Records are added and never
// changed. Its methods are called from several goroutines, never by the loop.
type Store interface {
	// Calibrations and Sightings are all that was kept, oldest first. A calibration
	// that cannot be read comes with its Part, Board and Time, and Damaged set.
	Calibrations() ([]CalibrationRecord, error)
	Sightings() ([]SightingRecord, error)
	// AddCalibration and AddSighting return when the record is safe, and give it
	// its ID.
	AddCalibration(*CalibrationRecord) error
	AddSighting(*SightingRecord) error
	// Document is the newest text kept under a name, nil when there is none.
	Document(name string) (json.RawMessage, error)
	PutDocument(name string, text json.RawMessage) error
}

// Part is what a calibration corrects.
type Part string

const (
	PartAccelerometer Part = "accelerometer"
	PartCompass       Part = "compass"
	PartCompass2      Part = "second compass"
	// PartAccelerometer2 holds how its axes lie against the first's as well.
	PartAccelerometer2 Part = "second accelerometer"
	PartAxis           Part = "axis"
	// PartTurnCheck is what a turn of the mount has told of the compass; it holds
	// for the night, as iron on the mount comes and goes.
	PartTurnCheck Part = "turn check"
	// PartTemperature is how the inertial sensor's offsets follow its temperature,
	// learned from nights.
	PartTemperature Part = "temperature"
)

// CalibrationRecord is one calibration of one part of a board, as it is kept.
type CalibrationRecord struct {
	ID   int64     `json:"id"`
	Time time.Time `json:"time"`
	// TimeSure is false when the clock could not be right.
	TimeSure bool `json:"time_sure"`
	Part     Part `json:"part"`
	// Method is the kind of session that found it.
	Method CalibrationKind `json:"method"`
	// Board names the chips that it belongs to.
	Board string `json:"board"`
	// Chips is the rotation from the magnetometer's axes to the inertial
	// sensor's that the settings gave then, for the compass.
	Chips  *Mount        `json:"chips,omitempty"`
	TempC  *float64      `json:"temp_c"` // of the chip; null when not known
	Site   *astro.Site   `json:"site"`   // null when not known
	Affine *calib.Affine `json:"correction,omitempty"`
	Axis   *AxisRecord   `json:"axis,omitempty"`
	Turn   *TurnRecord   `json:"turn_check,omitempty"`
	// Temperature is in the axes of the inertial sensor.
	Temperature *TemperatureRecord `json:"temperature,omitempty"`
	// SigmaDeg is the 1 sigma that it leaves: tilt of the accelerometer, heading
	// of the compass, direction of the axis.
	SigmaDeg float64  `json:"sigma_deg"`
	Figures  []Figure `json:"figures"`
	// Damaged says why the record cannot be used; empty when it can.
	Damaged string `json:"-"`
}

// AxisRecord is the tracker's rotation axis in the axes of the inertial sensor.
type AxisRecord struct {
	Direction r3.Vec  `json:"direction"` // unit length, toward the night sky
	SigmaDeg  float64 `json:"sigma_deg"` // 1 sigma per direction
}

// TurnRecord is a turn check as it is kept, in the body axes of its time.
type TurnRecord struct {
	OffsetUT r3.Vec         `json:"offset_uT"`
	LeftUT2  estimator.Cov3 `json:"left_uT2"` // covariance of OffsetUT
	Up       r3.Vec         `json:"up"`
}

// Figure is one number of a result, with its name for people and its unit.
type Figure struct {
	Name  string  `json:"name"` // ends in its unit: "heading_sigma_deg"
	Text  string  `json:"text"` // what it is
	Value float64 `json:"value"`
}

// figures keeps those that are numbers.
func figures(all ...Figure) []Figure {
	out := []Figure{}
	for _, f := range all {
		if !math.IsNaN(f.Value) && !math.IsInf(f.Value, 0) {
			out = append(out, f)
		}
	}
	return out
}

func numberOrNil(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
