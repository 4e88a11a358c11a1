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
	compass
	known bool // the field was seen
	model bool // its strength and dip are known from outside

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

	level float64 // variance of the field beyond the expected, now, µT²
	hold  float64 // the same, kept until turning or the old field's return clears it
	calm  float64 // s without excess
	on    bool
	left  vec3 // residual of the last field before it was used, µT

	saved, saving bookmark
	back          float64 // s for which the saved state explains the field again
}

// bookmark is the state at a calm moment and how uncertain the level frame has
// become since.
type bookmark struct {
	compass
	ok       bool
	age      float64 // s
	walk     float64 // rad², variance of the heading added since
	strolled float64 // rad turned since
	rateVar  float64 // (rad/s)², largest of the offset about the vertical since
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
	h.setModel(o.Field)
}

// setModel takes strength and dip from outside. The vertical field is a state;
// the horizontal one is known by its length only, which is seen once there is
// a direction.
func (h *headingFilter) setModel(f Field) {
	if !(f.StrengthUT > 0) {
		return
	}
	h.model = true
	sin, cos := math.Sincos(f.DipDeg * degree)
	sf, sd := f.StrengthSigmaUT, f.StrengthUT*f.DipSigmaDeg*degree
	h.field[2] = -f.StrengthUT * sin
	h.forget(cField+2, square(sin*sf)+square(cos*sd))
	if h.known {
		h.seeLength(f)
	}
	h.saved.ok, h.saving.ok = false, false
}

// seeLength is the observation of the horizontal field's length.
func (h *headingFilter) seeLength(f Field) (rate float64) {
	sin, cos := math.Sincos(f.DipDeg * degree)
	v := square(cos*f.StrengthSigmaUT) + square(sin*f.StrengthUT*f.DipSigmaDeg*degree)
	l := math.Hypot(h.field[0], h.field[1])
	if l == 0 {
		return 0
	}
	x, y := h.field[0]/l, h.field[1]/l
	var col compassVec
	h.axpy(&col, cField, x)
	h.axpy(&col, cField+1, y)
	return h.see(&col, x*col[cField]+y*col[cField+1], f.StrengthUT*cos-l, v)
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

func (h *headingFilter) predict(tn *tuning, stray float64, d drift) {
	s := h.span
	h.turnWith(s)
	h.spread(d.turnVar)
	for _, b := range [...]*bookmark{&h.saved, &h.saving} {
		b.age += s
		b.walk += d.turnVar
		b.strolled += h.strolled
		b.rateVar = max(b.rateVar, d.rateVar)
	}
	// Turned over, the vertical rate is that of another sensor axis.
	phi := math.Exp(-h.strolled)
	h.decay(cRate, phi, (1-phi*phi)*d.rateVar+square(d.rateWalk)*s)

	s2 := square(stray)
	v := s2 + max(h.level, h.hold)
	phi = math.Exp(-(s2*tn.strayTurn + (v-s2)*tn.distTurn) / v * h.strolled)
	for i := range 3 {
		h.decay(cStray+i, phi, (1-phi*phi)*v+square(tn.strayWalk)*s)
		h.stray[i] *= phi
		h.p[cIron+i][cIron+i] += square(tn.ironWalk) * h.strolled
		h.p[cField+i][cField+i] += square(tn.fieldWalk) * s
	}
	for a := range 9 {
		h.p[cScale+a][cScale+a] += square(tn.scaleWalk) * s
	}
	h.p[cLag][cLag] += square(tn.lagWalk) * s
}

// update takes the field since the last one and returns the correction of the
// vertical rate. noise is the variance of one sample, µT²; tilt that of the
// attitude about x and y, rad².
func (h *headingFilter) update(o *FilterOptions, tn *tuning, noise float64, tilt [2]float64, d drift) (rate float64, ok bool) {
	f := h.means()
	h.predict(tn, o.StrayUT, d)
	moving := min(f.rate/fullMoveRate, 1)
	h2, z2 := square(f.field[0])+square(f.field[1]), square(f.field[2])
	white := noise/f.n + square(tn.fieldFloor) + moving*square(tn.moveField)/f.span + square(tn.jitter*f.rate)*(h2+z2)
	h.left = h.residual(&f)
	if h.known {
		h.judge(tn, &f, white, (tilt[0]+tilt[1])/2, o.StrayUT)
	}
	v := square(o.StrayUT) + max(h.level, h.hold)
	for i := range 3 {
		rate += h.limit(cStray+i, v, -h.stray[i])
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
	if !h.known && o.Field.StrengthUT > 0 {
		rate += h.seeLength(o.Field)
	}
	h.known = true
	h.clear()
	return rate, ok
}

// judge compares the field with what is expected, sets level and hold, and
// opens the covariance when something new has come. It undoes an episode whose
// cause is gone.
func (h *headingFilter) judge(tn *tuning, f *fieldMean, white, tilt, stray float64) {
	along, up, across := h.excess(&h.left, white, tilt, stray, tn.excess)
	now := (along + up) / 2
	tau := tn.attack
	if now < h.level {
		tau = tn.release
	}
	h.level += (1 - math.Exp(-f.span/tau)) * (now - h.level)
	h.hold *= math.Exp(-tn.holdTurn * h.strolled)
	if now == 0 && across == 0 {
		h.calm += f.span
	}
	if rise := h.level - h.hold; rise > 0 {
		// New: it may sit on the board or stand outside; while nothing is
		// proven yet, it may have been there from the start.
		for i := range 3 {
			h.p[cIron+i][cIron+i] += rise
			if h.calm < tn.proven && !(h.model && i == 2) {
				h.p[cField+i][cField+i] += rise
			}
		}
		h.hold = h.level
	}
	was := h.on
	h.on = h.hold > square(1.25*stray) || h.on && h.hold > square(0.5*stray)
	switch {
	case h.on && h.saved.ok:
		old := h.saved.residual(f)
		a, u, _ := h.saved.excess(&old, white, tilt, stray, tn.excess)
		if a > 0 || u > 0 {
			h.back = 0
			return
		}
		if h.back += f.span; h.back > tn.returned {
			h.undo(tn, stray)
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

// undo goes back to the bookmark: the disturbed episode taught nothing.
func (h *headingFilter) undo(tn *tuning, stray float64) {
	b := &h.saved
	phi := math.Exp(-tn.strayTurn * b.strolled)
	for i := range 3 {
		b.decay(cStray+i, phi, (1-phi*phi)*square(stray))
		b.stray[i] *= phi
		b.p[cIron+i][cIron+i] += square(tn.ironWalk) * b.strolled
	}
	b.spread(min(b.walk+b.rateVar*square(b.age), 1))
	b.age, b.walk, b.strolled, b.rateVar = 0, 0, 0, 0
	h.compass = b.compass
	h.saving = *b
	h.level, h.hold, h.on, h.back = 0, 0, false, 0
}
