package estimator

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// A knob turned gently begins so smoothly that the gyroscope's offset takes part
// of the turn in. Afterwards the mount stands, and the gyroscope, less that
// offset, says that it turns. Gravity and the field decide: a turn of that rate
// would move them, and soon by more than their noise.

// proof keeps the newest blocks while gravity is quiet.
type proof struct {
	ring [proofBlocks]proofBlock // newest at n-1
	n    int
}

type proofBlock struct {
	accel, gyro, field r3.Vec
	nm                 float64
}

const (
	proofBlocks = 30 // 3 s
	// proofSigma is by how many sigmas a turn would have to show, proofShare the
	// share of it below which, or proofNoise the number of sigmas within which, it
	// did not happen.
	proofSigma = 7.0
	proofShare = 0.1
	proofNoise = 2.5
)

func (p *proof) add(b *block, a, g r3.Vec) {
	if p.n == proofBlocks {
		copy(p.ring[:], p.ring[1:])
		p.n--
	}
	x := proofBlock{accel: a, gyro: g, nm: b.nm}
	if b.nm > 0 {
		x.field = r3.Scale(1/b.nm, b.field)
	}
	p.ring[p.n] = x
	p.n++
}

// newest are the last n blocks.
func (p *proof) newest(n int) []proofBlock { return p.ring[p.n-n : p.n] }

// halves are the means over the older and the newer half of some blocks.
func halves(blocks []proofBlock) (old, young proofBlock) {
	n := len(blocks)
	for k := range blocks {
		x, to := &blocks[k], &old
		if k >= n/2 {
			to = &young
		}
		to.accel = r3.Add(to.accel, r3.Scale(2/float64(n), x.accel))
		to.gyro = r3.Add(to.gyro, r3.Scale(2/float64(n), x.gyro))
		// Blocks hold one reading more or less: weigh by them.
		to.field = r3.Add(to.field, r3.Scale(x.nm, x.field))
		to.nm += x.nm
	}
	if old.nm > 0 && young.nm > 0 {
		old.field, young.field = r3.Scale(1/old.nm, old.field), r3.Scale(1/young.nm, young.field)
	}
	return old, young
}

// stood is the gyroscope's true offset if the blocks prove that nothing turned
// although the gyroscope, less the offset that is known, says so. Their number
// must be even.
func stood(blocks []proofBlock, known, accelVariance r3.Vec, fieldNoise float64) (offset r3.Vec, ok bool) {
	old, young := halves(blocks)
	if old.nm == 0 || young.nm == 0 {
		return r3.Vec{}, false
	}
	half := float64(len(blocks)) / 2
	mean := r3.Scale(0.5, r3.Add(old.gyro, young.gyro))
	turn := r3.Scale(half*blockSeconds, r3.Sub(mean, known))
	av := math.Sqrt(2 * max(accelVariance.X, accelVariance.Y, accelVariance.Z) / half)
	fv := fieldNoise * math.Sqrt(1/old.nm+1/young.nm)
	ok = shown(turn, old.field) > proofSigma*fv && stayed(turn, old.field, young.field, fv) && stayed(turn, old.accel, young.accel, av)
	return young.gyro, ok
}

// shown is by how much a turn would move a vector.
func shown(turn, v r3.Vec) float64 { return r3.Norm(r3.Cross(turn, v)) }

// stayed reports that a vector moved by less than its share of the turn, or by no
// more than noise.
func stayed(turn, before, after r3.Vec, sigma float64) bool {
	return r3.Norm(r3.Sub(after, before)) < max(proofShare*shown(turn, before), proofNoise*sigma)
}
