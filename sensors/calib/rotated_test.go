package calib

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// A turned correction must give the turned result, and its covariance the
// turned covariance; two quarter turns forth and back change nothing.
func TestRotated(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	b := defaultBoard(rng)
	a := b.earlier(rng)
	a.RefTempC, a.TempSlope, a.TempSlopeSigma = 20, randVec(rng, 0.1), r3.Vec{X: 0.1, Y: 0.2, Z: 0.3}
	for i := range 12 {
		for k := range 12 {
			a.Cov[i][k] += 1e-4 * float64((i+1)*(k+1))
		}
	}
	for _, m := range []Mat3{identity, {0, 1, 0, -1, 0, 0, 0, 0, 1}, {0, 1, 0, 1, 0, 0, 0, 0, -1}, {0, 0, 1, 1, 0, 0, 0, 1, 0}} {
		c := a.Rotated(m)
		for range 20 {
			raw := randVec(rng, 40)
			want := m.Apply(a.Apply(raw, 25))
			if got := c.Apply(m.Apply(raw), 25); r3.Norm(r3.Sub(got, want)) > 1e-9 {
				t.Fatalf("%v: %v, want %v", m, got, want)
			}
			old, now := a.ErrorCov(a.Apply(raw, 25), 25), c.ErrorCov(want, 25)
			e := randUnit(rng)
			if o, n := old.form(e, e), now.form(m.Apply(e), m.Apply(e)); math.Abs(o-n) > 1e-9*(1+o) {
				t.Fatalf("%v: variance %v, turned %v", m, o, n)
			}
		}
		if err := c.Check(); err != nil {
			t.Error(err)
		}
		inv := Mat3{m[0], m[3], m[6], m[1], m[4], m[7], m[2], m[5], m[8]}
		if back := c.Rotated(inv); r3.Norm(r3.Sub(back.Offset, a.Offset)) > 1e-12 || math.Abs(back.Cov[4][9]-a.Cov[4][9]) > 1e-12 {
			t.Errorf("%v: forth and back changes the correction", m)
		}
	}
}
