package estimator

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
)

// wideTurn is the variance of the heading (rad²) from which it is taken anew
// from the field: sigma 30°, where the linear update ends.
const wideTurn = 0.27

type headingFilter struct {
	compass
	known bool // a heading was taken from the field
	fixed bool // the reference field is known from outside

	// Sums since the last update.
	span, path, clipped float64
	strolled            float64 // rad between anchors: path without tremor and noise
	anchor              quat.Number
	field, swing        vec3
	turn                mat3
	lever               [3][9]float64
	n                   int

	level float64 // variance of the field beyond the expected, now, µT²
	hold  float64 // the same, kept until turning or the old field's return clears it
	calm  float64 // s without excess
	on    bool
	left  vec3 // of the last field, not explained, µT

	saved, saving bookmark
	back          float64 // s for which the saved state explains the field again
}

// bookmark is the state at a calm moment and what happened to the attitude
// since.
type bookmark struct {
	compass
	ok      bool
	age     float64 // s
	turned  float64 // rad, corrections of the heading since
	walk    float64 // rad², variance of the heading added since
	rateVar float64 // (rad/s)², largest of the offset about the vertical since
}

func (h *headingFilter) restart(o *FilterOptions, tn *tuning) {
	*h = headingFilter{}
	for i := range 3 {
		h.p[cIron+i][cIron+i] = square(o.MagOffsetUT)
		h.p[cStray+i][cStray+i] = square(o.StrayUT)
	}
	for a := range 9 {
		h.p[cScale+a][cScale+a] = square(o.MagScale)
	}
	h.p[cLag][cLag] = square(tn.lagSigma)
	h.p[cRate][cRate] = square(o.GyroOffset)
	h.p[cTurn][cTurn] = square(math.Pi)
	if o.Field.StrengthUT > 0 {
		h.setReference(o.Field)
	}
}

// learnedRef is the sigma with which a field measured once serves as
// reference, µT.
const learnedRef = 10

func (h *headingFilter) setReference(f Field) {
	sin, cos := math.Sincos(f.DipDeg * degree)
	sf, sd := f.StrengthSigmaUT, f.StrengthUT*f.DipSigmaDeg*degree
	h.fixed = true
	h.ref = [2]float64{f.StrengthUT * cos, -f.StrengthUT * sin}
	h.forget(cRef, square(cos*sf)+square(sin*sd))
	h.forget(cRef+1, square(sin*sf)+square(cos*sd))
	h.saved.ok, h.saving.ok = false, false
}

