package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// Channels of the short and the long memory, degrees: tilt as the accelerometer
// sees it, and the angle turned about left, forward and up as the gyroscope
// does.
const (
	tiltUp = iota
	tiltSide
	turnLeft
	turnForward
	turnUp
	channels
)

// Windows of the short memory, blocks.
const (
	afterBlocks  = 6
	apartBlocks  = 8
	beforeBlocks = 15
	shortBlocks  = afterBlocks + apartBlocks + beforeBlocks
	shortRing    = 32
)

// entry is one block in the short memory.
type entry struct {
	at     time.Duration
	x      [channels]float64
	sum    [channels]float64 // of x since the restart
	accel  r3.Vec            // base axes
	gyro   r3.Vec            // body axes
	tempC  float64
	active bool
	alert  [3]float64 // variances of up, left and roll at that time
}

// short is the memory of the last three seconds.
type short struct {
	_      [0]func() // never compared: no code for that
	ring   [shortRing]entry
	n      int // blocks since the restart
	weight float64
	// up, left and roll scatter as differences of the windows, vertical as the
	// gyroscope's part of them, rate as the turn in one block.
	up, left, roll, vertical scatter
	rate                     scatter
	noise                    *noise
}

// spread of differences: of window means of white noise, and of window means of
// an angle that walks, in units of the variance of a block.
const (
	whiteShort = 1.0/afterBlocks + 1.0/beforeBlocks
	walkShort  = apartBlocks + (afterBlocks+beforeBlocks)/3.0
)

func (s *short) init(n *noise) {
	s.noise = n
	va, vg := n.tilt*n.tilt*whiteShort, n.turn*n.turn*walkShort
	s.weight = 1
	fused := va
	if n.gyro {
		s.weight = vg / (va + vg)
		fused = va * vg / (va + vg)
	}
	s.up = newScatter(math.Sqrt(fused))
	s.left = newScatter(math.Sqrt(max(fused, vg)))
	if !n.gyro {
		s.left = newScatter(math.Sqrt(va))
	}
	s.roll = s.left
	s.vertical = newScatter(math.Sqrt(vg))
	s.rate = newScatter(n.turn)
}

func (s *short) restart() { s.n = 0 }

// at is the entry that is back blocks old.
func (s *short) at(back int) *entry { return &s.ring[(s.n-1-back)&(shortRing-1)] }

func (s *short) push(e entry) *entry {
	if s.n == 0 {
		e.sum = e.x
	} else {
		prev := &s.at(0).sum
		for c := range channels {
			e.sum[c] = prev[c] + e.x[c]
		}
	}
	s.n++
	p := s.at(0)
	*p = e
	return p
}

// full reports whether the windows are filled; one more block is needed for the
// sums.
func (s *short) full() bool { return s.n > shortBlocks }

// mean over the n newest blocks.
func (s *short) mean(c, n int) float64 { return (s.at(0).sum[c] - s.at(n).sum[c]) / float64(n) }

// difference of the two windows, all channels.
func (s *short) difference() (d [channels]float64) {
	now, a := &s.at(0).sum, &s.at(afterBlocks).sum
	b, c := &s.at(afterBlocks+apartBlocks).sum, &s.at(shortBlocks).sum
	for k := range channels {
		d[k] = (now[k]-a[k])/afterBlocks - (b[k]-c[k])/beforeBlocks
	}
	return d
}

// sky is a difference on the night sky: up, to the left, and roll about the axis,
// degrees, with the gyroscope's part of the vertical.
type sky struct{ up, left, roll, vertical float64 }

// onSky joins accelerometer, with the given weight, and gyroscope. On the head
// the side is the gyroscope's alone: the accelerometer sees the head turn there.
func (w *Watch) onSky(d *[channels]float64, weight float64) sky {
	side := weight
	if w.head.on && w.sigma.gyro {
		side = 0
	}
	up := weight*d[tiltUp] - (1-weight)*d[turnLeft]
	s := side*d[tiltSide] + (1-side)*d[turnForward]
	return w.frame.sky(up, s, d[turnUp])
}

// sky puts tilts up and to the side and a turn about the vertical onto the night sky.
func (r *frame) sky(up, side, vertical float64) sky {
	return sky{
		up:       up,
		left:     r.cos*vertical - r.sin*side,
		roll:     r.sin*vertical + r.cos*side,
		vertical: vertical,
	}
}
