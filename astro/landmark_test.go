package astro

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// Lines of sight against GeographicLib (testdata/geographiclib_landmarks.csv): the
// direction against its local Cartesian coordinates, the azimuth also against
// the geodesic, from which a line of sight differs by 0.02 arcsec at 100 km and by
// 0.11 arcsec for each km that the other end stands above the ellipsoid.
func TestSightAgainstGeographicLib(t *testing.T) {
	f, err := os.Open("testdata/geographiclib_landmarks.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i, cell := range row {
			if v[i], err = strconv.ParseFloat(cell, 64); err != nil {
				t.Fatal(err)
			}
		}
		got, err := Site{v[0], v[1], v[2]}.Sight(Site{v[3], v[4], v[5]})
		if err != nil {
			t.Errorf("%v: %v", row, err)
			continue
		}
		horizontal := math.Hypot(v[6], v[7])
		bent := terrestrialRefraction * horizontal / wgs84A / radPerDeg / 2
		az, alt := Turn360(math.Atan2(v[6], v[7])/radPerDeg), math.Atan2(v[8], horizontal)/radPerDeg+bent
		// Coordinates are printed to a micrometre.
		if tol := 1e-5 / horizontal / radPerDeg; math.Abs(Turn180(got.AzDeg-az)) > tol+1e-9 || math.Abs(got.AltDeg-alt) > tol+1e-9 {
			t.Errorf("%v: azimuth %.8f°, altitude %.8f°; GeographicLib %.8f°, %.8f°", row, got.AzDeg, got.AltDeg, az, alt)
		}
		if d := math.Hypot(horizontal, v[8]); math.Abs(got.DistanceM-d) > 1e-5 {
			t.Errorf("%v: %.6f m, GeographicLib %.6f m", row, got.DistanceM, d)
		}
		if d := math.Abs(Turn180(got.AzDeg-v[9])) * 3600; d > 0.03+0.12*v[5]/1000 {
			t.Errorf("%v: azimuth %.6f°, geodesic %.6f°", row, got.AzDeg, v[9])
		}
	}
	if len(rows) != 41 {
		t.Errorf("%d rows, want 41", len(rows))
	}
}

// Level over water the far place stands below the horizon by half the arc,
// less what the air lifts it: 20 km away it is 0.09° less 0.012°.
func TestSightOverTheCurve(t *testing.T) {
	got, err := Site{LatDeg: 0, LonDeg: 0}.Sight(Site{LatDeg: 0, LonDeg: 20000 / wgs84A / radPerDeg})
	if err != nil {
		t.Fatal(err)
	}
	arc := 20000 / wgs84A / radPerDeg
	if want := -arc / 2 * (1 - terrestrialRefraction); math.Abs(got.AltDeg-want) > 1e-4 || math.Abs(got.AzDeg-90) > 1e-9 || got.AltSigmaDeg <= 0 {
		t.Errorf("altitude %.5f° ± %.5f°, azimuth %.5f°; want %.5f°, 90°", got.AltDeg, got.AltSigmaDeg, got.AzDeg, want)
	}
}

func TestSightRefuses(t *testing.T) {
	here := Site{LatDeg: 51.9, LonDeg: 8.4}
	for _, c := range []struct {
		to   Site
		says string
	}{
		{here, "0 m away"},
		{Site{LatDeg: 51.90001, LonDeg: 8.4}, "1 m away"},
		{Site{LatDeg: 40, LonDeg: 8.4}, "m away"},
		{Site{LatDeg: 91}, "latitude"},
		{Site{LatDeg: math.NaN()}, "latitude"},
	} {
		if got, err := here.Sight(c.to); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %+v, %v; want %q", c.to, got, err, c.says)
		}
	}
}
