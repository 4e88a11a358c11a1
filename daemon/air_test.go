package daemon_test

import (
	"math"
	"testing"
	"time"

	"plumbstar/astro"
	"plumbstar/daemon"
)

// TestMeasuredAir lifts the aim by the refraction of the air that is measured, as
// long as that is fresh. Refraction goes with pressure over absolute temperature.
func TestMeasuredAir(t *testing.T) {
	b := newBench(t)
	b.at[5*time.Second] = func() {
		if err := b.d.NoteAir(astro.Air{PressureHPa: 800, TempC: 15}); err != nil {
			t.Error(err)
		}
		b.d.NoteBarometer(&daemon.SensorStatus{Name: "air", State: "ok", Device: "BME280"})
		for _, bad := range []astro.Air{{PressureHPa: 0, TempC: 10}, {PressureHPa: 1013, TempC: math.NaN()}, {PressureHPa: 1200, TempC: 10}} {
			if b.d.NoteAir(bad) == nil {
				t.Errorf("%+v was taken", bad)
			}
		}
	}
	b.run(75 * time.Second)
	before, after := b.near(4*time.Second), b.near(74*time.Second)
	const lat = 51.90
	lift := func(s *daemon.Snapshot) float64 { return s.Guidance.Aim.AltitudeDeg - lat }
	if r := lift(after) / lift(before); math.Abs(r-800/1013.25) > 0.02 {
		t.Errorf("refraction %.4f° and then %.4f°: ratio %.3f, want %.3f", lift(before), lift(after), r, 800/1013.25)
	}
	if s := after.Sensors[len(after.Sensors)-1]; s.Name != "air" || !(s.AgeS > 60 && s.AgeS < 80) {
		t.Errorf("%+v", s)
	}
	if a := b.d.Here().Air; a.PressureHPa != 800 {
		t.Errorf("%+v", a)
	}
}
