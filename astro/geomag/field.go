// Package geomag computes the Earth's main magnetic field from spherical
// harmonic coefficients, with its uncertainty and its dates of validity.
package geomag

// Field is the magnetic field at a place and date.
type Field struct {
	DeclinationDeg float64 // positive east
	InclinationDeg float64 // dip, positive down
	TotalNT        float64
	HorizontalNT   float64
	NorthNT        float64
	EastNT         float64
	DownNT         float64
	// DeclinationSigmaDeg is 1 sigma, commission and omission, at the surface.
	DeclinationSigmaDeg float64
	InclinationSigmaDeg float64
	TotalSigmaNT        float64
	HorizontalSigmaNT   float64
	Zone                Zone
}

// Zone says how far a compass can be trusted near the magnetic poles.
type Zone string

const (
	ZoneOK       Zone = "ok"
	ZoneCaution  Zone = "caution"  // 2000 nT <= H < 6000 nT
	ZoneBlackout Zone = "blackout" // H < 2000 nT
)
