package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// Limits of sudden moves.
const (
	// minMoveDeg is the least that is called a move at once, degrees on the night sky;
	// less is left to the slow layer, which averages longer.
	minMoveDeg = 0.03
	// minSlipDeg is the same for a move within seconds, for which a gust that
	// leans on the mount may be taken.
	minSlipDeg = 0.04
	// knockLimit is the squared distance in sigmas, two degrees of freedom: with
	// a normal distribution one false alarm in 6e7 looks.
	knockLimit = 36.0
	// staysDeg must be left of it for half a second.
	staysDeg   = 0.8 * minMoveDeg
	minRollDeg = 0.05
	// activeLimit is for the turn within one block, mean square of three axes.
	activeLimit = 9.0
	// quietLimit ends a movement, resumeLimit renews it.
	quietLimit  = 12.0
	resumeLimit = 25.0
	// realLimit is what the final size must reach to be a move: chance makes one
	// of 400 nudges one.
	realLimit = 12.0
	realDeg   = 0.01

	reportBlocks = 5   // from the alarm to the first report
	quietBlocks  = 5   // in a row
	longestEvent = 300 // blocks; then what is there is told
	// mergeAfter joins slips that follow each other.
	mergeAfter = time.Minute
)

// event is a move being followed, from the alarm to the rest after it.
type event struct {
	on    bool
	kind  Kind
	id    int
	told  int
	start time.Duration
	age   int // blocks since the alarm

	up0, side0 float64 // rest before
	vUp0, vS0  float64 // their variances, beyond the baseline's scatter
	// from is the rest that slow's state counts from.
	from [2]float64
	// angle0 and angle1 are the angles turned before and after the motion.
	angle0, angle1 [3]float64
	span           float64 // blocks from angle0 to angle1
	elapsed        float64 // blocks from angle0 to now
	sinceActive    int
	closed         bool
	alert          [2]float64 // variances of up and left before it began
	quiet          int

	settledN int
	accel    r3.Vec // sums after
	up, side float64
	counted  Move // what of it is already part of the total
	alarmed  bool // before it
}

// turn is what the gyroscope measured, degrees about left, forward and up.
func (e *event) turn() (t [3]float64) {
	for i := range t {
		t[i] = e.angle1[i] - e.angle0[i]
	}
	return t
}

// lastEvent is kept to join slips.
type lastEvent struct {
	event    event
	end      time.Duration
	up, side float64
}

// knockTest looks at the newest block.
func (w *Watch) knockTest(e *entry) {
	d := w.short.difference()
	s := w.onSky(&d, w.short.weight)
	sh := &w.short
	e.alert = [3]float64{sh.up.alert(), sh.left.alert(), sh.roll.alert()}
	ev := &w.event
	// The limits of before the windows began.
	old := &sh.at(shortBlocks).alert
	if ev.on {
		old = &[3]float64{ev.alert[0], ev.alert[1], sh.roll.alert()}
	}
	z := s.up*s.up/old[0] + s.left*s.left/old[1]
	if ev.on {
		w.follow(e, z, &s)
		return
	}
	switch {
	case z > knockLimit && math.Hypot(s.up, s.left) > minMoveDeg:
		w.beginKnock(Knock, old)
	case s.roll*s.roll > knockLimit*old[2] && math.Abs(s.roll) > minRollDeg:
		w.beginKnock(Roll, old)
	default:
		sh.up.see(s.up)
		sh.left.see(s.left)
		sh.roll.see(s.roll)
		sh.vertical.see(s.vertical)
		w.base.upScatter.see(sh.mean(tiltUp, settledBlocks) - w.base.up)
		w.base.sideScatter.see(sh.mean(tiltSide, settledBlocks) - w.base.side)
	}
}

func (w *Watch) beginKnock(k Kind, alert *[3]float64) {
	sh := &w.short
	// The first block of a turn, or the middle of the time looked at when the
	// gyroscope shows none.
	onset := 10
	if w.sigma.gyro {
		for back := 0; back < afterBlocks+apartBlocks+beforeBlocks/2; back++ {
			if sh.at(back).active {
				onset = back
			}
		}
	}
	begin := sh.at(onset + 3)
	ev := event{
		on: true, kind: k, start: sh.at(onset).at - BlockLength,
		up0: w.base.up, side0: w.base.side, from: [2]float64{w.base.up, w.base.side},
		angle0:  [3]float64{begin.x[turnLeft], begin.x[turnForward], begin.x[turnUp]},
		elapsed: float64(onset + 3),
		alert:   [2]float64{alert[0], alert[1]},
		alarmed: w.alarm,
	}
	for back := onset; back > 0; back-- {
		ev.sinceActive++
		if sh.at(back).active {
			ev.sinceActive = 0
		}
	}
	w.event = ev
	w.watchMotion(sh.at(0))
}

// watchMotion follows the angle until the turn has ended.
func (w *Watch) watchMotion(e *entry) {
	ev := &w.event
	if ev.age > 0 {
		ev.elapsed++
	}
	ev.sinceActive++
	if e.active {
		ev.sinceActive, ev.closed = 0, false
	}
	if ev.closed {
		return
	}
	ev.angle1 = [3]float64{e.x[turnLeft], e.x[turnForward], e.x[turnUp]}
	ev.span = ev.elapsed
	ev.closed = ev.sinceActive >= 3 && ev.age >= reportBlocks
}

