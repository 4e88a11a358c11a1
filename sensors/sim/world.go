package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// Environment is the physical state at the board, in the board's axes
// (right-handed).
type Environment struct {
	// Force is the specific force in m/s²: at rest +g on the axis that points up.
	Force r3.Vec
	// Rate is the angular rate in rad/s, right-handed about each axis.
	Rate r3.Vec
	// FieldUT is the magnetic flux density in µT.
	FieldUT r3.Vec
	// TempC is the temperature of the board in °C, without the chips' own heat.
	TempC float64
}

// World tells the chips what there is to measure.
//
// At is called while the bus is locked: it must not use the bus. A chip asks
// for times that never go back, but several chips on several buses may ask in
// any order and at once, so a World with state needs its own lock. The time
// may lie up to one transfer ahead of the clock, because a chip can finish a
// sample while it is being read.
type World interface {
	At(t time.Duration) Environment
}

// Still is a World that never changes.
type Still Environment

// At is the same at all times.
func (s Still) At(time.Duration) Environment { return Environment(s) }

// WorldFunc is a function of time used as a World.
type WorldFunc func(t time.Duration) Environment

// At calls f.
func (f WorldFunc) At(t time.Duration) Environment { return f(t) }

// matrix is a 3x3 matrix by rows.
type matrix [9]float64

var identity = matrix{1, 0, 0, 0, 1, 0, 0, 0, 1}

// matrixOf copies m; nil is the identity.
func matrixOf(m *r3.Mat) matrix {
	if m == nil {
		return identity
	}
	var out matrix
	for i := range out {
		out[i] = m.At(i/3, i%3)
	}
	return out
}

func (m *matrix) of(v r3.Vec) r3.Vec {
	return r3.Vec{
		X: m[0]*v.X + m[1]*v.Y + m[2]*v.Z,
		Y: m[3]*v.X + m[4]*v.Y + m[5]*v.Z,
		Z: m[6]*v.X + m[7]*v.Y + m[8]*v.Z,
	}
}

// times is the product m·n: first n, then m.
func (m *matrix) times(n *matrix) matrix {
	var out matrix
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				out[3*i+j] += m[3*i+k] * n[3*k+j]
			}
		}
	}
	return out
}

func product(a, b r3.Vec) r3.Vec { return r3.Vec{X: a.X * b.X, Y: a.Y * b.Y, Z: a.Z * b.Z} }

func every(v float64) r3.Vec { return r3.Vec{X: v, Y: v, Z: v} }

// counts quantises v to the nearest multiple of lsb, limited to lo and hi.
// What is not a number reads as zero.
func counts(v, lsb float64, lo, hi int32) int32 {
	c := math.Round(v / lsb)
	switch {
	case c >= float64(hi):
		return hi
	case c <= float64(lo):
		return lo
	case math.IsNaN(c):
		return 0
	}
	return int32(c)
}

// counts3 quantises the three axes of v.
func counts3(v r3.Vec, lsb float64, lo, hi int32) [3]int32 {
	return [3]int32{counts(v.X, lsb, lo, hi), counts(v.Y, lsb, lo, hi), counts(v.Z, lsb, lo, hi)}
}
