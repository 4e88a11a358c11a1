package watch

import (
	"math"
	"time"
)

// skyRate is the tracker's turn, degrees per second: one turn in a sidereal day
// of 86164.1 s (IERS Conventions 2010, table 1.1: 7.292115e-5 rad/s).
const skyRate = 360 / 86164.1

// head follows the rotation of a board that rides on the tracker's head, about
// body x.
type head struct {
	auto    bool
	on      bool
	rate    float64 // degrees per second, signed, of a head that follows
	zero    float64 // tilt to the side that stands for theta
	theta   float64 // degrees turned since the frame was taken
	sin     float64
	cos     float64
	follows float64 // smoothed rate in units of rate
	wrong   int     // seconds of another rate
	right   int
	stopped bool
}

// init: stars turn clockwise about the southern pole's direction seen from
// behind it, so the head turns right-handed about x there, left-handed in the north.
func (h *head) init(o Options) {
	h.auto = o.Head == HeadAuto
	h.on = o.Head == HeadTurning
	h.rate = -skyRate
	if o.South {
		h.rate = skyRate
	}
	h.cos = 1
	h.follows = 1
}

// advance lets the head turn on for a block.
func (h *head) advance(dt float64) {
	if !h.on {
		return
	}
	h.turn(h.rate * dt)
}

func (h *head) turn(deg float64) {
	h.theta += deg
	h.sin, h.cos = math.Sincos(h.theta * degree)
}

const (
	// headPull is the share of a second's roll that the followed angle takes.
	headPull = 0.03
	// headTolerance is how near the night sky's rate must be met to be recognised, and
	// headLost how far off it is called stopped.
	headTolerance = 0.15
	headLost      = 0.4
	headSeconds   = 60
)

// headSecond recognises a head that turns, and follows it.
func (w *Watch) headSecond() {
	h, l := &w.head, &w.long
	if h.auto && !h.on {
		if l.n >= headSeconds && w.frame.cos > 0.1 {
			span := float64(headSeconds - 10)
			roll := (l.mean(tiltSide, 0, 10) - l.mean(tiltSide, headSeconds-10, 10)) / span / w.frame.cos
			lift := (l.mean(tiltUp, 0, 10) - l.mean(tiltUp, headSeconds-10, 10)) / span
			if math.Abs(roll/h.rate-1) < headTolerance && math.Abs(lift) < headTolerance*skyRate && !w.event.on {
				w.boardHead()
			}
		}
		return
	}
	if !h.on || l.n == 0 || w.frame.cos < 0.1 {
		return
	}
	off := (l.mean(tiltSide, 0, 1) - h.zero) / w.frame.cos
	h.turn(headPull * off)
	h.follows += (1 + headPull*off/h.rate - h.follows) / 30
	w.headFollows()
}

// boardHead goes over to a board on the head.
func (w *Watch) boardHead() {
	h := &w.head
	h.on, h.theta, h.follows, h.right = true, 0, 1, 0
	h.turn(0)
	w.frame.ok = false // what was learned of a fixed board does not hold
	w.reframe(w.base.accel)
}

// headFollows tells when a head that followed the night sky does so no more.
func (w *Watch) headFollows() {
	h := &w.head
	if math.Abs(h.follows-1) < headLost {
		h.wrong = 0
		h.right++
		if h.right >= headSeconds {
			h.stopped = false
		}
		return
	}
	h.wrong++
	if h.wrong >= headSeconds && !h.stopped && h.right >= headSeconds && w.armed && !w.settling {
		h.stopped, h.right = true, 0
		after := w.soFar()
		w.tell(Finding{ID: w.nextID(), Final: true, Kind: HeadStopped,
			Start: w.at - headSeconds*time.Second}, &after)
	}
}

// headSuspect reports whether a difference of the long memory looks like a head
// that began to turn with the night sky: recognising it takes a minute.
func (w *Watch) headSuspect(s *sky) bool {
	h, l := &w.head, &w.long
	if !h.auto || h.on || w.frame.cos < 0.1 {
		return false
	}
	const span = 15
	roll := (l.mean(tiltSide, 0, 5) - l.mean(tiltSide, span, 5)) / span / w.frame.cos
	return math.Abs(roll/h.rate-1) < 2*headTolerance && math.Abs(s.up) < 0.3*math.Abs(s.left)
}
