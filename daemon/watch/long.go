package watch

import (
	"math"
	"time"
)

// Windows of the long memory, seconds.
const (
	afterSeconds  = 5
	apartSeconds  = 10
	beforeSeconds = 20
	longSeconds   = afterSeconds + apartSeconds + beforeSeconds
	longRing      = 64
	perSecond     = 10 // blocks
	// learnAfter is how old a difference must be to count for the scatter.
	learnAfter = 20
)

// long is the memory of the last minute, in seconds of undisturbed blocks.
type long struct {
	ring [longRing]struct {
		at    time.Duration
		x     [channels]float64
		tempC float64
	}
	n        int
	sum      [channels]float64
	k        int
	beyond   int // seconds in a row
	waiting  [learnAfter]sky
	waited   int
	up, left scatter
	vertical scatter
	weight   float64
}

func (l *long) init(n *noise) {
	const white = 1.0/afterSeconds + 1.0/beforeSeconds
	const walk = apartSeconds + (afterSeconds+beforeSeconds)/3.0
	va, vg := n.tilt*n.tilt*white/perSecond, n.turn*n.turn*walk*perSecond
	l.weight = 1
	fused := va
	if n.gyro {
		l.weight = vg / (va + vg)
		fused = va * vg / (va + vg)
	}
	l.up = newScatter(math.Sqrt(fused))
	l.left = newScatter(math.Sqrt(max(fused, vg)))
	if !n.gyro {
		l.left = newScatter(math.Sqrt(va))
	}
	l.vertical = newScatter(math.Sqrt(vg))
}

func (l *long) restart() {
	l.n, l.k, l.beyond, l.waited = 0, 0, 0, 0
	l.sum = [channels]float64{}
}

// add gathers blocks into seconds and reports when one is complete.
func (l *long) add(e *entry) bool {
	for c := range channels {
		l.sum[c] += e.x[c]
	}
	if l.k++; l.k < perSecond {
		return false
	}
	p := &l.ring[l.n%longRing]
	p.at, p.tempC = e.at, e.tempC
	for c := range channels {
		p.x[c] = l.sum[c] / perSecond
	}
	l.n++
	l.k, l.sum = 0, [channels]float64{}
	return true
}

// mean of n seconds that end back seconds before the newest.
func (l *long) mean(c, back, n int) float64 {
	var s float64
	for i := range n {
		s += l.ring[(l.n-1-back-i)%longRing].x[c]
	}
	return s / float64(n)
}

func (l *long) difference() (d [channels]float64) {
	for c := range channels {
		d[c] = l.mean(c, 0, afterSeconds) - l.mean(c, afterSeconds+apartSeconds, beforeSeconds)
	}
	return d
}
