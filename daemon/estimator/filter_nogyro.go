package estimator

import "math"

// Without a gyroscope the attitude is free to turn at these rates, rad/√s.
const (
	freeTurnMoving = 1.0
	freeTurnRest   = 0.002
	// freeHeadingRest is larger: gravity does not show a turn about it.
	freeHeadingRest = 0.05
	// freeTilt is the least sigma of the tilt while moving, rad.
	freeTilt = 0.05
)

// levelOnly is the tilt update of a board without gyroscope: the mean specific
// force is gravity, give or take the motion.
func (f *Filter) levelOnly() {
	t := &f.tilt
	q := square(freeTurnMoving)
	if f.still.rest {
		q = square(freeTurnRest)
	}
	e := t.impulse
	h := math.Hypot(e[0], e[1])
	angle := math.Atan2(h, e[2])
	if h == 0 {
		h = 1
	}
	v := (t.motion + square(f.tune.accelFloor)) / square(gravity)
	if !f.still.rest {
		v = max(v, square(freeTilt))
	}
	var y [2]float64
	for i, c := range [2]float64{e[1] / h, -e[0] / h} {
		p := min(t.p[i][i]+q*t.span, square(math.Pi))
		k := p / (p + v)
		t.p[i][i] = p * (1 - k)
		y[i] = k * angle * c
	}
	f.turnBy(y[0], y[1])
}

// freeHeading is the variance of the turn about the vertical since the last
// update, rad².
func (f *Filter) freeHeading() float64 {
	free := freeTurnMoving
	if f.still.rest {
		free = freeHeadingRest
	}
	return square(free) * f.tilt.span
}
