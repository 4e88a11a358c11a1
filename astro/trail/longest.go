package trail

import "math"

const (
	// siderealRadPerS is the Earth's rotation against the stars (IERS Conventions
	// 2010, table 1.1: 7.292115e-5 rad/s nominal).
	siderealRadPerS = 7.292115e-5
	radPerArcmin    = math.Pi / (180 * 60)
	// halfTurnS is half a sidereal day: after it the trail of an axis error
	// grows no more.
	halfTurnS = math.Pi / siderealRadPerS
)

// Bound is the longest way in arcseconds that any star of the night sky can move
// against the camera in a time, for an axis that is off by errorArcmin.
//
// Turning by t about two axes that differ by rho, once forth and once back, is
// one rotation by 4 asin(sin(t/2) sin(rho/2)): exact, and 0.2625 arcsec per
// minute of time and arcminute of error while both are small (polar_error.md, 8).
func Bound(errorArcmin, seconds float64) float64 {
	turn := math.Min(seconds, halfTurnS) * siderealRadPerS
	return 4 * math.Asin(math.Sin(turn/2)*math.Sin(errorArcmin*radPerArcmin/2)) * (180 * 3600 / math.Pi)
}

// longest inverts Bound: seconds until a star can have moved by arcsec; +Inf
// when none ever does.
func longest(errorArcmin, arcsec float64) float64 {
	x := math.Sin(arcsec/(4*180*3600/math.Pi)) / math.Sin(errorArcmin*radPerArcmin/2)
	if !(x < 1) { // also for an error of nothing
		return math.Inf(1)
	}
	return 2 * math.Asin(x) / siderealRadPerS
}

// allowed inverts Bound: the error that moves no star by more than arcsec.
func allowed(seconds, arcsec float64) float64 {
	turn := math.Min(seconds, halfTurnS) * siderealRadPerS
	x := math.Sin(arcsec/(4*180*3600/math.Pi)) / math.Sin(turn/2)
	if !(x < math.Sin(maxErrorArcmin*radPerArcmin/2)) {
		return maxErrorArcmin
	}
	return 2 * math.Asin(x) / radPerArcmin
}

// trailArcsec is the allowed trail as an angle where a radian is scaleMM long.
func (k Kit) trailArcsec(scaleMM float64) float64 {
	return k.TrailPx * k.PixelUM * 1e-3 / scaleMM * (180 * 3600 / math.Pi)
}

// LongestS is the longest exposure in seconds whose trails stay below the
// kit's limit at the centre of the picture, wherever in the night sky it points;
// +Inf when the error never makes such a trail. Within 0.1 % of
// 47143 n p/(f rho) (polar_error.md, 10) while it is minutes.
func (k Kit) LongestS(errorArcmin float64) float64 {
	return longest(errorArcmin, k.trailArcsec(k.FocalMM))
}

// LongestCornerS is LongestS for the corner of the picture, in the worst
// direction; for lenses that draw the corner smaller it is the centre's.
func (k Kit) LongestCornerS(errorArcmin float64) float64 {
	return longest(errorArcmin, k.trailArcsec(math.Max(k.cornerScale(), k.FocalMM)))
}

// AllowedArcmin is the largest error of the axis that keeps trails below the
// kit's limit at the centre, anywhere in the night sky; at most 45°.
func (k Kit) AllowedArcmin(exposureS float64) float64 {
	return allowed(exposureS, k.trailArcsec(k.FocalMM))
}

// AllowedCornerArcmin is AllowedArcmin for the corner.
func (k Kit) AllowedCornerArcmin(exposureS float64) float64 {
	return allowed(exposureS, k.trailArcsec(math.Max(k.cornerScale(), k.FocalMM)))
}
