package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// triad is the working form of a Triad.
type triad struct {
	_      [0]func() // never compared: no code for that
	conf   Triad
	matrix matrix
	hiss   hiss
	// gain is 1 sigma of a sample per unit of conf.Noise, as the registers set it.
	gain   float64
	wander wander
}

func newTriad(conf Triad, seed, channel uint64, d *dice) triad {
	return triad{
		conf:   conf,
		matrix: matrixOf(conf.Matrix),
		gain:   1,
		hiss:   hiss{seed: seed, channel: channel, dice: d},
		wander: newWander(conf, seed, channel, d),
	}
}

// filter sets gain and correlation for a density.
func (s *triad) filter(bw, internal, out float64) {
	var corr float64
	s.gain, corr = bandwidth(bw, internal, out)
	s.hiss.shape(corr)
}

// quiet is the reading at v (scene with chip axes) without white noise.
func (s *triad) quiet(sc scene, truth r3.Vec) r3.Vec {
	c := &s.conf
	v := s.matrix.of(truth)
	dt := sc.chipC - ReferenceC
	v = r3.Add(v, product(r3.Scale(dt, c.ScalePerC), v))
	v = r3.Add(v, r3.Add(c.Offset, r3.Scale(dt, c.OffsetPerC)))
	if c.WarmUpTime > 0 {
		v = r3.Add(v, r3.Scale(math.Exp(-sc.on.Seconds()/c.WarmUpTime.Seconds()), c.WarmUp))
	}
	return r3.Add(v, s.wander.at(sc.at))
}

// read is the reading of sample n of g with noise.
func (s *triad) read(sc scene, truth r3.Vec, g *grid, n int64) r3.Vec {
	v := s.quiet(sc, truth)
	if s.conf.Noise == (r3.Vec{}) {
		return v
	}
	return r3.Add(v, r3.Scale(s.gain, product(s.conf.Noise, s.hiss.at(g, n))))
}

// wander is the slow part of an offset: a stationary first-order process plus
// a random walk, in steps of one second with straight lines between.
type wander struct {
	active        bool
	sigma, walk   r3.Vec
	keep          float64 // correlation over one step
	seed, channel uint64
	dice          *dice

	started   bool
	origin    time.Duration
	n         int64  // steps made
	now, next r3.Vec // the value at step n and at the one after
	slow, sum r3.Vec // first-order part and random walk of next
}

const wanderStep = time.Second

func newWander(c Triad, seed, channel uint64, d *dice) wander {
	w := wander{sigma: c.Wander, walk: c.Walk, seed: seed, channel: channelWander + channel<<8, dice: d}
	w.active = c.Wander != (r3.Vec{}) || c.Walk != (r3.Vec{})
	if c.WanderTime > 0 {
		w.keep = math.Exp(-wanderStep.Seconds() / c.WanderTime.Seconds())
	}
	return w
}

// begin fixes the moment from which a random walk counts. Only the first call
// matters: a part that loses its supply keeps its bias.
func (w *wander) begin(t time.Duration) {
	if w.started || !w.active {
		return
	}
	w.started, w.origin = true, t
	w.dice.at(w.seed, w.channel, -1)
	w.slow = product(w.sigma, w.dice.norm3())
	w.next = w.slow
	w.n = -1
	w.advance()
}

// advance makes one more step.
func (w *wander) advance() {
	w.n++
	w.now = w.next
	w.dice.at(w.seed, w.channel, time.Duration(w.n))
	fresh := math.Sqrt(1 - w.keep*w.keep)
	w.slow = r3.Add(r3.Scale(w.keep, w.slow), r3.Scale(fresh, product(w.sigma, w.dice.norm3())))
	w.sum = r3.Add(w.sum, product(w.walk, w.dice.norm3()))
	w.next = r3.Add(w.slow, w.sum)
}

// at is the value at t, which must not go back by more than a step.
func (w *wander) at(t time.Duration) r3.Vec {
	if !w.active {
		return r3.Vec{}
	}
	since := t - w.origin
	for since >= time.Duration(w.n+1)*wanderStep {
		w.advance()
	}
	f := float64(since-time.Duration(w.n)*wanderStep) / float64(wanderStep)
	return r3.Add(r3.Scale(1-f, w.now), r3.Scale(f, w.next))
}
