package estimator

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
)

// openField is the sigma of the Earth's field before anything is known, µT.
const openField = 100

// fullMoveRate is the rate from which the field error of motion acts in full,
// rad/s.
const fullMoveRate = 0.2

type headingFilter struct {
	_ [0]func() // never compared: no code for that
	compass
	known bool // the field was seen
	model bool // its strength and dip are known from outside

	length, lengthVar float64 // of the horizontal field by the model, µT and µT²

	// Sums since the last update.
	span, path float64
	rateStep   float64     // rad/s about up by which the offset was corrected elsewhere
	wander     float64     // rad², variance of the turn about up
	strolled   float64     // rad between anchors: path without tremor and noise
	anchor     quat.Number // attitude in the level frame
	sum, swing vec3
	turn       mat3
	lever      [3][9]float64
	n          int

	level  float64 // variance of the field beyond the expected, now, µT²
	hold   float64 // the same, kept until turning or the old field's return clears it
	before float64 // excess of the last epoch, µT²
	calm   float64 // s without excess
	on     bool
	left   vec3 // residual of the last field before it was used, µT

	saved, saving bookmark
	back          float64 // s for which the saved state explains the field again
}

// bookmark is the state at a calm moment, carried on without the field since.
type bookmark struct {
	compass
	ok  bool
	age float64 // s
}

func (h *headingFilter) restart(o *FilterOptions, tn *tuning) {
	anchor := h.anchor
	*h = headingFilter{anchor: anchor}
	for i := range 3 {
		h.p[cField+i][cField+i] = square(openField)
		h.p[cIron+i][cIron+i] = square(o.MagOffsetUT)
		h.p[cStray+i][cStray+i] = square(o.StrayUT)
	}
	for a := range 9 {
		h.p[cScale+a][cScale+a] = square(o.MagScale)
	}
	h.p[cLag][cLag] = square(tn.lagSigma)
	h.p[cRate][cRate] = square(o.GyroOffset)
	h.before = math.Inf(1)
	h.setModel(o.Field)
}

// setModel takes strength and dip from outside. They give the vertical field
// and the length of the horizontal one, whose direction the first field shows.
// A model that is not finite is none.
func (h *headingFilter) setModel(f Field) {
	if !(f.StrengthUT > 0 && f.StrengthUT <= maxFieldUT && math.Abs(f.DipDeg) <= 90 &&
		f.StrengthSigmaUT >= 0 && f.StrengthSigmaUT <= maxFieldUT && f.DipSigmaDeg >= 0 && f.DipSigmaDeg <= 90) {
		return
	}
	sin, cos := math.Sincos(f.DipDeg * degree)
	sf, sd := f.StrengthSigmaUT, f.StrengthUT*f.DipSigmaDeg*degree
	h.model = true
	h.field[2] = -f.StrengthUT * sin
	h.forget(cField+2, square(sin*sf)+square(cos*sd))
	h.length, h.lengthVar = f.StrengthUT*cos, square(cos*sf)+square(sin*sd)
	h.saved.ok, h.saving.ok, h.before = false, false, math.Inf(1)
	if h.known {
		angle, v := h.azimuth()
		h.aim(angle, v)
	}
}

// aim sets the horizontal field to the model's length, and to the azimuth angle
// with the variance v.
func (h *headingFilter) aim(angle, v float64) {
	y, x := math.Cos(angle), math.Sin(angle)
	across := min(v*square(h.length), square(openField))
	h.forget(cField, h.lengthVar*x*x+across*y*y)
	h.forget(cField+1, h.lengthVar*y*y+across*x*x)
	h.p[cField][cField+1] = (h.lengthVar - across) * x * y
	h.field[0], h.field[1] = h.length*x, h.length*y
}

func (h *headingFilter) clear() {
	h.span, h.path, h.rateStep, h.wander, h.strolled, h.n = 0, 0, 0, 0, 0, 0
	h.sum, h.swing, h.turn = vec3{}, vec3{}, mat3{}
	h.lever = [3][9]float64{}
}

