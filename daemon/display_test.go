package daemon_test

import (
	"testing"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// TestNoteDisplay: a display that is lost is told with the sensors, and changes
// nothing of what is known.
func TestNoteDisplay(t *testing.T) {
	b := newBench(t)
	b.at[5*time.Second] = func() {
		b.d.NoteDisplay(&daemon.SensorStatus{Name: "display", State: "lost", Device: "SSD1306 at 0x3c"})
	}
	b.run(20 * time.Second)
	before, after := b.near(4*time.Second), b.near(19*time.Second)
	if s := before.Sensors[len(before.Sensors)-1]; s.Name == "display" {
		t.Errorf("%+v before there was one", s)
	}
	if s := after.Sensors[len(after.Sensors)-1]; s.Name != "display" || s.State != "lost" {
		t.Errorf("%+v", s)
	}
	if e := &after.Estimate; e.State == estimator.Lost || e.State == estimator.Stale || !e.Altitude.Known {
		t.Errorf("state %s, altitude known %v", e.State, e.Altitude.Known)
	}
}
