package watch_test

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
)

// After a gap the pose is compared with that before it.
func TestGap(t *testing.T) {
	for _, c := range []struct {
		name     string
		turn     r3.Vec
		length   time.Duration
		moved    bool
		up, east float64
	}{
		{"nothing moved", r3.Vec{}, 5 * time.Minute, false, 0, 0},
		{"an hour, colder, nothing moved", r3.Vec{}, time.Hour, false, 0, 0},
		{"lowered", r3.Scale(0.2, left), 5 * time.Minute, true, -0.2, 0},
		{"turned, which only the field tells", r3.Scale(6, up), time.Minute, true, 0, -6 * math.Cos(siteAltDeg*deg)},
		{"far", r3.Scale(-8, left), time.Minute, true, 8, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStage(t, watch.Options{}, scenario.WatchOptions{FallC: 4})
			s.arm(watch.Allowance{})
			s.run(30 * time.Minute)
			last := s.now
			s.skip(c.length)
			if got := s.w.State(s.now); got != watch.Blind {
				t.Errorf("state %s in the gap, want %s", got, watch.Blind)
			}
			s.turn = r3.Add(s.turn, c.turn)
			s.run(20 * time.Second)
			f := s.only(watch.Gap)
			if f.Alarm != c.moved || f.Start != last {
				t.Errorf("alarm %v, want %v; from %v, want %v", f.Alarm, c.moved, f.Start, last)
			}
			near(t, "up", f.Move.UpDeg, f.Move.UpSigmaDeg, c.up)
			near(t, "east", f.Move.EastDeg, f.Move.EastSigmaDeg, c.east)
			want := watch.Watching
			if c.moved {
				want = watch.Moved
			}
			if got := s.w.State(s.now); got != want {
				t.Errorf("state %s, want %s", got, want)
			}
			// And the watch goes on.
			s.w.Acknowledge()
			s.run(time.Minute)
			s.move(r3.Scale(-0.1, left), 200*time.Millisecond)
			s.run(10 * time.Second)
			near(t, "up afterwards", s.only(watch.Knock).Move.UpDeg, 0.01, 0.1)
		})
	}
}

// Short gaps, one after the other, and one in the middle of a move.
func TestManyGaps(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	for range 10 {
		s.skip(1500 * time.Millisecond)
		s.run(700 * time.Millisecond)
	}
	s.run(10 * time.Second)
	s.only(watch.Gap)
	s.move(r3.Scale(-0.2, left), 200*time.Millisecond)
	s.run(time.Second)
	s.skip(5 * time.Second)
	s.run(10 * time.Second)
	f := s.only(watch.Gap)
	if !f.Alarm {
		t.Errorf("a move that a gap cut off raises no alarm")
	}
	near(t, "up", f.Move.UpDeg, f.Move.UpSigmaDeg, 0.2)
}

// Without a gyroscope tilts are seen as before, with the doubt that something
// turned about the vertical as well; a turn alone shows as a field that changed.
func TestNoGyroscope(t *testing.T) {
	spec := lsm6dsoSpec()
	spec.HasGyro, spec.GyroNoise, spec.GyroOffset = false, 0, 0
	s := newStage(t, watch.Options{Inertial: spec, Magnetic: mmc5983maSpec()}, scenario.WatchOptions{})
	s.change = func(b *watch.Block) { b.Gyro, b.GyroVar = r3.Vec{}, 0 }
	s.arm(watch.Allowance{})
	s.move(r3.Scale(-0.1, left), 200*time.Millisecond)
	s.run(10 * time.Second)
	f := s.only(watch.Knock)
	near(t, "up", f.Move.UpDeg, f.Move.UpSigmaDeg, 0.1)
	if !f.VerticalUnseen || f.Move.EastSigmaDeg < 0.05 {
		t.Errorf("unseen %v, east ± %.3f°", f.VerticalUnseen, f.Move.EastSigmaDeg)
	}
	s.w.Acknowledge()
	s.run(time.Minute)
	s.move(r3.Scale(5, up), 200*time.Millisecond)
	s.run(20 * time.Second)
	if f := s.only(watch.FieldChange); f.Alarm {
		t.Error("alarm for a field that changed")
	}
}

// The watch may be armed while hands are still on the mount: it settles first.
func TestArmedTooEarly(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.run(time.Minute)
	s.move(r3.Scale(2, left), time.Second)
	s.w.Arm(watch.Reference{Known: true, UpSigmaDeg: 0.02, EastSigmaDeg: 0.02}, watch.Allowance{})
	if got := s.w.State(s.now); got != watch.Settling {
		t.Errorf("state %s, want %s", got, watch.Settling)
	}
	s.move(r3.Scale(-3, up), 2*time.Second)
	s.run(20 * time.Second)
	if got := s.w.State(s.now); got != watch.Watching {
		t.Errorf("state %s, want %s", got, watch.Watching)
	}
	s.nothing()
	s.w.Disarm()
	s.move(r3.Scale(1, left), time.Second)
	s.run(20 * time.Second)
	s.nothing()
	if got := s.w.State(s.now); got != watch.Unarmed {
		t.Errorf("state %s, want %s", got, watch.Unarmed)
	}
}
