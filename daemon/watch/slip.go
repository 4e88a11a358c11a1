package watch

import (
	"math"
	"time"
)

// zeroRateSpanC is the range of temperature over which a gyroscope's zero rate
// moves by about its tolerance (MPU-6050: ±20 °/s over -40 to 85 °C, PS-MPU-6000A-00
// table 6.1).
const zeroRateSpanC = 125

// thermalTurn is the false turn, 1 sigma degrees, that the change of temperature
// over the windows may make.
func (w *Watch) thermalTurn() float64 {
	l := &w.long
	d := l.ring[(l.n-1)%longRing].tempC - l.ring[(l.n-longSeconds)%longRing].tempC
	if math.IsNaN(d) {
		return 0
	}
	const apart = apartSeconds + (afterSeconds+beforeSeconds)/2.0
	return math.Abs(d) * apart * w.opt.Inertial.GyroOffset / zeroRateSpanC / degree
}

// slipTest looks for moves that take seconds.
func (w *Watch) slipTest() {
	l := &w.long
	if l.n < longSeconds || w.event.on {
		return
	}
	d := l.difference()
	s := w.onSky(&d, l.weight)
	warm := square(w.slow.warm(w.at-apartSeconds*time.Second) - w.slow.warm(w.at))
	turn := w.thermalTurn()
	vu, vl := l.up.alert()+warm+square((1-l.weight)*turn), l.left.alert()+warm+square(turn)
	z := s.up*s.up/vu + s.left*s.left/vl
	// Only what stands out counts for the size: with the gyroscope's doubt about
	// the vertical a small lean would else pass for a large move.
	size := math.Hypot(standing(s.up, vu), standing(s.left, vl))
	if z > knockLimit && size > minSlipDeg && !w.headSuspect(&s) {
		// A gust leans on the mount for a few seconds: it must last.
		if l.beyond++; l.beyond > afterSeconds {
			w.beginSlip(&d)
		}
		return
	}
	l.beyond = 0
	// What may be the beginning of a slip must not raise the limit for its end.
	old := l.waiting[l.n%learnAfter]
	l.waiting[l.n%learnAfter] = s
	if l.waited++; l.waited <= learnAfter {
		return
	}
	// Seconds overlap: the gain for blocks would follow too slowly.
	for range perSecond {
		l.up.see(old.up)
		l.left.see(old.left)
		l.vertical.see(old.vertical)
	}
}

// standing is x if it is beyond four sigma, else nothing.
func standing(x, variance float64) float64 {
	if x*x < 16*variance {
		return 0
	}
	return x
}

// beginSlip follows a move that takes seconds; d is the long memory's difference.
func (w *Watch) beginSlip(d *[channels]float64) {
	l := &w.long
	before := func(c int) float64 { return l.mean(c, afterSeconds+apartSeconds, beforeSeconds) }
	after := func(c int) float64 { return l.mean(c, 0, afterSeconds) }
	va := square(w.sigma.tilt) / (beforeSeconds * perSecond)
	ev := event{
		on: true, kind: Slip,
		start:   l.ring[(l.n-1-afterSeconds-apartSeconds)%longRing].at,
		up0:     before(tiltUp),
		side0:   before(tiltSide),
		vUp0:    va,
		vS0:     va,
		angle0:  [3]float64{before(turnLeft), before(turnForward), before(turnUp)},
		angle1:  [3]float64{after(turnLeft), after(turnForward), after(turnUp)},
		span:    (apartSeconds + (afterSeconds+beforeSeconds)/3.0) * perSecond,
		closed:  true,
		alert:   [2]float64{w.short.up.alert(), w.short.left.alert()},
		alarmed: w.alarm,
	}
	ev.from = [2]float64{ev.up0, ev.side0}
	if k := &w.last; k.event.kind == Slip && k.event.id != 0 && w.at-k.end < mergeAfter {
		p := &k.event
		ev.id, ev.told, ev.start, ev.counted, ev.alarmed = p.id, p.told, p.start, p.counted, p.alarmed
		ev.from = [2]float64{k.up, k.side}
		ev.up0, ev.side0, ev.vUp0, ev.vS0 = p.up0, p.side0, p.vUp0, p.vS0
		// The part before is in the angles as a turn already made.
		for i := range 3 {
			ev.angle0[i] -= p.angle1[i] - p.angle0[i]
		}
		ev.span += p.span
	}
	ev.elapsed = ev.span
	w.event = ev
	if w.reporting() {
		turn := ev.turn()
		vu, vs := w.long.up.variance(), w.long.up.variance()
		m := w.moveOf(after(tiltUp)-ev.up0, after(tiltSide)-ev.side0, vu, vs, turn, ev.span)
		w.report(m, false)
	}
}
