package watch

import (
	"math"
	"testing"
	"time"
)

func TestNumbersLeaveOutWhatIsNotKnown(t *testing.T) {
	f := Finding{
		ID: 3, Update: 1, Final: true, Kind: Knock, Alarm: true, Start: time.Second, SeenAt: 3 * time.Second,
		Move:  Move{UpDeg: -0.2, UpSigmaDeg: 0.01, EastDeg: 0.1, EastSigmaDeg: 0.02},
		Error: Offset{SizeDeg: 0.3, SigmaDeg: 0.04, Known: true}, Exposure: Exposure{ExposureS: 120, LongestS: math.Inf(1), FromS: 90, ToS: math.Inf(1), Known: true},
	}
	n := f.Numbers()
	for k, want := range map[string]float64{"finding": 3, "update": 1, "final": 1, "alarm": 1, "lasted_s": 2, "up_deg": -0.2, "east_sigma_deg": 0.02, "error_deg": 0.3, "exposure_s": 120, "longest_from_s": 90} {
		if n[k] != want {
			t.Errorf("%s = %g, want %g", k, n[k], want)
		}
	}
	for _, k := range []string{"longest_s", "longest_to_s"} {
		if v, ok := n[k]; ok {
			t.Errorf("%s = %g of an exposure without limit", k, v)
		}
	}
	f.Error, f.Exposure = Offset{}, Exposure{}
	if n := f.Numbers(); len(n) == 0 || n["error_sigma_deg"] != 0 {
		t.Errorf("an error that is not known has numbers: %v", n)
	}
	if n := (Reference{}).Numbers(Allowance{}); len(n) != 0 {
		t.Errorf("nothing known, but %v", n)
	}
	n = Reference{UpDeg: 0.3, EastDeg: 0.4, UpSigmaDeg: 0.03, EastSigmaDeg: 0.04, Known: true}.Numbers(Allowance{ExposureS: 60, LongestS: func(deg float64) float64 { return 100 * deg }})
	if n["error_deg"] != 0.5 || n["error_sigma_deg"] != 0.05 || n["exposure_s"] != 60 || n["longest_s"] != 50 {
		t.Errorf("%v", n)
	}
}
