package watch

import "math"

// turnVariance is the variance of an angle from the gyroscope over n blocks: a
// part that grows with the time and one with its square, from the scatter that
// both memories measured.
func (w *Watch) turnVariance(n float64) float64 {
	n = max(n, 1)
	v1, v2 := w.short.vertical.variance(), w.long.vertical.variance()
	t1 := float64(walkShort)
	const t2 = (apartSeconds + (afterSeconds+beforeSeconds)/3.0) * perSecond
	b := max(0, (v2/t2-v1/t1)/(t2-t1))
	return max(v1/t1-b*t1, square(w.sigma.turn))*n + b*n*n
}

// joined weighs accelerometer and gyroscope; either may be absent (variance
// +Inf).
func joined(a, va, g, vg float64) (x, v float64) {
	switch {
	case math.IsInf(va, 1):
		return g, vg
	case math.IsInf(vg, 1):
		return a, va
	}
	k := vg / (va + vg)
	return k*a + (1-k)*g, va * vg / (va + vg)
}

// moveOf puts the change of tilt and the turn of an event onto the night sky. turn is
// about left, forward and up over span blocks.
func (w *Watch) moveOf(up, side, vUp, vSide float64, turn [3]float64, span float64) Move {
	size2 := up*up + side*side + square(turn[2])
	vUp += square(w.opt.AccelScaleSigma) * size2
	vSide += square(w.opt.AccelScaleSigma) * size2
	vTurn := math.Inf(1)
	vertical, vVertical := 0.0, 0.0
	if w.sigma.gyro {
		vTurn = w.turnVariance(span) + square(w.opt.GyroScaleSigma)*size2
		vertical, vVertical = turn[2], vTurn
	} else {
		// As much as is seen may have happened unseen.
		vVertical = size2
	}
	bend := w.frame.altitudeChange(up, side) - up // second order
	if w.head.on && w.sigma.gyro {
		vSide = math.Inf(1)
	}
	u, vu := joined(up, vUp, -turn[0], vTurn)
	s, vs := joined(side, vSide, turn[1], vTurn)
	k := w.frame.sky(u, s, vertical)
	left := k.left - 0.5*u*k.roll*degree
	m := Move{
		UpDeg: u + bend, UpSigmaDeg: math.Sqrt(vu),
		EastDeg:      w.east(left),
		EastSigmaDeg: math.Sqrt(square(w.frame.cos)*vVertical + square(w.frame.sin)*vs),
		RollDeg:      k.roll,
		RollSigmaDeg: math.Sqrt(square(w.frame.sin)*vVertical + square(w.frame.cos)*vs),
	}
	return m
}

// east turns a shift to the left of somebody who faces the pole.
func (w *Watch) east(left float64) float64 {
	if w.opt.South {
		return left
	}
	return -left
}
