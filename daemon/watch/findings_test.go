package watch_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
)

// Each direction by hand. Raising turns the board about its right side; a turn to
// the left about the vertical moves the axis by cos(altitude) of it, to the west
// for somebody who faces north; a lean of the left side up shifts the axis by
// sin(altitude) to the right.
func TestDirections(t *testing.T) {
	for _, c := range []struct {
		name     string
		turn     r3.Vec
		up, east float64
		words    string
	}{
		{"raised", r3.Scale(-0.2, left), 0.2, 0, "0.20° higher"},
		{"lowered", r3.Scale(0.2, left), -0.2, 0, "0.20° lower"},
		{"turned to the left", r3.Scale(0.3, up), 0, -0.3 * math.Cos(siteAltDeg*deg), "to the west"},
		{"turned to the right", r3.Scale(-0.3, up), 0, 0.3 * math.Cos(siteAltDeg*deg), "to the east"},
		{"left side up", r3.Scale(0.2, forward), 0, 0.2 * math.Sin(siteAltDeg*deg), "to the east"},
		{"right side up", r3.Scale(-0.2, forward), 0, -0.2 * math.Sin(siteAltDeg*deg), "to the west"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStage(t, watch.Options{}, scenario.WatchOptions{})
			s.arm(watch.Allowance{})
			begin := s.now
			s.move(c.turn, 200*time.Millisecond)
			s.run(10 * time.Second)
			first := s.found[0]
			if first.Final || !first.Alarm || first.SeenAt-begin > 2*time.Second || first.Start < begin-500*time.Millisecond || first.Start > begin+500*time.Millisecond {
				t.Errorf("first told %v after the move, begun %v after it", first.SeenAt-begin, first.Start-begin)
			}
			f := s.only(watch.Knock)
			near(t, "up", f.Move.UpDeg, f.Move.UpSigmaDeg, c.up)
			near(t, "east", f.Move.EastDeg, f.Move.EastSigmaDeg, c.east)
			if !strings.Contains(f.Text, c.words) {
				t.Errorf("text %q lacks %q", f.Text, c.words)
			}
			if f.ID != first.ID || s.w.State(s.now) != watch.Moved {
				t.Errorf("id %d after %d, state %s", f.ID, first.ID, s.w.State(s.now))
			}
			s.w.Acknowledge()
			if s.w.State(s.now) != watch.Watching {
				t.Errorf("state %s after acknowledging", s.w.State(s.now))
			}
			st := s.w.Status(s.now)
			near(t, "moved in all", st.Since.UpDeg, st.Since.UpSigmaDeg, c.up)
		})
	}
}

