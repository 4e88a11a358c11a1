package estimator

import (
	"math"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// carrier turns a field along with the mount from one rest to the next by the
// gyroscope alone, with the offset that this very rest has shown: a second of
// rest gives it to some thousandths of a degree per second, while a filter that
// learns during the movement mixes it with the errors of scale and axes.
type carrier struct {
	ok     bool
	q      quat.Number // body now to body at the rest
	offset r3.Vec
	sigma  float64 // 1 sigma of offset about one axis, rad/s
	began  time.Duration
	last   time.Duration
	rate   r3.Vec
	// turned is the turn of the azimuth so far, rad, clockwise; path the angle
	// turned about any axis.
	turned, path float64
}

// carryOffset is what a gyroscope's offset wanders from a rest into the movement
// that follows, rad/s, 1 sigma: 20°/h.
const carryOffset = 20 * degree / 3600

// carryBlocks is how many quiet blocks the gyroscope's offset must rest on. A hand
// that begins to turn the board about the vertical looks like rest for a second
// while the offset is not known, and its rate would be taken for the offset.
const carryBlocks = 50

// begin starts at a rest whose mean rate over some blocks is known.
func (c *carrier) begin(at time.Duration, offset, variance r3.Vec) {
	v := max(variance.X, variance.Y, variance.Z)
	*c = carrier{ok: true, q: quat.Number{Real: 1}, offset: offset, sigma: math.Sqrt(v + carryOffset*carryOffset), began: at, last: at}
}

// add takes one sample; up is the vertical in body axes.
func (c *carrier) add(at time.Duration, gyro, up r3.Vec) {
	if !c.ok {
		return
	}
	w := r3.Sub(gyro, c.offset)
	dt := (at - c.last).Seconds()
	c.last = at
	mid := r3.Scale(dt/2, r3.Add(c.rate, w))
	c.rate = w
	c.q = unit(quat.Mul(c.q, turnBy(mid.X, mid.Y, mid.Z)))
	c.path += r3.Norm(mid)
	c.turned -= r3.Dot(mid, up)
}

// field brings a vector of the rest, where up was up0, into the body now, where
// it is up. What tilt the gyroscope got wrong, gravity corrects.
func (c *carrier) field(v, up0, up r3.Vec) r3.Vec {
	v, tilted := rotateInverse(c.q, v), r3.Unit(rotateInverse(c.q, up0))
	u := r3.Unit(up)
	axis := r3.Cross(tilted, u)
	s := r3.Norm(axis)
	if s < 1e-12 {
		return v
	}
	h := math.Atan2(s, r3.Dot(tilted, u)) / s
	return rotateInverse(quat.Conj(turnBy(h*axis.X, h*axis.Y, h*axis.Z)), v)
}

// sigmaDeg is the doubt of a heading carried so far; scale is the gyroscope's.
func (c *carrier) sigmaDeg(noise, scale float64) float64 {
	t := (c.last - c.began).Seconds()
	v := square(noise)/2*t + square(c.sigma*t) + square(scale*c.path)
	return math.Hypot(carryFixedDeg, math.Sqrt(v)/degree)
}
