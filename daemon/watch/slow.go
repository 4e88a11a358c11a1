package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// The slow layer. Once a minute each tilt is compared with
//
//	tilt = p + c·ΔT + a1 sin θ + a2 cos θ + ΔT (c1 sin θ + c2 cos θ) + b1 sin 2θ + b2 cos 2θ
//
// where p is the pose, c the temperature coefficient and ΔT the change of
// temperature. The rest acts only where the board rides on the head, which has
// turned by θ: an axis that is not quite body x and offsets of the accelerometer
// make the tilt nod once per turn (a), their drift likewise (c), and scale and
// cross-axis errors twice per turn (b). The unknowns and their covariance are
// followed by a Kalman filter and remembered every five minutes. A slow move is
// a minute that none of what was known then, with all its doubt, explains.
const (
	unknowns      = 8
	unknownsFixed = 2 // of a board that does not turn
	// gradientC is the temperature difference within the chip's package that its
	// thermometer does not see: the wander of the tilt, with wanderMinutes of
	// memory. warmUpC is the same while the chip warms itself after power-up
	// (common practice, no source; both cover an MPU-6050 recording, see the test).
	gradientC     = 0.15
	wanderMinutes = 5
	warmUpC       = 4.0
	warmUpTime    = 90 * time.Second
	warmEnoughC   = 0.1
	// curvature is how much of its prior sigma a coefficient may change by in
	// curvatureC.
	curvature  = 0.15
	curvatureC = 5.0
	// unseenFallC is the fall per hour that is reckoned with where no thermometer
	// is.
	unseenFallC = 3.0

	minuteLength  = time.Minute
	minuteLeast   = 200 // blocks
	snapEvery     = 5 * time.Minute
	snapshotsMost = 120
	snapshotAge   = 3 * time.Minute

	// creepLimit is the squared distance in sigmas, twice in a row.
	creepLimit  = 4.5 * 4.5
	minCreepDeg = 0.03
	// earlier is how many snapshots before the clearest one a move is measured from.
	earlier = 1
	// A creep is told again when it has grown by this much, and ends when it has
	// not for restMinutes.
	creepGrowth = 1.5
	restMinutes = 30
	restDeg     = 0.01
)

// tracked is one tilt's unknowns, of which the first n are in use.
type tracked struct {
	n int
	x [unknowns]float64
	p [unknowns][unknowns]float64
	// first are the variances before anything was learned.
	first [unknowns]float64
}

// row is what the measurement is of the unknowns.
type row [unknowns]float64

func (k *tracked) predict(h *row) (mean, variance float64) {
	for i := range k.n {
		mean += h[i] * k.x[i]
		for j := range k.n {
			variance += h[i] * k.p[i][j] * h[j]
		}
	}
	return mean, variance
}

func (k *tracked) update(h *row, y, r float64) {
	m, v := k.predict(h)
	var ph [unknowns]float64
	for i := range k.n {
		for j := range k.n {
			ph[i] += k.p[i][j] * h[j]
		}
	}
	for i := range k.n {
		gain := ph[i] / (v + r)
		k.x[i] += gain * (y - m)
		for j := range k.n {
			k.p[i][j] -= gain * ph[j]
		}
	}
}

// anchor makes now the pose: the first unknown is y, known to variance r, and
// owes nothing to the others.
func (k *tracked) anchor(y, r float64) {
	k.x[0] = y
	for i := range k.n {
		k.p[0][i], k.p[i][0] = 0, 0
	}
	k.p[0][0] = r
}

// origin is where the pose counts from: the temperature and the head's angle at
// which it was taken.
type origin struct{ tempC, sin, cos float64 }

// tempRef is the zero of temperature of the unknowns, °C: any fixed one.
const tempRef = 10.0

// terms are what the unknowns beside the pose are multiplied with.
func terms(d, sin, cos float64) row {
	return row{0, d, sin, cos, d * sin, d * cos, 2 * sin * cos, cos*cos - sin*sin}
}

// row is the measurement at a temperature and angle, counted from o. Without a
// thermometer the temperature counts as unchanged.
func (o *origin) row(tempC, sin, cos float64) row {
	from := o.tempC
	if math.IsNaN(tempC) {
		tempC = from
	}
	if math.IsNaN(from) {
		from = tempC
	}
	if math.IsNaN(from) {
		from, tempC = tempRef, tempRef
	}
	h, h0 := terms(tempC-tempRef, sin, cos), terms(from-tempRef, o.sin, o.cos)
	for i := range h {
		h[i] -= h0[i]
	}
	h[0] = 1
	return h
}

// snapshot is what was known at one time.
type snapshot struct {
	at       time.Duration
	tempC    float64
	from     origin
	up, side tracked
	warm     float64 // °C of warming that was still to come
}

