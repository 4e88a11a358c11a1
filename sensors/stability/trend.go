package stability

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Estimate is a number with its 1 sigma, or the reason why there is none.
type Estimate struct {
	Value, Sigma float64
	Known        bool
	Why          string // when not Known
}

func unknown(why string) Estimate { return Estimate{Why: why} }

// Trend is how a quantity follows time and temperature. Units are the
// quantity's per hour and per °C.
type Trend struct {
	// PerHour is the drift as it was, whatever its cause.
	PerHour Estimate
	// PerC is the temperature coefficient, fitted together with a drift in time.
	PerC Estimate
	// SteadyPerHour is the drift that temperature does not explain.
	SteadyPerHour Estimate
	// Hysteresis is the reading while warming up less that while cooling down, at
	// the same temperature.
	Hysteresis Estimate
}

// The fit works on block means: enough blocks to tell noise from drift, few
// enough to be quick.
const (
	maxBlocks     = 120
	minBlocks     = 20
	readsPerBlock = 5
	// leastRangeC: below it the noise of the chip's thermometer spoils the slope.
	leastRangeC = 1.0
)

// fitter fits the block means of one recording, of any of its quantities.
type fitter struct {
	noise        *wander
	short        string    // why nothing can be fitted, or empty
	hours        []float64 // from the middle
	tempC        []float64 // nil when not known
	lag          []float64 // see play; nil when the temperature never turned
	noTemp, once string    // why there is no coefficient, no hysteresis
}

// newFitter takes the mean times (seconds) and temperatures of the blocks;
// tempC is nil when they are not known.
func newFitter(tS, tempC []float64) fitter {
	if len(tS) < minBlocks {
		return fitter{short: "the recording is too short"}
	}
	noise, err := newWander(tS)
	if err != nil {
		return fitter{short: err.Error()}
	}
	f := fitter{noise: noise}
	mid := (tS[0] + tS[len(tS)-1]) / 2
	for _, t := range tS {
		f.hours = append(f.hours, (t-mid)/3600)
	}
	switch {
	case tempC == nil:
		f.noTemp = "the recording has no temperature"
	case floats.Max(tempC)-floats.Min(tempC) < leastRangeC:
		f.noTemp = "the temperature changed by less than 1 °C"
	}
	if f.once = f.noTemp; f.noTemp != "" {
		return f
	}
	f.tempC = tempC
	lag, both := play(tempC)
	if both {
		f.lag = lag
	} else {
		f.once = "the temperature did not pass the same 1 °C both upward and downward"
	}
	return f
}

// trend fits the block means v.
func (f fitter) trend(v []float64) Trend {
	if f.short != "" {
		no := unknown(f.short)
		return Trend{no, no, no, no}
	}
	one := make([]float64, len(v))
	for i := range one {
		one[i] = 1
	}
	out := Trend{PerHour: f.noise.fit(v, one, f.hours)[1]}
	out.PerC, out.SteadyPerHour, out.Hysteresis = unknown(f.noTemp), unknown(f.noTemp), unknown(f.once)
	switch {
	case f.tempC == nil:
	case f.lag == nil:
		c := f.noise.fit(v, one, f.hours, f.tempC)
		out.SteadyPerHour, out.PerC = c[1], c[2]
	default:
		c := f.noise.fit(v, one, f.hours, f.tempC, f.lag)
		out.SteadyPerHour, out.PerC, out.Hysteresis = c[1], c[2], c[3]
	}
	return out
}

// play is the path of a follower with slack (the play operator of the theory of
// hysteresis): +1/2 once the temperature has risen by a fifth of its range since
// it turned, -1/2 once it has fallen by as much, linear in between. both tells
// whether at least leastRangeC was passed at +1/2 and at -1/2.
func play(tempC []float64) (lag []float64, both bool) {
	slack := (floats.Max(tempC) - floats.Min(tempC)) / 10
	lag = follower(tempC, slack)
	low, high := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)} // falling, rising
	for i, t := range tempC {
		if x := lag[i]; math.Abs(x) > 0.45 {
			k := int(x + 0.5)
			low[k], high[k] = min(low[k], t), max(high[k], t)
		}
	}
	return lag, min(high[0], high[1])-max(low[0], low[1]) >= leastRangeC
}

// follower is the path itself, for a slack in °C.
func follower(tempC []float64, slack float64) []float64 {
	out := make([]float64, len(tempC))
	f := tempC[0]
	for i, t := range tempC {
		f = max(t-slack, min(t+slack, f))
		out[i] = (t - f) / (2 * slack)
	}
	return out
}

// wander is noise that is white plus a random walk, as slow sensor errors are:
// the covariance of block means is s² (I + q M), M_ij = min(t_i, t_j) in blocks.
// It is kept by the eigenvectors of M, so that another q costs little.
type wander struct {
	vectors mat.Dense
	values  []float64
}

