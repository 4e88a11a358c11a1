package daemon_test

import (
	"testing"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// What exposure and finder rest on is not known either while the last reading is old.
func TestHereForgetsOldReadings(t *testing.T) {
	r := newRig(t, "larkmoor", 3, nil)
	defer r.stop()
	r.begin(daemon.CalibrateBoard)
	r.poses(12)
	r.turnFreely(14)
	r.finish()
	r.point(51, 3)
	r.run(5 * time.Second)
	if h := r.d.Here(); h.Error == nil {
		t.Fatalf("not known from the start: %s", h.WhyNoError)
	}
	r.bus.Unplug(imuAddr)
	old := 0
	for range 40 {
		r.run(100 * time.Millisecond)
		h := r.d.Here()
		if x := r.seen.Estimate.State; x == estimator.Stale || x == estimator.Lost {
			if old++; h.Error != nil || h.WhyNoError == "" {
				t.Fatalf("%s: %+v, why %q", x, h.Error, h.WhyNoError)
			}
		}
	}
	if old < 20 {
		t.Errorf("old at %d looks only", old)
	}
}