// slow is the state of the layer.
type slow struct {
	_        [0]func()  // never compared: no code for that
	moved    [2]float64 // up and side, what of the tilt since the frame was taken was a move
	up, side tracked
	from     origin
	have     bool
	// priorUp and priorSide are the sigma of a coefficient that nothing is known
	// of, degrees per °C.
	priorUp, priorSide float64

	cell                 int64
	n                    float64
	sumUp, sumSide, sumT float64
	lastTemp             float64
	coldest, warmest     float64
	snaps                [snapshotsMost]snapshot
	count                int
	beyond               int // minutes in a row
	move                 slowMove
	since                time.Duration // power-up of the chip
	last                 minute
}

// minute is one minute's mean.
type minute struct {
	at         time.Duration
	up, side   float64
	vUp, vSide float64
	tempC      float64
	sin, cos   float64 // of the head's angle
}

// slowMove is a slow move being followed.
type slowMove struct {
	_       [0]func()  // never compared: no code for that
	seen    [2]float64 // up and side, at the newest minute
	on      bool
	id      int
	told    int
	snap    snapshot
	shown   float64
	history [restMinutes][2]float64
	minutes int
	last    Move
	byTemp  float64
}

func (s *slow) init() {
	s.from.tempC, s.lastTemp = math.NaN(), math.NaN()
	s.coldest, s.warmest = math.Inf(1), math.Inf(-1)
	s.cell = math.MinInt64
}

// prior takes coefficients from former nights or from the data sheet. An offset
// of the specific force along f raises the apparent altitude, one along l the
// left side; a scale error acts by the axis' own share of gravity.
func (s *slow) prior(o *Options, r *frame, onHead bool) {
	offset := o.Inertial.AccelDriftPerC / sensors.StandardGravity / degree
	scale := o.ScaleDriftPerC / degree
	along := func(v r3.Vec) float64 {
		x := r3.Vec{X: v.X * r.u.X, Y: v.Y * r.u.Y, Z: v.Z * r.u.Z}
		return math.Hypot(offset, scale*r3.Norm(x))
	}
	s.priorUp, s.priorSide = along(r.f), along(r.l)
	s.up, s.side = tracked{n: unknownsFixed}, tracked{n: unknownsFixed}
	up, side := &s.up.first, &s.side.first
	up[1], side[1] = square(s.priorUp), square(s.priorSide)
	s.coldest, s.warmest = math.Inf(1), math.Inf(-1)
	if onHead {
		s.up.n = unknowns
		across := math.Abs(r.sin)
		up[1] = square(offset*r.cos) + square(scale*r.cos*r.sin)
		up[2] = square(o.NodSigmaDeg)
		up[4] = square(offset * across)
		up[6] = square(o.AccelScaleSigma * r.cos * across / degree)
		up[3], up[5], up[7] = up[2], up[4], up[6]
	} else if l := o.Learned; l != nil && l.UpSigma > 0 && l.SideSigma > 0 {
		s.up.x[1], up[1] = l.UpPerC, square(l.UpSigma)
		s.side.x[1], side[1] = l.SidePerC, square(l.SideSigma)
	}
	for _, k := range [2]*tracked{&s.up, &s.side} {
		for i := range k.n {
			k.p[i][i] = k.first[i]
		}
	}
}

// doubt forgets how well the temperature's coefficients are known, not what they
// are.
func (k *tracked) doubt() {
	for _, c := range [3]int{1, 4, 5} {
		for i := range k.n {
			k.p[c][i], k.p[i][c] = 0, 0
		}
		k.p[c][c] = k.first[c]
	}
}

// restart makes the pose of now, at tilt zero known to the variances, the one to
// compare with.
func (s *slow) restart(at time.Duration, tempC, theta, vUp, vSide float64) {
	sin, cos := math.Sincos(theta * degree)
	s.from = origin{tempC, sin, cos}
	s.have = true
	s.up.anchor(0, vUp+square(gradientC*s.priorUp))
	s.side.anchor(0, vSide+square(gradientC*s.priorSide))
	s.discard()
	s.count, s.beyond = 0, 0
	s.lastTemp = tempC
	s.last.up, s.last.side = 0, 0
	s.moved = [2]float64{}
	s.remember(at, tempC)
}

// discard drops a minute that is not complete.
func (s *slow) discard() { s.n, s.sumUp, s.sumSide, s.sumT = 0, 0, 0, 0 }

