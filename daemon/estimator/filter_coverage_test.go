package estimator

import (
	"math"
	"testing"
)

// TestFilterSigmaCovers counts, over seeds, how often the truth lies within
// the stated 95 % bounds: at rest, after turns, at rest again. The limits leave
// three standard deviations of such a count at 93 and 97 %.
func TestFilterSigmaCovers(t *testing.T) {
	const seeds = 200
	type count struct {
		name                 string
		heading, inclination float64
	}
	var stages []count
	stage := func(k int, name string, b *simBoard, f *Filter) {
		if k == len(stages) {
			stages = append(stages, count{name: name})
		}
		s := &stages[k]
		h, i := b.errors(f)
		if math.Abs(h) <= 1.96*f.HeadingSigma() {
			s.heading++
		}
		if i <= 2.45*f.InclinationSigma() {
			s.inclination++
		}
	}
	for seed := range uint64(seeds) {
		b := newSimBoard(seed, FilterOptions{})
		b.rate = 25
		f := NewFilter(FilterOptions{})
		b.run(f, 10, vec3{})
		stage(0, "first rest", b, f)
		b.run(f, 3, vec3{0, 0, 0.5})
		b.run(f, 2, vec3{0.3, 0, 0})
		stage(1, "after two turns", b, f)
		b.run(f, 10, vec3{})
		stage(2, "rest again", b, f)
		b.run(f, 6, vec3{0, 0, -1})
		b.run(f, 4, vec3{0.5, 0.5, 0})
		b.run(f, 4, vec3{-0.5, 0.5, 0.2})
		stage(3, "after many turns", b, f)
		b.run(f, 10, vec3{})
		stage(4, "last rest", b, f)
	}
	var all count
	for _, s := range stages {
		s.heading /= seeds
		s.inclination /= seeds
		all.heading += s.heading / float64(len(stages))
		all.inclination += s.inclination / float64(len(stages))
		t.Logf("%-18s heading %.3f inclination %.3f", s.name, s.heading, s.inclination)
		for _, c := range []float64{s.heading, s.inclination} {
			if c < 0.885 || c > 0.999 {
				t.Errorf("%s: %.3f of the boards within the 95 %% bound", s.name, c)
			}
		}
	}
	t.Logf("%-18s heading %.3f inclination %.3f", "all", all.heading, all.inclination)
	if all.heading < 0.92 || all.heading > 0.98 || all.inclination < 0.92 || all.inclination > 0.98 {
		t.Errorf("all stages: %.3f and %.3f within the 95 %% bounds", all.heading, all.inclination)
	}
}
