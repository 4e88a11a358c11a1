package estimator

import "math"

// States of the heading filter: error of the attitude about up (rad) and of the
// vertical rate (rad/s), then everything that may be wrong between the Earth's
// field and the magnetometer's reading. See the package text for the model.
const (
	cTurn       = 0
	cRate       = 1
	cIron       = 2  // hard iron, sensor axes, µT
	cRef        = 5  // reference field, north and up, µT
	cStray      = 7  // local field, ENU, µT
	cLag        = 10 // delay of the magnetometer, s
	cScale      = 11 // soft iron and misalignment, 3x3 by rows, sensor axes
	compassSize = 20
)

type compassVec [compassSize]float64

// compass holds the estimate of the heading filter. Turn and rate are errors
// only: their means are moved into the attitude at once.
type compass struct {
	p     [compassSize][compassSize]float64 // covariance, upper triangle
	iron  vec3
	ref   [2]float64
	stray vec3
	lag   float64
	scale [9]float64
}

// cov is the covariance of states i and j.
func (c *compass) cov(i, j int) float64 {
	if i > j {
		i, j = j, i
	}
	return c.p[i][j]
}

// forget cuts state k loose from the others and gives it the variance v.
func (c *compass) forget(k int, v float64) {
	for i := range k {
		c.p[i][k] = 0
	}
	for j := k; j < compassSize; j++ {
		c.p[k][j] = 0
	}
	c.p[k][k] = v
}

// decay multiplies the error of state k by phi and adds the variance q.
func (c *compass) decay(k int, phi, q float64) {
	for i := range k {
		c.p[i][k] *= phi
	}
	for j := k + 1; j < compassSize; j++ {
		c.p[k][j] *= phi
	}
	c.p[k][k] = c.p[k][k]*phi*phi + q
}

// axpy adds f times column k of the covariance to m.
func (c *compass) axpy(m *compassVec, k int, f float64) {
	for i := range k {
		m[i] += f * c.p[i][k]
	}
	row := &c.p[k]
	for i := k; i < compassSize; i++ {
		m[i] += f * row[i]
	}
}

// limit brings the variance of state k down to v, as one observation of value
// y (relative to the present mean) with the fitting noise would.
func (c *compass) limit(k int, v, y float64) (turn, rate float64) {
	have := c.p[k][k]
	if have <= 1.02*v {
		return 0, 0
	}
	var g, x compassVec
	c.axpy(&g, k, 1)
	s := (have - v) / (have * have) // 1/(have + r) with r = have v/(have - v)
	for i := range compassSize {
		gi := g[i] * s
		x[i] = gi * y
		row := &c.p[i]
		for j := i; j < compassSize; j++ {
			row[j] -= gi * g[j]
		}
	}
	return c.correct(&x)
}

// correct moves the means and returns the corrections of attitude and rate.
func (c *compass) correct(x *compassVec) (turn, rate float64) {
	for i := range 3 {
		c.iron[i] += x[cIron+i]
		c.stray[i] += x[cStray+i]
	}
	c.ref[0] += x[cRef]
	c.ref[1] += x[cRef+1]
	c.lag += x[cLag]
	for a := range 9 {
		c.scale[a] += x[cScale+a]
	}
	return x[cTurn], x[cRate]
}

// fieldMean is the field of one epoch with what the compass errors act on.
type fieldMean struct {
	field vec3          // ENU, µT
	turn  mat3          // mean rotation: leverage of the hard iron
	swing vec3          // rate x field, µT/s: leverage of the delay
	lever [3][9]float64 // leverage of the scale matrix, µT
	rate  float64       // rad/s, mean of the absolute rate
	n     float64       // samples
	span  float64       // s
}

// residual is what of f the reference, the hard iron, the delay and the scale
// do not explain; the local field is left in.
func (c *compass) residual(f *fieldMean) vec3 {
	r := f.turn.mul(&c.iron)
	for i := range 3 {
		r[i] = f.field[i] - r[i] - c.lag*f.swing[i]
		l := &f.lever[i]
		for a := range 9 {
			r[i] -= c.scale[a] * l[a]
		}
	}
	r[1] -= c.ref[0]
	r[2] -= c.ref[1]
	return r
}