// step shifts everything that is known by a move.
func (s *slow) step(up, side, vUp, vSide float64) {
	s.discard()
	s.up.x[0] += up
	s.up.p[0][0] += vUp
	s.side.x[0] += side
	s.side.p[0][0] += vSide
	for i := range s.count {
		k := &s.snaps[i]
		k.up.x[0] += up
		k.up.p[0][0] += vUp
		k.side.x[0] += side
		k.side.p[0][0] += vSide
	}
	s.move.snap.up.x[0] += up
	s.move.snap.side.x[0] += side
	s.last.up += up
	s.last.side += side
	s.moved[0] += up
	s.moved[1] += side
}

// warm is the offset, °C of warming, that a chip which was powered up a while
// before at has still to lose.
func (s *slow) warm(at time.Duration) float64 {
	return warmUpC * math.Exp(-(at-s.since).Seconds()/warmUpTime.Seconds())
}

// remember keeps a snapshot; when full, every second one goes.
func (s *slow) remember(at time.Duration, tempC float64) {
	if s.count == len(s.snaps) {
		for i := 0; i < s.count/2; i++ {
			s.snaps[i] = s.snaps[2*i]
		}
		s.count /= 2
	}
	s.snaps[s.count] = snapshot{at: at, tempC: tempC, from: s.from, up: s.up, side: s.side, warm: s.warm(at)}
	s.count++
}

// add takes an undisturbed block; with the first one of a new minute the last
// minute is judged.
func (s *slow) add(w *Watch, e *entry) {
	if !s.have {
		return
	}
	m := int64(e.at / minuteLength)
	if m != s.cell {
		if s.n >= minuteLeast {
			s.judge(w, e.at)
		}
		s.cell = m
		s.discard()
	}
	s.n++
	s.sumUp += e.x[tiltUp]
	s.sumSide += e.x[tiltSide]
	s.sumT += e.tempC
}

// judge compares a minute's mean with the past and takes it in.
func (s *slow) judge(w *Watch, at time.Duration) {
	up, side, tempC := s.sumUp/s.n, s.sumSide/s.n, s.sumT/s.n
	vUp := w.base.upScatter.variance() * settledBlocks / s.n
	vSide := w.base.sideScatter.variance() * settledBlocks / s.n
	if !math.IsNaN(tempC) {
		if math.IsNaN(s.from.tempC) {
			s.from.tempC, s.lastTemp = tempC, tempC
		}
		s.coldest, s.warmest = min(s.coldest, tempC), max(s.warmest, tempC)
	}
	theta := w.head.theta
	sin, cos := math.Sincos(theta * degree)
	now := minute{at: at, up: up, side: side, vUp: vUp, vSide: vSide, tempC: tempC, sin: sin, cos: cos}
	s.last = now

	change := math.Abs(tempC - s.lastTemp)
	if math.IsNaN(change) {
		change = unseenFallC / 60
	}
	grow := func(k *tracked, prior float64) {
		k.p[0][0] += square(gradientC*prior) / 60
		k.p[1][1] += square(curvature*prior) / curvatureC * change
	}
	grow(&s.up, s.priorUp)
	grow(&s.side, s.priorSide)
	if !math.IsNaN(tempC) {
		s.lastTemp = tempC
	}
	if w.armed && !w.settling {
		s.look(w, &now)
	}
	h := s.from.row(tempC, sin, cos)
	const reuse = 2*wanderMinutes + 1 // a wander that lasts counts less often
	if s.warm(at) > warmEnoughC {
		// A chip that warms itself would teach a wrong coefficient.
		s.from = origin{tempC, sin, cos}
		s.up.anchor(up, vUp+square(gradientC*s.priorUp))
		s.side.anchor(side, vSide+square(gradientC*s.priorSide))
	} else {
		s.up.update(&h, up, vUp+square(s.priorUp)*reuse*gradientC*gradientC)
		s.side.update(&h, side, vSide+square(s.priorSide)*reuse*gradientC*gradientC)
	}
	if k := s.count; k == 0 || at-s.snaps[k-1].at >= snapEvery {
		s.remember(at, tempC)
	}
}

// surprise is how far a minute's tilts are from what a snapshot foretells, with
// the variances of that.
func (s *slow) surprise(k *snapshot, m *minute) (up, side, vUp, vSide float64) {
	h := k.from.row(m.tempC, m.sin, m.cos)
	age := (m.at - k.at).Minutes()
	// In units of the prior variance of a coefficient, (°C)².
	doubt := square(gradientC)*(1+age/60) + square(k.warm-s.warm(m.at))
	if dt := math.Abs(m.tempC - k.tempC); !math.IsNaN(dt) {
		doubt += square(curvature) / curvatureC * dt * dt * dt / 3
	} else {
		doubt += square(unseenFallC * age / 60)
	}
	mu, pu := k.up.predict(&h)
	ms, ps := k.side.predict(&h)
	return m.up - mu, m.side - ms, pu + m.vUp + square(s.priorUp)*doubt, ps + m.vSide + square(s.priorSide)*doubt
}
