package geomag

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
)

// wmm2025 is the World Magnetic Model 2025 as NOAA NCEI and the British
// Geological Survey published it (WMM.COF of WMM2025COF.zip, January 2025,
// doi:10.25921/aqfd-sd83). US Government work, public domain, not subject to
// copyright in the United States.
//
//go:embed WMM.COF
var wmm2025 []byte

// Model is a set of coefficients ready to be summed. It does not change, so
// any number of goroutines may use one.
type Model struct {
	name     string
	released string
	epoch    float64
	degree   int
	orders   [][]term // by order m, within it by degree n = m..degree
	sigma    errorModel
}

// ErrDate and ErrPlace tell the two kinds of refusal apart (errors.Is).
var (
	ErrDate  = errors.New("date outside the magnetic model")
	ErrPlace = errors.New("place outside the magnetic model")
)

// validYears is how long a model of this family holds from its epoch.
const validYears = 5

// WMM2025 is the model that the program brings along, degree 12, valid from
// 2025.0 to 2030.0.
func WMM2025() *Model {
	m, err := Load(bytes.NewReader(wmm2025))
	if err != nil {
		panic(err) // a broken build: the tests read the same bytes
	}
	return m
}

// Name is the model's name as its file has it, "WMM-2025".
func (m *Model) Name() string { return m.name }

// Released is the date of release as the file has it; it may be empty.
func (m *Model) Released() string { return m.released }

// Degree is the highest degree of the expansion: 12 means features of the
// field down to 3000 km.
func (m *Model) Degree() int { return m.degree }

// ValidFrom and ValidUntil are the decimal years between which At answers, both
// included.
func (m *Model) ValidFrom() float64  { return m.epoch }
func (m *Model) ValidUntil() float64 { return m.epoch + validYears }

// At is the field at a geodetic place and a date.
//
// latDeg -90 (south) to 90, lonDeg -180 (west) to 360, heightKm -1 to 850 above
// the WGS 84 ellipsoid, decimalYear as astro.DecimalYear within ValidFrom and
// ValidUntil. Anything else is refused with ErrPlace or ErrDate. The sum itself
// is exact to 1e-6 nT; how far the model is from nature, the sigmas say.
//
// Formula: WMM technical report, spherical harmonic expansion of the potential
// with Schmidt semi-normalised functions, radius 6371.2 km.
func (m *Model) At(latDeg, lonDeg, heightKm, decimalYear float64) (Field, error) {
	if err := m.check(latDeg, lonDeg, heightKm, decimalYear); err != nil {
		return Field{}, err
	}
	p := placeOf(latDeg, lonDeg, heightKm)
	return fieldFrom(m.sum(p, decimalYear-m.epoch), m.sigma), nil
}

// RatesAt is the yearly change of the field; arguments and refusals as At.
func (m *Model) RatesAt(latDeg, lonDeg, heightKm, decimalYear float64) (Rates, error) {
	if err := m.check(latDeg, lonDeg, heightKm, decimalYear); err != nil {
		return Rates{}, err
	}
	p := placeOf(latDeg, lonDeg, heightKm)
	now := m.sum(p, decimalYear-m.epoch)
	next := m.sum(p, decimalYear-m.epoch+1) // coefficients are linear in time: the difference is the rate
	return ratesFrom(now, vector{next.north - now.north, next.east - now.east, next.down - now.down}), nil
}

// check is written so that NaN fails each comparison.
func (m *Model) check(latDeg, lonDeg, heightKm, decimalYear float64) error {
	switch {
	case !(latDeg >= -90 && latDeg <= 90):
		return fmt.Errorf("%w: latitude %v: give degrees from -90 (south) to 90 (north)", ErrPlace, latDeg)
	case !(lonDeg >= -180 && lonDeg <= 360):
		return fmt.Errorf("%w: longitude %v: give degrees from -180 (west) to 180 (east)", ErrPlace, lonDeg)
	case !(heightKm >= -1 && heightKm <= 850):
		return fmt.Errorf("%w: height %v km: give -1 to 850 above the ellipsoid", ErrPlace, heightKm)
	case !(decimalYear >= m.ValidFrom() && decimalYear <= m.ValidUntil()):
		return fmt.Errorf("%w: year %.10g is not within %s (%.1f to %.1f): load a coefficient file made for that date (--model FILE, or coefficients in [geomag] of the settings)",
			ErrDate, decimalYear, m.name, m.ValidFrom(), m.ValidUntil())
	}
	return nil
}
