package stability

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

func every(step time.Duration, n int) []time.Duration {
	t := make([]time.Duration, n)
	for i := range t {
		t[i] = time.Duration(i) * step
	}
	return t
}

func series(t *testing.T, v []float64) Series {
	t.Helper()
	s, err := NewSeries(every(time.Second, len(v)), v)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// handbook is the 1000-point data set of NIST SP 1065 section 12.4: n0 =
// 1234567890, n(i+1) = 16807 n(i) mod 2147483647, each divided by the modulus.
func handbook() []float64 {
	v := make([]float64, 1000)
	n := uint64(1234567890)
	for i := range v {
		v[i] = float64(n) / 2147483647
		n = 16807 * n % 2147483647
	}
	return v
}

// TestHandbook1000 holds the deviations against NIST SP 1065, Table 31 (page
// 108). The figures were typed from memory and found the same in the test data
// of several published Allan deviation programs that quote that table. That the
// second row is the overlapping one is shown by the first: a computation without
// overlap, written apart, reproduces it from the same data.
func TestHandbook1000(t *testing.T) {
	v := handbook()
	s := series(t, v)
	for _, c := range []struct {
		m                  int
		plain, overlapping float64
	}{
		{1, 2.922319e-01, 2.922319e-01},
		{10, 9.965736e-02, 9.159953e-02},
		{100, 3.897804e-02, 3.241343e-02},
	} {
		p, ok := s.At(c.m)
		if !ok || math.Abs(p.Deviation/c.overlapping-1) > 5e-7 {
			t.Errorf("m = %d: %.7g, the handbook has %.7g", c.m, p.Deviation, c.overlapping)
		}
		if got := plainAllan(v, c.m); math.Abs(got/c.plain-1) > 5e-7 {
			t.Errorf("m = %d without overlap: %.7g, the handbook has %.7g", c.m, got, c.plain)
		}
	}
}

// TestHandbookSmall is the data set of NBS Monograph 140, Annex 8.E, repeated in
// NIST SP 1065 section 12.2 (typed from memory, found the same in the test data
// of the allantools program): nine readings.
func TestHandbookSmall(t *testing.T) {
	v := []float64{892, 809, 823, 798, 671, 644, 883, 903, 677}
	s := series(t, v)
	for m, want := range map[int]float64{1: 91.22945, 2: 85.95287} {
		if p, ok := s.At(m); !ok || math.Abs(p.Deviation-want) > 5e-6 {
			t.Errorf("m = %d: %.5f, published %.5f", m, p.Deviation, want)
		}
	}
	if got := plainAllan(v, 2); math.Abs(got-115.8082) > 5e-5 {
		t.Errorf("without overlap %.4f, published 115.8082", got)
	}
}

// plainAllan averages m readings at a time and compares neighbours, as the
// definition says.
func plainAllan(v []float64, m int) float64 {
	var means []float64
	for ; len(v) >= m; v = v[m:] {
		sum := 0.0
		for _, x := range v[:m] {
			sum += x
		}
		means = append(means, sum/float64(m))
	}
	sum := 0.0
	for i := 1; i < len(means); i++ {
		sum += (means[i] - means[i-1]) * (means[i] - means[i-1])
	}
	return math.Sqrt(sum / 2 / float64(len(means)-1))
}

// TestSigmaOfDeviation compares the stated sigma with the scatter over seeds,
// for white, flicker and random-walk noise.
func TestSigmaOfDeviation(t *testing.T) {
	if testing.Short() {
		t.Skip("long statistics")
	}
	const n, seeds = 600, 300
	kinds := map[string]func(*rand.Rand) []float64{
		"white":       func(r *rand.Rand) []float64 { return gauss(r, n) },
		"flicker":     func(r *rand.Rand) []float64 { return flicker(r, n) },
		"random walk": func(r *rand.Rand) []float64 { return walk(gauss(r, n)) },
	}
	for name, draw := range kinds {
		var drawn []Series
		for seed := range uint64(seeds) {
			drawn = append(drawn, series(t, draw(rand.New(rand.NewPCG(seed, 11)))))
		}
		for _, m := range []int{1, 5, 20, 60, 120} {
			var devs, sigmas []float64
			for _, s := range drawn {
				p, ok := s.At(m)
				if !ok {
					t.Fatal("no deviation")
				}
				devs, sigmas = append(devs, p.Deviation), append(sigmas, p.Sigma)
			}
			got, stated := scatter(devs), mean(sigmas)
			// 300 seeds tell a scatter to 4 %; the kind of noise is guessed from a
			// noisy slope, which costs some more at long averaging times.
			if r := stated / got; r < 0.85 || r > 1.25 {
				t.Errorf("%s, m = %d: stated sigma %.4g, scatter %.4g (ratio %.2f)", name, m, stated, got, r)
			}
		}
	}
}

func gauss(r *rand.Rand, n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = r.NormFloat64()
	}
	return v
}

