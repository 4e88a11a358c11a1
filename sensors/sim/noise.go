package sim

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// Random channels: what is drawn for one moment in one chip for different
// purposes must not be the same numbers.
const (
	channelAccel uint64 = iota + 1
	channelGyro
	channelMag
	channelTemp
	channelWander
	channelPulse
	channelStray
	channelTrim
	channelTypical
	channelCorrupt
)

// dice draws numbers that depend on seed, channel and moment alone.
type dice struct {
	pcg rand.PCG
	r   *rand.Rand
}

func newDice() *dice {
	d := &dice{}
	d.r = rand.New(&d.pcg)
	return d
}

// at sets the dice for one moment. The result is valid until the next call.
func (d *dice) at(seed, channel uint64, t time.Duration) *rand.Rand {
	d.pcg.Seed(mix(seed+channel*0x9e3779b97f4a7c15), mix(uint64(t)^channel))
	return d.r
}

func (d *dice) norm3() r3.Vec {
	return r3.Vec{X: d.r.NormFloat64(), Y: d.r.NormFloat64(), Z: d.r.NormFloat64()}
}

// mix is the output function of SplitMix64 (Steele, Lea, Flood 2014): it
// spreads neighbouring seeds over the whole range.
func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// bandwidth turns a noise density into the noise of output samples: white
// noise through a first-order low-pass of bw Hz at the internal rate, of which
// every (internal/out)-th sample is kept. gain is 1 sigma of a sample per unit
// of density, in √Hz; corr the correlation of neighbouring output samples.
// Without decimation (internal = out) the density at low frequency is that of
// the input whatever the bandwidth; with it, what lies above out/2 folds back,
// as it does in chips that drop samples.
func bandwidth(bw, internal, out float64) (gain, corr float64) {
	if out > internal {
		internal = out
	}
	a := math.Exp(-2 * math.Pi * bw / internal)
	gain = math.Sqrt(internal / 2 * (1 - a) / (1 + a))
	return gain, math.Pow(a, internal/out)
}

// hiss is unit-variance noise on a grid, three axes, correlated from sample to
// sample by corr. It is a function of the grid alone: however samples are
// skipped, sample n is the same. To that end the noise runs in blocks; each
// starts from a stationary draw that lies so far before the block that the
// seam is invisible.
type hiss struct {
	seed, channel uint64
	dice          *dice
	corr          float64
	lead, block   int64

	// x is the noise of sample n of the grid that began at start.
	x     r3.Vec
	n     int64
	start time.Duration
	valid bool
}

// shape sets the correlation and forgets the past.
func (h *hiss) shape(corr float64) {
	h.corr, h.valid = corr, false
	if corr < whiteBelow {
		h.corr = 0
		return
	}
	h.lead = int64(math.Ceil(-8 / math.Log(corr))) // e^-8 of memory is left
	h.block = max(256, 4*h.lead)
}

// whiteBelow is the correlation that nobody could measure.
const whiteBelow = 1e-3

// at is the noise of sample n of g.
func (h *hiss) at(g *grid, n int64) r3.Vec {
	if h.corr == 0 {
		h.dice.at(h.seed, h.channel, g.time(n))
		return h.dice.norm3()
	}
	first := n - n%h.block
	if !h.valid || h.start != g.start || h.n < first || h.n > n {
		h.n, h.start, h.valid = first-h.lead, g.start, true
		h.dice.at(h.seed, h.channel, g.time(h.n))
		h.x = h.dice.norm3()
	}
	fresh := math.Sqrt(1 - h.corr*h.corr)
	for h.n < n {
		h.n++
		h.dice.at(h.seed, h.channel, g.time(h.n))
		h.x = r3.Add(r3.Scale(h.corr, h.x), r3.Scale(fresh, h.dice.norm3()))
	}
	return h.x
}