// stroll counts a turn once it leads anchorStep away from the last place
// counted.
func (h *headingFilter) stroll(q quat.Number) {
	const anchorStep = 0.1 // rad
	a := h.anchor
	// The real part of q a* is the cosine of half the angle.
	c := math.Abs(q.Real*a.Real + q.Imag*a.Imag + q.Jmag*a.Jmag + q.Kmag*a.Kmag)
	if c < 1-anchorStep*anchorStep/8 {
		h.strolled += 2 * math.Acos(c)
		h.anchor = q
	}
}

// add takes one sample m in sensor axes; r turns sensor axes into the level
// frame, rate is the angular rate in sensor axes.
func (h *headingFilter) add(r *mat3, m, rate *vec3) {
	f := r.mul(m)
	w := r.mul(rate)
	// Levers come from the estimated field, not from m: noise in them would
	// bias the scale.
	e := h.field
	s := cross(&w, &e)
	c0 := r[0][0]*e[0] + r[1][0]*e[1] + r[2][0]*e[2]
	c1 := r[0][1]*e[0] + r[1][1]*e[1] + r[2][1]*e[2]
	c2 := r[0][2]*e[0] + r[1][2]*e[1] + r[2][2]*e[2]
	for i := range 3 {
		h.sum[i] += f[i]
		h.swing[i] += s[i]
		ri, t, l := &r[i], &h.turn[i], &h.lever[i]
		t[0] += ri[0]
		t[1] += ri[1]
		t[2] += ri[2]
		l[0] += ri[0] * c0
		l[1] += ri[0] * c1
		l[2] += ri[0] * c2
		l[3] += ri[1] * c0
		l[4] += ri[1] * c1
		l[5] += ri[1] * c2
		l[6] += ri[2] * c0
		l[7] += ri[2] * c1
		l[8] += ri[2] * c2
	}
	h.n++
}

func (h *headingFilter) means() fieldMean {
	k := 1 / float64(h.n)
	f := fieldMean{n: float64(h.n), span: h.span}
	if h.span > 0 {
		f.rate = h.path / h.span
	}
	for i := range 3 {
		f.field[i] = h.sum[i] * k
		f.swing[i] = h.swing[i] * k
		for j := range 3 {
			f.turn[i][j] = h.turn[i][j] * k
		}
		for a := range 9 {
			f.lever[i][a] = h.lever[i][a] * k
		}
	}
	return f
}

// drift is what the last span adds to the covariance.
type drift struct {
	turnVar  float64 // rad², of the level frame about up
	rateVar  float64 // (rad/s)², of the gyroscope's offset about up
	rateWalk float64 // rad/s/√s
}

// predict carries the covariance over s seconds in which the board strolled by
// so many radians; v is the variance of the local field, of which ordinary is
// not a disturbance.
func (c *compass) predict(tn *tuning, s, strolled, ordinary, v float64, d drift) {
	c.turnWith(s)
	c.spread(d.turnVar)
	// Turned over, the vertical rate is that of another sensor axis.
	phi := math.Exp(-strolled)
	c.decay(cRate, phi, (1-phi*phi)*d.rateVar+square(d.rateWalk)*s)
	phi = math.Exp(-(ordinary*tn.strayTurn + (v-ordinary)*tn.distTurn) / v * strolled)
	for i := range 3 {
		c.decay(cStray+i, phi, (1-phi*phi)*v+square(tn.strayWalk)*s)
		c.stray[i] *= phi
		c.p[cIron+i][cIron+i] += square(tn.ironWalk) * strolled
		c.p[cField+i][cField+i] += square(tn.fieldWalk) * s
	}
	for a := range 9 {
		c.p[cScale+a][cScale+a] += square(tn.scaleWalk) * s
	}
	c.p[cLag][cLag] += square(tn.lagWalk) * s
}

