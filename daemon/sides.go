package daemon

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"
)

// Names of the sides of a board in body axes: x along the tracker's axis toward
// the night sky, y left, z up.
var sideNames = [3][2]string{{"front", "back"}, {"left side", "right side"}, {"top", "underside"}}

// side names a direction in body axes for a person who holds the board: "the
// front", "the edge between front and top", "the corner of front, left side and
// top". A part counts from 25° out of the plane across it.
func side(v r3.Vec) string {
	v = r3.Unit(v)
	var names []string
	for i, c := range [3]float64{v.X, v.Y, v.Z} {
		if math.Abs(c) < 0.42 {
			continue
		}
		k := 0
		if c < 0 {
			k = 1
		}
		names = append(names, sideNames[i][k])
	}
	switch len(names) {
	case 1:
		return "the " + names[0]
	case 2:
		return fmt.Sprintf("the edge between %s and %s", names[0], names[1])
	}
	return fmt.Sprintf("the corner of %s and %s", strings.Join(names[:2], ", "), names[2])
}

// towardField says how to hold the board so that the direction gap, in body
// axes, points along the Earth's field: magnetic north, and down or up by the
// dip (degrees, positive down) where it is known.
func towardField(gap r3.Vec, dipDeg float64, known bool) string {
	s := side(gap)
	switch {
	case !known:
		return fmt.Sprintf("bring %s down and toward the north, then up and toward the south", s)
	case dipDeg > 75:
		return fmt.Sprintf("bring %s straight down", s)
	case dipDeg > 15:
		return fmt.Sprintf("bring %s down and toward the north, %.0f° below level", s, dipDeg)
	case dipDeg > -15:
		return fmt.Sprintf("bring %s toward the north", s)
	case dipDeg > -75:
		return fmt.Sprintf("bring %s up and toward the north, %.0f° above level", s, -dipDeg)
	}
	return fmt.Sprintf("bring %s straight up", s)
}
