package stability

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Rest is a night of a board at rest, as means over a minute or so. Between
// stretches the board was moved: only changes within one say anything of the
// sensor. The slices are equally long and in the order of time.
type Rest struct {
	TS      []float64 // seconds
	TempC   []float64 // of the chip; NaN leaves the minute out
	Stretch []int
}

// leastMinutes are needed for a fit.
const leastMinutes = 30

// Follow tells how v, one value a minute (NaN: none), followed time and
// temperature. Noise is white plus a random walk, of whatever share: each value
// is foretold from those before it by the filter of the local level model
// (A. C. Harvey, Forecasting, Structural Time Series Models and the Kalman
// Filter, 1989, ch. 4; from memory), which makes what is left independent, and
// the share is averaged over as in Trend. A steady drift is not fitted beside the
// temperature, which falls as steadily: PerC contains it. It belongs to the
// night, and shows as scatter between nights; see Learn.
func (r *Rest) Follow(v []float64) Trend {
	keep := make([]int, 0, len(v))
	for i := range v {
		if v[i] == v[i] && r.TempC[i] == r.TempC[i] {
			keep = append(keep, i)
		}
	}
	const short = "the board was at rest for too short a time"
	out := Trend{PerHour: unknown(short), PerC: unknown(short), SteadyPerHour: unknown("time and temperature change together in a night"), Hysteresis: unknown(short)}
	if len(keep) < leastMinutes {
		return out
	}
	y, hours, temp := make([]float64, len(keep)), make([]float64, len(keep)), make([]float64, len(keep))
	stretch := make([]int, len(keep))
	for k, i := range keep {
		y[k], hours[k], temp[k], stretch[k] = v[i], r.TS[i]/3600, r.TempC[i], r.Stretch[i]
	}
	p := path{hours: hours, stretch: stretch}
	if e := p.fit(y, hours); e != nil {
		out.PerHour = e[0]
	}
	if floats.Max(temp)-floats.Min(temp) < leastRangeC {
		out.PerC = unknown("the temperature changed by less than 1 °C")
		out.Hysteresis = out.PerC
		return out
	}
	lag, both := play(temp)
	const same = "the board was at rest for too short a time, or the temperature hardly changed in it"
	e := p.fit(y, temp, lag)
	if e == nil {
		e = p.fit(y, temp)
	}
	if e == nil {
		out.PerC, out.Hysteresis = unknown(same), unknown(same)
		return out
	}
	out.PerC = e[0]
	out.Hysteresis = unknown("the temperature did not turn: rising and falling cannot be compared")
	if both && len(e) > 1 {
		out.Hysteresis = e[1]
	}
	return out
}

// path is where the values of a fit stand in time.
type path struct {
	hours   []float64
	stretch []int
}

// fit is generalised least squares with an intercept for each stretch; nil when
// the columns do not differ enough.
func (p *path) fit(y []float64, columns ...[]float64) []Estimate {
	n := len(columns)
	scale := make([]float64, n)
	for j, c := range columns {
		m := floats.Sum(c) / float64(len(c))
		for _, x := range c {
			scale[j] += (x - m) * (x - m)
		}
		if scale[j] = math.Sqrt(scale[j]); scale[j] == 0 {
			return nil
		}
	}
	var grid []solution
	least := math.Inf(1)
	for l := lowestShare; l <= highestShare; l += 0.5 {
		if g := p.solve(y, columns, scale, math.Pow(10, l)); g.ok {
			grid, least = append(grid, g), min(least, g.cost)
		}
	}
	if len(grid) == 0 {
		return nil
	}
	return averaged(grid, least, scale)
}

func (p *path) solve(y []float64, columns [][]float64, scale []float64, q float64) solution {
	n := len(columns)
	white := make([][]float64, n+1)
	level, before := make([]float64, n+1), 0.0
	cost, used, variance := 0.0, 0, 0.0
	row := make([]float64, n+1)
	for k := range y {
		for j, c := range columns {
			row[j] = c[k] / scale[j]
		}
		row[n] = y[k]
		if k == 0 || p.stretch[k] != p.stretch[k-1] {
			copy(level, row)
			variance, before = 1, p.hours[k]
			continue
		}
		// q is the walk's variance in a minute, in units of the white noise's.
		variance += q * max((p.hours[k]-before)*60, 0)
		before = p.hours[k]
		f := variance + 1
		gain, root := variance/f, 1/math.Sqrt(f)
		cost += math.Log(f)
		for j := range row {
			e := row[j] - level[j]
			white[j] = append(white[j], e*root)
			level[j] += gain * e
		}
		variance *= 1 - gain
		used++
	}
	if used < leastMinutes/2 {
		return solution{}
	}
	normal, right := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			normal.SetSym(i, j, floats.Dot(white[i], white[j]))
		}
		right.SetVec(i, floats.Dot(white[i], white[n]))
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) || chol.Cond() > 1e10 {
		return solution{}
	}
	var b mat.VecDense
	var cov mat.SymDense
	if chol.SolveVecTo(&b, right) != nil || chol.InverseTo(&cov) != nil {
		return solution{}
	}
	left := slices.Clone(white[n])
	for j := range n {
		floats.AddScaled(left, -b.AtVec(j), white[j])
	}
	rest := max(floats.Dot(left, left), 1e-300)
	s := solution{q: q, cost: cost + chol.LogDet() + float64(used-n)*math.Log(rest), ok: true}
	for j := range n {
		s.value = append(s.value, b.AtVec(j))
		s.sigma = append(s.sigma, math.Sqrt(rest/float64(used-n)*cov.At(j, j)))
	}
	return s
}
