package estimator

import (
	"time"
)

// State says what an estimate is worth at this moment.
type State string

const (
	// Settling: at rest, the average still growing.
	Settling State = "settling"
	// Steady: at rest, the uncertainty at its floor or near it.
	Steady State = "steady"
	// Moving: turned or shaken now; the filter follows.
	Moving State = "moving"
	// Disturbed: the field is not the Earth's, so azimuth is carried, not measured.
	Disturbed State = "disturbed"
	// Stale: the newest sample is too old; the last values are shown as such.
	Stale State = "stale"
	// Lost: no sensor answers, or what it says cannot be used.
	Lost State = "lost"
)

// Quantity is one estimated angle.
type Quantity struct {
	Deg      float64
	SigmaDeg float64 // 1 sigma
	// Known is false when no number may be shown; Why then says the reason.
	Known bool
	Why   string
	// Source is what the value rests on: "accelerometer", "compass",
	// "gyroscope", "sighting", "stars".
	Source string
}

// Part is one named contribution to the uncertainty, 1 sigma in degrees; zero
// where the part does not act.
type Part struct {
	Name        string // "noise", "calibration", "temperature", "mounting", "declination model", "local deviation", "iron on the mount", "reference"
	AltitudeDeg float64
	AzimuthDeg  float64
	RollDeg     float64
}

// Warning is a condition that the user should know of.
type Warning struct {
	Code string // stable, machine-readable: "compass-uncalibrated"
	Text string // one sentence, what and what to do
}

// Estimate is where the axis points.
type Estimate struct {
	At       time.Duration // of the newest sample used
	State    State
	Altitude Quantity // of the axis above the horizon
	Azimuth  Quantity // from true north through east, 0 to 360
	Roll     Quantity // about the axis; 0 when the board's up lies in the vertical plane
	Budget   []Part
	Warnings []Warning
	// TempC is the newest chip temperature, NaN when unknown.
	TempC float64
	// FieldUT and DipDeg are the measured strength and dip, NaN when unknown.
	FieldUT, DipDeg float64
}
