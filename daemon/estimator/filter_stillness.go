package estimator

import "math"

// stillness tells rest from motion and, at rest, whether the gyroscope's mean
// is its offset. A slow steady turn is as smooth as rest: so the mean must stay
// where the offset is known to be, unless gravity and field prove that nothing
// turned.
type stillness struct {
	_                  [0]func() // never compared: no code for that
	accel, rate, field vec3      // running means, 0.5 s
	recent, slow       vec3      // means of the rate since it became quiet, at most 0.5 and 2 s
	haveField          bool
	rateVar            float64 // running variance of the rate per axis
	quiet              float64 // s within the limits
	rest               bool

	off        float64 // s quiet with the mean off the known offset
	would      vec3    // rad, the turn since then if the offset is what it was
	seen       float64 // rad, largest turn of gravity or field since that began
	mark       vec3    // mean acceleration when it began
	markField  vec3
	noiseSum   float64 // running mean of the squared field steps, µT²
	prevField  vec3
	noiseCount int
}

// Time constants of the means, s: the slow one sees slower turns, later.
const (
	stillMemory = 0.5
	slowMemory  = 2.0
)

func (s *stillness) begin(accel, rate *vec3) {
	*s = stillness{accel: *accel, rate: *rate}
}

func (s *stillness) add(tn *tuning, dt float64, accel, rate *vec3) {
	k := dt / (stillMemory + dt)
	var da, dr float64
	for i := range 3 {
		s.rate[i] += k * (rate[i] - s.rate[i])
		s.accel[i] += k * (accel[i] - s.accel[i])
		dr += square(rate[i] - s.rate[i])
		da += square(accel[i] - s.accel[i])
	}
	s.rateVar += k * (dr/3 - s.rateVar)
	if dr > square(tn.restRate) || da > square(tn.restAccel) {
		s.quiet, s.rest, s.off = 0, false, 0
		return
	}
	// Means that start anew forget a turn at once.
	k1, k2 := dt/(min(stillMemory, s.quiet)+dt), dt/(min(slowMemory, s.quiet)+dt)
	for i := range 3 {
		s.recent[i] += k1 * (rate[i] - s.recent[i])
		s.slow[i] += k2 * (rate[i] - s.slow[i])
	}
	s.quiet += dt
}

// addField follows the field in sensor axes and, at rest, its noise. alone means
// that there is no gyroscope: then the field must show the turns about the
// vertical.
func (s *stillness) addField(dt float64, field *vec3, alone bool) {
	if !s.haveField {
		s.haveField, s.field, s.prevField = true, *field, *field
		return
	}
	k := dt / (stillMemory + dt)
	var d, off float64
	for i := range 3 {
		s.field[i] += k * (field[i] - s.field[i])
		d += square(field[i] - s.prevField[i])
		off += square(field[i] - s.field[i])
	}
	s.prevField = *field
	if alone && off > square(fieldTurn)*s.field.norm2()+d {
		s.quiet, s.rest = 0, false
	}
	if s.rest {
		// The difference of two samples has twice the variance of one. The
		// first second is a plain mean, then one over about 200 samples.
		s.noiseCount = min(s.noiseCount+1, 200)
		s.noiseSum += (d/6 - s.noiseSum) / float64(s.noiseCount)
	}
}

// fieldTurn is the relative change of the field within stillMemory that is a
// turn, rad.
const fieldTurn = 0.03

// settle decides on rest: offset is the known offset of the gyroscope with the
// variances v per axis and, unlearned, prior2. It returns the square of the step
// by which the offset is proven to have jumped, or 0.
func (s *stillness) settle(tn *tuning, span float64, offset, v *vec3, noise, prior2 float64) (jump float64) {
	if s.quiet < tn.restTime {
		s.rest = false
		return 0
	}
	// The noise of a mean is that of the samples in twice its time constant.
	var step2, slow2, known float64
	for i := range 3 {
		step2 += square(s.recent[i] - offset[i])
		slow2 += square(s.slow[i] - offset[i])
		known += v[i]
	}
	n := 3 * noise * noise / 2
	inside := step2 <= square(tn.gateFloor)+9*(known+n/(2*stillMemory)) &&
		slow2 <= square(tn.gateFloor)+9*(known+n/(2*slowMemory))
	if inside {
		s.rest, s.off = true, 0
		return 0
	}
	s.rest = false
	if step2 > square(farOffset)*prior2 {
		s.off = 0
		return 0
	}
	if s.off == 0 {
		s.mark, s.markField, s.seen, s.would = s.accel, s.field, 0, vec3{}
	}
	s.off += span
	for i := range 3 {
		s.would[i] += span * (s.recent[i] - offset[i])
	}
	s.seen = max(s.seen, angleBetween(&s.accel, &s.mark))
	if s.haveField {
		s.seen = max(s.seen, angleBetween(&s.field, &s.markField))
	} else if s.off < 6*offsetProof {
		return 0 // about the vertical nothing shows a turn
	}
	if s.off < offsetProof {
		return 0
	}
	// What the would-be turn would have done to the vectors against what they did.
	turn := acrossBy(&s.would, &s.mark)
	if s.haveField {
		turn = max(turn, acrossBy(&s.would, &s.markField))
	}
	switch {
	case s.seen < 0.3*min(turn, 1):
		s.off = 0
		return step2
	case s.seen > 0.6*turn || turn > 1:
		s.off = 0 // it does turn: look again from here
	}
	return 0
}

// offsetProof is how long a step of the gyroscope's mean must last before it
// is tested against gravity and field, s.
const offsetProof = 10

// farOffset is how many sigmas of an unlearned offset a mean rate may be to
// pass as one.
const farOffset = 10

// acrossBy is the angle, rad, by which a turn by the vector w moves v, while it is
// small.
func acrossBy(w, v *vec3) float64 {
	c := cross(w, v)
	n := v.norm2()
	if n == 0 {
		return 0
	}
	return math.Sqrt(c.norm2() / n)
}

func angleBetween(a, b *vec3) float64 {
	c := cross(a, b)
	return math.Atan2(math.Sqrt(c.norm2()), a[0]*b[0]+a[1]*b[1]+a[2]*b[2])
}
