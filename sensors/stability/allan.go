// Package stability measures how steady a sensor is while nothing moves:
// overlapping Allan deviation of every channel, drift of the tilt, dependence on
// temperature and hysteresis. It works on samples in memory and is pure.
//
// The Allan deviation follows W. J. Riley, Handbook of Frequency Stability
// Analysis, NIST Special Publication 1065 (2008), with the sensor's reading in
// the place of the fractional frequency, as IEEE Std 952 does for gyroscopes.
package stability

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Series is one quantity read at a constant rate, cut where readings are
// missing. Its unit is the caller's.
type Series struct {
	// StepS is the time from one reading to the next, seconds.
	StepS float64
	// phase holds, for each uninterrupted run of n readings, the n+1 sums of the
	// readings from its beginning, about the mean.
	phase [][]float64
}

// gapSteps is how many steps may lie between neighbours before the run is cut.
// Time stamps of busy hosts jitter by one or two.
const gapSteps = 5

// NewSeries takes readings v at times t, ascending and about evenly spaced. A
// hole of more than five steps cuts the series; averages never span it.
func NewSeries(t []time.Duration, v []float64) (Series, error) {
	if len(t) != len(v) {
		return Series{}, fmt.Errorf("%d times for %d readings: give one time for each", len(t), len(v))
	}
	if len(t) < 3 {
		return Series{}, fmt.Errorf("%d readings: a deviation needs three at least", len(t))
	}
	steps := make([]time.Duration, len(t)-1)
	for i := range steps {
		steps[i] = t[i+1] - t[i]
	}
	gap := gapSteps * median(steps)
	if gap <= 0 {
		return Series{}, fmt.Errorf("the times do not advance: every reading needs its own")
	}
	var s Series
	mean := 0.0
	for i, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return Series{}, fmt.Errorf("reading %d is %v: leave it out", i+1, x)
		}
		mean += (x - mean) / float64(i+1)
	}
	var span time.Duration
	count := 0
	for from := 0; from < len(v); {
		to := from + 1
		for to < len(v) && t[to]-t[to-1] <= gap {
			to++
		}
		if n := to - from; n > 1 {
			span += t[to-1] - t[from]
			count += n - 1
			x := make([]float64, n+1)
			for i := range n {
				x[i+1] = x[i] + v[from+i] - mean
			}
			s.phase = append(s.phase, x)
		}
		from = to
	}
	s.StepS = span.Seconds() / float64(count)
	return s, nil
}

// Longest is the number of readings in the longest uninterrupted run.
func (s Series) Longest() int {
	n := 0
	for _, x := range s.phase {
		n = max(n, len(x)-1)
	}
	return n
}

// Point is the Allan deviation for one averaging time.
type Point struct {
	TauS      float64 // averaging time, seconds
	Deviation float64 // in the unit of the readings
	Sigma     float64 // 1 sigma of Deviation, from its degrees of freedom
	N         int     // differences that were averaged, overlapping
}

// At is the overlapping Allan deviation over m readings (SP 1065 equation 10,
// section 5.2.4). ok is false when no run holds 2m readings.
func (s Series) At(m int) (p Point, ok bool) {
	v, n := s.variance(m)
	if n == 0 {
		return Point{}, false
	}
	dev := math.Sqrt(v)
	return Point{TauS: float64(m) * s.StepS, Deviation: dev, Sigma: dev / math.Sqrt(2*s.freedom(m, s.slope(m))), N: n}, true
}

func (s Series) variance(m int) (v float64, n int) {
	if m < 1 {
		return 0, 0
	}
	for _, x := range s.phase {
		if len(x) <= 2*m {
			continue
		}
		a, b, c := x, x[m:], x[2*m:]
		for i := range c {
			d := c[i] - 2*b[i] + a[i]
			v += d * d
		}
		n += len(c)
	}
	if n == 0 {
		return 0, 0
	}
	return v / (2 * float64(m) * float64(m) * float64(n)), n
}

// slope is that of the curve around m on logarithmic axes, which tells the kind
// of noise: -1/2 white, 0 flicker, +1/2 random walk.
func (s Series) slope(m int) float64 {
	lo, hi := max(1, m/2), min(2*m, s.Longest()/2)
	a, _ := s.variance(lo)
	b, n := s.variance(hi)
	if n == 0 || hi == lo || a <= 0 || b <= 0 {
		return -0.5
	}
	return math.Log(b/a) / 2 / math.Log(float64(hi)/float64(lo))
}

// freedom is the equivalent number of degrees of freedom of the overlapping
// estimator (SP 1065 section 5.4.1, after Howe, Allan and Barnes 1981; typed from
// memory, confirmed against simulated noise in the test). Noise whiter than white
// counts as white: the answer is then cautious. Runs are independent, so theirs
// add up.
func (s Series) freedom(m int, slope float64) float64 {
	sum := 0.0
	for _, x := range s.phase {
		if len(x) <= 2*m {
			continue
		}
		n, m := float64(len(x)), float64(m)
		var e float64
		switch {
		case slope < -0.25:
			e = (3*(n-1)/(2*m) - 2*(n-2)/n) * 4 * m * m / (4*m*m + 5)
		case slope > 0.25:
			e = (n - 2) / m * ((n-1)*(n-1) - 3*m*(n-1) + 4*m*m) / ((n - 3) * (n - 3))
		case m == 1:
			e = 2 * (n - 2) * (n - 2) / (2.3*n - 4.9)
		default:
			e = 5 * n * n / (4 * m * (n + 3*m))
		}
		if !(e > 1) || math.IsInf(e, 0) {
			e = 1
		}
		sum += e
	}
	return sum
}

// trusted is the share of a recording up to which averaging times are listed and
// searched for the minimum. Beyond a fifth, the 1 sigma of the deviation exceeds
// 30 % of it even for white noise.
const trusted = 0.2

// Curve is the deviation at ten averaging times a decade, up to a fifth of the
// longest run.
func (s Series) Curve() []Point {
	var out []Point
	last := 0
	top := int(trusted * float64(s.Longest()))
	for i := 0; ; i++ {
		m := int(math.Round(math.Pow(10, float64(i)/10)))
		if m > top {
			return out
		}
		if m == last {
			continue
		}
		last = m
		if p, ok := s.At(m); ok {
			out = append(out, p)
		}
	}
}

func median[T time.Duration | float64](v []T) T {
	v = slices.Clone(v)
	slices.Sort(v)
	return v[len(v)/2]
}
