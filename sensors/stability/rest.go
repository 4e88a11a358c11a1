package stability

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
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
// the share is averaged over as in Trend. So is the slack of the hysteresis, of
// which a night tells little. A steady drift is not fitted beside the temperature,
// which falls as steadily: PerC contains it. It belongs to the night, and shows as
// scatter between nights; see Learn.
func (r *Rest) Follow(v []float64) Trend {
	out, _ := r.follow(v)
	return out
}

// Hysteresis is tried as one follower of little, middling or much slack, as a part
// of the range of temperature, and as the least and the greatest together. A loop
// that is entered from its other side, after a warming that nobody saw, looks like
// one of twice the slack.
const hysteresisModels = 4

func slacks() [3]float64              { return [3]float64{1.0 / 20, 1.0 / 8, 1.0 / 3} }
func models() [hysteresisModels][]int { return [...][]int{{0, 1}, {0, 2}, {0, 3}, {0, 1, 3}} }

// follow also gives the coefficient for each slack by itself.
func (r *Rest) follow(v []float64) (out Trend, perC [hysteresisModels]Estimate) {
	const short = "the board was at rest for too short a time"
	none := unknown(short)
	for k := range perC {
		perC[k] = none
	}
	out = Trend{PerHour: none, PerC: none, SteadyPerHour: unknown("time and temperature change together in a night"), Hysteresis: none}
	p := path{}
	var y, temp []float64
	for i := range v {
		if v[i] == v[i] && r.TempC[i] == r.TempC[i] {
			y, temp = append(y, v[i]), append(temp, r.TempC[i])
			p.hours, p.stretch = append(p.hours, r.TS[i]/3600), append(p.stretch, r.Stretch[i])
		}
	}
	if len(y) < leastMinutes {
		return out, perC
	}
	if e, ok := p.fit(y, [][]float64{p.hours}, [][]int{{0}}); ok {
		out.PerHour = e.first
	}
	span := floats.Max(temp) - floats.Min(temp)
	if span < leastRangeC {
		out.PerC = unknown("the temperature changed by less than 1 °C")
		out.Hysteresis = out.PerC
		return out, perC
	}
	columns := [][]float64{temp}
	for _, s := range slacks() {
		columns = append(columns, follower(temp, s*span))
	}
	all := models()
	e, ok := p.fit(y, columns, all[:])
	if !ok {
		return out, perC
	}
	out.PerC = e.first
	for k := range perC {
		perC[k] = e.each[k]
	}
	out.Hysteresis = unknown("the temperature did not turn: rising and falling cannot be compared")
	if _, both := play(temp); both {
		out.Hysteresis = e.second
	}
	return out, perC
}

// path is where the values of a fit stand in time.
type path struct {
	hours   []float64
	stretch []int
}

// most columns of a fit, the values among them.
const mostColumns = 5

// products are the sums of products of columns and values, once whitened.
type products struct {
	m    [mostColumns][mostColumns]float64
	cost float64 // of the whitening: log of the determinant
	used int
}

// fits are the estimates of a fit: the first coefficient averaged over all models
// and for each by itself, the second averaged over those that have two.
type fits struct {
	first, second Estimate
	each          []Estimate
}

