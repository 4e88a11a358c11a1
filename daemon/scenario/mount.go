package scenario

import (
	"math"
	"sync"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

const degree = math.Pi / 180

// Attitude is the body-to-ENU rotation of an axis at the given altitude,
// azimuth (from north through east) and roll, degrees: body x along the axis,
// y to the left, z up.
func Attitude(altDeg, azDeg, rollDeg float64) quat.Number {
	z := rotation(r3.Vec{Z: 1}, (90-azDeg)*degree)
	y := rotation(r3.Vec{Y: 1}, -altDeg*degree)
	x := rotation(r3.Vec{X: 1}, rollDeg*degree)
	return quat.Mul(quat.Mul(z, y), x)
}

// Direction is the altitude and azimuth, degrees, of body x.
func Direction(q quat.Number) (altDeg, azDeg float64) {
	v := rotate(q, r3.Vec{X: 1})
	altDeg = math.Atan2(v.Z, math.Hypot(v.X, v.Y)) / degree
	azDeg = math.Mod(math.Atan2(v.X, v.Y)/degree+360, 360)
	return altDeg, azDeg
}

// Mount is a tripod head with two adjusters on a base that is not quite level.
// Its methods may be called from several goroutines.
type Mount struct {
	path *Path
	mu   sync.Mutex
	// up is the base's vertical and hinge the altitude axis, both in ENU.
	up, hinge r3.Vec
	// backlash is lost when an adjuster turns the other way, degrees.
	backlash      float64
	altWay, azWay float64
}

// newMount sets the tripod up: the base leans by leanDeg towards leanAzDeg, the
// axis points to the given altitude and azimuth.
func newMount(path *Path, altDeg, azDeg, leanDeg, leanAzDeg, backlashDeg float64) *Mount {
	lean := rotation(r3.Vec{X: -math.Cos(leanAzDeg * degree), Y: math.Sin(leanAzDeg * degree)}, leanDeg*degree)
	level := Attitude(altDeg, azDeg, 0)
	q := quat.Mul(lean, level)
	path.TurnTo(path.End(), 0, q)
	return &Mount{
		path: path, backlash: backlashDeg,
		up:    rotate(lean, r3.Vec{Z: 1}),
		hinge: rotate(q, r3.Vec{Y: 1}),
	}
}

// Raise turns the altitude adjuster by deg (negative lowers) from start on.
func (m *Mount) Raise(start, duration time.Duration, deg float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	deg = m.slack(&m.altWay, deg)
	m.path.Turn(start, duration, m.hinge, -deg*degree)
}

// TurnAzimuth turns the azimuth adjuster by deg in the sense of growing azimuth.
func (m *Mount) TurnAzimuth(start, duration time.Duration, deg float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	deg = m.slack(&m.azWay, deg)
	m.path.Turn(start, duration, m.up, -deg*degree)
	m.hinge = rotate(rotation(m.up, -deg*degree), m.hinge)
}

// Bump turns the whole tripod by a small rotation vector (degrees, ENU) from
// start on, as a foot against a leg does, and returns when it is over.
func (m *Mount) Bump(start time.Duration, byDeg r3.Vec) time.Duration {
	const takes = 300 * time.Millisecond
	m.mu.Lock()
	defer m.mu.Unlock()
	q := small(r3.Scale(degree, byDeg))
	m.up, m.hinge = rotate(q, m.up), rotate(q, m.hinge)
	m.path.Turn(start, takes, byDeg, r3.Norm(byDeg)*degree)
	return start + takes
}

// Knock moves the axis on the night sky by upDeg (higher) and eastDeg (arc to the
// east) within takes, as a kick or a sinking leg does to the whole tripod.
func (m *Mount) Knock(start, takes time.Duration, upDeg, eastDeg float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	q, _ := m.path.At(max(start, m.path.End()))
	alt, az := Direction(q)
	sin, cos := math.Sincos(az * degree)
	left := r3.Vec{X: -cos, Y: sin}
	// Seen from above, a turn to the left is positive; east is to the right of who
	// faces north and to the left of who faces south.
	turn := -eastDeg / max(math.Cos(alt*degree), 0.01)
	if cos < 0 {
		turn = -turn
	}
	by := r3.Add(r3.Scale(-upDeg, left), r3.Vec{Z: turn})
	n := r3.Norm(by)
	if n == 0 {
		return
	}
	r := small(r3.Scale(degree, by))
	m.up, m.hinge = rotate(r, m.up), rotate(r, m.hinge)
	m.path.Turn(start, takes, by, n*degree)
}

// TurnHead turns the tracker's head about its axis by deg from start on,
// right-handed about the direction of the axis toward the night sky.
func (m *Mount) TurnHead(start, duration time.Duration, deg float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	q, _ := m.path.At(max(start, m.path.End()))
	m.path.Turn(start, duration, rotate(q, r3.Vec{X: 1}), deg*degree)
}

// slack takes the backlash off the first part of a turn that reverses.
func (m *Mount) slack(way *float64, deg float64) float64 {
	if deg == 0 {
		return 0
	}
	s := math.Copysign(1, deg)
	if *way != 0 && s != *way {
		deg -= s * min(m.backlash, math.Abs(deg))
	}
	*way = s
	return deg
}
