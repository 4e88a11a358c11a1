package estimator

import (
	"math"
	"testing"
)

// TestFilterSigmaCovers counts, over seeds, how often the truth lies within
// the stated 95 % bounds: after the first rest, after turns, at rest again.
func TestFilterSigmaCovers(t *testing.T) {
	const seeds = 300
	type count struct {
		name    string
		h, i, n float64
		zh, zi  float64
	}
	var stages []count
	at := func(k int, name string, b *simBoard, f *Filter) {
		if k == len(stages) {
			stages = append(stages, count{name: name})
		}
		s := &stages[k]
		h, i := b.errors(f)
		s.n++
		s.zh += square(h / f.HeadingSigma())
		s.zi += square(i/f.InclinationSigma()) / 2
		if math.Abs(h) <= 1.96*f.HeadingSigma() {
			s.h++
		}
		if i <= 2.45*f.InclinationSigma() {
			s.i++
		}
	}
	for seed := range uint64(seeds) {
		b := newSimBoard(seed, FilterOptions{})
		f := NewFilter(FilterOptions{})
		b.run(f, 10, vec3{})
		at(0, "first rest", b, f)
		b.run(f, 3, vec3{0, 0, 0.5})
		b.run(f, 2, vec3{0.3, 0, 0})
		at(1, "after two turns", b, f)
		b.run(f, 10, vec3{})
		at(2, "rest again", b, f)
		b.run(f, 6, vec3{0, 0, -1})
		b.run(f, 4, vec3{0.5, 0.5, 0})
		b.run(f, 4, vec3{-0.5, 0.5, 0.2})
		at(3, "after many turns", b, f)
		b.run(f, 20, vec3{})
		at(4, "last rest", b, f)
	}
	for _, s := range stages {
		t.Logf("%-18s heading %.3f inclination %.3f  mean square %.2f %.2f", s.name, s.h/s.n, s.i/s.n, s.zh/s.n, s.zi/s.n)
	}
}