// follow is one block of a running event.
func (w *Watch) follow(e *entry, z float64, s *sky) {
	ev := &w.event
	ev.age++
	w.watchMotion(e)
	if ev.kind == Roll && z > knockLimit && math.Hypot(s.up, s.left) > minMoveDeg {
		ev.kind = Knock // first only the roll stood out
	}
	if ev.kind == Knock && ev.told == 0 && ev.age >= reportBlocks &&
		z > resumeLimit && math.Hypot(s.up, s.left) > staysDeg {
		w.firstReport(s)
	}
	if ev.settledN > 0 && (w.armed || ev.age < longestEvent) {
		// At rest, by what was seen: does it stay?
		n := float64(ev.settledN)
		u, sd := ev.up/n-e.x[tiltUp], ev.side/n-e.x[tiltSide]
		if z > resumeLimit || u*u+sd*sd > resumeLimit*4*(square(w.sigma.tilt)+ev.alert[0]) {
			ev.settledN, ev.quiet = 0, 0
			ev.up, ev.side, ev.accel = 0, 0, r3.Vec{}
		}
	}
	if ev.settledN == 0 {
		if z < quietLimit {
			ev.quiet++
		} else {
			ev.quiet = 0
		}
		if ev.quiet < quietBlocks && ev.age < longestEvent {
			return
		}
	}
	ev.settledN++
	ev.up += e.x[tiltUp]
	ev.side += e.x[tiltSide]
	ev.accel = r3.Add(ev.accel, e.accel)
	if ev.settledN >= settledBlocks {
		w.finish()
	}
}

// firstReport tells of a knock while the mount may still swing.
func (w *Watch) firstReport(s *sky) {
	if !w.reporting() {
		return
	}
	v := square(w.opt.GyroScaleSigma) * (square(s.up) + square(s.left))
	m := Move{
		UpDeg: s.up, UpSigmaDeg: math.Sqrt(w.short.up.variance() + v),
		EastDeg: w.east(s.left), EastSigmaDeg: math.Sqrt(w.short.left.variance() + v),
		RollDeg: s.roll, RollSigmaDeg: math.Sqrt(w.short.roll.variance() + v),
	}
	w.report(m, false)
}

// reporting: moves are told only of an aligned tracker.
func (w *Watch) reporting() bool { return w.armed && !w.settling }

// report tells the event as it stands.
func (w *Watch) report(m Move, final bool) {
	ev := &w.event
	if ev.id == 0 {
		ev.id = w.nextID()
	}
	after := w.moved
	after.replace(ev.counted, Move{})
	f := Finding{ID: ev.id, Update: ev.told, Final: final, Kind: ev.kind, Start: ev.start, Move: m}
	f.VerticalUnseen = !w.sigma.gyro
	switch ev.kind {
	case Nudge, Roll:
		w.alarm = ev.alarmed
	default:
		f.Alarm, w.shake.moved = true, true
		after.replace(Move{}, m)
	}
	ev.told++
	if final {
		w.moved = after
		if f.Alarm {
			ev.counted = m
		}
	}
	w.slow.withMove(&after)
	w.tell(f, &after)
}

// finish ends an event with the pose after it.
func (w *Watch) finish() {
	ev := &w.event
	n := float64(ev.settledN)
	up, side := ev.up/n, ev.side/n
	accel := r3.Scale(1/n, ev.accel)
	turn := ev.turn()
	if math.Hypot(up-ev.up0, side-ev.side0) > farDeg || math.Abs(turn[1]) > farDeg || math.Abs(turn[2]) > farDeg {
		w.finishFar(accel)
		return
	}
	vu := w.base.upScatter.variance() + ev.vUp0
	vs := w.base.sideScatter.variance() + ev.vS0
	m := w.moveOf(up-ev.up0, side-ev.side0, vu, vs, turn, ev.span)
	if ev.kind == Knock || ev.kind == Roll {
		switch {
		case m.significance() > realLimit && m.SizeDeg() > realDeg:
			ev.kind = Knock
		case math.Abs(m.RollDeg) > minRollDeg/2 && square(m.RollDeg/m.RollSigmaDeg) > realLimit:
			ev.kind = Roll
		default:
			ev.kind = Nudge
		}
	}
	if w.reporting() && (ev.told > 0 || ev.kind != Nudge) {
		w.report(m, true)
	}
	w.resume(accel, up, side, vu, vs)
}

// resume goes back to watching from the pose after an event.
func (w *Watch) resume(accel r3.Vec, up, side, vUp, vSide float64) {
	ev := &w.event
	w.long.restart()
	w.slow.step(up-ev.from[0], side-ev.from[1], vUp, vSide)
	w.head.zero = side
	w.base.moveTo(accel, up, side)
	w.base.skip = shortRing
	w.last = lastEvent{event: *ev, end: w.at, up: up, side: side}
	ev.on = false
	if math.Hypot(up, side) > newFrameDeg && !w.head.on && !w.slow.move.on {
		w.last = lastEvent{}
		w.reframe(accel)
		return
	}
	if w.settling {
		w.settle()
	}
}
