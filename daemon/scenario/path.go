package scenario

import (
	"math"
	"sync"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Path is the attitude of a body over time: rests joined by turns about fixed
// axes, each begun and ended smoothly. It grows at its end; readers may look a
// little back. It is safe for concurrent use.
type Path struct {
	mu    sync.Mutex
	turns []turn
}

// turn rotates the body from attitude from (body to world) by angle about axis,
// given in world axes.
type turn struct {
	start, end time.Duration
	from       quat.Number
	axis       r3.Vec
	angle      float64
}

// pathMemory is how many turns are kept for readers that look back.
const pathMemory = 64

// NewPath begins with a rest in attitude q.
func NewPath(q quat.Number) *Path {
	return &Path{turns: []turn{{start: math.MinInt64, end: math.MinInt64, from: q, axis: r3.Vec{Z: 1}}}}
}

// Turn appends a rotation by angle (rad, right-handed) about axis in world
// axes, not before the turn before it has ended.
func (p *Path) Turn(start, duration time.Duration, axis r3.Vec, angle float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	last := p.turns[len(p.turns)-1]
	start = max(start, last.end)
	from, _ := last.at(start)
	if len(p.turns) == pathMemory {
		p.turns = append(p.turns[:0], p.turns[1:]...)
	}
	p.turns = append(p.turns, turn{start: start, end: start + duration, from: from, axis: r3.Unit(axis), angle: angle})
}

// TurnTo appends the shortest rotation to attitude q.
func (p *Path) TurnTo(start, duration time.Duration, q quat.Number) {
	from, _ := p.At(max(start, p.End()))
	d := quat.Mul(q, quat.Conj(from))
	if d.Real < 0 {
		d = quat.Scale(-1, d)
	}
	s := math.Sqrt(d.Imag*d.Imag + d.Jmag*d.Jmag + d.Kmag*d.Kmag)
	if s == 0 {
		return
	}
	p.Turn(start, duration, r3.Vec{X: d.Imag, Y: d.Jmag, Z: d.Kmag}, 2*math.Atan2(s, d.Real))
}

// End is when the last turn ends.
func (p *Path) End() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.turns[len(p.turns)-1].end
}

// At gives the attitude (body to world) and the angular rate in body axes.
func (p *Path) At(t time.Duration) (q quat.Number, rate r3.Vec) {
	p.mu.Lock()
	defer p.mu.Unlock()
	k := len(p.turns) - 1
	for k > 0 && p.turns[k].start > t {
		k--
	}
	return p.turns[k].at(t)
}

func (u *turn) at(t time.Duration) (quat.Number, r3.Vec) {
	if u.angle == 0 || t <= u.start {
		return u.from, r3.Vec{}
	}
	total := (u.end - u.start).Seconds()
	x := 1.0
	var speed float64
	if t < u.end {
		x = (t - u.start).Seconds() / total
		speed = 30 * x * x * (1 - x) * (1 - x) / total
		x = x * x * x * (10 + x*(6*x-15))
	}
	q := quat.Mul(rotation(u.axis, u.angle*x), u.from)
	return q, rotate(quat.Conj(q), r3.Scale(u.angle*speed, u.axis))
}

// rotation is the unit quaternion of a right-handed rotation about a unit axis.
func rotation(axis r3.Vec, angle float64) quat.Number {
	s, c := math.Sincos(angle / 2)
	return quat.Number{Real: c, Imag: s * axis.X, Jmag: s * axis.Y, Kmag: s * axis.Z}
}

func rotate(q quat.Number, v r3.Vec) r3.Vec {
	p := quat.Mul(quat.Mul(q, quat.Number{Imag: v.X, Jmag: v.Y, Kmag: v.Z}), quat.Conj(q))
	return r3.Vec{X: p.Imag, Y: p.Jmag, Z: p.Kmag}
}