// expected is the variance of residual's components: white noise, tilt, iron,
// reference and scale, and a local field of the sigma stray; east also has that
// of the heading.
func (c *compass) expected(f *fieldMean, white float64, tilt *vec3, stray float64) vec3 {
	h2 := square(f.field[0]) + square(f.field[1])
	v := white + square(stray) +
		(c.p[cIron][cIron]+c.p[cIron+1][cIron+1]+c.p[cIron+2][cIron+2])/3 +
		(c.p[cScale][cScale]+c.p[cScale+4][cScale+4]+c.p[cScale+8][cScale+8])/3*(h2+square(f.field[2]))
	return vec3{
		v + tilt[0] + h2*c.p[cTurn][cTurn],
		v + tilt[1] + c.p[cRef][cRef],
		v + tilt[2] + c.p[cRef+1][cRef+1],
	}
}

// observe is the Kalman update with the field of one epoch; noise is the
// variance of its components. False means that the covariance is spoilt.
func (c *compass) observe(f *fieldMean, noise *vec3) (turn, rate float64, ok bool) {
	var m [3]compassVec // P H^T, column by column
	for i := range 3 {
		mi := &m[i]
		for j := range 3 {
			c.axpy(mi, cIron+j, f.turn[i][j])
		}
		c.axpy(mi, cStray+i, 1)
		c.axpy(mi, cLag, f.swing[i])
		for a := range 9 {
			c.axpy(mi, cScale+a, f.lever[i][a])
		}
	}
	// The heading turns the reference, not what is measured of it: noise in
	// this lever would feign knowledge of the heading at rest.
	c.axpy(&m[0], cTurn, c.ref[0])
	c.axpy(&m[1], cRef, 1)
	c.axpy(&m[2], cRef+1, 1)

	var s mat3 // H P H^T + R, lower triangle
	for i := range 3 {
		for j := range i + 1 {
			mj := &m[j]
			v := mj[cStray+i] + f.swing[i]*mj[cLag]
			for k := range 3 {
				v += f.turn[i][k] * mj[cIron+k]
			}
			for a := range 9 {
				v += f.lever[i][a] * mj[cScale+a]
			}
			s[i][j] = v
		}
		s[i][i] += noise[i]
	}
	s[0][0] += c.ref[0] * m[0][cTurn]
	s[1][0] += m[0][cRef]
	s[1][1] += m[1][cRef]
	s[2][0] += m[0][cRef+1]
	s[2][1] += m[1][cRef+1]
	s[2][2] += m[2][cRef+1]

	// S = L L^T; with Y = P H^T L^-T the update is P - Y Y^T.
	l00 := math.Sqrt(s[0][0])
	l10, l20 := s[1][0]/l00, s[2][0]/l00
	l11 := math.Sqrt(s[1][1] - l10*l10)
	l21 := (s[2][1] - l20*l10) / l11
	l22 := math.Sqrt(s[2][2] - l20*l20 - l21*l21)
	if !(l00 > 0 && l11 > 0 && l22 > 0) || math.IsInf(l00*l11*l22, 0) {
		return 0, 0, false
	}
	e := c.residual(f)
	u0 := (e[0] - c.stray[0]) / l00
	u1 := (e[1] - c.stray[1] - l10*u0) / l11
	u2 := (e[2] - c.stray[2] - l20*u0 - l21*u1) / l22
	var x compassVec
	y0, y1, y2 := &m[0], &m[1], &m[2]
	for i := range compassSize {
		a := y0[i] / l00
		b := (y1[i] - l10*a) / l11
		d := (y2[i] - l20*a - l21*b) / l22
		y0[i], y1[i], y2[i] = a, b, d
		x[i] = a*u0 + b*u1 + d*u2
	}
	for i := range compassSize {
		a, b, d := y0[i], y1[i], y2[i]
		row := &c.p[i]
		for j := i; j < compassSize; j++ {
			row[j] -= a*y0[j] + b*y1[j] + d*y2[j]
		}
	}
	turn, rate = c.correct(&x)
	return turn, rate, true
}
