package scenario

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// windGrid is the step of the wind's lean.
const windGrid = 100 * time.Millisecond

// windLean is the swaying in gusts: a first-order process in steps, with
// straight lines between. Times must not go back by more than a step.
type windLean struct {
	night     *WatchNight
	rng       *rand.Rand
	k         int64
	x         r3.Vec
	prev, now r3.Vec // at steps k and k+1, degrees
	gust      int
}

func newWindLean(n *WatchNight, rng *rand.Rand) windLean {
	return windLean{night: n, rng: rand.New(rand.NewPCG(rng.Uint64(), 0x77696e64)), k: -1}
}

func (w *windLean) advance() {
	w.k++
	w.prev = w.now
	t := time.Duration(w.k+1) * windGrid
	for w.gust < len(w.night.gusts) && w.night.gusts[w.gust].to <= t {
		w.gust++
	}
	w.now = r3.Vec{}
	if w.gust == len(w.night.gusts) || t <= w.night.gusts[w.gust].from {
		return
	}
	g := &w.night.gusts[w.gust]
	keep := math.Exp(-windGrid.Seconds() / gustMemory.Seconds())
	w.x = r3.Add(r3.Scale(keep, w.x), drawVec(math.Sqrt(1-keep*keep), w.rng))
	w.now = r3.Scale(g.lean*g.fade(t), w.x)
}

// at is lean and its rate, degrees and degrees per second.
func (w *windLean) at(t time.Duration) (lean, rate r3.Vec) {
	for int64(t/windGrid) > w.k {
		w.advance()
	}
	d := r3.Sub(w.now, w.prev)
	f := float64(t-time.Duration(w.k)*windGrid) / float64(windGrid)
	return r3.Add(w.prev, r3.Scale(f, d)), r3.Scale(1/windGrid.Seconds(), d)
}

// moved is the turn that events have made by t, without what swings back.
func (n *WatchNight) moved(t time.Duration) r3.Vec { return n.movedBy(t, true) }

func (n *WatchNight) movedBy(t time.Duration, knocks bool) r3.Vec {
	var out r3.Vec
	for i := range n.events {
		e := &n.events[i]
		if t <= e.At {
			break
		}
		if !e.Sink && !knocks {
			continue
		}
		x := min(1, float64(t-e.At)/float64(e.Ends-e.At))
		if !e.Sink {
			x = x * x * (3 - 2*x)
		}
		out = r3.Add(out, r3.Scale(x, e.turn))
	}
	return out
}

// swing is how long a mount swings after a knock.
const (
	swing      = 4 * time.Second
	swingDecay = 0.3 // s
	shockDecay = 0.05
)

// turned is the whole turn at t, degrees about forward, left and up.
func (n *WatchNight) turned(t time.Duration) r3.Vec {
	out := n.moved(t)
	lean, _ := n.wind.at(t)
	out = r3.Add(out, lean)
	for i := range n.events {
		e := &n.events[i]
		if e.Sink || t <= e.At || t > e.At+swing {
			continue
		}
		s := (t - e.At).Seconds()
		out = r3.Add(out, r3.Scale(e.ring*math.Exp(-s/swingDecay)*math.Sin(2*math.Pi*e.ringHz*s), e.turn))
	}
	for i := range n.walks {
		w := &n.walks[i]
		if t > w.from && t < w.to {
			// Weight that passes by.
			x := math.Sin(math.Pi * float64(t-w.from) / float64(w.to-w.from))
			s, c := math.Sincos(w.phase)
			out = r3.Add(out, r3.Scale(w.lean*x*x, r3.Vec{X: c, Y: s}))
		}
	}
	return out
}

// bursts is the acceleration at t in forward, left and up, m/s²: knocks
// and steps, apart from the steady tones of gusts and machines.
func (n *WatchNight) bursts(t time.Duration) r3.Vec {
	var out r3.Vec
	for i := range n.events {
		e := &n.events[i]
		if s := (t - e.At).Seconds(); !e.Sink && s > 0 && s < 20*shockDecay {
			out = r3.Add(out, r3.Scale(burst(s, e.shockHz), e.shock))
		}
	}
	for i := range n.walks {
		w := &n.walks[i]
		if t <= w.from || t >= w.to {
			continue
		}
		s := ((t - w.from) % stepEvery).Seconds()
		out = r3.Add(out, r3.Scale(w.fade(t)*burst(s, w.hz), w.way))
	}
	return out
}

// burst is a decaying oscillation, s seconds after it began. Its phase makes the
// integral zero: what was shaken stands still again afterwards.
func burst(s, hz float64) float64 {
	w := 2 * math.Pi * hz
	return math.Exp(-s/shockDecay) * math.Sin(w*s-math.Atan(w*shockDecay))
}

