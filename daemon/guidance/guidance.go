// Package guidance compares where the axis points with where it should, and
// says how to move it, in numbers and in words. It is pure.
package guidance

import (
	"plumbstar/astro"
	"plumbstar/daemon/estimator"
)

// Aim is the point that the axis should reach.
type Aim struct {
	AltitudeDeg float64
	AzimuthDeg  float64 // 0 in the north, 180 in the south
	Kind        string  // "refracted" or "true"
	Hemisphere  astro.Hemisphere
}

// Guidance is the move that brings the axis to the aim.
type Guidance struct {
	// Aim is nil when the site is not known.
	Aim *Aim
	// Raise is positive when the axis must go up.
	Raise estimator.Quantity
	// TurnEast is positive when the axis must turn towards the east, degrees
	// of azimuth (not of arc on the night sky).
	TurnEast estimator.Quantity
	// Error is the angle on the night sky between axis and aim, never negative.
	Error estimator.Quantity
	// Text is the move as a sentence: "Raise 0.4°, turn east 1.2°".
	Text string
	// RaiseSaid and TurnSaid are what Text says of each direction, for what has
	// words of its own.
	RaiseSaid, TurnSaid Said
	// Hand adds the side: "east is to your right as you face the pole".
	Hand string
}

// Said is one direction as the words have it; the zero value says nothing.
type Said struct {
	// Amount is without a sign: "0.4°"; empty when nothing is known, or Reached.
	Amount string
	// Positive says up or east, its contrary down or west.
	Positive bool
	// Reached: the sensors cannot tell that it is not right. Vague: nor do they know
	// it well enough to say that it is.
	Reached, Vague bool
}
