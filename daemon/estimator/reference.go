package estimator

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Reference is where the axis points at this moment, known from outside: a
// sighting, a star in the finder, frames solved elsewhere. Degrees, 1 sigma.
type Reference struct {
	Altitude, Azimuth Quantity // Known tells which of the two it gives
	// Replace has it stand in place of what the sensors and earlier references
	// say, which have been found wrong, instead of being weighed against them.
	Replace bool
}

// ErrNotStill refuses a reference while the mount moves.
var ErrNotStill = errors.New("the mount moves: let it stand still for a second, then repeat the sighting")

// channel is one of the two angles that a reference corrects.
type channel int

const (
	altitudeChannel channel = iota
	azimuthChannel
)

// anchor is what the references so far say of one angle: the systematic error
// there was, at the pose where it was found.
type anchor struct {
	ok       bool
	channel  channel
	source   string
	at       time.Duration
	bias     float64 // true minus measured, degrees
	variance float64 // of bias, deg²
	parts    systematic
	altDeg   float64
	azDeg    float64
}

// systematic is the budget of one angle without noise: 1 sigma in degrees;
// that of temperature has the sign of the change that causes it.
type systematic struct {
	calibration, temperature, mounting, declination, variation, local, iron float64
}

func (s *systematic) variance() float64 {
	return s.calibration*s.calibration + s.temperature*s.temperature + s.mounting*s.mounting +
		s.declination*s.declination + s.variation*s.variation + s.local*s.local + s.iron*s.iron
}

// covariance between the systematic errors of two moments. What is fixed in
// the night sky or in the board is the same error at both; what calibration left,
// iron on the mount and what temperature does to the sensors turn with the board
// and keep the share that alike gives; temperature acts in proportion to its change.
func (s *systematic) covariance(t *systematic, alike float64) float64 {
	low := func(a, b float64) float64 { return min(a*a, b*b) }
	return alike*(low(s.calibration, t.calibration)+low(s.iron, t.iron)+s.temperature*t.temperature) + low(s.mounting, t.mounting) +
		low(s.declination, t.declination) + low(s.variation, t.variation) + low(s.local, t.local)
}

// alike is what a small vector fixed in the board, any way it points, does to this
// angle at one pose as at the other: the correlation of the two errors, none below
// zero. Altitude takes the vector's component up across the axis, azimuth that to
// the east: the cosine of the turn between them in body axes.
func (c channel) alike(alt1, az1, alt2, az2 float64) float64 {
	tilted := math.Cos((alt1 - alt2) * degree)
	if c == altitudeChannel {
		return max(0, tilted)
	}
	s1, c1 := math.Sincos(az1 * degree)
	s2, c2 := math.Sincos(az2 * degree)
	return max(0, s1*s2*tilted+c1*c2)
}

// now gives the bias to add, and its variance, at another pose: the regression
// of one Gaussian error on another that is known as bias ± variance.
func (a *anchor) now(s *systematic, altDeg, azDeg float64) (bias, variance float64) {
	prior := s.variance()
	if !a.ok {
		return 0, prior
	}
	was := a.parts.variance()
	if was == 0 {
		return a.bias, prior + a.variance
	}
	g := s.covariance(&a.parts, a.channel.alike(a.altDeg, a.azDeg, altDeg, azDeg)) / was
	return g * a.bias, max(prior-g*g*was, 0) + g*g*a.variance
}

// Refer takes a reference for the pose of this moment.
func (e *Estimator) Refer(r Reference) error {
	for _, q := range []Quantity{r.Altitude, r.Azimuth} {
		if q.Known && !(q.SigmaDeg > 0 && q.SigmaDeg < 90 && !math.IsNaN(q.Deg) && !math.IsInf(q.Deg, 0)) {
			return fmt.Errorf("reference %v° ± %v°: give finite degrees and an uncertainty above 0", q.Deg, q.SigmaDeg)
		}
	}
	if !r.Altitude.Known && !r.Azimuth.Known {
		return errors.New("the reference gives neither altitude nor azimuth")
	}
	x := e.Estimate(e.at)
	if x.State == Lost || x.State == Stale || x.State == Moving {
		return ErrNotStill
	}
	if r.Altitude.Known && !x.Altitude.Known {
		return fmt.Errorf("altitude: %s", x.Altitude.Why)
	}
	if r.Azimuth.Known && !e.measured.haveAzimuth {
		return errors.New("azimuth: the compass gives none that a sighting could correct")
	}
	m := &e.measured
	if r.Altitude.Known {
		e.anchors[altitudeChannel].take(r.Altitude, r.Replace, m.altDeg, m.noise[altitudeChannel], &m.parts[altitudeChannel], m, e.at)
	}
	if r.Azimuth.Known {
		e.hold.take(r.Azimuth, x.Azimuth, r.Replace, e)
		e.anchors[azimuthChannel].take(r.Azimuth, r.Replace, m.azDeg, m.noise[azimuthChannel], &m.parts[azimuthChannel], m, e.at)
	}
	return nil
}

