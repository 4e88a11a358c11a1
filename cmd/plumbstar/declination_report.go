package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"plumbstar/astro/geomag"
)

// declinationReport is what one place has to say, as JSON and as text.
type declinationReport struct {
	LatDeg      float64   `json:"lat_deg"`
	LonDeg      float64   `json:"lon_deg"`
	HeightM     float64   `json:"height_m"`
	Time        time.Time `json:"time"`
	DecimalYear float64   `json:"decimal_year"`

	Model      string  `json:"model"`
	Degree     int     `json:"model_degree"`
	ValidFrom  float64 `json:"model_valid_from_year"`
	ValidUntil float64 `json:"model_valid_until_year"`

	Declination      float64 `json:"declination_deg"`
	DeclinationSigma float64 `json:"declination_sigma_deg"`
	Inclination      float64 `json:"inclination_deg"`
	InclinationSigma float64 `json:"inclination_sigma_deg"`
	Total            float64 `json:"total_nT"`
	TotalSigma       float64 `json:"total_sigma_nT"`
	Horizontal       float64 `json:"horizontal_nT"`
	HorizontalSigma  float64 `json:"horizontal_sigma_nT"`
	North            float64 `json:"north_nT"`
	NorthSigma       float64 `json:"north_sigma_nT"`
	East             float64 `json:"east_nT"`
	EastSigma        float64 `json:"east_sigma_nT"`
	Down             float64 `json:"down_nT"`
	DownSigma        float64 `json:"down_sigma_nT"`

	Zone          geomag.Zone `json:"zone"`
	GridVariation *float64    `json:"grid_variation_deg"` // null between 55 south and 55 north

	// Rates are null where the horizontal field is exactly 0.
	DeclinationRate *float64 `json:"declination_deg_per_year"`
	InclinationRate *float64 `json:"inclination_deg_per_year"`
	TotalRate       *float64 `json:"total_nT_per_year"`
	HorizontalRate  *float64 `json:"horizontal_nT_per_year"`
	NorthRate       *float64 `json:"north_nT_per_year"`
	EastRate        *float64 `json:"east_nT_per_year"`
	DownRate        *float64 `json:"down_nT_per_year"`
}

func (o *declinationOptions) report(m *geomag.Model, at time.Time, year float64) (declinationReport, error) {
	f, err := m.At(o.lat, o.lon, o.heightM/1000, year)
	if err != nil {
		return declinationReport{}, err
	}
	d, err := m.RatesAt(o.lat, o.lon, o.heightM/1000, year)
	if err != nil {
		return declinationReport{}, err
	}
	r := declinationReport{
		LatDeg: o.lat, LonDeg: o.lon, HeightM: o.heightM, Time: at, DecimalYear: year,
		Model: m.Name(), Degree: m.Degree(), ValidFrom: m.ValidFrom(), ValidUntil: m.ValidUntil(),
		Declination: f.DeclinationDeg, DeclinationSigma: f.DeclinationSigmaDeg,
		Inclination: f.InclinationDeg, InclinationSigma: f.InclinationSigmaDeg,
		Total: f.TotalNT, TotalSigma: f.TotalSigmaNT,
		Horizontal: f.HorizontalNT, HorizontalSigma: f.HorizontalSigmaNT,
		North: f.NorthNT, NorthSigma: f.NorthSigmaNT,
		East: f.EastNT, EastSigma: f.EastSigmaNT,
		Down: f.DownNT, DownSigma: f.DownSigmaNT,
		Zone:            f.Zone,
		DeclinationRate: known(d.DeclinationDegPerYear),
		InclinationRate: known(d.InclinationDegPerYear),
		TotalRate:       known(d.TotalNTPerYear),
		HorizontalRate:  known(d.HorizontalNTPerYear),
		NorthRate:       known(d.NorthNTPerYear),
		EastRate:        known(d.EastNTPerYear),
		DownRate:        known(d.DownNTPerYear),
	}
	if grid, ok := geomag.GridVariation(f.DeclinationDeg, o.lat, o.lon); ok {
		r.GridVariation = &grid
	}
	return r, nil
}

