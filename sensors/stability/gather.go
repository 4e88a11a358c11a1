package stability

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Span is a time from From to To, seconds.
type Span struct{ From, To float64 }

// Gather makes a Night of one sample a second. Only the time in Watched counts,
// without Moves and WarmUpS after the first sample and after every longer silence;
// a move begins a new stretch, and so does a silence.
type Gather struct {
	BlockS  float64 // length of the means; 0: 60
	WarmUpS float64
	Watched []Span // in order
	Moves   []Span // in order
	Night   Night

	seen         bool
	last, warm   float64
	block        int
	n            float64
	sum, sumGyro r3.Vec
	temp         float64
	breaks       int
	stretch      int
	gyros        float64
}

const (
	// silentS is the least silence that may hide a move.
	silentS = 30.0
	// coldS is the silence after which the chip may have been off.
	coldS = 600.0
	// mostBlocks bound a night: 36 h of minutes.
	mostBlocks = 36 * 60
)

// Take takes one second's means in order of time ts, seconds. gyro may be NaN. It
// tells whether the second counts, and to which stretch.
func (g *Gather) Take(ts, tempC float64, accel, gyro r3.Vec) (stretch int, counts bool) {
	if accel != accel || tempC != tempC || ts != ts {
		return 0, false
	}
	if g.BlockS == 0 {
		g.BlockS = 60
	}
	if !g.seen || ts-g.last > coldS || ts < g.last {
		g.warm = ts + g.WarmUpS
	}
	if g.seen && (ts-g.last > silentS || ts < g.last) {
		g.breaks++
	}
	g.seen, g.last = true, ts
	if ts < g.warm || !inside(g.Watched, ts) || inside(g.Moves, ts) {
		return 0, false
	}
	stretch = g.breaks
	for _, m := range g.Moves {
		if ts > m.To {
			stretch++
		}
	}
	if b := int(ts / g.BlockS); b != g.block || stretch != g.stretch {
		g.Close()
		g.block, g.stretch = b, stretch
	}
	g.n++
	g.sum, g.temp = r3.Add(g.sum, accel), g.temp+tempC
	if gyro == gyro {
		g.sumGyro, g.gyros = r3.Add(g.sumGyro, gyro), g.gyros+1
	}
	return stretch, true
}

func inside(spans []Span, t float64) bool {
	for _, s := range spans {
		if t >= s.From && t <= s.To {
			return true
		}
	}
	return false
}

// Close ends the block that is being filled; half of it must be there.
func (g *Gather) Close() {
	n, night := g.n, &g.Night
	if n >= g.BlockS/2 && len(night.Rest.TS) < mostBlocks {
		night.Rest.TS = append(night.Rest.TS, (float64(g.block)+0.5)*g.BlockS)
		night.Rest.TempC = append(night.Rest.TempC, g.temp/n)
		night.Rest.Stretch = append(night.Rest.Stretch, g.stretch)
		gyro := r3.Vec{X: math.NaN(), Y: math.NaN(), Z: math.NaN()}
		if g.gyros > 0 {
			gyro = r3.Scale(1/g.gyros, g.sumGyro)
		}
		a := r3.Scale(1/n, g.sum)
		for k := range 3 {
			night.Accel[k] = append(night.Accel[k], [3]float64{a.X, a.Y, a.Z}[k])
			night.Gyro[k] = append(night.Gyro[k], [3]float64{gyro.X, gyro.Y, gyro.Z}[k])
		}
	}
	g.n, g.temp, g.gyros, g.sum, g.sumGyro = 0, 0, 0, r3.Vec{}, r3.Vec{}
}

// Elevation is how one axis (0 to 2) stood above the horizon, degrees, one a block.
func (n *Night) Elevation(axis int) []float64 {
	out := make([]float64, len(n.Rest.TS))
	for i := range out {
		a, b, c := n.Accel[axis][i], n.Accel[(axis+1)%3][i], n.Accel[(axis+2)%3][i]
		out[i] = math.Atan2(a, math.Hypot(b, c)) * 180 / math.Pi
	}
	return out
}