func walk(v []float64) []float64 {
	for i := 1; i < len(v); i++ {
		v[i] += v[i-1]
	}
	return v
}

// flicker filters white noise to a 1/f spectrum (J. N. Kasdin, Proc. IEEE 83,
// 802, 1995: impulse response h(k) = h(k-1) (k - 1/2) / k).
func flicker(r *rand.Rand, n int) []float64 {
	const warm = 300
	h := make([]float64, n+warm)
	h[0] = 1
	for k := 1; k < len(h); k++ {
		h[k] = h[k-1] * (float64(k) - 0.5) / float64(k)
	}
	w := gauss(r, n+warm)
	v := make([]float64, n)
	for i := range v {
		for k := 0; k <= i+warm; k++ {
			v[i] += h[k] * w[i+warm-k]
		}
	}
	return v
}

func scatter(v []float64) float64 {
	m, sum := mean(v), 0.0
	for _, x := range v {
		sum += (x - m) * (x - m)
	}
	return math.Sqrt(sum / float64(len(v)-1))
}

// TestGapIsNotAveraged: readings jump during a hole; only what lies on one side
// of it may be compared.
func TestGapIsNotAveraged(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	at, v := every(time.Second, 400), gauss(r, 400)
	for i := 200; i < 400; i++ {
		at[i] += time.Hour
		v[i] += 1e6
	}
	s, err := NewSeries(at, v)
	if err != nil {
		t.Fatal(err)
	}
	if s.StepS != 1 || s.Longest() != 200 {
		t.Errorf("step %g s, longest run %d; want 1 s and 200", s.StepS, s.Longest())
	}
	p, ok := s.At(10)
	a, _ := series(t, v[:200]).At(10)
	b, _ := series(t, v[200:]).At(10)
	want := math.Sqrt((a.Deviation*a.Deviation + b.Deviation*b.Deviation) / 2)
	if !ok || math.Abs(p.Deviation-want) > 1e-6*want || p.N != a.N+b.N {
		t.Errorf("%+v; the two sides alone %g and %d", p, want, a.N+b.N)
	}
}

func TestSeriesRefusals(t *testing.T) {
	sec := every(time.Second, 5)
	for name, f := range map[string]func() error{
		"few":     func() error { _, err := NewSeries(sec[:2], []float64{1, 2}); return err },
		"lengths": func() error { _, err := NewSeries(sec, []float64{1, 2}); return err },
		"stuck":   func() error { _, err := NewSeries(make([]time.Duration, 5), make([]float64, 5)); return err },
		"nan":     func() error { _, err := NewSeries(sec, []float64{1, 2, math.NaN(), 4, 5}); return err },
		"tau long": func() error {
			s, _ := NewSeries(sec, make([]float64, 5))
			_, err := s.Chosen([]float64{3})
			return err
		},
		"tau short": func() error {
			s, _ := NewSeries(sec, make([]float64, 5))
			_, err := s.Chosen([]float64{0.4})
			return err
		},
		"tau nan": func() error {
			s, _ := NewSeries(sec, make([]float64, 5))
			_, err := s.Chosen([]float64{math.NaN()})
			return err
		},
	} {
		if f() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
