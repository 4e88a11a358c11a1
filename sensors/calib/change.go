package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Change compares two magnetometer calibrations of one board.
type Change struct {
	// OffsetUT is how far the offset moved, new minus old, and OffsetSigmas its
	// significance: the square root of the chi-square (3 degrees of freedom).
	OffsetUT     r3.Vec
	OffsetSigmas float64
	// HeadingDeg is how far headings of a level board moved, root mean square
	// over all headings, and HeadingSigmas that over what both covariances allow.
	HeadingDeg, HeadingSigmas float64
	// Changed is true when iron near the chip has changed: the offset beyond
	// 4 sigma (chi-square 16 with 3 degrees of freedom: one in a thousand by
	// chance) or headings beyond 3.
	Changed bool
}

// Compare tells whether two calibrations differ by more than their covariances
// allow, as after the board moved to another tracker or a battery was added.
// Headings are compared for a level board, up in sensor axes, in a field of
// strength µT and dip rad. The two may have different scales.
func Compare(old, now *Affine, strength, dip float64, up r3.Vec) Change {
	c := Change{OffsetUT: r3.Sub(now.Offset, old.Offset)}
	s := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			s.SetSym(i, j, old.Cov[i][j]+now.Cov[i][j])
		}
	}
	var ch mat.Cholesky
	if ch.Factorize(s) {
		d := mat.NewVecDense(3, []float64{c.OffsetUT.X, c.OffsetUT.Y, c.OffsetUT.Z})
		var x mat.VecDense
		if ch.SolveVecTo(&x, d) == nil {
			c.OffsetSigmas = math.Sqrt(mat.Dot(d, &x))
		}
	}
	inv := old.Matrix.inverse()
	const steps = 24
	var sum, sigma2 float64
	for _, h := range levelFields(strength, dip, up, steps) {
		f := now.Apply(r3.Add(inv.Apply(h.field), old.Offset), math.NaN())
		moved := math.Atan2(r3.Dot(f, h.east), r3.Dot(f, h.north))
		sum += moved * moved
		a, b := old.HeadingSigma(h.field, up, math.NaN()), now.HeadingSigma(h.field, up, math.NaN())
		sigma2 += a*a + b*b
	}
	c.HeadingDeg = deg(math.Sqrt(sum / steps))
	if sigma2 > 0 {
		c.HeadingSigmas = math.Sqrt(sum / sigma2)
	}
	c.Changed = c.OffsetSigmas > 4 || c.HeadingSigmas > 3
	return c
}
