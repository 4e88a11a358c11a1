package watch

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Beyond farDeg a move is no small angle any more; a frame that has leaned by
// newFrameDeg is taken anew.
const (
	farDeg      = 3.0
	newFrameDeg = 0.5
)

// finishFar ends an event that turned the board by degrees: the head turned by
// hand, or the whole tripod carried off. Altitude is exact; on the head, what
// the axis did sideways cannot be told from the turn of the head.
func (w *Watch) finishFar(accel r3.Vec) {
	ev := &w.event
	old := w.frame
	fresh := newFrame(accel)
	up := (math.Asin(max(-1, min(1, fresh.sin))) - math.Asin(max(-1, min(1, old.sin)))) / degree
	rest := w.base.accel
	v := w.base.upScatter.variance() + square(w.opt.AccelScaleSigma*farDeg)
	turn := ev.turn()
	scale := square(w.opt.GyroScaleSigma) * (square(turn[0]) + square(turn[1]) + square(turn[2]))
	roll := math.Atan2(accel.Y, accel.Z)/degree - math.Atan2(rest.Y, rest.Z)/degree
	roll = math.Remainder(roll, 360)
	m := Move{UpDeg: up, RollDeg: roll, RollSigmaDeg: math.Sqrt(v)}
	if w.head.on {
		nod := square(w.opt.NodSigmaDeg * 2 * math.Sin(roll*degree/2))
		m.UpSigmaDeg = math.Sqrt(v + nod)
		m.EastSigmaDeg = math.Sqrt(w.turnVariance(ev.span) + scale + nod)
		if square(m.UpDeg) < realLimit*square(m.UpSigmaDeg) {
			ev.kind = Roll
		}
		w.head.turn(roll)
	} else {
		m.UpSigmaDeg = math.Sqrt(v)
		k := old.sky(up, turn[1], turn[2])
		m.EastDeg = w.east(k.left)
		// Angles are no vectors any more: of a turn of 10° the order matters by 1°.
		m.EastSigmaDeg = math.Sqrt(w.turnVariance(ev.span) + scale + square(0.5*degree*(square(up)+square(roll)+square(turn[2]))))
		ev.kind = Knock
	}
	if w.reporting() {
		w.report(m, true)
	}
	ev.on = false
	w.last = lastEvent{}
	if w.head.on {
		accel = toBase(r3.Vec{X: accel.X, Y: accel.Y, Z: accel.Z}, math.Sin(roll*degree), math.Cos(roll*degree))
	}
	w.reframe(accel)
	w.base.skip = shortRing
	if !w.armed && !w.head.on {
		// Carried and set up: what was learned in the hands may be wrong.
		w.wake.begin()
	}
}
