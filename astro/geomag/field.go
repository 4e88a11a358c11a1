// Package geomag computes the Earth's main magnetic field from spherical
// harmonic coefficients, with its uncertainty and its dates of validity.
//
// Frame of all vectors: north, east, down at the geodetic latitude and longitude
// (WGS 84). Unit nT. At a geographic pole "north" is the direction that the given
// longitude has there: the limit along that meridian.
package geomag

import "math"

// Field is the magnetic field at a place and date.
//
// The sigmas are 1 sigma, commission and omission error together, at the Earth's
// surface; they cover the model's five years and rocks, not iron nearby and not
// magnetic storms. North, east and down: see the error model in sigma.go.
type Field struct {
	DeclinationDeg float64 // from true north, positive east, -180 to 180; 0 if the horizontal field is exactly 0
	InclinationDeg float64 // dip, positive down, -90 to 90
	TotalNT        float64
	HorizontalNT   float64
	NorthNT        float64
	EastNT         float64
	DownNT         float64

	DeclinationSigmaDeg float64 // grows as the horizontal field falls, at most 180
	InclinationSigmaDeg float64
	TotalSigmaNT        float64
	HorizontalSigmaNT   float64
	NorthSigmaNT        float64
	EastSigmaNT         float64
	DownSigmaNT         float64
	Zone                Zone
}

// Rates is the yearly change of the field that the model predicts. The
// publisher states no uncertainty for it; that of Field already covers it.
type Rates struct {
	DeclinationDegPerYear float64 // NaN where the horizontal field is exactly 0, as for inclination and horizontal
	InclinationDegPerYear float64
	TotalNTPerYear        float64
	HorizontalNTPerYear   float64
	NorthNTPerYear        float64
	EastNTPerYear         float64
	DownNTPerYear         float64
}

// Zone says how far a compass can be trusted near the magnetic poles.
type Zone string

const (
	ZoneOK       Zone = "ok"
	ZoneCaution  Zone = "caution"  // 2000 nT <= H < 6000 nT
	ZoneBlackout Zone = "blackout" // H < 2000 nT
)

// GridVariation is the declination from grid north of a polar stereographic
// grid, degrees positive east, -180 to 180. It is defined from 55 degrees of
// latitude toward the pole; elsewhere ok is false.
func GridVariation(declinationDeg, latDeg, lonDeg float64) (deg float64, ok bool) {
	switch {
	case latDeg >= 55:
		deg = declinationDeg - lonDeg
	case latDeg <= -55:
		deg = declinationDeg + lonDeg
	default:
		return 0, false
	}
	return math.Remainder(deg, 360), true
}

// fieldFrom derives the elements from the vector.
func fieldFrom(v vector, e errorModel) Field {
	h := math.Sqrt(v.north*v.north + v.east*v.east)
	f := Field{
		DeclinationDeg: math.Atan2(v.east, v.north) * degPerRad,
		InclinationDeg: math.Atan2(v.down, h) * degPerRad,
		TotalNT:        math.Sqrt(h*h + v.down*v.down),
		HorizontalNT:   h,
		NorthNT:        v.north,
		EastNT:         v.east,
		DownNT:         v.down,
		Zone:           zoneOf(h),
	}
	e.put(&f)
	return f
}

// ratesFrom derives the elements' rates from the vector and its yearly change.
func ratesFrom(v, dot vector) Rates {
	h := math.Sqrt(v.north*v.north + v.east*v.east)
	total := math.Sqrt(h*h + v.down*v.down)
	hDot := (v.north*dot.north + v.east*dot.east) / h
	return Rates{
		DeclinationDegPerYear: (v.north*dot.east - v.east*dot.north) / (h * h) * degPerRad,
		InclinationDegPerYear: (h*dot.down - v.down*hDot) / (total * total) * degPerRad,
		TotalNTPerYear:        (v.north*dot.north + v.east*dot.east + v.down*dot.down) / total,
		HorizontalNTPerYear:   hDot,
		NorthNTPerYear:        dot.north,
		EastNTPerYear:         dot.east,
		DownNTPerYear:         dot.down,
	}
}
