package watch_test

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
)

const deg = math.Pi / 180

// stage plays a calm night to a watch, with moves that a test makes by hand.
type stage struct {
	t     *testing.T
	night *scenario.WatchNight
	w     *watch.Watch
	now   time.Duration
	// turn is where the board has been turned to, degrees about body axes, and
	// rate its speed, degrees per second.
	turn, rate r3.Vec
	// base is what the base under the head has turned by, baseRate its speed; tilt
	// how the board sits on the head: rotation vectors, degrees.
	base, baseRate, tilt r3.Vec
	// change, when set, alters a block last.
	change func(*watch.Block)
	found  []watch.Finding
}

func newStage(t *testing.T, o watch.Options, night scenario.WatchOptions) *stage {
	t.Helper()
	night.Calm = true
	if night.Length == 0 {
		night.Length = 4 * time.Hour
	}
	if o.Inertial.AccelNoise == 0 {
		o.Inertial, o.Magnetic = lsm6dsoSpec(), mmc5983maSpec()
	}
	return &stage{t: t, night: scenario.NewWatchNight(21, night), w: watch.New(o)}
}

// Axes of the board at rest: forward and up lie in the vertical plane of the
// axis, whose altitude is that of the simulated site.
const siteAltDeg = 51.90

var (
	forward = r3.Vec{X: math.Cos(siteAltDeg * deg), Z: -math.Sin(siteAltDeg * deg)}
	up      = r3.Vec{X: math.Sin(siteAltDeg * deg), Z: math.Cos(siteAltDeg * deg)}
	left    = r3.Vec{Y: 1}
)

// rotateBack brings a vector into a board turned by the rotation vector phi,
// degrees (Rodrigues).
func rotateBack(phi, v r3.Vec) r3.Vec {
	a := r3.Norm(phi) * deg
	if a == 0 {
		return v
	}
	return r3.NewRotation(-a, phi).Rotate(v)
}

// run plays for d.
func (s *stage) run(d time.Duration) {
	s.t.Helper()
	for end := s.now + d; s.now < end; {
		b, ok := s.night.NextBlock()
		if !ok {
			s.t.Fatal("the night is over")
		}
		s.now = b.At
		s.base = r3.Add(s.base, r3.Scale(0.1, s.baseRate))
		s.turn = r3.Add(s.turn, r3.Scale(0.1, s.rate))
		x := watch.Block(b)
		seen := func(v r3.Vec) r3.Vec { return rotateBack(s.tilt, rotateBack(s.turn, rotateBack(s.base, v))) }
		x.Accel, x.Field = seen(x.Accel), seen(x.Field)
		rate := r3.Add(s.rate, rotateBack(s.turn, s.baseRate))
		x.Gyro = r3.Add(x.Gyro, rotateBack(s.tilt, r3.Scale(deg, rate)))
		if s.change != nil {
			s.change(&x)
		}
		s.w.Block(x)
		s.fetch()
	}
}

func (s *stage) fetch() {
	for f, ok := s.w.Next(); ok; f, ok = s.w.Next() {
		s.t.Logf("%8.1f s %-12s id %d.%d final %v: %s", f.SeenAt.Seconds(), f.Kind, f.ID, f.Update, f.Final, f.Text)
		s.found = append(s.found, f)
	}
}

// move turns the board by the angle, degrees about body axes, within d.
func (s *stage) move(angle r3.Vec, d time.Duration) {
	s.t.Helper()
	s.rate = r3.Scale(1/d.Seconds(), angle)
	s.run(d)
	s.rate = r3.Vec{}
}

// skip lets time pass without blocks.
func (s *stage) skip(d time.Duration) {
	for end := s.now + d; s.now < end; {
		b, _ := s.night.NextBlock()
		s.now = b.At
	}
}

// arm after the sensor has settled.
func (s *stage) arm(a watch.Allowance) {
	s.t.Helper()
	s.run(scenario.WatchArm)
	s.w.Arm(watch.Reference{Known: true, UpSigmaDeg: 0.02, EastSigmaDeg: 0.02}, a)
	s.run(10 * time.Second)
	if got := s.w.State(s.now); got != watch.Watching {
		s.t.Fatalf("state %s ten seconds after arming, want %s", got, watch.Watching)
	}
	s.found = nil
}

// only is the one final finding since the last call, of the kind wanted.
func (s *stage) only(k watch.Kind) watch.Finding {
	s.t.Helper()
	var out []watch.Finding
	for _, f := range s.found {
		if f.Final {
			out = append(out, f)
		}
	}
	s.found = nil
	if len(out) != 1 || out[0].Kind != k {
		s.t.Fatalf("%d final findings %v, want one %s", len(out), kinds(out), k)
	}
	return out[0]
}

// nothing was found since the last call.
func (s *stage) nothing() {
	s.t.Helper()
	if len(s.found) > 0 {
		s.t.Fatalf("found %v, want nothing", kinds(s.found))
	}
}

func kinds(list []watch.Finding) (out []watch.Kind) {
	for _, f := range list {
		out = append(out, f.Kind)
	}
	return out
}

// near checks a value against the truth within n of its stated sigmas.
func near(t *testing.T, what string, got, sigma, want float64) {
	t.Helper()
	if !(sigma > 0) || math.Abs(got-want) > 4*sigma {
		t.Errorf("%s %.4f ± %.4f, truth %.4f", what, got, sigma, want)
	}
}