func tone(s *spell, t time.Duration) r3.Vec {
	return r3.Scale(s.fade(t)*math.Sin(2*math.Pi*s.hz*t.Seconds()+s.phase), s.way)
}

func (n *WatchNight) tones(t time.Duration) r3.Vec {
	var out r3.Vec
	for _, list := range [2][]spell{n.gusts, n.hums} {
		for i := range list {
			if s := &list[i]; t > s.from && t < s.to {
				out = r3.Add(out, tone(s, t))
			}
		}
	}
	return out
}

// rotated turns a vector by a small rotation, to second order: exact to 1e-7 for
// a degree.
func rotated(turnDeg, v r3.Vec) r3.Vec {
	p := r3.Scale(degree, turnDeg)
	a := r3.Cross(p, v)
	return r3.Add(v, r3.Add(a, r3.Scale(0.5, r3.Cross(p, a))))
}

// Moved is how the axis moved on the night sky between two times, without swinging
// and wind: degrees higher, and the arc to the east.
func (n *WatchNight) Moved(from, to time.Duration) (up, east float64) {
	return n.between(n.moved(from), n.moved(to))
}

// Sunk is the part of Moved that is due to sinking legs.
func (n *WatchNight) Sunk(from, to time.Duration) (up, east float64) {
	return n.between(n.movedBy(from, false), n.movedBy(to, false))
}

func (n *WatchNight) between(from, to r3.Vec) (up, east float64) {
	axis := r3.Vec{X: n.cos, Z: n.sin}
	a, b := rotated(from, axis), rotated(to, axis)
	alt := math.Asin(a.Z)
	alt1 := math.Asin(b.Z)
	left := (math.Atan2(b.Y, b.X) - math.Atan2(a.Y, a.X)) * math.Cos((alt+alt1)/2) / degree
	if !n.opt.South {
		left = -left
	}
	return (alt1 - alt) / degree, left
}

// TempC is the air's temperature.
func (n *WatchNight) TempC(t time.Duration) float64 { return n.minutes(n.temps, t) }

func (n *WatchNight) minutes(list []float64, t time.Duration) float64 {
	m := max(t.Minutes(), 0)
	k := min(int(m), len(list)-2)
	return list[k] + (m-float64(k))*(list[k+1]-list[k])
}

// fieldAt is the magnetic field in forward, left, up at the site, µT.
func (n *WatchNight) fieldAt(t time.Duration) r3.Vec {
	a := n.minutes(n.fieldTurns, t) * degree
	f := n.field
	f.X, f.Y = f.X-a*f.Y, f.Y+a*f.X
	for i := range n.fields {
		if s := &n.fields[i]; t > s.from && t < s.to {
			f = r3.Add(f, s.way)
		}
	}
	return f
}

// body brings forward, left, up into the axes of the board before any move, and
// turns it with the head.
func (n *WatchNight) body(v r3.Vec, headSin, headCos float64) r3.Vec {
	b := r3.Vec{X: n.cos*v.X + n.sin*v.Z, Y: v.Y, Z: n.cos*v.Z - n.sin*v.X}
	if !n.opt.OnHead {
		return b
	}
	return r3.Vec{X: b.X, Y: headCos*b.Y + headSin*b.Z, Z: headCos*b.Z - headSin*b.Y}
}

// headRate is the turn of the head, degrees per second: a sidereal day is
// 86164.1 s.
func (n *WatchNight) headRate() float64 {
	switch {
	case !n.opt.OnHead:
		return 0
	case n.opt.South:
		return 360 / 86164.1
	}
	return -360 / 86164.1
}

// World is the night as simulated chips sense it.
func (n *WatchNight) World() sim.World {
	return sim.WorldFunc(func(t time.Duration) sim.Environment {
		const step = 500 * time.Microsecond
		sin, cos := math.Sincos(n.headRate() * t.Seconds() * degree)
		turn := n.turned(t)
		rate := r3.Scale(1/step.Seconds(), r3.Sub(n.turned(t+step), turn))
		force := r3.Add(r3.Vec{Z: sensors.StandardGravity}, r3.Add(n.bursts(t), n.tones(t)))
		back := r3.Scale(-1, turn)
		e := sim.Environment{
			Force:   n.body(rotated(back, force), sin, cos),
			Rate:    n.body(bodyRate(turn, rate), sin, cos),
			FieldUT: n.body(rotated(back, n.fieldAt(t)), sin, cos),
			TempC:   n.TempC(t),
		}
		e.Rate.X += n.headRate() * degree
		return e
	})
}

// bodyRate is the angular rate, rad/s, of a body whose rotation vector is turn
// and changes by rate (degrees), to first order.
func bodyRate(turn, rate r3.Vec) r3.Vec {
	r := r3.Scale(degree, rate)
	return r3.Sub(r, r3.Scale(0.5*degree, r3.Cross(turn, r)))
}