// fit is generalised least squares with an intercept for each stretch, for
// several models: which columns each has. Not ok when the columns do not differ
// enough.
func (p *path) fit(y []float64, columns [][]float64, models [][]int) (f fits, ok bool) {
	scale := make([]float64, len(columns))
	scaled := make([][]float64, 0, len(columns)+1)
	for j, c := range columns {
		m := floats.Sum(c) / float64(len(c))
		for _, x := range c {
			scale[j] += (x - m) * (x - m)
		}
		if scale[j] = math.Sqrt(scale[j]); scale[j] == 0 {
			return f, false
		}
		s := slices.Clone(c)
		floats.AddConst(-m, s)
		floats.Scale(1/scale[j], s)
		scaled = append(scaled, s)
	}
	v := slices.Clone(y)
	floats.AddConst(-floats.Sum(v)/float64(len(v)), v)
	scaled = append(scaled, v)
	grids, least := make([][]solution, len(models)), math.Inf(1)
	for l := lowestShare; l <= highestShare; l++ {
		g := p.whiten(scaled, math.Pow(10, l))
		for k, model := range models {
			if s := g.solve(model, len(columns)); s.ok {
				s.q = math.Pow(10, l)
				grids[k], least = append(grids[k], s), min(least, s.cost)
			}
		}
	}
	var every, pairs []solution
	for k, g := range grids {
		if len(g) == 0 {
			return f, false
		}
		// Models share the first coefficient; divide by the columns' own scales.
		for i := range g {
			for j, c := range models[k] {
				g[i].value[j], g[i].sigma[j] = g[i].value[j]/scale[c], g[i].sigma[j]/scale[c]
			}
		}
		f.each = append(f.each, averaged(g, least, ones(1))[0])
		every = append(every, g...)
		if len(models[k]) == 2 {
			pairs = append(pairs, g...)
		}
	}
	f.first = averaged(every, least, ones(1))[0]
	if len(pairs) > 0 {
		f.second = averaged(pairs, least, ones(2))[1]
	}
	return f, true
}

func ones(n int) []float64 {
	out := make([]float64, n)
	floats.AddConst(1, out)
	return out
}

// whiten sums the products of the innovations: q is the variance by which the walk
// grows in a minute, in units of the white noise's.
func (p *path) whiten(columns [][]float64, q float64) (g products) {
	var level, e [mostColumns]float64
	variance, before := 0.0, 0.0
	n := len(columns)
	for k := range p.hours {
		if k == 0 || p.stretch[k] != p.stretch[k-1] {
			for j, c := range columns {
				level[j] = c[k]
			}
			variance, before = 1, p.hours[k]
			continue
		}
		variance += q * max((p.hours[k]-before)*60, 0)
		before = p.hours[k]
		f := variance + 1
		gain := variance / f
		g.cost += math.Log(f)
		for j, c := range columns {
			e[j] = c[k] - level[j]
			level[j] += gain * e[j]
			for i := 0; i <= j; i++ {
				g.m[i][j] += e[i] * e[j] / f
			}
		}
		variance *= 1 - gain
		g.used++
	}
	for i := range n {
		for j := range i {
			g.m[i][j] = g.m[j][i]
		}
	}
	return g
}

// solve fits column y with up to three others.
func (g *products) solve(model []int, y int) solution {
	n := len(model)
	if g.used < leastMinutes/2 {
		return solution{}
	}
	// Cholesky's decomposition; the columns have unit length before whitening.
	var l, inv [3][3]float64
	det := 1.0
	for i := range n {
		for j := 0; j <= i; j++ {
			x := g.m[model[i]][model[j]]
			for k := range j {
				x -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = x / l[j][j]
				continue
			}
			if !(x > 1e-8*g.m[model[i]][model[i]]) {
				return solution{}
			}
			l[i][i] = math.Sqrt(x)
			det *= x
		}
	}
	for i := range n {
		inv[i][i] = 1 / l[i][i]
		for j := range i {
			for k := j; k < i; k++ {
				inv[i][j] -= l[i][k] * inv[k][j]
			}
			inv[i][j] /= l[i][i]
		}
	}
	b, inverse := make([]float64, n), make([]float64, n)
	for i := range n {
		for j := range n {
			c := 0.0
			for k := max(i, j); k < n; k++ {
				c += inv[k][i] * inv[k][j]
			}
			b[i] += c * g.m[model[j]][y]
			if i == j {
				inverse[i] = c
			}
		}
	}
	rest := g.m[y][y]
	for j, c := range model {
		rest -= b[j] * g.m[c][y]
	}
	rest = max(rest, 1e-14*g.m[y][y], 1e-300)
	free := float64(g.used - n)
	s := solution{cost: g.cost + math.Log(det) + free*math.Log(rest), ok: true}
	for j := range n {
		s.value = append(s.value, b[j])
		s.sigma = append(s.sigma, math.Sqrt(rest/free*inverse[j]))
	}
	return s
}