func newWander(tS []float64) (*wander, error) {
	n := len(tS)
	block := (tS[n-1] - tS[0]) / float64(n-1)
	m := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			m.SetSym(i, j, (tS[i]-tS[0])/block+1) // tS ascends, so this is the lesser
		}
	}
	var e mat.EigenSym
	if !e.Factorize(m, true) {
		return nil, errors.New("the times of the readings are not usable")
	}
	w := &wander{values: e.Values(nil)}
	e.VectorsTo(&w.vectors)
	return w, nil
}

// lowestShare and highestShare bound log10 of q: below, not even the whole
// recording shows the walk; above, nothing is white.
const (
	lowestShare  = -5.0
	highestShare = 4.0
	// shareWeight is the exponent of q in its prior weight, per decade. A walk too
	// small to be seen in one recording still moves its ends, so 0 is too sure and
	// 1/2 too cautious; the test counts.
	shareWeight = 0.25
)

// fit solves v = sum of columns times coefficients by generalised least squares.
// The share q is not known, so the answer is the mean over q, weighted with its
// restricted likelihood (H. D. Patterson and R. Thompson, Biometrika 58, 545,
// 1971); its sigma holds the doubt about q, and is therefore two to three times
// too large for a sensor that has white noise and nothing else.
func (w *wander) fit(v []float64, columns ...[]float64) []Estimate {
	p := len(columns)
	scale, turned := make([]float64, p), make([][]float64, p)
	for j, c := range columns {
		scale[j] = floats.Norm(c, 2)
		turned[j] = w.turn(c)
		floats.Scale(1/scale[j], turned[j])
	}
	target := w.turn(v)

	var grid []solution
	least := math.Inf(1)
	for l := lowestShare; l <= highestShare; l += 0.25 {
		if g := w.solve(turned, target, math.Pow(10, l)); g.ok {
			grid, least = append(grid, g), min(least, g.cost)
		}
	}
	if len(grid) == 0 {
		out := make([]Estimate, p)
		for j := range out {
			out[j] = unknown("time and temperature changed in the same way: they cannot be told apart")
		}
		return out
	}
	return averaged(grid, least, scale)
}

// averaged joins the solutions for all shares, weighted by their likelihood;
// least is the smallest of their costs, scale what the columns were divided by.
func averaged(grid []solution, least float64, scale []float64) []Estimate {
	out := make([]Estimate, len(scale))
	for j := range out {
		var sum, first, second float64
		for _, g := range grid {
			weight := math.Exp((least-g.cost)/2) * math.Pow(g.q, shareWeight)
			sum += weight
			first += weight * g.value[j]
			second += weight * (g.value[j]*g.value[j] + g.sigma[j]*g.sigma[j])
		}
		value := first / sum
		out[j] = Estimate{Value: value / scale[j], Sigma: math.Sqrt(second/sum-value*value) / scale[j], Known: true}
	}
	return out
}

type solution struct {
	q            float64
	cost         float64
	value, sigma []float64
	ok           bool
}

// turn brings block means to the axes on which their noise is independent.
func (w *wander) turn(v []float64) []float64 {
	var out mat.VecDense
	out.MulVec(w.vectors.T(), mat.NewVecDense(len(v), v))
	return out.RawVector().Data
}

func (w *wander) solve(x [][]float64, y []float64, q float64) solution {
	n, p := len(y), len(x)
	weight := make([]float64, n)
	cost := 0.0
	for k, l := range w.values {
		d := 1 + q*l
		cost += math.Log(d)
		weight[k] = 1 / d
	}
	normal := mat.NewSymDense(p, nil)
	right := mat.NewVecDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			normal.SetSym(i, j, weighted(weight, x[i], x[j]))
		}
		right.SetVec(i, weighted(weight, x[i], y))
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) || chol.Cond() > 1e10 {
		return solution{cost: math.Inf(1)}
	}
	var b mat.VecDense
	var cov mat.SymDense
	if chol.SolveVecTo(&b, right) != nil || chol.InverseTo(&cov) != nil {
		return solution{cost: math.Inf(1)}
	}
	left := slices.Clone(y)
	for j := range p {
		floats.AddScaled(left, -b.AtVec(j), x[j])
	}
	rest := weighted(weight, left, left)
	rest = max(rest, 1e-300)
	s := solution{q: q, cost: cost + chol.LogDet() + float64(n-p)*math.Log(rest), ok: true}
	scale := rest / float64(n-p)
	for j := range p {
		s.value = append(s.value, b.AtVec(j))
		s.sigma = append(s.sigma, math.Sqrt(scale*cov.At(j, j)))
	}
	return s
}

func weighted(weight, a, b []float64) float64 {
	sum := 0.0
	for k, w := range weight {
		sum += w * a[k] * b[k]
	}
	return sum
}
