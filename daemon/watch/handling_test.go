package watch_test

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
)

// A board that is switched on in the hands, turned this way and that for half a
// minute, and then set up: the watch comes to rest with it and sees a knock.
func TestSwitchedOnInTheHands(t *testing.T) {
	for _, turn := range []r3.Vec{{Z: 25}, {X: 20, Y: -15}, r3.Scale(15, up)} {
		s := newStage(t, watch.Options{}, scenario.WatchOptions{})
		for k := range 10 {
			way := 1.0
			if k%3 == 2 {
				way = -1
			}
			s.move(r3.Scale(way, turn), 3*time.Second)
		}
		s.run(time.Minute)
		s.w.Arm(watch.Reference{Known: true, UpSigmaDeg: 0.02, EastSigmaDeg: 0.02}, watch.Allowance{})
		s.run(10 * time.Second)
		if got := s.w.State(s.now); got != watch.Watching {
			t.Fatalf("turned by %v: state %s ten seconds after arming, want %s", turn, got, watch.Watching)
		}
		s.found = nil
		s.move(r3.Vec{Y: -0.1}, 300*time.Millisecond)
		s.run(10 * time.Second)
		s.only(watch.Knock)
		s.run(3 * time.Minute)
		s.nothing()
	}
}

// Shaking before the watch was armed is nobody's concern, and a knock is not told
// again as shaking.
func TestKnockIsNoShaking(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.run(scenario.WatchArm + 20*time.Second)
	s.move(r3.Vec{Y: -3}, 2*time.Second)
	s.run(30 * time.Second)
	s.w.Arm(watch.Reference{Known: true, UpSigmaDeg: 0.02, EastSigmaDeg: 0.02}, watch.Allowance{Lens: "135 mm", ExposureS: 120, LongestS: func(float64) float64 { return 120 }, BlurDeg: 0.001})
	s.run(2 * time.Minute)
	s.nothing()
	s.move(r3.Vec{Y: -0.2}, 300*time.Millisecond)
	s.run(2 * time.Minute)
	s.only(watch.Knock)
}

// What moved is no drift.
func TestDriftWithoutMoves(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	s.move(r3.Vec{Y: -0.2}, 300*time.Millisecond)
	s.run(5 * time.Minute)
	if st := s.w.Status(s.now); math.Abs(st.DriftUpDeg) > 0.03 || math.Abs(st.DriftSideDeg) > 0.03 || st.Since.SizeDeg() < 0.15 {
		t.Errorf("after a knock: drift %.3f°, %.3f°, moved %.3f°", st.DriftUpDeg, st.DriftSideDeg, st.Since.SizeDeg())
	}
	s.found = nil
	s.baseRate = r3.Scale(0.1/3600, left) // a leg sinks by 0.1° in an hour
	s.run(time.Hour)
	s.baseRate = r3.Vec{}
	s.run(time.Hour)
	if st := s.w.Status(s.now); math.Abs(st.DriftUpDeg) > 0.05 || len(s.found) == 0 {
		t.Errorf("after a creep: drift %.3f°, moved %.3f°", st.DriftUpDeg, st.Since.SizeDeg())
	}
}
