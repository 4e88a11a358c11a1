package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// gapAfter is the longest time between blocks that is no gap.
const gapAfter = time.Second

// Block takes one block. Blocks must come in the order of time; those of
// Inertial and Magnetic do.
func (w *Watch) Block(b Block) {
	if !finite(b.Accel) || !finite(b.Gyro) || b.N < 1 || (w.seen && b.At <= w.at) || r3.Norm2(b.Accel) == 0 {
		w.refuse++
		return
	}
	dt := BlockLength.Seconds()
	switch {
	case !w.seen:
		w.slow.since = b.At - BlockLength
		w.wake.begin()
	case b.At-w.at > gapAfter:
		w.loseSight(b.At)
	default:
		dt = (b.At - w.at).Seconds()
	}
	w.at, w.seen, w.tempC = b.At, true, b.TempC
	w.head.advance(dt)
	w.fieldBlock(&b)

	e := entry{at: b.At, gyro: b.Gyro, tempC: b.TempC}
	e.accel = b.Accel
	rate := r3.Sub(b.Gyro, w.base.bias)
	if w.head.on {
		e.accel = toBase(e.accel, w.head.sin, w.head.cos)
		rate = toBase(rate, w.head.sin, w.head.cos)
	}
	if w.wake.on {
		w.wakeUp(&e)
		return
	}
	up, side := w.frame.tilt(e.accel)
	if b.Clipped && w.short.n > 0 {
		// A shock beyond the range says nothing of the tilt.
		prev := w.short.at(0)
		up, side, e.accel = prev.x[tiltUp], prev.x[tiltSide], prev.accel
	}
	e.x[tiltUp], e.x[tiltSide] = up, side
	if w.sigma.gyro {
		k := dt / degree
		turn := [3]float64{k * r3.Dot(rate, w.frame.l), k * r3.Dot(rate, w.frame.f), k * r3.Dot(rate, w.frame.u)}
		var sum float64
		for i := range 3 {
			w.angle[i] += turn[i]
			e.x[turnLeft+i] = w.angle[i]
			sum += turn[i] * turn[i]
		}
		e.active = sum > 3*activeLimit*w.short.rate.variance()
		w.short.rate.see(math.Sqrt(sum / 3))
		w.shake.turn(turn[0], w.frame.cos*turn[2]-w.frame.sin*turn[1], dt)
	}
	w.shake.add(w, &b, up, side)

	if w.short.n >= shortRing && !w.event.on {
		// Nothing slow is learned while the mount moves.
		leaving := *w.short.at(shortRing - 1)
		w.absorb(&leaving)
	}
	p := w.short.push(e)
	if w.short.full() {
		w.knockTest(p)
	} else {
		p.alert = [3]float64{w.short.up.alert(), w.short.left.alert(), w.short.roll.alert()}
	}
}
