package sky

import "math"

// crossing is a passage of a curve through a level, in seconds from the start.
type crossing struct {
	at     float64
	rising bool
}

// curve is an altitude against time with its turning points, so that no passage
// is missed however short the curve stays beyond a level.
type curve struct {
	f     func(seconds float64) float64
	knots []float64 // seconds; f is monotone between neighbours
	value []float64
}

// turning points are found to this many seconds; an altitude is flat there.
const turningTolerance = 0.5

// newCurve samples f every step seconds over length seconds and refines its
// turning points. The step must be short enough that f turns at most once in two;
// f must be defined one step beyond both ends.
func newCurve(f func(float64) float64, length, step float64) curve {
	n := int(math.Ceil(length / step))
	at := func(i int) float64 { return float64(i-1) * length / float64(n) } // from one step before
	sample := make([]float64, n+3)
	for i := range sample {
		sample[i] = f(at(i))
	}
	c := curve{f: f, knots: []float64{0}, value: []float64{sample[1]}}
	for i := 1; i < len(sample)-1; i++ {
		before, after := sample[i]-sample[i-1], sample[i+1]-sample[i]
		if before*after > 0 || before == 0 {
			continue
		}
		sign := 1.0
		if before < 0 {
			sign = -1
		}
		x := highest(func(x float64) float64 { return sign * f(x) }, at(i-1), at(i+1))
		if x > c.knots[len(c.knots)-1] && x < length {
			c.knots, c.value = append(c.knots, x), append(c.value, f(x))
		}
	}
	c.knots, c.value = append(c.knots, length), append(c.value, sample[n+1])
	return c
}

// highest is where f, which has one top between a and b, is highest: golden
// section.
func highest(f func(float64) float64, a, b float64) float64 {
	const ratio = 0.6180339887498949
	x1, x2 := b-ratio*(b-a), a+ratio*(b-a)
	f1, f2 := f(x1), f(x2)
	for b-a > turningTolerance {
		if f1 < f2 {
			a, x1, f1 = x1, x2, f2
			x2 = a + ratio*(b-a)
			f2 = f(x2)
		} else {
			b, x2, f2 = x2, x1, f1
			x1 = b - ratio*(b-a)
			f1 = f(x1)
		}
	}
	return (a + b) / 2
}

// crossings are all passages through a level in time's order, to 0.01 s by
// bisection.
func (c curve) crossings(level float64) []crossing {
	var out []crossing
	for i := range len(c.knots) - 1 {
		a, b := c.knots[i], c.knots[i+1]
		rising := c.value[i+1] > c.value[i]
		if (c.value[i] > level) == (c.value[i+1] > level) {
			continue
		}
		for b-a > 0.01 {
			mid := (a + b) / 2
			if (c.f(mid) > level) == rising {
				b = mid
			} else {
				a = mid
			}
		}
		out = append(out, crossing{at: (a + b) / 2, rising: rising})
	}
	return out
}

// first is the first passage in one direction; false when there is none.
func first(crossings []crossing, rising bool) (seconds float64, ok bool) {
	for _, c := range crossings {
		if c.rising == rising {
			return c.at, true
		}
	}
	return 0, false
}

// spans are the stretches in which the curve is above (or below) a level, in
// seconds; the ends of the curve end a stretch.
func (c curve) spans(level float64, above bool) [][2]float64 {
	var out [][2]float64
	inside := (c.value[0] > level) == above
	from := 0.0
	for _, x := range c.crossings(level) {
		if inside {
			out = append(out, [2]float64{from, x.at})
		}
		from, inside = x.at, x.rising == above
	}
	if end := c.knots[len(c.knots)-1]; inside && end > from {
		out = append(out, [2]float64{from, end})
	}
	return out
}
