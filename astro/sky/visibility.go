package sky

import "math"

// The range of the twilight measurements, degrees of the Sun below the horizon.
const (
	brightestDepression = 5.0
	darkestDepression   = 15.0
)

// EyeLimit is the magnitude of the faintest star near the zenith that the naked
// eye sees while the Sun is so many degrees below the horizon.
//
// Two published pieces: zenith brightness of the twilight sky in V, F. Patat et
// al. (2006), A&A 455, 385, table 1, measured from 5° to 15°; and the naked-eye
// limit under a sky of given brightness, B. E. Schaefer (1990), PASP 102, 212, as
// commonly written for sky meters. Before 5° it is -Inf (not modelled), after 15°
// the value of 15°: a dark site. Eyes and skies differ by half a magnitude,
// which is five minutes of twilight at middle latitudes.
func EyeLimit(depressionDeg float64) float64 {
	if depressionDeg < brightestDepression {
		return math.Inf(-1)
	}
	x := math.Min(depressionDeg, darkestDepression) - brightestDepression
	brightness := 11.84 + 1.518*x - 0.057*x*x // mag per square arcsec
	return 7.93 - 5*math.Log10(math.Pow(10, 4.316-brightness/5)+1)
}

// depressionFor is how far the Sun must be down for a star of a magnitude, seen
// with an instrument that adds gain magnitudes; false when it never suffices.
func depressionFor(magnitude, gain float64) (deg float64, ok bool) {
	if magnitude-gain > EyeLimit(darkestDepression) {
		return 0, false
	}
	low, high := brightestDepression, darkestDepression
	if magnitude-gain <= EyeLimit(low) {
		return low, true
	}
	for high-low > 1e-4 {
		mid := (low + high) / 2
		if EyeLimit(mid) < magnitude-gain {
			low = mid
		} else {
			high = mid
		}
	}
	return high, true
}

// extinction is what the air takes from a star against one in the zenith,
// magnitudes: 0.28 per air mass (a clear night near sea level, from memory of D. W.
// E. Green 1992) with the air mass of F. Kasten and A. T. Young (1989).
func extinction(altDeg float64) float64 {
	if altDeg < 0 {
		return math.Inf(1)
	}
	const perAirMass = 0.28
	airMass := 1 / (math.Sin(altDeg*radPerDeg) + 0.50572*math.Pow(altDeg+6.07995, -1.6364))
	return perAirMass * (airMass - 1)
}
