package daemon

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

func TestOntoBringsTheAxisToBodyX(t *testing.T) {
	for _, a := range []r3.Vec{{X: 1}, {X: 0.99, Y: 0.1, Z: -0.05}, {Y: 1}, {Z: -1}, {X: -1}, {X: -0.5, Y: 0.5, Z: 0.7}} {
		a = r3.Unit(a)
		m := onto(a)
		if got := m.apply(a); r3.Norm(r3.Sub(got, r3.Vec{X: 1})) > 1e-12 {
			t.Errorf("axis %v goes to %v", a, got)
		}
		for i := range 3 {
			for j := range 3 {
				want := 0.0
				if i == j {
					want = 1
				}
				if math.Abs(r3.Dot(m[i], m[j])-want) > 1e-12 {
					t.Errorf("axis %v: rows %d and %d: %v", a, i, j, r3.Dot(m[i], m[j]))
				}
			}
		}
		if det := r3.Dot(r3.Cross(m[0], m[1]), m[2]); math.Abs(det-1) > 1e-12 {
			t.Errorf("axis %v: determinant %v", a, det)
		}
		n := r3.Vec{X: 0.2, Y: -0.3, Z: 0.4}
		if got, want := m.after(Straight()).apply(n), m.apply(n); r3.Norm(r3.Sub(got, want)) > 1e-12 {
			t.Errorf("after the straight mount: %v, want %v", got, want)
		}
	}
}