// update takes the field since the last one and returns the correction of the
// vertical rate. noise is the variance of one sample, µT²; tilt that of the
// attitude about x and y, rad².
func (h *headingFilter) update(o *FilterOptions, tn *tuning, noise float64, tilt [2]float64, d drift) (rate float64, ok bool) {
	f := h.means()
	ordinary := square(o.StrayUT)
	h.predict(tn, h.span, h.strolled, ordinary, ordinary+max(h.level, h.hold), d)
	for _, b := range [...]*bookmark{&h.saved, &h.saving} {
		if b.ok {
			b.predict(tn, h.span, h.strolled, ordinary, ordinary, d)
			b.age += h.span
		}
	}
	moving := min(f.rate/fullMoveRate, 1)
	h2, z2 := square(f.field[0])+square(f.field[1]), square(f.field[2])
	white := noise/f.n + square(tn.fieldFloor) + moving*square(tn.moveField)/f.span + square(tn.jitter*f.rate)*(h2+z2)
	if !h.known && h.model {
		h.aim(math.Atan2(f.field[0], f.field[1]), math.Pi*math.Pi)
		h.known = true
	}
	h.left = h.residual(&f)
	if h.known {
		h.judge(tn, &f, white, (tilt[0]+tilt[1])/2, o.StrayUT)
	}
	if d.rateVar > 0 {
		// The tilt filter knows the offset better now: its correction is what
		// the error of the rate was, and the heading drifted by it.
		h.limit(cRate, d.rateVar, h.rateStep)
	}
	white += h.level
	e := h.residual(&f)
	r, ok := h.observe(&f, &e, &vec3{white + tilt[1]*z2, white + tilt[0]*z2, white + (tilt[0]+tilt[1])/2*h2})
	rate += r
	h.known = true
	h.clear()
	return rate, ok
}

// twoWitnesses widens the variance that two components give to the third: 95 %
// of Student's distribution with two degrees of freedom lie within 4.3 sigmas
// instead of 1.96, and of three states that share the doubt one keeps two thirds.
const twoWitnesses = 7.2

// judge compares the field with what is expected, sets level and hold, and
// opens the covariance when something new has come. It undoes an episode whose
// cause is gone.
func (h *headingFilter) judge(tn *tuning, f *fieldMean, white, tilt, stray float64) {
	along, up, across := h.excess(&h.left, white, tilt, stray, tn.excess)
	now := (along + up) / 2
	if h.calm >= tn.proven {
		now = max(now, (along+up+across)/3)
	}
	// One bad sample is no disturbance: the lesser of the last two counts.
	twice := min(now, h.before)
	h.before = now
	h.level = max(twice, h.level+(1-math.Exp(-f.span/tn.release))*(now-h.level))
	h.hold *= math.Exp(-tn.holdTurn * h.strolled)
	if now == 0 && across == 0 {
		h.calm += f.span
	}
	if rise := h.level - h.hold; rise > 0 {
		// New: it may sit on the board or stand outside; while nothing is
		// proven yet, it may have been there from the start.
		for i := range 3 {
			h.p[cIron+i][cIron+i] += rise
			h.p[cStray+i][cStray+i] += rise
			if h.calm < tn.proven && !(h.model && i == 2) {
				h.p[cField+i][cField+i] += twoWitnesses * rise
			}
		}
		h.hold = h.level
	}
	was := h.on
	h.on = h.hold > square(1.5*stray) || h.on && h.hold > square(0.9*stray)
	switch {
	case h.on && h.saved.ok:
		old := h.saved.residual(f)
		a, u, c := h.saved.excess(&old, white, tilt, stray, tn.excess)
		if a > 0 || u > 0 || c > 0 {
			h.back = 0
			return
		}
		if h.back += f.span; h.back > tn.returned {
			// The disturbed episode taught nothing.
			h.compass = h.saved.compass
			h.saving = h.saved
			h.level, h.hold, h.on, h.back = 0, 0, false, 0
		}
	case !h.on:
		h.back = 0
		if was || h.level > square(0.5*stray) {
			h.saving.ok = false
		}
		if !h.saving.ok || h.saving.age > 2 {
			if h.saving.ok {
				h.saved = h.saving
			}
			h.saving = bookmark{compass: h.compass, ok: true}
		}
	}
}
