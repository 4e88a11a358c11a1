package watch

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// baseline is the rest pose and the gyroscope's offset: averages of half a
// minute that end three seconds ago, so that no move that is just being noticed
// is part of them.
type baseline struct {
	_        [0]func() // never compared: no code for that
	n        float64
	accel    r3.Vec // base axes
	up, side float64
	// fast and slow are the gyroscope's mean rate over half a minute and three
	// times that, rad/s, body axes; bias is what both foretell for now.
	fast, slow, bias r3.Vec
	biasN            float64
	// upScatter and sideScatter are of the mean over settledBlocks against the
	// baseline.
	upScatter, sideScatter scatter
	skip                   int // blocks not to be taken
	known                  int // blocks taken since the sensor came
}

const (
	baselineBlocks = 300
	slowBlocks     = 900
	// settledBlocks is how long the pose after a move is averaged.
	settledBlocks = 25
)

func (b *baseline) init(n *noise) {
	s := n.tilt * math.Sqrt(1.0/settledBlocks+1.0/baselineBlocks)
	b.upScatter, b.sideScatter = newScatter(s), newScatter(s)
}

// restart at a rest pose that is the frame's zero.
func (b *baseline) restart(a r3.Vec) {
	b.n, b.accel, b.up, b.side = settleBlocks, a, 0, 0
}

// moveTo is the pose after a move, averaged over settledBlocks.
func (b *baseline) moveTo(accel r3.Vec, up, side float64) {
	b.n, b.accel, b.up, b.side = settledBlocks, accel, up, side
}

func (b *baseline) absorb(e *entry) {
	b.known++
	b.n = min(b.n+1, baselineBlocks)
	k := 1 / b.n
	b.accel = r3.Add(b.accel, r3.Scale(k, r3.Sub(e.accel, b.accel)))
	b.up += k * (e.x[tiltUp] - b.up)
	b.side += k * (e.x[tiltSide] - b.side)
	b.biasN = min(b.biasN+1, slowBlocks)
	b.fast = r3.Add(b.fast, r3.Scale(1/min(b.biasN, baselineBlocks), r3.Sub(e.gyro, b.fast)))
	b.slow = r3.Add(b.slow, r3.Scale(1/b.biasN, r3.Sub(e.gyro, b.slow)))
	// A steady drift leaves the two behind by their memories: half of their
	// difference is what the fast one lacks.
	b.bias = r3.Add(b.fast, r3.Scale(0.5, r3.Sub(b.fast, b.slow)))
}

// setBias begins with the mean of n blocks.
func (b *baseline) setBias(rate r3.Vec, n float64) {
	b.fast, b.slow, b.bias, b.biasN = rate, rate, rate, n
}

// absorb takes the block that leaves the short memory into everything slow.
func (w *Watch) absorb(e *entry) {
	if w.base.skip > 0 {
		w.base.skip--
		return
	}
	w.base.absorb(e)
	if w.long.add(e) {
		w.second()
	}
	w.slow.add(w, e)
	if w.settling {
		w.settle()
	}
}

// second is called once per second of undisturbed blocks.
func (w *Watch) second() {
	w.headSecond()
	w.slipTest()
}
