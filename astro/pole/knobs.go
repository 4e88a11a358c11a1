package pole

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// KnobMove is how a star moves in the finder, as the eye sees it there, per
// degree that a knob moves the axis.
type KnobMove struct {
	XPerDeg float64 `json:"x_per_deg"` // degrees to the right
	YPerDeg float64 `json:"y_per_deg"` // degrees up
	Words   string  `json:"words"`     // "down", "up and left"
}

// Knobs are the moves of both adjusters.
type Knobs struct {
	Raise    KnobMove `json:"raise"`     // raising the axis by 1° of altitude
	TurnEast KnobMove `json:"turn_east"` // turning it to the east by 1° of azimuth
}

// Knobs tells which way a star near the aim moves when the axis, near the aim
// too, is raised or turned east: away from where the axis goes.
func (f Finder) Knobs(aim, star astro.Direction) Knobs {
	east := 1.0
	if hemisphereOf(aim) == astro.South {
		east = -1
	}
	const step = 0.01
	move := func(altDeg, azDeg float64) KnobMove {
		at := func(sign float64) (float64, float64) {
			moved := astro.Direction{AltDeg: aim.AltDeg + sign*altDeg*step, AzDeg: aim.AzDeg + sign*azDeg*step}
			return tangent(moved).of(star.Vec())
		}
		x1, y1 := at(1)
		x0, y0 := at(-1)
		sx, sy := f.View.signs()
		m := KnobMove{XPerDeg: sx * (x1 - x0) / (2 * step * radPerDeg), YPerDeg: sy * (y1 - y0) / (2 * step * radPerDeg)}
		m.Words = Towards(m.XPerDeg, m.YPerDeg)
		return m
	}
	return Knobs{Raise: move(1, 0), TurnEast: move(0, east)}
}

// Towards names the direction of a move right and up, one of eight; empty for
// none.
func Towards(right, up float64) string {
	if right == 0 && up == 0 {
		return ""
	}
	names := [8]string{"up", "up and right", "right", "down and right", "down", "down and left", "left", "up and left"}
	sector := int(math.Round(math.Atan2(right, up) / (math.Pi / 4)))
	return names[(sector+8)%8]
}

// AxisSeeing is where the axis points when a star is seen at a place in the
// finder, degrees right and up: exact, the inverse of Finder.Mark with the axis
// as aim; of two solutions the one nearer to near. False when there is none.
func (f Finder) AxisSeeing(star astro.Direction, xDeg, yDeg float64, near astro.Direction) (astro.Direction, bool) {
	x, y := f.toSky(xDeg, yDeg)
	rho := math.Hypot(x, y)
	if rho == 0 {
		return star, true
	}
	sinRho, cosRho := math.Sincos(rho)
	// In the triangle zenith, axis, star: sin(star's altitude) = cos rho sin a + sin
	// rho cos(pa) cos a.
	b := sinRho * y / rho
	size := math.Hypot(cosRho, b)
	sine := math.Sin(star.AltDeg*radPerDeg) / size
	if math.Abs(sine) > 1 {
		return astro.Direction{}, false
	}
	phase := math.Atan2(b, cosRho)
	best, bestGap := astro.Direction{}, math.Inf(1)
	for _, sum := range [2]float64{math.Asin(sine), math.Pi - math.Asin(sine)} {
		alt := math.Remainder(sum-phase, 2*math.Pi)
		if math.Abs(alt) > math.Pi/2 {
			continue
		}
		// The star's azimuth from the axis's, by its place in the axis's own frame.
		v := tangent(astro.Direction{AltDeg: alt / radPerDeg}).at(x, y)
		candidate := astro.Direction{AltDeg: alt / radPerDeg, AzDeg: astro.Turn360(star.AzDeg - astro.DirectionOf(v).AzDeg)}
		if gap := r3.Norm(r3.Sub(candidate.Vec(), near.Vec())); gap < bestGap {
			best, bestGap = candidate, gap
		}
	}
	return best, !math.IsInf(bestGap, 1)
}
