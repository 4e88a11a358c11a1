package estimator

// States of the tilt filter: error of the attitude about east and north (rad),
// of the gyroscope's offset in sensor axes (rad/s), horizontal speed (m/s) and
// place (m), east and north each. See the package text for the model.
const (
	tEast    = 0
	tNorth   = 1
	tOffset  = 2
	tSpeed   = 5
	tPlace   = 7
	tiltSize = 9
)

// startMotion is the sigma of the acceleration before any is measured, m/s².
// startAge is the weight that this has, s.
const (
	startMotion = 0.1
	startAge    = 0.1
)

type tiltFilter struct {
	_     [0]func()                   // never compared: no code for that
	p     [tiltSize][tiltSize]float64 // covariance, upper triangle
	speed [2]float64
	place [2]float64

	// Sums since the last update.
	span    float64 // s
	clipped float64 // rad² of variance from rates beyond the range
	turn    mat3    // integral of the rotation matrix, s
	impulse vec3    // integral of the specific force, ENU, m/s
	rate    vec3    // sum of the rates as measured
	n       int

	drift  vec3       // running mean of the rate without offset, sensor axes, rad/s
	age    float64    // s since the restart
	strain float64    // running mean of the squared speed over its variance
	mean   [2]float64 // running mean of the horizontal specific force
	motion float64    // running variance about it, per axis, (m/s²)²
}

// restart forgets tilt, speed and place but not the gyroscope's offset.
func (t *tiltFilter) restart(tiltSigma float64) {
	for i := range tiltSize {
		for j := i; j < tiltSize; j++ {
			if i < tOffset || j >= tSpeed {
				t.p[i][j] = 0
			}
		}
	}
	t.p[tEast][tEast] = square(tiltSigma)
	t.p[tNorth][tNorth] = square(tiltSigma)
	for i := range 2 {
		t.p[tSpeed+i][tSpeed+i] = square(startMotion)
		t.p[tPlace+i][tPlace+i] = square(startMotion)
	}
	t.speed, t.place, t.mean = [2]float64{}, [2]float64{}, [2]float64{}
	t.motion, t.strain, t.age = square(startMotion), 0, startAge
	t.clear()
}

func (t *tiltFilter) clear() {
	t.span, t.clipped, t.n = 0, 0, 0
	t.turn, t.impulse, t.rate = mat3{}, vec3{}, vec3{}
}

// add takes one step of dt: mid is the rotation in its middle, accel and rate
// as measured.
func (t *tiltFilter) add(mid *mat3, accel, rate, free *vec3, dt, memory float64) {
	e := mid.mul(accel)
	for i := range 3 {
		t.turn[i][0] += mid[i][0] * dt
		t.turn[i][1] += mid[i][1] * dt
		t.turn[i][2] += mid[i][2] * dt
		t.impulse[i] += e[i] * dt
		t.rate[i] += rate[i]
	}
	// Young means forget faster, so that a start at rest is soon known as such.
	t.age += dt
	k := dt / (min(memory, t.age) + dt)
	for i := range 3 {
		t.drift[i] += k * (free[i] - t.drift[i])
	}
	dx, dy := e[0]-t.mean[0], e[1]-t.mean[1]
	t.mean[0] += k * dx
	t.mean[1] += k * dy
	t.motion += k * ((dx*dx+dy*dy)/2 - t.motion)
	t.span += dt
	t.n++
}

// predict carries speed, place and covariance over the span since the last
// update: an offset error turns the attitude, tilt times gravity becomes speed.
// turned is the variance that the turn itself adds, rad².
func (t *tiltFilter) predict(gravity, walk, turned float64) {
	d := t.span
	for i := range 2 {
		t.place[i] += d * (t.speed[i] + t.impulse[i]/2)
		t.speed[i] += t.impulse[i]
	}
	var a [tiltSize][tiltSize]float64
	for i := range tiltSize {
		for j := i; j < tiltSize; j++ {
			a[i][j] = t.p[i][j]
			a[j][i] = t.p[i][j]
		}
	}
	g1, g2 := gravity*d, gravity*d*d/2
	te, tn := &t.turn[0], &t.turn[1]
	for j := range tiltSize { // F P
		e, n := a[tEast][j], a[tNorth][j]
		a[tPlace][j] += d*a[tSpeed][j] + g2*n
		a[tPlace+1][j] += d*a[tSpeed+1][j] - g2*e
		a[tSpeed][j] += g1 * n
		a[tSpeed+1][j] -= g1 * e
		x, y, z := a[tOffset][j], a[tOffset+1][j], a[tOffset+2][j]
		a[tEast][j] -= te[0]*x + te[1]*y + te[2]*z
		a[tNorth][j] -= tn[0]*x + tn[1]*y + tn[2]*z
	}
	for i := range tiltSize { // (F P) F^T
		r := &a[i]
		e, n := r[tEast], r[tNorth]
		r[tPlace] += d*r[tSpeed] + g2*n
		r[tPlace+1] += d*r[tSpeed+1] - g2*e
		r[tSpeed] += g1 * n
		r[tSpeed+1] -= g1 * e
		x, y, z := r[tOffset], r[tOffset+1], r[tOffset+2]
		r[tEast] -= te[0]*x + te[1]*y + te[2]*z
		r[tNorth] -= tn[0]*x + tn[1]*y + tn[2]*z
	}
	for i := range tiltSize {
		for j := i; j < tiltSize; j++ {
			t.p[i][j] = a[i][j]
		}
	}
	t.p[tEast][tEast] += turned
	t.p[tNorth][tNorth] += turned
	for i := range 3 {
		t.p[tOffset+i][tOffset+i] += walk * walk * d
	}
}

// observe is the Kalman update with a direct measurement of state k: innovation
// y before any update of this epoch, variance r. Corrections collect in x.
func (t *tiltFilter) observe(k int, y, r float64, x *[tiltSize]float64) {
	var h [tiltSize]float64
	for i := range k {
		h[i] = t.p[i][k]
	}
	for i := k; i < tiltSize; i++ {
		h[i] = t.p[k][i]
	}
	s := 1 / (h[k] + r)
	y -= x[k]
	for i := range tiltSize {
		g := h[i] * s
		x[i] += g * y
		row := t.p[i][i:]
		col := h[i:][:len(row)]
		for j := range row {
			row[j] -= g * col[j]
		}
	}
}

// stand sees speed and place at zero, as loosely as the motion demands.
func (t *tiltFilter) stand(tn *tuning, x *[tiltSize]float64) {
	v := (t.motion + square(tn.accelFloor)) * square(tn.moveTime) / t.span
	k := t.span / (1 + t.span)
	s2 := (square(t.speed[0]) + square(t.speed[1])) / 2
	t.strain += k * (s2/(v*tn.speedCorr+(t.p[tSpeed][tSpeed]+t.p[tSpeed+1][tSpeed+1])/2) - t.strain)
	for i := range 2 {
		t.observe(tSpeed+i, -t.speed[i], v*tn.speedCorr, x)
		t.observe(tPlace+i, -t.place[i], v*square(tn.moveTime)*tn.placeCorr, x)
	}
}

// offsetVariance is the variance of the offset about the direction u.
func (t *tiltFilter) offsetVariance(u *vec3) float64 {
	var v float64
	for i := range 3 {
		v += u[i] * u[i] * t.p[tOffset+i][tOffset+i]
		for j := i + 1; j < 3; j++ {
			v += 2 * u[i] * u[j] * t.p[tOffset+i][tOffset+j]
		}
	}
	return max(v, 0)
}
