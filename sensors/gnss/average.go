package gnss

import (
	"math"
	"time"
)

// average is the filter of one axis: a constant place behind slow and fast
// errors. It is a Kalman filter (R. E. Kalman, 1960) of three states and so the
// best linear mean for the model, with unevenly spaced and unevenly good fixes.
type average struct {
	x    [3]float64 // place, slow, fast, metres
	p    [3][3]float64
	n    int
	last time.Duration // used by the height alone, which misses 2D fixes
	// surprise sums the squares of normalised innovations: their mean is 1 when
	// the stated sigmas are right. surpriseN counts them.
	surprise, surpriseN float64
}

const (
	// farM is the 1 sigma of the place before the first fix, metres.
	farM = 1e5
	// believed is how many innovations of the expected size stand against those
	// that are observed.
	believed = 10
)

func variances(sigma float64) (slow, fast float64) {
	v := sigma * sigma
	return slowShare * v, (1 - slowShare) * v
}

// add takes a measurement with its 1 sigma, dt after the one before.
func (a *average) add(z, sigma float64, dt time.Duration) {
	vs, vf := variances(sigma)
	if a.n == 0 {
		// The place is centred on the first fix: large numbers would cost digits.
		a.x = [3]float64{z, 0, 0}
		a.p = [3][3]float64{{farM * farM}, {0, vs}, {0, 0, vf}}
	} else {
		a.predict(vs, vf, dt.Seconds())
	}
	s := a.innovationVariance()
	d := z - a.x[0] - a.x[1] - a.x[2]
	if a.n > 0 {
		a.surprise += d * d / s
		a.surpriseN++
	}
	var k [3]float64
	for i := range k {
		k[i] = (a.p[i][0] + a.p[i][1] + a.p[i][2]) / s
		a.x[i] += k[i] * d
	}
	var rows [3]float64
	for j := range rows {
		rows[j] = a.p[0][j] + a.p[1][j] + a.p[2][j]
	}
	for i := range a.p {
		for j := range a.p {
			a.p[i][j] -= k[i] * rows[j]
		}
	}
	a.n++
}

// predict lets the errors forget, each with its time constant.
func (a *average) predict(vs, vf, dt float64) {
	phi := [3]float64{1, math.Exp(-dt / slowS), math.Exp(-dt / fastS)}
	for i := range phi {
		a.x[i] *= phi[i]
		for j := range phi {
			a.p[i][j] *= phi[i] * phi[j]
		}
	}
	a.p[1][1] += vs * (1 - phi[1]*phi[1])
	a.p[2][2] += vf * (1 - phi[2]*phi[2])
}

func (a *average) innovationVariance() float64 {
	s := grainM * grainM
	for i := range a.p {
		for j := range a.p {
			s += a.p[i][j]
		}
	}
	return s
}

// deviation is how many sigmas z would lie off, dt after the newest
// measurement.
func (a *average) deviation(z, sigma float64, dt time.Duration) float64 {
	b := *a
	vs, vf := variances(sigma)
	b.predict(vs, vf, dt.Seconds())
	return math.Abs(z-b.x[0]-b.x[1]-b.x[2]) / math.Sqrt(b.innovationVariance()*a.scale())
}

func (a *average) place() float64 { return a.x[0] }

// sigma is the 1-sigma error of the place. A receiver that scatters more than it
// admits is not believed about the rest of its error either.
func (a *average) sigma() float64 { return math.Sqrt(a.p[0][0] * a.scale()) }

// scale is by how much the stated variances are too small, at least 1.
func (a *average) scale() float64 {
	return max(1, (a.surprise+believed)/(a.surpriseN+believed))
}
