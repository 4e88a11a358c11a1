package daemon

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
)

const tenth = 100 * time.Millisecond

// feed gives a pair n samples of each sensor at 10 Hz from at on.
func (p *pair) feed(at time.Duration, n int, v1, v2 r3.Vec, var1, var2 float64) (joined r3.Vec, end time.Duration) {
	for range n {
		at += tenth
		p.second(at, v2)
		if x, ok := p.first(at, r3.Vec{}); ok {
			if !p.decided {
				p.decide(at, var1, var2)
			}
			p.compare(at, r3.Sub(v1, x), 0, r3.Vec{X: var1 + var2, Y: var1 + var2, Z: var1 + var2}, 0, tenth)
			joined = p.join(v1, x)
		}
	}
	return joined, at
}

// TestPairCovers: whatever the errors of both, the joined vector is as good as its
// covariance says, and better than either alone.
func TestPairCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, s := range [][2]float64{{1, 1}, {0.3, 1}, {2, 0.1}} {
		var sum, inside float64
		const parts = 4000
		truth := r3.Vec{X: 20, Y: -3, Z: -45}
		for range parts {
			draw := func(s float64) r3.Vec {
				return r3.Add(truth, r3.Scale(s, r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}))
			}
			var p pair
			v, _ := p.feed(0, 30, draw(s[0]), draw(s[1]), s[0]*s[0], s[1]*s[1])
			c := p.cov(estimator.Isotropic(s[0]), estimator.Isotropic(s[1]), 0.2)
			e := r3.Sub(v, truth)
			sum += e.X * e.X / parts
			if math.Abs(e.X) < 2*math.Sqrt(c[0][0]) {
				inside += 1.0 / parts
			}
		}
		best := 1 / math.Sqrt(1/(s[0]*s[0])+1/(s[1]*s[1]))
		if sigma := math.Sqrt(sum); math.Abs(sigma/best-1) > 0.05 {
			t.Errorf("sigmas %v: joined %.3f, the least possible is %.3f", s, sigma, best)
		}
		if inside < 0.94 || inside > 0.965 {
			t.Errorf("sigmas %v: %.1f %% of the truths within two sigma", s, 100*inside)
		}
	}
}

// TestPairHasNoStep: a sensor that goes or comes back moves nothing, and the
// covariance grows by what the difference may have changed.
func TestPairHasNoStep(t *testing.T) {
	v1, v2 := r3.Vec{X: 20, Z: -45}, r3.Vec{X: 21, Y: 0.5, Z: -45.4}
	one := estimator.Isotropic(1)
	var p pair
	both, at := p.feed(0, 50, v1, v2, 1, 3)
	if want := r3.Add(v1, r3.Scale(0.25, r3.Sub(v2, v1))); r3.Norm(r3.Sub(both, want)) > 1e-9 {
		t.Errorf("mean %v, want %v", both, want)
	}
	with := p.cov(one, one, 0.2)
	if _, ok := p.first(at+time.Second, r3.Vec{}); ok {
		t.Error("a sample of a second ago goes with the one of now")
	}
	if got := p.firstAlone(v1); r3.Norm(r3.Sub(got, both)) > 1e-9 || p.cov(one, one, 0.2)[0][0] <= with[0][0] {
		t.Errorf("first alone %v, both %v", got, both)
	}
	if got := p.secondAlone(v2); r3.Norm(r3.Sub(got, both)) > 1e-9 || p.cov(one, one, 0.2)[1][1] <= with[1][1] {
		t.Errorf("second alone %v, both %v", got, both)
	}
	if again, _ := p.feed(at+time.Minute, 3, v1, v2, 1, 3); r3.Norm(r3.Sub(again, both)) > 1e-9 {
		t.Errorf("both again %v, before %v", again, both)
	}
	// One that was never compared stands for itself; one that comes late has no share.
	var alone pair
	alone.second(0, v2)
	if got := alone.secondAlone(v2); got != v2 || alone.cov(one, estimator.Isotropic(5), 0.2)[0][0] != 25 {
		t.Errorf("never compared: %v", got)
	}
	var late pair
	late.first(0, r3.Vec{})
	if got, _ := late.feed(time.Minute, 50, v1, v2, 1, 1); got != v1 || !late.bridged() {
		t.Errorf("late: %v, share %v", got, late.weight)
	}
}

// TestPairBringsToOneTime: while the board turns, a sample of 20 ms before is turned
// to the time of the other one.
func TestPairBringsToOneTime(t *testing.T) {
	const rate = 1.5 // rad/s about z
	at := func(s float64) r3.Vec {
		sin, cos := math.Sincos(-rate * s) // what stands still turns against the body
		return r3.Vec{X: 20 * cos, Y: 20 * sin, Z: -45}
	}
	var p pair
	p.second(time.Second, at(1))
	v, ok := p.first(time.Second+20*time.Millisecond, r3.Vec{Z: rate})
	if off := r3.Norm(r3.Sub(v, at(1.02))); !ok || off > 0.02 {
		t.Errorf("%v, want %v", v, at(1.02))
	}
}

// TestPairDisagrees: only a difference that lasts, and that errors do not explain.
func TestPairDisagrees(t *testing.T) {
	v := r3.Vec{X: 20, Z: -45}
	far := r3.Add(v, r3.Vec{Y: 7})
	one := estimator.Isotropic(1)
	var p pair
	_, at := p.feed(0, 50, v, v, 1, 1)
	_, at = p.feed(at, 20, v, far, 1, 1)
	if p.differ {
		t.Error("after two seconds already")
	}
	before := p.cov(one, one, 0)[1][1]
	if _, at = p.feed(at, 80, v, far, 1, 1); !p.differ || p.sigmas < 4.5 || p.sigmas > 5 {
		t.Errorf("seven of 1.4: %v, %.1f sigmas", p.differ, p.sigmas)
	}
	// Each of them may be wrong by all of it; the mean by half.
	if got := math.Sqrt(p.cov(one, one, 0)[1][1] - before); math.Abs(got-3.5) > 0.3 {
		t.Errorf("widened by %.2f, want 3.5", got)
	}
	if _, at = p.feed(at, 100, v, v, 1, 1); p.differ {
		t.Error("still, though they agree")
	}
	// While the board turns fast nothing is compared.
	n := p.n
	p.compare(at, r3.Vec{X: 100}, 1, r3.Vec{X: 1, Y: 1, Z: 1}, 0, tenth)
	if p.n != n || p.diff.X > 1 {
		t.Error("compared while turning")
	}
	// A quarter of a thousand pairs with the stated errors raises no alarm.
	rng := rand.New(rand.NewPCG(3, 4))
	alarms := 0
	for range 250 {
		var q pair
		q.feed(0, 100, r3.Add(v, r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}), v, 0.5, 0.5)
		if q.differ {
			alarms++
		}
	}
	if alarms > 1 {
		t.Errorf("%d alarms of 250 healthy pairs", alarms)
	}
}
