// Package trail tells what an error of the tracker's axis does to a picture:
// drift and rotation of the stars, the longest exposure that a lens bears, and
// the alignment that a wish needs. It is pure.
//
// Left out, as they are not of the axis: errors of the drive, flexure, wind,
// and the drift of refraction near the horizon.
package trail

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Error is where the elevated end of the axis (the northern in the north, the
// southern in the south) points, against the celestial pole, in arcminutes on
// the night sky, with 1-sigma uncertainties.
type Error struct {
	HighArcmin      float64 // positive: too high
	EastArcmin      float64 // positive: too far east; arc on the night sky, not of azimuth
	HighSigmaArcmin float64
	EastSigmaArcmin float64
	Correlation     float64 // of the two, -1 to 1
}

// ErrorOfSize is an error of known size and unknown direction, with the same
// 1-sigma uncertainty in both directions; arcminutes.
func ErrorOfSize(arcmin, sigmaArcmin float64) Error {
	return Error{HighArcmin: arcmin, HighSigmaArcmin: sigmaArcmin, EastSigmaArcmin: sigmaArcmin}
}

// Size is the angle between axis and pole, arcminutes.
func (e Error) Size() float64 { return math.Hypot(e.HighArcmin, e.EastArcmin) }

// maxErrorArcmin bounds what is still called an alignment: 45°.
const maxErrorArcmin = 45 * 60

// Validate refuses what is no error of an axis.
func (e Error) Validate() error {
	for _, v := range []struct {
		name       string
		value, low float64
	}{
		{"error in altitude", e.HighArcmin, -maxErrorArcmin},
		{"error towards east", e.EastArcmin, -maxErrorArcmin},
		{"sigma of the error in altitude", e.HighSigmaArcmin, 0},
		{"sigma of the error towards east", e.EastSigmaArcmin, 0},
	} {
		if !(v.value >= v.low && v.value <= maxErrorArcmin) {
			return fmt.Errorf("%s %v': give arcminutes from %v to %v", v.name, v.value, v.low, float64(maxErrorArcmin))
		}
	}
	if !(e.Correlation >= -1 && e.Correlation <= 1) {
		return fmt.Errorf("correlation %v: give -1 to 1", e.Correlation)
	}
	return nil
}

// Within is the probability that the true error is at most arcmin: the part of
// the two-dimensional normal distribution inside a circle about the pole.
func (e Error) Within(arcmin float64) float64 {
	if arcmin < 0 {
		return 0
	}
	// Principal axes: independent normal variables p (wider) and q.
	vu, ve := e.HighSigmaArcmin*e.HighSigmaArcmin, e.EastSigmaArcmin*e.EastSigmaArcmin
	cov := e.Correlation * e.HighSigmaArcmin * e.EastSigmaArcmin
	angle := 0.5 * math.Atan2(2*cov, vu-ve)
	s, c := math.Sincos(angle)
	mid, half := (vu+ve)/2, math.Hypot((vu-ve)/2, cov)
	sp, sq := math.Sqrt(mid+half), math.Sqrt(math.Max(mid-half, 0))
	mp, mq := c*e.HighArcmin+s*e.EastArcmin, -s*e.HighArcmin+c*e.EastArcmin

	tiny := 1e-9 * (1 + arcmin)
	if sp <= tiny {
		if math.Hypot(mp, mq) <= arcmin {
			return 1
		}
		return 0
	}
	wide := distuv.Normal{Mu: mp, Sigma: sp}
	// onChord is the probability of the wider variable to lie inside the circle
	// where the narrower one is x.
	onChord := func(x float64) float64 {
		if math.Abs(x) > arcmin {
			return 0
		}
		h := math.Sqrt(arcmin*arcmin - x*x)
		return wide.CDF(h) - wide.CDF(-h)
	}
	if sq <= tiny {
		return onChord(mq)
	}
	// x = arcmin sin t takes the root out of the chord's end; ±9 sigma hold all
	// that matters.
	from, to := math.Max(-arcmin, mq-9*sq), math.Min(arcmin, mq+9*sq)
	if from >= to {
		return 0
	}
	narrow := distuv.Normal{Mu: mq, Sigma: sq}
	total := quad.Fixed(func(t float64) float64 {
		sin, cos := math.Sincos(t)
		return narrow.Prob(arcmin*sin) * onChord(arcmin*sin) * arcmin * cos
	}, math.Asin(from/arcmin), math.Asin(to/arcmin), 48, quad.Legendre{}, 0)
	return math.Min(math.Max(total, 0), 1)
}

// Quantile is the error that the true one stays below with probability p,
// arcminutes; 0.95 gives the 95 % bound.
func (e Error) Quantile(p float64) float64 {
	low, high := 0.0, e.Size()+2*(e.HighSigmaArcmin+e.EastSigmaArcmin)+1e-6
	atLow, atHigh := -p, e.Within(high)-p
	for atHigh < 0 && high < 10*maxErrorArcmin {
		low, atLow = high, atHigh
		high *= 2
		atHigh = e.Within(high) - p
	}
	// Bisection and the secant in turns: a step function is safe, a smooth one fast.
	for i := 0; i < 80 && high-low > 1e-6*(high+1e-3); i++ {
		mid := (low + high) / 2
		if secant := low - atLow*(high-low)/(atHigh-atLow); i%2 == 0 && secant > low && secant < high {
			mid = secant
		}
		if at := e.Within(mid) - p; at < 0 {
			low, atLow = mid, at
		} else {
			high, atHigh = mid, at
		}
	}
	return high
}
