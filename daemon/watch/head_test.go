package watch_test

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
)

// skyDegPerS is the turn of a tracker in the north, about body x.
const skyDegPerS = -360 / 86164.1

// A board that begins to roll at the night sky's rate rides on the head: no alarm, not
// then and not when the head is turned by hand; when the head stops, that is told.
func TestHeadRecognised(t *testing.T) {
	s := newStage(t, watch.Options{NodSigmaDeg: 0.05}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	s.run(5 * time.Minute)
	if s.w.OnHead() {
		t.Fatal("a board at rest is taken for one on the head")
	}
	s.rate = r3.Vec{X: skyDegPerS}
	s.run(3 * time.Minute)
	s.nothing()
	if !s.w.OnHead() {
		t.Fatal("the turning head is not recognised")
	}
	s.run(time.Hour)
	s.nothing()
	if st := s.w.Status(s.now); !st.HeadFollows || st.Since.SizeDeg() != 0 {
		t.Errorf("follows %v, moved by %.3f°", st.HeadFollows, st.Since.SizeDeg())
	}

	// The photographer turns the head by hand to another part of the night sky.
	s.rate = r3.Vec{X: -20}
	s.run(2 * time.Second)
	s.rate = r3.Vec{X: skyDegPerS}
	s.run(20 * time.Second)
	f := s.only(watch.Roll)
	if f.Alarm || math.Abs(f.Move.RollDeg+40) > 0.5 {
		t.Errorf("alarm %v, roll %.2f°, want -40°", f.Alarm, f.Move.RollDeg)
	}
	s.run(10 * time.Minute)
	s.nothing()

	// A knock is still one.
	s.turnBase(r3.Scale(-0.1, left), 200*time.Millisecond)
	s.run(10 * time.Second)
	f = s.only(watch.Knock)
	near(t, "up", f.Move.UpDeg, f.Move.UpSigmaDeg, 0.1)
	near(t, "east", f.Move.EastDeg, f.Move.EastSigmaDeg, 0)
	s.w.Acknowledge()
	s.run(5 * time.Minute)
	s.nothing()

	s.rate = r3.Vec{}
	s.run(10 * time.Minute)
	if f := s.only(watch.HeadStopped); f.Alarm {
		t.Error("a head that stopped is no move")
	}
}

// turnBase turns the base under a head that has turned.
func (s *stage) turnBase(angle r3.Vec, d time.Duration) {
	s.t.Helper()
	s.baseRate = r3.Scale(1/d.Seconds(), angle)
	s.run(d)
	s.baseRate = r3.Vec{}
}

// The axis of a board on the head is not quite its x: the altitude nods as the
// head turns, and that is no move.
func TestNodding(t *testing.T) {
	s := newStage(t, watch.Options{Head: watch.HeadTurning}, scenario.WatchOptions{Length: 8 * time.Hour})
	s.tilt = r3.Vec{Y: 0.2, Z: -0.1} // of the board on the head
	s.rate = r3.Vec{X: skyDegPerS}
	s.arm(watch.Allowance{})
	s.run(7 * time.Hour)
	s.nothing()
}
