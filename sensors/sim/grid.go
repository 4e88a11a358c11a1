package sim

import (
	"math"
	"time"
)

// grid is a row of sample times: sample n (from 1) is complete n periods after
// the start.
type grid struct {
	start  time.Duration
	period float64 // ns; 0: stopped
	taken  int64   // newest sample delivered
}

// run starts the grid anew at t with rate hz; hz 0 (or no rate at all) stops it.
func (g *grid) run(t time.Duration, hz float64) {
	*g = grid{start: t}
	if hz > 0 {
		g.period = 1e9 / hz
	}
}

func (g *grid) running() bool { return g.period > 0 }

// time is when sample n is complete.
func (g *grid) time(n int64) time.Duration {
	return g.start + time.Duration(math.Round(float64(n)*g.period))
}

// due is the newest sample complete at t; 0: none yet.
func (g *grid) due(t time.Duration) int64 {
	if g.period == 0 || t < g.start {
		return 0
	}
	n := int64(float64(t-g.start) / g.period)
	switch {
	case g.time(n) > t:
		n--
	case g.time(n+1) <= t:
		n++
	}
	return n
}

// take moves to the newest sample at t and says how many came since the last
// call.
func (g *grid) take(t time.Duration) (fresh int64) {
	n := g.due(t)
	if n <= g.taken {
		return 0
	}
	fresh = n - g.taken
	g.taken = n
	return fresh
}
