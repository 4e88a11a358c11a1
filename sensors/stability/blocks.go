package stability

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// columns are the components of a row of vectors.
type columns [3][]float64

func vectors(n int) columns {
	return columns{make([]float64, n), make([]float64, n), make([]float64, n)}
}

func (c *columns) set(i int, v r3.Vec) { c[0][i], c[1][i], c[2][i] = v.X, v.Y, v.Z }

func (c *columns) add(v r3.Vec) {
	c[0], c[1], c[2] = append(c[0], v.X), append(c[1], v.Y), append(c[2], v.Z)
}

func (c *columns) at(i int) r3.Vec { return r3.Vec{X: c[0][i], Y: c[1][i], Z: c[2][i]} }

func (c *columns) middle() r3.Vec {
	return r3.Vec{X: median(c[0]), Y: median(c[1]), Z: median(c[2])}
}

// blocks cut the readings of a recording into equal stretches of time; those
// without a reading are left out.
type blocks struct {
	tS    []float64 // mean time of each, seconds from the first reading
	first []int     // index of its first reading; one more at the end
}

func newBlocks(t []time.Duration) blocks {
	n := min(maxBlocks, len(t)/readsPerBlock)
	if n < 1 {
		n = 1
	}
	span := t[len(t)-1] - t[0] + 1
	var b blocks
	last := -1
	for i, x := range t {
		k := int(float64(x-t[0]) / float64(span) * float64(n))
		if k != last {
			b.first = append(b.first, i)
			last = k
		}
	}
	b.first = append(b.first, len(t))
	s := make([]float64, len(t))
	for i, x := range t {
		s[i] = (x - t[0]).Seconds()
	}
	b.tS = b.means(s)
	return b
}

func (b blocks) means(v []float64) []float64 {
	out := make([]float64, len(b.first)-1)
	for k := range out {
		out[k] = mean(v[b.first[k]:b.first[k+1]])
	}
	return out
}

// temperature is that of each block, nil when one is not known.
func (b blocks) temperature(tempC []float64) []float64 {
	out := b.means(tempC)
	for _, c := range out {
		if math.IsNaN(c) {
			return nil
		}
	}
	return out
}

// nearest is the temperature of another chip's samples around each block; begin
// is when the first block begins.
func (b blocks) nearest(in []sensors.InertialSample, begin time.Duration) []float64 {
	out := make([]float64, len(b.tS))
	i := 0
	for k, t := range b.tS {
		for i+1 < len(in) && (in[i+1].At-begin).Seconds() <= t {
			i++
		}
		lo, hi := max(0, i-readsPerBlock), min(len(in), i+readsPerBlock+1)
		sum := 0.0
		for _, s := range in[lo:hi] {
			sum += s.TempC
		}
		if out[k] = sum / float64(hi-lo); math.IsNaN(out[k]) {
			return nil
		}
	}
	return out
}

func mean(v []float64) float64 {
	m := 0.0
	for i, x := range v {
		m += (x - m) / float64(i+1)
	}
	return m
}
