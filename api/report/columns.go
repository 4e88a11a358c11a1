package report

import "math"

// channel is one plotted quantity.
type channel int

const (
	altitude channel = iota // degrees
	altitudeSigma
	azimuth // degrees, unwrapped
	azimuthSigma
	temperature // °C
	strength    // µT
	vibration   // m/s²
	channels
)

// cell is what a channel did in one column.
type cell struct {
	low, high, sum float64
	n              int32
}

func (c *cell) add(v float64) {
	if v != v {
		return
	}
	if c.n == 0 {
		c.low, c.high = v, v
	}
	c.low, c.high = min(c.low, v), max(c.high, v)
	c.sum += v
	c.n++
}

func (c *cell) join(o *cell) {
	if o.n == 0 {
		return
	}
	if c.n == 0 {
		*c = *o
		return
	}
	c.low, c.high = min(c.low, o.low), max(c.high, o.high)
	c.sum += o.sum
	c.n += o.n
}

func (c *cell) mean() float64 {
	if c.n == 0 {
		return math.NaN()
	}
	return c.sum / float64(c.n)
}

// most columns are kept; when a night is longer, pairs are joined and each
// column is twice as wide.
const mostColumns = 720

// columns are a night's samples, decimated. The zero value takes samples from
// second 0 on.
type columns struct {
	widthS float64
	cells  [mostColumns][channels]cell
	used   int
}

// add takes one channel's value at ts seconds. Earlier than 0 is left out.
func (c *columns) add(ts float64, ch channel, v float64) {
	if !(ts >= 0) || ts > longestS {
		return
	}
	if c.widthS == 0 {
		c.widthS = 1
	}
	for ts >= c.widthS*mostColumns {
		c.fold()
	}
	k := int(ts / c.widthS)
	c.cells[k][ch].add(v)
	c.used = max(c.used, k+1)
}

func (c *columns) fold() {
	for k := range mostColumns / 2 {
		row := c.cells[2*k]
		for ch := range row {
			row[ch].join(&c.cells[2*k+1][ch])
		}
		c.cells[k] = row
	}
	clear(c.cells[mostColumns/2:])
	c.widthS *= 2
	c.used = (c.used + 1) / 2
}

// empty tells that a channel has no value at all.
func (c *columns) empty(ch channel) bool {
	for k := range c.used {
		if c.cells[k][ch].n > 0 {
			return false
		}
	}
	return true
}

// reach is the least and the greatest value of a channel from a column on.
func (c *columns) reach(ch channel, from int) (low, high float64, ok bool) {
	var all cell
	for k := from; k < c.used; k++ {
		all.join(&c.cells[k][ch])
	}
	return all.low, all.high, all.n > 0
}

// at is the middle of column k, seconds.
func (c *columns) at(k int) float64 { return (float64(k) + 0.5) * c.widthS }
