package scenario

import (
	"math"
	"math/rand/v2"
	"time"
)

// Screen is what a person reads off the page.
type Screen struct {
	Shown time.Duration // when it was made
	// Still is false while the program says that the mount moves or is lost;
	// Steady when it says that waiting brings no more.
	Still, Steady   bool
	Raise, TurnEast Reading
	AltitudeDeg     float64
	South           bool
}

// Reading is one amount on the screen, degrees.
type Reading struct {
	Deg, SigmaDeg float64
	Known         bool
}

// Hands is a person who reads the guidance and turns the adjusters: with time
// to react, turns that are a little off, and no knowledge of the truth.
type Hands struct {
	mount *Mount
	rng   *rand.Rand
	// busyUntil is when the present turn, and the look at the screen after it,
	// are over.
	busyUntil time.Duration
	done      bool
	doneAt    time.Duration
	calm      time.Duration
	// Work is the time spent turning, without waiting and reading.
	Work  time.Duration
	Turns int
}

// Habits of the simulated person (common practice, no source).
const (
	reaction     = 700 * time.Millisecond
	coarseRate   = 12.0 // degrees per second, the whole head by hand
	fineRate     = 1.5  // degrees per second, an adjuster
	coarseAbove  = 6.0
	turnScatter  = 0.06 // of the amount
	turnFloorDeg = 0.04
)

func newHands(m *Mount, rng *rand.Rand) *Hands { return &Hands{mount: m, rng: rng} }

// Done reports whether the person has stopped, and when.
func (h *Hands) Done() (bool, time.Duration) { return h.done, h.doneAt }

// See shows the person the screen at now.
func (h *Hands) See(now time.Duration, s Screen) {
	if now < h.busyUntil {
		return
	}
	if !s.Still {
		h.calm = now
		return
	}
	if now-h.calm < reaction || s.Shown < h.busyUntil {
		return
	}
	r, t := s.Raise, s.TurnEast
	wantR, wantT := worth(r), worth(t)
	if !wantR && !wantT {
		if r.Known && t.Known && s.Steady && !h.done {
			h.done, h.doneAt = true, now
		}
		return
	}
	h.done = false
	// The larger one first, as it shows most.
	cos := math.Cos(s.AltitudeDeg * degree)
	if wantT && (!wantR || math.Abs(t.Deg)*cos > math.Abs(r.Deg)) {
		deg := t.Deg
		if s.South {
			// The screen says east or west; azimuth grows the other way here.
			deg = -deg
		}
		h.turn(now, deg, h.mount.TurnAzimuth)
		return
	}
	h.turn(now, r.Deg, h.mount.Raise)
}

// worth is whether the person would touch the adjuster for this amount.
func worth(q Reading) bool {
	return q.Known && math.Abs(q.Deg) > max(0.3*q.SigmaDeg, 0.05)
}

func (h *Hands) turn(now time.Duration, deg float64, knob func(start, d time.Duration, deg float64)) {
	rate := fineRate
	if math.Abs(deg) > coarseAbove {
		rate = coarseRate
	}
	done := deg*(1+turnScatter*h.rng.NormFloat64()) + turnFloorDeg*h.rng.NormFloat64()
	d := 400*time.Millisecond + time.Duration(math.Abs(done)/rate*float64(time.Second))
	start := now + reaction
	knob(start, d, done)
	h.busyUntil = start + d
	h.calm = h.busyUntil
	h.Work += d
	h.Turns++
}