// known is nil, JSON null, for a number that does not exist.
func known(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// text is the page for a person.
func (r declinationReport) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Magnetic field at %s %s, %.0f m above the ellipsoid\n", side(r.LatDeg, 4, "N", "S"), side(wrap180(r.LonDeg), 4, "E", "W"), r.HeightM)
	fmt.Fprintf(&b, "%s (%.4f), %s to degree %d, valid %.1f to %.1f\n\n", r.Time.UTC().Format("2006-01-02 15:04 UTC"), r.DecimalYear, r.Model, r.Degree, r.ValidFrom, r.ValidUntil)
	angle := func(name string, v, sigma float64, rate *float64, positive, negative string) {
		fmt.Fprintf(&b, "  %-12s%14s  ± %-8s", name, side(v, 2, positive, negative), csvFixed(sigma, 2)+"°")
		if rate != nil {
			b.WriteString("  " + side(*rate, 2, positive, negative) + " a year")
		}
		b.WriteByte('\n')
	}
	angle("declination", r.Declination, r.DeclinationSigma, r.DeclinationRate, "east", "west")
	angle("dip", r.Inclination, r.InclinationSigma, r.InclinationRate, "down", "up")
	if r.GridVariation != nil {
		angle("grid", *r.GridVariation, r.DeclinationSigma, r.DeclinationRate, "east", "west")
	}
	for _, line := range []struct {
		name     string
		v, sigma float64
		rate     *float64
	}{
		{"total", r.Total, r.TotalSigma, r.TotalRate},
		{"horizontal", r.Horizontal, r.HorizontalSigma, r.HorizontalRate},
		{"north", r.North, r.NorthSigma, r.NorthRate},
		{"east", r.East, r.EastSigma, r.EastRate},
		{"down", r.Down, r.DownSigma, r.DownRate},
	} {
		fmt.Fprintf(&b, "  %-12s%11.0f nT  ± %-8s", line.name, line.v, csvFixed(line.sigma, 0)+" nT")
		if line.rate != nil {
			fmt.Fprintf(&b, "  %+.1f nT a year", *line.rate)
		}
		b.WriteByte('\n')
	}
	b.WriteString("\n" + r.advice())
	b.WriteString("± is 1 sigma of the model with the rocks that it leaves out; iron nearby and magnetic storms come on top.\n")
	return b.String()
}

// advice says what the declination means for someone with a compass.
func (r declinationReport) advice() string {
	pole, toward := "north", 0.0
	if r.LatDeg < 0 {
		pole, toward = "south", 180.0
	}
	var b strings.Builder
	switch r.Zone {
	case geomag.ZoneBlackout:
		fmt.Fprintf(&b, "No compass heading here (blackout zone): the horizontal field is under 2000 nT. Sight a star or a landmark.\n")
	case geomag.ZoneCaution:
		fmt.Fprintf(&b, "Compass unreliable here (caution zone): the horizontal field is under 6000 nT. Prefer a star or a landmark.\n")
	}
	switch {
	case math.Abs(r.LatDeg) == 90:
		fmt.Fprintf(&b, "At the pole every direction is a meridian's: the declination counts from that of longitude %g.\n", r.LonDeg)
	case r.Zone != geomag.ZoneBlackout:
		reading := math.Mod(math.Round((toward-r.Declination+720)*10)/10, 360)
		fmt.Fprintf(&b, "A compass reads %.1f° when it faces true %s.\n", reading, pole)
	}
	return b.String()
}

// side writes a signed angle with a word for its sign.
func side(deg float64, decimals int, positive, negative string) string {
	text, word := csvFixed(math.Abs(deg), decimals)+"°", positive
	if deg < 0 {
		word = negative
	}
	return text + " " + word
}

// wrap180 brings a longitude of 180 to 360 to its western name.
func wrap180(lonDeg float64) float64 {
	if lonDeg > 180 {
		return lonDeg - 360
	}
	return lonDeg
}
