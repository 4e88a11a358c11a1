package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// wake gathers the first rest after the start or after a gap.
type wake struct {
	on            bool
	n, tries      int
	accel, gyro   r3.Vec // sums
	first, firstG r3.Vec
	temp          float64
}

const (
	wakeSkip   = 5  // blocks that a chip needs after its start
	wakeBlocks = 25 // that are averaged
	wakeSpread = 10 // sigmas between a block and the first that end a try
	// A mount that never rests is taken as it is after so many tries, each of a
	// tenth of a second or more; before the watch is armed there is time.
	wakeTries       = 40
	wakeTriesBefore = 600
)

func (k *wake) begin() { *k = wake{on: true, n: -wakeSkip} }

// gap is a time without readings.
type gap struct {
	_          [0]func() // never compared: no code for that
	on         bool
	from, to   time.Duration
	snap       snapshot
	heading    r3.Vec // field before, base axes
	hasHeading bool
	armed      bool
}

// loseSight begins a gap: at is the first block after it.
func (w *Watch) loseSight(at time.Duration) {
	if w.event.on {
		// The pose after the gap decides.
		w.event.on = false
		if w.event.told > 0 {
			w.alarm = w.event.alarmed
		}
	}
	if !w.gap.on && w.frame.ok {
		s := &w.slow
		w.gap = gap{on: true, from: w.at, armed: w.armed && !w.settling}
		s.remember(w.at, w.tempC)
		w.gap.snap = s.snaps[s.count-1]
		w.gap.heading, w.gap.hasHeading = w.field.rest()
	}
	w.gap.to = at
	w.slow.since = at
	w.slow.discard()
	w.head.advance((at - w.at).Seconds())
	w.short.restart()
	w.long.restart()
	w.field.restart()
	w.base.skip = 0
	w.wake.begin()
}

// wakeUp takes one block of the first rest.
func (w *Watch) wakeUp(e *entry) {
	k := &w.wake
	if k.n++; k.n <= 0 {
		return
	}
	if k.n == 1 {
		k.first, k.firstG, k.accel, k.gyro, k.temp = e.accel, e.gyro, r3.Vec{}, r3.Vec{}, 0
	}
	// Still enough, or given up. The accelerometer does not see a turn about the
	// vertical: the gyroscope's zero taken within one would never come right.
	limit := wakeSpread * w.sigma.tilt * degree * r3.Norm(e.accel)
	limitG := wakeSpread * w.sigma.turn * degree / BlockLength.Seconds()
	moves := r3.Norm(r3.Sub(e.accel, k.first)) > limit || w.sigma.gyro && r3.Norm(r3.Sub(e.gyro, k.firstG)) > limitG
	tries := wakeTriesBefore
	if w.armed {
		tries = wakeTries
	}
	if moves && k.tries < tries {
		k.n = 0
		k.tries++
		return
	}
	k.accel, k.gyro = r3.Add(k.accel, e.accel), r3.Add(k.gyro, e.gyro)
	k.temp += e.tempC
	if k.n < wakeBlocks {
		return
	}
	k.on = false
	n := float64(wakeBlocks)
	accel, temp := r3.Scale(1/n, k.accel), k.temp/n
	w.base.setBias(r3.Scale(1/n, k.gyro), n)
	if !w.gap.on {
		w.reframe(accel)
		return
	}
	up, side := w.frame.tilt(accel)
	w.closeGap(accel, up, side, temp)
}

// natural is how far the Earth's field turns by itself, 1 sigma degrees, in a
// time: 7′ in a night (median of 15 nights at the Boulder observatory, USGS data,
// January 2016), taken as reached after three hours.
func natural(d time.Duration) float64 {
	return 0.12 * math.Sqrt(min(1, d.Hours()/3))
}

// closeGap compares the pose after a gap with what was foretold from before it.
func (w *Watch) closeGap(accel r3.Vec, up, side, temp float64) {
	g := &w.gap
	s := &w.slow
	sin, cos := math.Sincos(w.head.theta * degree)
	v := square(w.sigma.tilt) / wakeBlocks
	vu0 := max(v, w.base.upScatter.variance())
	vs0 := max(v, w.base.sideScatter.variance())
	du, ds, vu, vs := s.surprise(&g.snap, &minute{at: w.at, up: up, side: side, vUp: vu0, vSide: vs0, tempC: temp, sin: sin, cos: cos})
	far := math.Hypot(du, ds) > farDeg
	if w.head.on {
		// The head may have turned on or not: only altitude says anything.
		far = math.Abs(du) > farDeg
		ds, vs = 0, du*du+vu
	}
	// What happened about the vertical only the field tells, if anything does.
	vertical, vVertical, unseen := 0.0, 0.0, true
	if after, ok := w.field.rest(); ok && g.hasHeading && !w.head.on {
		turn, sigma := w.headingChange(g.heading, after, g.to-g.from)
		if !math.IsNaN(turn) {
			vertical, vVertical, unseen = turn, sigma*sigma, false
			if turn*turn < realLimit*sigma*sigma {
				// Not proven: it stays a doubt.
				vertical = 0
			}
		}
	}
	k := w.frame.sky(du, ds, vertical)
	m := Move{
		UpDeg: du, UpSigmaDeg: math.Sqrt(vu),
		EastDeg:      w.east(k.left),
		EastSigmaDeg: math.Sqrt(square(w.frame.cos)*vVertical + square(w.frame.sin)*vs),
		RollDeg:      k.roll, RollSigmaDeg: math.Sqrt(square(w.frame.sin)*vVertical + square(w.frame.cos)*vs),
	}
	if far {
		m.UpDeg = (math.Asin(newFrame(accel).sin) - math.Asin(w.frame.sin)) / degree
		m.EastSigmaDeg = max(m.EastSigmaDeg, math.Hypot(du, ds))
	}
	tilt := du*du/vu + ds*ds/vs
	moved := (tilt > creepLimit && math.Hypot(du, ds) > minCreepDeg) || vertical != 0
	if g.armed && w.armed {
		f := Finding{ID: w.nextID(), Final: true, Kind: Gap, Alarm: moved, Start: g.from, VerticalUnseen: unseen}
		f.Move = m
		if moved {
			w.moved.add(m)
		}
		after := w.soFar()
		w.tell(f, &after)
	}
	w.gap.on = false
	if far || !w.armed {
		w.reframe(accel)
		return
	}
	if moved {
		s.step(du, ds, vu, vs)
	}
	w.head.zero = side
	w.base.moveTo(accel, up, side)
	if w.settling {
		w.settle()
	}
}
