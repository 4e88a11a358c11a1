package pole

import (
	"fmt"
	"math"

	"plumbstar/astro"
)

// Prior is what is believed of the axis before a look through the finder, from
// the sensors: against the aim, arcminutes on the night sky, too high and too far east
// positive, 1 sigma.
type Prior struct {
	HighArcmin, EastArcmin           float64
	HighSigmaArcmin, EastSigmaArcmin float64
	Correlation                      float64
}

// smallestSigma keeps a prior that claims to know everything usable: 0.5'.
const smallestSigma = 0.5

func (p Prior) check() error {
	for _, v := range []float64{p.HighArcmin, p.EastArcmin} {
		if !(math.Abs(v) <= 60*60) {
			return fmt.Errorf("believed error %v', %v': give arcminutes, up to 60°", p.HighArcmin, p.EastArcmin)
		}
	}
	for _, v := range []float64{p.HighSigmaArcmin, p.EastSigmaArcmin} {
		if !(v >= 0 && v <= 60*60) {
			return fmt.Errorf("sigmas %v' and %v': give arcminutes, up to 60°", p.HighSigmaArcmin, p.EastSigmaArcmin)
		}
	}
	if !(math.Abs(p.Correlation) < 1) {
		return fmt.Errorf("correlation %v: give more than -1 and less than 1", p.Correlation)
	}
	return nil
}

// distance2 is the squared distance of an error from the belief, in sigmas.
func (p Prior) distance2(high, east float64) float64 {
	a := (high - p.HighArcmin) / math.Max(p.HighSigmaArcmin, smallestSigma)
	b := (east - p.EastArcmin) / math.Max(p.EastSigmaArcmin, smallestSigma)
	return (a*a - 2*p.Correlation*a*b + b*b) / (1 - p.Correlation*p.Correlation)
}

// logDensity is the logarithm of the belief per square arcminute.
func (p Prior) logDensity(high, east float64) float64 {
	su, se := math.Max(p.HighSigmaArcmin, smallestSigma), math.Max(p.EastSigmaArcmin, smallestSigma)
	return -p.distance2(high, east)/2 - math.Log(2*math.Pi*su*se*math.Sqrt(1-p.Correlation*p.Correlation))
}

// against is where an axis lies against the aim: arcminutes too high and too
// far east.
func against(aim, axis astro.Direction) (high, east float64) {
	x, y := tangent(aim).of(axis.Vec())
	const arcmin = 60 / radPerDeg
	if hemisphereOf(aim) == astro.South {
		x = -x
	}
	return y * arcmin, x * arcmin
}