func (h *headingFilter) clear() {
	h.span, h.path, h.clipped, h.strolled, h.n = 0, 0, 0, 0, 0
	h.field, h.swing, h.turn = vec3{}, vec3{}, mat3{}
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

// add takes one sample m in sensor axes; r is the rotation, rate the angular
// rate in sensor axes.
func (h *headingFilter) add(r *mat3, m, rate *vec3) {
	f := r.mul(m)
	w := r.mul(rate)
	// Levers come from the reference, not from m: noise in them would bias
	// the scale.
	ref := vec3{0, h.ref[0], h.ref[1]}
	s := cross(&w, &ref)
	c0 := r[1][0]*h.ref[0] + r[2][0]*h.ref[1]
	c1 := r[1][1]*h.ref[0] + r[2][1]*h.ref[1]
	c2 := r[1][2]*h.ref[0] + r[2][2]*h.ref[1]
	for i := range 3 {
		h.field[i] += f[i]
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
		f.field[i] = h.field[i] * k
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

// drift is what the last span adds to the covariance. rateVar is the variance
// of the gyroscope's offset about the vertical.
type drift struct {
	turnVar  float64 // rad²
	rateVar  float64 // (rad/s)²
	rateWalk float64 // rad/s/√s
}

func (h *headingFilter) predict(tn *tuning, stray float64, d drift) {
	s := h.span
	r := &h.p[cRate]
	t := &h.p[cTurn]
	// The attitude turns by minus the rate's error.
	t[cTurn] += -2*s*t[cRate] + s*s*r[cRate] + d.turnVar
	for j := cRate; j < compassSize; j++ {
		t[j] -= s * r[j]
	}
	for _, b := range [...]*bookmark{&h.saved, &h.saving} {
		b.age += s
		b.walk += d.turnVar
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
	}
	for i := range 2 {
		h.p[cRef+i][cRef+i] += square(tn.fieldWalk) * s
	}
	for a := range 9 {
		h.p[cScale+a][cScale+a] += square(tn.scaleWalk) * s
	}
	h.p[cLag][cLag] += square(tn.lagWalk) * s
}

// update takes the field since the last one and returns the corrections of
// heading (rad, about up) and vertical rate. noise is the variance of one
// sample, µT²; tilt the variance of the attitude about east and north.
func (h *headingFilter) update(tn *tuning, stray, noise float64, tilt [2]float64, d drift) (turn, rate float64, ok bool) {
	f := h.means()
	if !h.fixed && !h.known {
		h.ref = [2]float64{math.Hypot(f.field[0], f.field[1]), f.field[2]}
		h.forget(cRef, square(learnedRef))
		h.forget(cRef+1, square(learnedRef))
	}
	h.predict(tn, stray, d)
	if a, wide := h.anew(&f, stray); wide {
		h.clear()
		return a, 0, true
	}
	h.known = true

	zh2, zv2 := square(f.field[0])+square(f.field[1]), square(f.field[2])
	white := noise/f.n + square(tn.fieldFloor) + square(tn.jitter*f.rate)*(zh2+zv2)
	tiltNoise := vec3{tilt[1] * zv2, tilt[0] * zv2, (tilt[0] + tilt[1]) / 2 * zh2}

	turn, rate = h.judge(tn, &f, white, &tiltNoise, stray)
	v := square(stray) + max(h.level, h.hold)
	for i := range 3 {
		t, r := h.limit(cStray+i, v, -h.stray[i])
		turn, rate = turn+t, rate+r
	}
	if d.rateVar > 0 {
		h.limit(cRate, d.rateVar, 0)
	}
	white += h.level
	t, r, ok := h.observe(&f, &vec3{white + tiltNoise[0], white + tiltNoise[1], white + tiltNoise[2]})
	turn, rate = turn+t, rate+r
	h.saved.turned += turn
	h.saving.turned += turn
	h.left = h.residual(&f)
	if h.ref[0] < 0.1*math.Hypot(f.field[0], f.field[1]) {
		// North turned into south: the first field was no reference.
		h.known = false
		h.forget(cTurn, square(math.Pi))
	}
	h.clear()
	return turn, rate, ok
}

// anew reports whether the heading is so open that it must be read from the
// field directly, and by how much the attitude then turns.
func (h *headingFilter) anew(f *fieldMean, stray float64) (turn float64, wide bool) {
	r := h.residual(f)
	east, north := r[0], r[1]+h.ref[0]
	v := h.p[cTurn][cTurn]
	h2 := east*east + north*north
	other := square(stray) + h.p[cIron][cIron] + h.p[cScale][cScale]*h2
	if v < wideTurn || v*h2 < 4*other {
		return 0, false
	}
	turn = math.Atan2(east, north)
	return turn, math.Abs(turn) > 0.1
}

// judge compares the field with what is expected, sets level and hold, and
// opens the covariance when something new has come. It may undo an episode
// whose cause is gone; then it returns the correction that this means.
func (h *headingFilter) judge(tn *tuning, f *fieldMean, white float64, tilt *vec3, stray float64) (turn, rate float64) {
	raw := h.residual(f)
	ex := excess(&raw, h.expected(f, white, tilt, stray), tn.excess)
	now := (ex[1] + ex[2]) / 2
	tau := tn.attack
	if now < h.level {
		tau = tn.release
	}
	h.level += (1 - math.Exp(-f.span/tau)) * (now - h.level)
	h.hold *= math.Exp(-tn.holdTurn * h.strolled)
	if now == 0 {
		h.calm += f.span
	}
	if rise := h.level - h.hold; rise > 0 {
		// New: it may sit on the board or stand outside.
		for i := range 3 {
			h.p[cIron+i][cIron+i] += rise
		}
		if h.calm < tn.proven {
			// It may have been there when the heading was taken.
			h.p[cTurn][cTurn] = min(h.p[cTurn][cTurn]+rise/max(1, square(h.ref[0])), square(math.Pi))
			if !h.fixed {
				h.p[cRef][cRef] += rise
				h.p[cRef+1][cRef+1] += rise
			}
		}
		h.hold = h.level
	}
	was := h.on
	h.on = h.hold > square(1.25*stray) || h.on && h.hold > square(0.5*stray)
	switch {
	case h.on && h.saved.ok:
		old := h.saved.residual(f)
		e := excess(&old, h.saved.expected(f, white, tilt, stray), tn.excess)
		if e[1] > 0 || e[2] > 0 {
			h.back = 0
			return 0, 0
		}
		if h.back += f.span; h.back > tn.returned {
			return h.undo(), 0
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
			h.saving = bookmark{compass: h.compass, ok: h.known}
		}
	}
	return 0, 0
}

// undo goes back to the bookmark: the disturbed episode taught nothing.
func (h *headingFilter) undo() (turn float64) {
	b := &h.saved
	grown := b.walk + b.rateVar*square(b.age)
	b.p[cTurn][cTurn] = min(b.p[cTurn][cTurn]+grown, square(math.Pi))
	b.age, b.walk, b.rateVar = 0, 0, 0
	h.compass = b.compass
	h.saving = *b
	h.level, h.hold, h.on, h.back = 0, 0, false, 0
	return -b.turned
}

// excess is by how much the squares of r exceed k times the variances v.
func excess(r *vec3, v vec3, k float64) vec3 {
	return vec3{
		max(0, r[0]*r[0]-k*v[0]),
		max(0, r[1]*r[1]-k*v[1]),
		max(0, r[2]*r[2]-k*v[2]),
	}
}
