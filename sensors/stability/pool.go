package stability

import "math"

// Pooled is a coefficient found from several nights, per °C.
type Pooled struct {
	Value float64
	// Sigma is the 1 sigma of Value: 1.96 times it holds the truth in 95 % of
	// cases. It comes from how the nights differ, and from how few they are.
	Sigma float64
	// NextSigma is that of one further night's own coefficient: the doubt of Value
	// and the scatter between nights, hysteresis and slow drift with it.
	NextSigma float64
	Nights    int
}

// pool joins the coefficients of nights, which are taken as independent of each
// other; samples within a night are not. Weights are 1/(s² + t²), s the night's own
// sigma and t the scatter between nights (R. C. Paule and J. Mandel, J. Res. NBS 87,
// 377, 1982); the sigma is that of J. Hartung and G. Knapp (Statist. Med. 20, 3875,
// 2001), with Student's t. From memory; the test counts. At least three nights.
func pool(nights []Estimate) (p Pooled, ok bool) {
	n := len(nights)
	if n < 3 {
		return Pooled{Nights: n}, false
	}
	// What the weighted squares exceed their expectation by falls with t.
	excess := func(t2 float64) (e, value, weights float64) {
		var w []float64
		sum := 0.0
		for _, x := range nights {
			w = append(w, 1/(x.Sigma*x.Sigma+t2))
			weights += w[len(w)-1]
			sum += w[len(w)-1] * x.Value
		}
		value = sum / weights
		for i, x := range nights {
			e += w[i] * (x.Value - value) * (x.Value - value)
		}
		return e - float64(n-1), value, weights
	}
	t2 := 0.0
	if e, _, _ := excess(0); e > 0 {
		low, high := 0.0, 0.0
		for _, x := range nights {
			high = max(high, x.Sigma*x.Sigma)
		}
		high = max(high, 1e-30)
		for k := 0; k < 200; k++ {
			if e, _, _ := excess(high); e <= 0 {
				break
			}
			high *= 2
		}
		for range 80 {
			if t2 = (low + high) / 2; t2 == low || t2 == high {
				break
			}
			if e, _, _ := excess(t2); e > 0 {
				low = t2
			} else {
				high = t2
			}
		}
	}
	e, value, weights := excess(t2)
	q := (e + float64(n-1)) / float64(n-1)
	inflate := student95(n-1) / normal95
	p = Pooled{Value: value, Sigma: inflate * math.Sqrt(q/weights), Nights: n}
	// One night scatters by the mean variance; its weight is the mean of all.
	p.NextSigma = inflate * math.Sqrt(q/weights*(1+float64(n)))
	return p, !math.IsNaN(p.Sigma) && p.Sigma > 0
}

// normal95 is the two-sided 95 % quantile of the normal distribution.
const normal95 = 1.959964

// student95 is that of Student's t with so many degrees of freedom, to 0.3 %:
// exact to 3, then the expansion in 1/n (Abramowitz and Stegun 26.7.5).
func student95(n int) float64 {
	switch n {
	case 1:
		return 12.7062
	case 2:
		return 4.30265
	case 3:
		return 3.18245
	}
	const (
		z  = normal95
		z3 = z * z * z
		z5 = z3 * z * z
		z7 = z5 * z * z
	)
	x := 1 / float64(n)
	return z + x*((z3+z)/4+x*((5*z5+16*z3+3*z)/96+x*(3*z7+19*z5+17*z3-15*z)/384))
}
