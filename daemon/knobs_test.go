package daemon_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"plumbstar/astro/pole"
	"plumbstar/daemon"
	"plumbstar/daemon/guidance"
	"plumbstar/daemon/scenario"
)

// A person turns the adjusters and tells how far; soon the guidance says how far
// to turn, and still does after a restart.
func TestKnobsFromStepsSeen(t *testing.T) {
	r := ready(t, "larkmoor", 30, 49, 4, nil)
	r.run(3 * time.Second)
	if err := r.d.TellTurns(guidance.AltitudeAdjuster, 1); err == nil || !strings.Contains(err.Error(), "no movement was seen") {
		t.Errorf("turns without a movement: %v", err)
	}
	const up, west = 1.8, 2.4 // degrees per turn, clockwise
	alt, az := 49.0, 4.0
	for _, turns := range []float64{0.5, 1, 0.5, 0.75} {
		for k, a := range []guidance.Adjuster{guidance.AltitudeAdjuster, guidance.AzimuthAdjuster} {
			if k == 0 {
				alt += up * turns
			} else {
				az -= west * turns
			}
			r.path.TurnTo(r.clock.Now(), 2*time.Second, scenario.Attitude(alt, az, 0))
			r.run(9 * time.Second)
			if _, _, tell := r.d.Knobs(); !tell {
				t.Fatalf("the movement of the %s adjuster was not seen: %s", a, r.seen.Estimate.State)
			}
			if err := r.d.TellTurns(a, turns); err != nil {
				t.Fatal(err)
			}
			if err := r.d.TellTurns(a, turns); err == nil {
				t.Error("the same movement told twice")
			}
		}
	}
	a, z, _ := r.d.Knobs()
	if !a.Known || math.Abs(a.DegPerTurn-up) > 3*a.DegPerTurnSigma || a.DegPerTurnSigma > 0.2 {
		t.Errorf("altitude: %+v", a)
	}
	if !z.Known || math.Abs(z.DegPerTurn+west) > 3*z.DegPerTurnSigma || z.DegPerTurnSigma > 0.4 {
		t.Errorf("azimuth: %+v", z)
	}
	alt, az = 50.1, 355
	r.point(alt, az)
	if text := r.seen.Guidance.Text; !strings.Contains(text, "turn clockwise") && !strings.Contains(text, "turns clockwise") {
		t.Errorf("no turns in %q", text)
	}
	r.restart(nil)
	r.run(12 * time.Second)
	if x, _, _ := r.d.Knobs(); x != a {
		t.Errorf("after a restart %+v, was %+v", x, a)
	}
	if err := r.d.ForgetKnobs(); err != nil {
		t.Fatal(err)
	}
	if x, _, _ := r.d.Knobs(); x.Known || x.TurnsTold != 0 {
		t.Errorf("after forgetting: %+v", x)
	}
	if err := r.d.TellTurns("focus", 1); err == nil {
		t.Error("an adjuster that there is not")
	}
}

// The kit outlives the program; a bad one is refused and changes nothing.
func TestKitIsKept(t *testing.T) {
	r := newRig(t, "larkmoor", 31, nil)
	k := daemon.Kit{PixelUM: 3.8, TrailPx: 2, SensorWidthMM: 36, SensorHeightMM: 24, Lenses: []daemon.Lens{{FocalMM: 20, ExposureS: 60}}, Finder: pole.DefaultFinder()}
	k.Finder.View = pole.Inverted
	if err := r.d.SetKit(k); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []daemon.Kit{{}, {PixelUM: 4}, {PixelUM: 4, TrailPx: 1, Lenses: []daemon.Lens{{FocalMM: 20}}}, {PixelUM: 4, TrailPx: 1, Finder: pole.Finder{View: "odd", FieldDeg: 5}}, {PixelUM: 4, TrailPx: 1, Lenses: make([]daemon.Lens, 25)}} {
		if err := r.d.SetKit(bad); err == nil {
			t.Errorf("%+v taken", bad)
		}
	}
	r.restart(nil)
	r.run(2 * time.Second)
	got := r.d.Here().Kit
	if got.PixelUM != 3.8 || len(got.Lenses) != 1 || got.Lenses[0].Name != "20 mm" || got.View().View != pole.Inverted {
		t.Errorf("%+v", got)
	}
	if g := r.seen.GoodFor; len(g) != 1 || g[0].Lens != "20 mm" {
		t.Errorf("%+v", g)
	}
}