// take is the scalar Kalman update of the bias by one reference.
func (a *anchor) take(q Quantity, replace bool, measuredDeg, noiseDeg float64, s *systematic, m *measurement, at time.Duration) {
	bias, v := a.now(s, m.altDeg, m.azDeg)
	r := q.SigmaDeg*q.SigmaDeg + noiseDeg*noiseDeg
	k := v / (v + r)
	left := (1 - k) * v
	if replace {
		k, left = 1, r
	}
	bias += k * wrap180(q.Deg-measuredDeg-bias)
	*a = anchor{
		ok: true, channel: a.channel, source: q.Source, at: at, bias: bias, variance: left,
		parts: *s, altDeg: m.altDeg, azDeg: m.azDeg,
	}
}

// Forget drops all references: another place, another mounting.
func (e *Estimator) Forget() { e.anchors, e.hold.ok = noAnchors(), false }

// unseenShare is how much of a turn since the sighting that the compass alone has
// seen is doubted, 1 sigma: one that was none, but steel that came near, still lies
// within four.
const unseenShare = 0.25

// unseen is a bias with its variance after such a turn: what the reference adds to
// the prior is doubted, not what the compass had without it.
func unseen(bias, variance, prior, turnedDeg float64) (b, v float64) {
	if !(variance < prior) {
		return bias, variance
	}
	r := 1 / (1/variance - 1/prior)
	z := bias * r / variance
	r += square(unseenShare * turnedDeg)
	v = 1 / (1/prior + 1/r)
	return z * v / r, v
}

func noAnchors() [2]anchor {
	return [2]anchor{{channel: altitudeChannel}, {channel: azimuthChannel}}
}

// Referred reports whether references act on altitude and azimuth.
func (e *Estimator) Referred() (altitude, azimuth bool) {
	return e.anchors[altitudeChannel].ok, e.anchors[azimuthChannel].ok
}

// measurement is the pose as measured, before references, with its doubts.
type measurement struct {
	altDeg, azDeg float64
	haveAzimuth   bool
	noise         [2]float64
	parts         [2]systematic
}

// measure reads the budget of this moment.
func (e *Estimator) measure(out *Estimate, altDeg, azDeg float64, haveAzimuth bool) {
	m := measurement{altDeg: altDeg, azDeg: azDeg, haveAzimuth: haveAzimuth}
	warmer := 1.0
	if e.tempC < e.opt.CalTempC {
		warmer = -1
	}
	for _, p := range out.Budget {
		for c, v := range [2]float64{p.AltitudeDeg, p.AzimuthDeg} {
			s := &m.parts[c]
			switch p.Name {
			case partNoise:
				m.noise[c] = v
			case partCalibration:
				s.calibration = v
			case partTemperature:
				s.temperature = warmer * v
			case partMounting:
				s.mounting = v
			case partDeclination:
				s.declination = v
			case partVariation:
				s.variation = v
			case partLocal:
				s.local = v
			case partIron:
				s.iron = v
			}
		}
	}
	e.measured = m
}

// applyReferences puts one part in place of those that references have
// replaced, and returns what to add to altitude and azimuth.
func (e *Estimator) applyReferences(out *Estimate) (altBias, azBias float64) {
	m := &e.measured
	var part Part
	var acts [2]bool
	var bias [2]float64
	for c := range e.anchors {
		if !e.anchors[c].ok {
			continue
		}
		b, v := e.anchors[c].now(&m.parts[c], m.altDeg, m.azDeg)
		if c == int(azimuthChannel) && !e.opt.Inertial.HasGyro {
			b, v = unseen(b, v, m.parts[c].variance(), wrap180(m.azDeg-e.anchors[c].azDeg))
		}
		acts[c], bias[c] = true, b
		if c == int(altitudeChannel) {
			part.AltitudeDeg = math.Sqrt(v)
		} else {
			part.AzimuthDeg = math.Sqrt(v)
		}
	}
	if !acts[0] && !acts[1] {
		return 0, 0
	}
	part.Name = partReference
	for i := range out.Budget {
		p := &out.Budget[i]
		if p.Name == partNoise {
			continue
		}
		if acts[altitudeChannel] {
			p.AltitudeDeg = 0
		}
		if acts[azimuthChannel] {
			p.AzimuthDeg = 0
		}
	}
	out.Budget = append(out.Budget, part)
	return bias[altitudeChannel], bias[azimuthChannel]
}
