package pole

import (
	"math"
	"strings"
	"testing"

	"plumbstar/astro"
)

func TestAim(t *testing.T) {
	// Refraction of the pole at 69.5°, 45° and 20°: refdata polar_error.md gives
	// 23, 58 and 158 arcsec (ERFA; the first from reference_stars.csv, Fjellvik).
	tests := []struct {
		lat        float64
		air        astro.Air
		kind       Kind
		wantAlt    float64
		toleranceS float64
		wantAz     float64
	}{
		{69.5, astro.Air{PressureHPa: 998, TempC: -12}, Refracted, 69.5 + 23.25/3600, 0.05, 0},
		{-69.5, astro.Air{PressureHPa: 998, TempC: -12}, Refracted, 69.5 + 23.25/3600, 0.05, 180},
		{45, astro.Air{PressureHPa: 1010, TempC: 10}, Refracted, 45 + 58.0/3600, 0.6, 0},
		{-20, astro.Air{PressureHPa: 1010, TempC: 10}, Refracted, 20 + 158.0/3600, 1, 180},
		{-31.6, astro.Air{PressureHPa: 1010, TempC: 10}, True, 31.6, 0, 180},
		{51.9, astro.NoAir, Refracted, 51.9, 0, 0},
		{0, astro.Air{PressureHPa: 1010, TempC: 10}, Refracted, 29.0 / 60, 60, 0},
		{90, astro.Air{PressureHPa: 1010, TempC: 10}, Refracted, 90, 0.001, 0},
		{-90, astro.Air{PressureHPa: 680, TempC: -50}, Refracted, 90, 0.001, 180},
	}
	for _, tt := range tests {
		alt, az, err := Aim(astro.Site{LatDeg: tt.lat}, tt.kind, tt.air)
		if err != nil {
			t.Errorf("latitude %v: %v", tt.lat, err)
			continue
		}
		if d := math.Abs(alt-tt.wantAlt) * 3600; d > tt.toleranceS+1e-6 || az != tt.wantAz {
			t.Errorf("latitude %v %s: altitude %.5f (%.2f arcsec off), azimuth %v", tt.lat, tt.kind, alt, d, az)
		}
	}
}

func TestAimRefuses(t *testing.T) {
	site := astro.Site{LatDeg: 50}
	for _, tt := range []struct {
		site astro.Site
		kind Kind
		air  astro.Air
		says string
	}{
		{astro.Site{LatDeg: 91}, True, astro.NoAir, "latitude"},
		{astro.Site{LatDeg: math.NaN()}, True, astro.NoAir, "latitude"},
		{site, "higher", astro.NoAir, "aim"},
		{site, Refracted, astro.Air{PressureHPa: -1}, "pressure"},
		{site, Refracted, astro.Air{PressureHPa: math.Inf(1)}, "pressure"},
		{site, Refracted, astro.Air{PressureHPa: 1000, TempC: math.NaN()}, "temperature"},
	} {
		if _, _, err := Aim(tt.site, tt.kind, tt.air); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%+v %s %+v: error %v, want one about the %s", tt.site, tt.kind, tt.air, err, tt.says)
		}
	}
}