// In the south, left is east.
func TestSouth(t *testing.T) {
	s := newStage(t, watch.Options{South: true}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	s.move(r3.Scale(0.3, up), 200*time.Millisecond)
	s.run(10 * time.Second)
	f := s.only(watch.Knock)
	near(t, "east", f.Move.EastDeg, f.Move.EastSigmaDeg, 0.3*math.Cos(siteAltDeg*deg))
}

// A turn about the axis itself leaves the alignment alone.
func TestRollIsNoMove(t *testing.T) {
	s := newStage(t, watch.Options{Head: watch.HeadFixed}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	s.move(r3.Vec{X: 1}, 300*time.Millisecond)
	s.run(10 * time.Second)
	f := s.only(watch.Roll)
	if f.Alarm || s.w.State(s.now) != watch.Watching {
		t.Errorf("alarm %v, state %s", f.Alarm, s.w.State(s.now))
	}
	near(t, "roll", f.Move.RollDeg, f.Move.RollSigmaDeg, 1)
}

// A push that comes back is no move either, though it is told while it lasts.
func TestNudge(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	s.move(r3.Scale(-0.2, left), 300*time.Millisecond)
	s.run(800 * time.Millisecond)
	s.move(r3.Scale(0.2, left), 300*time.Millisecond)
	s.run(15 * time.Second)
	f := s.only(watch.Nudge)
	if f.Alarm || s.w.State(s.now) != watch.Watching {
		t.Errorf("alarm %v, state %s", f.Alarm, s.w.State(s.now))
	}
	if st := s.w.Status(s.now); st.Since.SizeDeg() != 0 {
		t.Errorf("moved by %.3f°", st.Since.SizeDeg())
	}
}

// A clamp that gives way over eight seconds is told within half a minute.
func TestSlip(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	s.run(time.Minute)
	begin := s.now
	s.move(r3.Scale(0.06, left), 8*time.Second)
	s.run(time.Minute)
	f := s.only(watch.Slip)
	if f.SeenAt-begin > 40*time.Second {
		t.Errorf("told after %v", f.SeenAt-begin)
	}
	near(t, "up", f.Move.UpDeg, f.Move.UpSigmaDeg, -0.06)
}

// What the moves do to the picture: by the numbers of the caller's function.
func TestExposure(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.arm(watch.Allowance{Lens: "135 mm", ExposureS: 120, LongestS: func(e float64) float64 { return 12 / e }})
	s.move(r3.Scale(-0.05, left), 200*time.Millisecond)
	s.run(10 * time.Second)
	f := s.only(watch.Knock)
	e := f.Exposure
	if !e.Known || math.Abs(e.LongestS-12/f.Error.SizeDeg) > 1e-9 || !(e.FromS < e.LongestS && e.LongestS < e.ToS) {
		t.Errorf("exposure %+v at error %.3f ± %.3f", e, f.Error.SizeDeg, f.Error.SigmaDeg)
	}
	if !strings.Contains(f.Text, "120 s at 135 mm still holds") {
		t.Errorf("text %q", f.Text)
	}
	s.move(r3.Scale(-0.3, left), 200*time.Millisecond)
	s.run(10 * time.Second)
	f = s.only(watch.Knock)
	near(t, "error", f.Error.UpDeg, f.Error.UpSigmaDeg, 0.35)
	if !strings.Contains(f.Text, "120 s at 135 mm no longer holds: longest now about 3") {
		t.Errorf("text %q", f.Text)
	}
	// An alignment that was not known makes no exposure known.
	s.w.Arm(watch.Reference{Why: "no sighting was made"}, watch.Allowance{Lens: "24 mm", ExposureS: 60, LongestS: func(float64) float64 { return 1 }})
	s.run(10 * time.Second)
	s.move(r3.Scale(0.2, left), 200*time.Millisecond)
	s.run(10 * time.Second)
	f = s.only(watch.Knock)
	if f.Error.Known || f.Exposure.Known || !strings.Contains(f.Text, "no sighting was made") {
		t.Errorf("error %+v, exposure %+v, text %q", f.Error, f.Exposure, f.Text)
	}
}

// A field that changes while nothing moves is told as that, and comes back.
func TestFieldChangeIsNoMove(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	s.change = func(b *watch.Block) { b.Field = r3.Add(b.Field, r3.Vec{X: 2, Y: -3}) }
	s.run(20 * time.Second)
	s.change = nil
	s.run(2 * time.Minute)
	f := s.only(watch.FieldChange)
	if f.Alarm || math.Abs(f.FieldUT-math.Sqrt(13)) > 0.2 || s.w.State(s.now) != watch.Watching {
		t.Errorf("alarm %v, %.2f µT, state %s", f.Alarm, f.FieldUT, s.w.State(s.now))
	}
	// A knock turns the field in the board's axes too: that is no second finding.
	s.move(r3.Scale(5, up), 500*time.Millisecond)
	s.run(time.Minute)
	s.only(watch.Knock)
}

// Shocks beyond the range, values that are none, times that go back.
func TestBadBlocks(t *testing.T) {
	s := newStage(t, watch.Options{}, scenario.WatchOptions{})
	s.arm(watch.Allowance{})
	n := 0
	s.change = func(b *watch.Block) {
		if n++; n%50 == 0 {
			b.Clipped = true
			b.Accel = r3.Vec{X: 19.6, Y: -19.6, Z: 19.6}
		}
	}
	s.run(time.Minute)
	s.nothing()
	s.change = nil
	nan := math.NaN()
	before := s.w.Status(s.now).Refused
	for _, b := range []watch.Block{
		{At: s.now + 1, N: 1, Accel: r3.Vec{X: nan}},
		{At: s.now + 1, N: 1, Accel: r3.Vec{X: 1}, Gyro: r3.Vec{Z: math.Inf(1)}},
		{At: s.now + 1, Accel: r3.Vec{X: 1}},
		{At: s.now + 1, N: 1},
		{At: s.now - time.Second, N: 1, Accel: r3.Vec{X: 1}},
	} {
		s.w.Block(b)
	}
	if got := s.w.Status(s.now).Refused - before; got != 5 {
		t.Errorf("%d blocks refused, want 5", got)
	}
	s.run(time.Minute)
	s.nothing()
}
