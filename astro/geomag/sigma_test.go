package geomag

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

// The figures against the error model of the technical report, as typed into
// testdata/geomag/wmm2025_error_model.json from the report.
func TestErrorModelIsThePublishedOne(t *testing.T) {
	type figures struct {
		X       float64 `json:"X_nT"`
		Y       float64 `json:"Y_nT"`
		Z       float64 `json:"Z_nT"`
		H       float64 `json:"H_nT"`
		F       float64 `json:"F_nT"`
		I       float64 `json:"I_deg"`
		DOffset float64 `json:"D_offset_deg"`
		DCoef   float64 `json:"D_coef_deg_nT"`
	}
	var published struct {
		figures
		High figures `json:"WMMHR2025"`
	}
	text, err := os.ReadFile(refdata + "wmm2025_error_model.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &published); err != nil {
		t.Fatal(err)
	}
	for degree, p := range map[int]figures{12: published.figures, 133: published.High} {
		want := errorModel{p.DOffset, p.DCoef, p.I, p.F, p.H, p.X, p.Y, p.Z}
		if got := errorModelOf(degree); got != want || p.DCoef == 0 {
			t.Errorf("degree %d: %+v, published %+v", degree, got, want)
		}
	}
}

func TestSigmaAndZoneAtTheLimits(t *testing.T) {
	for _, c := range []struct {
		h, sigma float64
		zone     Zone
	}{
		{0, 180, ZoneBlackout},
		{10, 180, ZoneBlackout},
		{1999.999, 2.72095, ZoneBlackout},
		{2000, 2.72095, ZoneCaution},
		{5999.999, 0.93953, ZoneCaution},
		{6000, 0.93953, ZoneOK},
		{20000, 0.37545, ZoneOK},
		{40000, 0.29316, ZoneOK},
	} {
		f := fieldFrom(vector{north: c.h, down: 50000}, errorModelOf(12))
		if math.Abs(f.DeclinationSigmaDeg-c.sigma) > 1e-5 || f.Zone != c.zone {
			t.Errorf("H %v: sigma %v zone %q, want %v %q", c.h, f.DeclinationSigmaDeg, f.Zone, c.sigma, c.zone)
		}
	}
}

// WMM2025 leaves out what WMMHR2025 adds: the field of the crust to degree 133.
// The difference of the two is therefore a sample of the error that the sigma of
// the first must cover, and the second's own sigma says how much is left.
// Counted over places even on the sphere, outside the caution zones.
func TestSigmaCoversTheCrustThatTheModelLeavesOut(t *testing.T) {
	low, high := WMM2025(), loadFile(t, refdata+"WMMHR2025.COF")
	const seed, places = 7, 1500
	rnd := rand.New(rand.NewPCG(seed, 0))
	var within, n int
	var squares, expected float64
	for range places {
		lat := math.Asin(2*rnd.Float64()-1) * degPerRad
		lon := 360*rnd.Float64() - 180
		a, err := low.At(lat, lon, 0, 2027.5)
		if err != nil {
			t.Fatal(err)
		}
		b, err := high.At(lat, lon, 0, 2027.5)
		if err != nil {
			t.Fatal(err)
		}
		if a.Zone != ZoneOK {
			continue
		}
		n++
		off := math.Abs(math.Remainder(a.DeclinationDeg-b.DeclinationDeg, 360))
		if off <= 2*a.DeclinationSigmaDeg {
			within++
		}
		squares += off * off
		expected += a.DeclinationSigmaDeg*a.DeclinationSigmaDeg - b.DeclinationSigmaDeg*b.DeclinationSigmaDeg
	}
	rms, room := math.Sqrt(squares/float64(n)), math.Sqrt(expected/float64(n))
	t.Logf("seed %d: %d places, %.1f %% within 2 sigma; difference %.3f deg rms, the two sigmas leave room for %.3f",
		seed, n, 100*float64(within)/float64(n), rms, room)
	if n < places*9/10 || within < n*99/100 || rms < 0.8*room || rms > 1.2*room {
		t.Error("the stated sigma does not fit the field left out")
	}
}
