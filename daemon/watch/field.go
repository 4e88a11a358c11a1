package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// field follows the magnetic field at rest. A field that changes while nothing
// moves is steel or current nearby, or the Sun's doing; never a move.
type field struct {
	n        float64
	mean     r3.Vec // base axes, µT
	variance float64
	recent   r3.Vec // of the blocks that deviate
	off      int    // blocks in a row
	on       bool   // deviates
	since    time.Duration
	told     bool
	back     int
}

const (
	fieldMemory = 600 // readings' blocks of the mean: a minute
	fieldLeast  = 20
	// fieldJumpUT is the smallest change that is told; natural fields take
	// minutes for less.
	fieldJumpUT = 0.5
	fieldSigmas = 6
	fieldBlocks = 5 // in a row
	// fieldWait is how long a move is waited for that explains the change;
	// fieldAccept after how long the new field counts as the usual one.
	fieldWait   = 2500 * time.Millisecond
	fieldAccept = time.Minute
)

func (f *field) restart() { *f = field{} }

// rest is the mean field, when there is one.
func (f *field) rest() (r3.Vec, bool) { return f.mean, f.n >= fieldLeast }

// fieldBlock takes the field of one block.
func (w *Watch) fieldBlock(b *Block) {
	f := &w.field
	if w.event.on || w.at-w.last.end < time.Second && w.last.end > 0 {
		// The mount turns in the field: begin anew after it.
		f.restart()
		return
	}
	if b.NField < 1 || !finite(b.Field) {
		return
	}
	m := b.Field
	if w.head.on {
		m = toBase(m, w.head.sin, w.head.cos)
	}
	d := r3.Sub(m, f.mean)
	if f.n < fieldLeast {
		f.take(m, d)
		return
	}
	noise := w.opt.Magnetic.NoiseUT * w.opt.Magnetic.NoiseUT / float64(b.NField)
	limit := max(fieldSigmas*math.Sqrt(max(f.variance, noise)), fieldJumpUT)
	if r3.Norm2(d) <= limit*limit {
		if f.on {
			if f.back++; f.back < fieldBlocks {
				return
			}
			f.on = false
		}
		f.off = 0
		f.take(m, d)
		return
	}
	f.back = 0
	f.off++
	f.recent = r3.Add(f.recent, r3.Scale(max(0.1, 1/float64(f.off)), r3.Sub(m, f.recent)))
	switch {
	case f.off == fieldBlocks && !f.on:
		f.on, f.told, f.since = true, false, b.At-fieldBlocks*BlockLength
	case f.on && !f.told && b.At-f.since >= fieldWait:
		f.told = true
		if w.reporting() {
			after := w.soFar()
			w.tell(Finding{ID: w.nextID(), Final: true, Kind: FieldChange, Start: f.since,
				FieldUT: r3.Norm(r3.Sub(f.recent, f.mean))}, &after)
		}
	case f.on && b.At-f.since >= fieldAccept:
		f.restart()
		f.take(m, m)
	}
}

func (f *field) take(m, d r3.Vec) {
	f.n = min(f.n+1, fieldMemory)
	if f.n == 1 {
		f.mean = m
		return
	}
	f.mean = r3.Add(f.mean, r3.Scale(1/f.n, d))
	f.variance += (r3.Norm2(d)/3 - f.variance) / f.n
}

// headingChange is how far the base turned to the left about the vertical
// between two fields, degrees with 1 sigma; NaN when the field has no horizontal
// part worth the name, or changed its strength or dip too: then it was not a turn.
func (w *Watch) headingChange(before, after r3.Vec, took time.Duration) (deg, sigma float64) {
	u := w.frame.u
	hb := r3.Sub(before, r3.Scale(r3.Dot(before, u), u))
	ha := r3.Sub(after, r3.Scale(r3.Dot(after, u), u))
	nb, na := r3.Norm(hb), r3.Norm(ha)
	floor := math.Hypot(w.opt.Magnetic.FloorUT, w.opt.Magnetic.NoiseUT/math.Sqrt(fieldLeast))
	if nb < 1 || na < 1 {
		return math.NaN(), 0
	}
	if d := r3.Norm(after) - r3.Norm(before); math.Abs(d) > max(fieldJumpUT, fieldSigmas*floor) {
		return math.NaN(), 0
	}
	// The field in body axes turns against the body.
	turn := math.Atan2(r3.Dot(u, r3.Cross(ha, hb)), r3.Dot(ha, hb)) / degree
	sigma = math.Hypot(math.Sqrt2*floor/nb/degree, natural(took))
	return turn, math.Hypot(sigma, 1e-3)
}
