package daemon_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"plumbstar/astro"
	"plumbstar/daemon"
)

func warned(s *daemon.Snapshot, code string) bool {
	for _, w := range append(s.Warnings, s.Estimate.Warnings...) {
		if w.Code == code {
			return true
		}
	}
	return false
}

// Where the horizontal field is weak the compass gives no direction, and the
// altitude goes on.
func TestNoDirectionNearTheMagneticPole(t *testing.T) {
	b := newBench(t)
	b.at[5*s] = func() {
		if err := b.d.SetSite("", astro.Site{LatDeg: 85.8, LonDeg: 139}, "entered"); err != nil {
			t.Error(err)
		}
	}
	b.at[10*s] = func() {
		if err := b.d.SetSite("", astro.Site{LatDeg: 78, LonDeg: -80}, "entered"); err != nil {
			t.Error(err)
		}
	}
	b.run(15 * s)
	for _, at := range []time.Duration{8 * s, 13 * s} {
		x := b.near(at)
		if x.Estimate.Azimuth.Known || x.Guidance.TurnEast.Known || !warned(x, "magnetic-pole") {
			t.Errorf("%v: azimuth %+v, warnings %+v", at, x.Estimate.Azimuth, x.Warnings)
		}
		if !x.Guidance.Raise.Known {
			t.Errorf("%v: altitude guidance stopped: %+v", at, x.Guidance.Raise)
		}
	}
}

func TestSiteAndClockAreCheckedAndUsed(t *testing.T) {
	b := newBench(t)
	for _, bad := range []astro.Site{{LatDeg: 91}, {LatDeg: math.NaN()}, {LonDeg: -181}, {HeightM: 1e5}} {
		if err := b.d.SetSite("", bad, "entered"); err == nil {
			t.Errorf("site %+v was taken", bad)
		}
	}
	b.at[5*s] = func() {
		if err := b.d.SetSite("Dry Lagoon", astro.Site{LatDeg: -31.60, LonDeg: 139.30, HeightM: 40}, "entered"); err != nil {
			t.Error(err)
		}
	}
	// A date beyond the model's: no true north, and the reason.
	b.at[9*s] = func() {
		if err := b.d.SetClock(time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), "entered", 1); err != nil {
			t.Error(err)
		}
	}
	b.run(14 * s)
	x := b.near(8 * s)
	if x.Site.Name != "Dry Lagoon" || x.Guidance.Aim == nil || x.Guidance.Aim.Hemisphere != astro.South || x.Guidance.Aim.AzimuthDeg != 180 {
		t.Errorf("aim after moving south: %+v of %+v", x.Guidance.Aim, x.Site)
	}
	x = b.near(13 * s)
	if x.Estimate.Azimuth.Known || !warned(x, "field-model") || !strings.Contains(x.Estimate.Azimuth.Why, "coefficient") {
		t.Errorf("in 2031: azimuth %+v, warnings %+v", x.Estimate.Azimuth, x.Warnings)
	}
	if !x.Guidance.Raise.Known {
		t.Errorf("in 2031 altitude guidance stopped: %+v", x.Guidance.Raise)
	}
	if y := x.Time.Year(); y != 2031 {
		t.Errorf("the clock shows %d after it was set to 2031", y)
	}
}
