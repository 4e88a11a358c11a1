package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Coverage says from which directions the field was seen in sensor axes.
type Coverage struct {
	// Occupied is the share of 48 cells of equal solid angle (6 rings by 8
	// sectors) in which the field direction has been, 0 to 1.
	Occupied float64
	// GapDeg is the radius of the largest empty cap and Gap its middle: the
	// direction, in sensor axes, that the field has been farthest from.
	GapDeg float64
	Gap    r3.Vec
}

// String is one line for a person who turns the board.
func (c Coverage) String() string {
	return fmt.Sprintf("the field came from %.0f %% of the sphere, never within %.0f° of %s", 100*c.Occupied, c.GapDeg, axisWords(c.Gap))
}

// coverageOf measures directions (any length, not zero).
func coverageOf(dirs []r3.Vec) Coverage {
	var seen [48]bool
	kept := make([]r3.Vec, 0, 1024)
	for i, d := range dirs {
		u := r3.Unit(d)
		if u != u || !finite(u) {
			continue
		}
		ring := min(5, int((u.Z+1)*3))
		sector := min(7, int((math.Atan2(u.Y, u.X)+math.Pi)/(2*math.Pi)*8))
		seen[8*ring+sector] = true
		if i%(1+len(dirs)/1024) == 0 {
			kept = append(kept, u)
		}
	}
	var c Coverage
	for _, s := range seen {
		c.Occupied += float64(b2i(s)) / float64(len(seen))
	}
	nearest := 2.0
	for _, p := range spiral(200) {
		best := -1.0
		for _, u := range kept {
			best = max(best, r3.Dot(p, u))
		}
		if best < nearest {
			nearest, c.Gap = best, p
		}
	}
	c.GapDeg = deg(math.Acos(min(1, max(-1, nearest))))
	return c
}

// MeasureCoverage tells from the readings so far how much of the sphere the
// field has come from, for a display while the board is being turned. ok is
// false while the field hardly changed.
func MeasureCoverage(magnetic []sensors.MagneticSample) (c Coverage, ok bool) {
	raws := rawFields(magnetic)
	if len(raws) < 10 {
		return c, false
	}
	e, ok := algebraicEllipsoid(raws)
	if !ok || !(e.radius() > 10*stepNoise(raws)) {
		return c, false
	}
	for i := range raws {
		raws[i] = e.m.Apply(r3.Sub(raws[i], e.centre))
	}
	return coverageOf(raws), true
}
