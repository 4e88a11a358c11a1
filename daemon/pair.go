package daemon

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
)

// Limits of a pair. The figures without another word are common practice, no
// source.
const (
	// decideWithin is how long after the estimator's first sample the second
	// sensor may come to have a share in the mean: later it would move it.
	decideWithin = 5 * time.Second
	// together is how far apart in time two samples may be to be compared; the
	// rate of turn brings the older one to the time of the newer.
	together = 100 * time.Millisecond
	// missing is how long the first sensor is silent before the second stands in.
	missing = 500 * time.Millisecond
	// firstPatience is the same before it has spoken at all.
	firstPatience = 3 * time.Second
	// pairMemory is the time constant of the mean difference.
	pairMemory = 2 * time.Second
	// disagreeSigmas for disagreeFor is a disagreement, agreeSigmas ends it.
	disagreeSigmas = 4.0
	agreeSigmas    = 3.0
	disagreeFor    = 3 * time.Second
	// quietTurn is the rate, rad/s, below which differences count.
	quietTurn = 0.2
)

// pair joins two sensors of one quantity into one stream, in body axes and after
// their own corrections: the mean weighted by their variances while both answer,
// else the one that does. So that a sensor that comes or goes does not look like a
// movement, the other one is then shifted by its share of the mean difference.
//
// The weight is decided once, by decide, and holds until the pair is made anew
// with the estimator.
type pair struct {
	decided bool
	weight  float64 // of the second sensor, 0 to 1
	use     pairUse

	began, firstAt time.Duration
	begun          bool
	began2         time.Duration // first sample of the second
	last           r3.Vec        // newest of the second
	lastAt         time.Duration
	have           bool

	diff   r3.Vec  // mean of first less second
	n      float64 // samples in it, at most those of pairMemory
	diffAt time.Duration
	beyond time.Duration // since when the difference is too large
	over   bool
	sigmas float64 // of the difference, the worst axis
	differ bool
}

// pairUse is what the newest joined sample came from.
type pairUse int

const (
	useFirst pairUse = iota
	useBoth
	useSecond
)

// second takes a sample of the second sensor.
func (p *pair) second(at time.Duration, v r3.Vec) {
	if !p.have {
		p.began2 = at
	}
	p.last, p.lastAt, p.have = v, at, true
}

// first takes the time of a sample of the first sensor and reports whether the
// second has one to go with it, brought to that time: a vector that stands still in
// the world turns against the body by the rate w, rad/s.
func (p *pair) first(at time.Duration, w r3.Vec) (v2 r3.Vec, ok bool) {
	if !p.begun {
		p.began, p.begun = at, true
	}
	p.firstAt = at
	dt := at - p.lastAt
	if !p.have || dt > together || dt < -together {
		return r3.Vec{}, false
	}
	return r3.Add(p.last, r3.Scale(dt.Seconds(), r3.Cross(p.last, w))), true
}

// decide fixes the weight by the variances of both sensors; the first time that
// both are there.
func (p *pair) decide(at time.Duration, var1, var2 float64) {
	p.decided, p.weight = true, 0
	if at-p.began <= decideWithin && var1 > 0 && var2 > 0 {
		p.weight = var1 / (var1 + var2)
	}
}

// join is the mean of both.
func (p *pair) join(v1, v2 r3.Vec) r3.Vec {
	p.use = useBoth
	return r3.Add(v1, r3.Scale(p.weight, r3.Sub(v2, v1)))
}

// firstAlone and secondAlone are what the mean would probably be.
func (p *pair) firstAlone(v1 r3.Vec) r3.Vec {
	p.use = useFirst
	return r3.Sub(v1, r3.Scale(p.weight, p.diff))
}

func (p *pair) secondAlone(v2 r3.Vec) r3.Vec {
	p.use = useSecond
	if !p.bridged() {
		return v2
	}
	return r3.Add(v2, r3.Scale(1-p.weight, p.diff))
}

// bridged reports whether the mean difference is known.
func (p *pair) bridged() bool { return p.decided && p.n >= 10 }

// silent reports that the first sensor has not spoken for too long; at the start it
// is given more time.
func (p *pair) silent(now time.Duration) bool {
	if !p.begun {
		return p.have && now-p.began2 > firstPatience
	}
	return now-p.firstAt > missing
}

// compare takes the difference of two samples at one time, while the board turns by
// rate. systematic is the variance per axis of what does not average out, noise that
// of one difference, period the time between samples.
func (p *pair) compare(at time.Duration, d r3.Vec, rate float64, systematic r3.Vec, noise float64, period time.Duration) {
	if rate > quietTurn {
		return
	}
	most := max(10, pairMemory.Seconds()/period.Seconds())
	p.n = min(p.n+1, most)
	p.diff = r3.Add(p.diff, r3.Scale(1/p.n, r3.Sub(d, p.diff)))
	p.diffAt = at
	if p.n < most/2 {
		return
	}
	p.sigmas = 0
	for _, x := range [3][2]float64{{p.diff.X, systematic.X}, {p.diff.Y, systematic.Y}, {p.diff.Z, systematic.Z}} {
		p.sigmas = max(p.sigmas, math.Abs(x[0])/math.Sqrt(x[1]+noise/p.n))
	}
	switch {
	case p.sigmas < agreeSigmas:
		p.over, p.differ = false, false
	case p.sigmas > disagreeSigmas && !p.over:
		p.over, p.beyond = true, at
	}
	p.differ = p.differ || p.over && at-p.beyond >= disagreeFor
}

// cov is the covariance of what the corrections c1 and c2 leave to the joined
// vector; bridge is 1 sigma per axis of how far the difference may have moved since
// it was measured. While the sensors disagree, either may be wrong by all of the
// difference.
func (p *pair) cov(c1, c2 estimator.Cov3, bridge float64) estimator.Cov3 {
	w := p.weight
	if p.use == useSecond && !p.bridged() {
		return c2
	}
	var extra float64
	switch p.use {
	case useFirst:
		extra = w * bridge
	case useSecond:
		extra = (1 - w) * bridge
	}
	far := 0.0
	if p.differ {
		far = max(w, 1-w)
	}
	d := [3]float64{p.diff.X, p.diff.Y, p.diff.Z}
	var out estimator.Cov3
	for i := range 3 {
		for k := range 3 {
			out[i][k] = (1-w)*(1-w)*c1[i][k] + w*w*c2[i][k] + far*far*d[i]*d[k]
		}
		out[i][i] += extra * extra
	}
	return out
}
