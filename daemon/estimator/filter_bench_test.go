package estimator

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// BenchmarkFilterStep is one inertial and one magnetic sample at 100 Hz, while
// the board swings so that every part works.
func BenchmarkFilterStep(b *testing.B) {
	f := NewFilter(FilterOptions{})
	const dt = 10 * time.Millisecond
	var a, g, m [256]r3.Vec
	for k := range a {
		s, c := math.Sincos(2 * math.Pi * float64(k) / 256)
		a[k] = r3.Vec{X: s, Y: 0.5 * c, Z: 9.7}
		g[k] = r3.Vec{X: 0.4 * c, Y: -0.3 * s, Z: 0.2 * c}
		m[k] = r3.Vec{X: 2 * s, Y: 18 + c, Z: -43}
	}
	at := time.Duration(0)
	b.ReportAllocs()
	for k := 0; b.Loop(); k++ {
		at += dt
		f.Inertial(at, a[k&255], g[k&255])
		f.Magnetic(at, m[k&255])
	}
}
