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
	Still, Steady bool
	// Disturbed: the program says that the field is not the place's.
	Disturbed       bool
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
	mount  *Mount
	rng    *rand.Rand
	habits Habits
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

// Habits of a simulated person (common practice, no source).
type Habits struct {
	Reaction time.Duration
	// CoarseRate is that of the whole head turned by hand, for amounts above
	// CoarseAboveDeg; FineRate that of an adjuster; degrees per second.
	CoarseRate, FineRate, CoarseAboveDeg float64
	// A turn misses its amount by TurnScatter of it and by TurnFloorDeg, 1 sigma.
	TurnScatter, TurnFloorDeg float64
	// Chances, per turn, to turn the wrong way, to overshoot, to bump the tripod;
	// a bump moves it by BumpDeg per axis, 1 sigma.
	WrongWay, Overshoot, Bump, BumpDeg float64
}

// careful is a person who makes no mistake.
func careful() Habits {
	return Habits{
		Reaction: 700 * time.Millisecond, CoarseRate: 12, FineRate: 1.5, CoarseAboveDeg: 6,
		TurnScatter: 0.06, TurnFloorDeg: 0.04,
	}
}

// drawHabits is somebody in the cold and the dark.
func drawHabits(rng *rand.Rand) Habits {
	return Habits{
		Reaction:   time.Duration(700 * math.Exp(0.35*rng.NormFloat64()) * float64(time.Millisecond)),
		CoarseRate: 8 + 12*rng.Float64(), FineRate: 0.8 + 1.4*rng.Float64(), CoarseAboveDeg: 6,
		TurnScatter: 0.05 + 0.1*rng.Float64(), TurnFloorDeg: 0.02 + 0.08*rng.Float64(),
		WrongWay: 0.04, Overshoot: 0.08, Bump: 0.02, BumpDeg: 0.15,
	}
}

// givesUp is how long the person waits for more to do, heeds how long for a
// disturbance of the field to go.
const (
	givesUp = 15 * time.Second
	heeds   = 10 * time.Second
)

func newHands(m *Mount, rng *rand.Rand, h Habits) *Hands {
	return &Hands{mount: m, rng: rng, habits: h}
}

// Resume has the person look at the screen again after something else was done.
func (h *Hands) Resume(now time.Duration) {
	h.done, h.calm, h.busyUntil = false, now, max(now, h.busyUntil)
}

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
	if now-h.calm < h.habits.Reaction || s.Shown < h.busyUntil {
		return
	}
	if s.Disturbed && now-h.calm < heeds {
		return // looks for what disturbs
	}
	r, t := s.Raise, s.TurnEast
	wantR, wantT := worth(r), worth(t)
	if !wantR && !wantT {
		settled := s.Steady && r.Known && t.Known
		if (settled || now-h.calm > givesUp) && !h.done {
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
	x := &h.habits
	rate := x.FineRate
	if math.Abs(deg) > x.CoarseAboveDeg {
		rate = x.CoarseRate
	}
	done := deg*(1+x.TurnScatter*h.rng.NormFloat64()) + x.TurnFloorDeg*h.rng.NormFloat64()
	switch p := h.chance(x.WrongWay + x.Overshoot); {
	case p < x.WrongWay:
		done *= -(0.3 + 0.7*h.rng.Float64())
	case p < x.WrongWay+x.Overshoot:
		done *= 1.2 + 0.4*h.rng.Float64()
	}
	d := 400*time.Millisecond + time.Duration(math.Abs(done)/rate*float64(time.Second))
	start := now + x.Reaction
	knob(start, d, done)
	h.busyUntil = start + d
	h.Work += d
	h.Turns++
	if h.chance(x.Bump) < x.Bump {
		h.busyUntil = h.mount.Bump(h.busyUntil, drawVec(x.BumpDeg, h.rng))
	}
	h.calm = h.busyUntil
}

// chance draws from 0 to 1 where something may happen at all; who makes no
// mistakes uses up no numbers.
func (h *Hands) chance(p float64) float64 {
	if p == 0 {
		return 1
	}
	return h.rng.Float64()
}
