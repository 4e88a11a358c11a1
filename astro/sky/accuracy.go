package sky

import (
	"math"
)

// Accuracy is what may be wrong with a place, 1 sigma, degrees.
type Accuracy struct {
	AltDeg float64 `json:"altitude_sigma_deg"`
	AzDeg  float64 `json:"azimuth_sigma_deg"` // of azimuth, not of arc; at most 180
	// From the pole: offset, and position angle (at most 180).
	OffsetArcmin     float64 `json:"offset_sigma_arcmin"`
	PositionAngleDeg float64 `json:"position_angle_sigma_deg"`
}

const (
	// rotationSigma is what UT1 = UTC costs: the two differ by up to 0.9 s, 0.3 s rms
	// over the decades with leap seconds (common practice, no source).
	rotationSigma = 0.3 * 15.0 / 3600 // degrees
	starSigma     = 0.1 / 3600
	sunSigma      = 2.0 / 3600
	moonSigma     = 10.0 / 3600
	planetSigma   = 60.0 / 3600
	// Of the refraction, with the air measured, and with the standard one.
	measuredAirSigma = 0.01
	standardAirSigma = 0.05
	// horizonSigma: refraction at the horizon scatters by 0.16° rms (B. E. Schaefer
	// and W. Liller 1990, PASP 102, 796; from memory); taken to fall off in 2°.
	horizonSigma   = 0.16
	horizonFallDeg = 2.0
)

// Accuracy of a place that Look, Body or Seen gave: the clock is taken as right
// (a second moves the night sky by 0.004°). name is the body's, empty for a star.
func (o *Observer) Accuracy(p Place, name string, airMeasured bool, offsetArcmin float64) Accuracy {
	body := starSigma
	switch name {
	case "":
	case "Sun":
		body = sunSigma
	case "Moon":
		body = moonSigma
	default:
		body = planetSigma
	}
	cosDec := math.Cos(p.DecDeg * radPerDeg)
	// The night sky's rotation moves a body by cosDec; split into altitude and azimuth by
	// the azimuth: d altitude = cos lat sin azimuth d hour angle.
	turn := math.Abs(o.cosLat * math.Sin(p.Airless.AzDeg*radPerDeg))
	alt := math.Hypot(body, rotationSigma*turn)
	across := math.Sqrt(math.Max(cosDec*cosDec-turn*turn, 0))
	arc := math.Hypot(body, rotationSigma*across)
	a := Accuracy{AltDeg: alt, AzDeg: math.Min(arc/math.Max(math.Cos(p.Airless.AltDeg*radPerDeg), 1e-9), 180)}
	if lift := p.Seen.AltDeg - p.Airless.AltDeg; lift > 0 {
		part := standardAirSigma
		if airMeasured {
			part = measuredAirSigma
		}
		a.AltDeg = math.Sqrt(a.AltDeg*a.AltDeg + part*part*lift*lift + math.Pow(horizonSigma*math.Exp(-p.Seen.AltDeg/horizonFallDeg), 2))
	}
	// Star and pole are lifted together; only the rotation and the place remain.
	a.OffsetArcmin = 60 * body
	offset := math.Max(offsetArcmin/60, 1e-9)
	a.PositionAngleDeg = math.Min(math.Hypot(rotationSigma, body/offset/radPerDeg), 180)
	return a
}

// Caution is the warning that belongs to a body's place, empty for most.
func Caution(name string) string {
	if name == "Sun" {
		return SunCaution
	}
	return ""
}
