package estimator

import "math"

// States of the heading filter: the Earth's field in the level frame of the
// gyroscope (µT), the error of the vertical rate (rad/s), and what may be wrong
// between that field and the magnetometer's reading. See the package text.
const (
	cField      = 0  // x, y, z
	cRate       = 3  // rad/s about up
	cIron       = 4  // hard iron, sensor axes, µT
	cStray      = 7  // local field, level frame, µT
	cLag        = 10 // delay of the magnetometer, s
	cScale      = 11 // soft iron and misalignment, 3x3 by rows, sensor axes
	compassSize = 20
)

type compassVec [compassSize]float64

// compass is the estimate of the heading filter. The mean of the rate error is
// always zero: it is moved into the gyroscope's offset at once.
type compass struct {
	p     [compassSize][compassSize]float64 // covariance, upper triangle
	field vec3
	iron  vec3
	stray vec3
	lag   float64
	scale [9]float64
}

// azimuth is the angle from y to the horizontal field, clockwise seen from
// above, rad, and its variance, at most π².
func (c *compass) azimuth() (angle, variance float64) {
	x, y := c.field[0], c.field[1]
	h2 := x*x + y*y
	if h2 == 0 {
		return 0, math.Pi * math.Pi
	}
	v := (y*y*c.p[0][0] - 2*x*y*c.p[0][1] + x*x*c.p[1][1]) / (h2 * h2)
	return math.Atan2(x, y), min(max(v, 0), math.Pi*math.Pi)
}

// spread adds the variance v (rad²) to the direction of the horizontal field.
// What a large turn takes from its length along the old direction goes with it:
// the mean of (1 - cos)² is v²/2 and a bit.
func (c *compass) spread(v float64) {
	x, y := c.field[0], c.field[1]
	w := min(v*v/2, v)
	c.p[0][0] += v*y*y + w*x*x
	c.p[0][1] += (w - v) * x * y
	c.p[1][1] += v*x*x + w*y*y
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

// turnWith carries the covariance over d seconds: an error of the rate turns
// the level frame, so the field in it turns the other way round.
func (c *compass) turnWith(d float64) {
	x, y := -d*c.field[1], d*c.field[0]
	r := c.p[cRate][cRate]
	p0, p1 := c.p[0][cRate], c.p[1][cRate]
	c.p[0][0] += 2*x*p0 + x*x*r
	c.p[0][1] += y*p0 + x*p1 + x*y*r
	c.p[1][1] += 2*y*p1 + y*y*r
	c.p[0][2] += x * c.p[2][cRate]
	c.p[1][2] += y * c.p[2][cRate]
	for j := cRate; j < compassSize; j++ {
		c.p[0][j] += x * c.p[cRate][j]
		c.p[1][j] += y * c.p[cRate][j]
	}
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

// limit brings the variance of state k down to v, as one observation of the
// value y (relative to the present mean) with the fitting noise would.
func (c *compass) limit(k int, v, y float64) {
	have := c.p[k][k]
	if have <= 1.02*v {
		return
	}
	var col, x compassVec
	c.axpy(&col, k, 1)
	s := (have - v) / (have * have) // 1/(have + r) with r = have v/(have - v)
	for i := range compassSize {
		g := col[i] * s
		x[i] = g * y
		row := &c.p[i]
		for j := i; j < compassSize; j++ {
			row[j] -= g * col[j]
		}
	}
	c.correct(&x)
}

// correct moves the means and returns the correction of the rate.
func (c *compass) correct(x *compassVec) (rate float64) {
	for i := range 3 {
		c.field[i] += x[cField+i]
		c.iron[i] += x[cIron+i]
		c.stray[i] += x[cStray+i]
	}
	c.lag += x[cLag]
	for a := range 9 {
		c.scale[a] += x[cScale+a]
	}
	return x[cRate]
}

// fieldMean is the field of one epoch and what the errors of the compass act
// on, all in the level frame.
type fieldMean struct {
	_     [0]func()     // never compared: no code for that
	field vec3          // µT
	turn  mat3          // mean rotation: lever of the hard iron
	swing vec3          // rate x field, µT/s: lever of the delay
	lever [3][9]float64 // of the scale matrix, µT
	rate  float64       // mean of the absolute rate, rad/s
	n     float64       // samples
	span  float64       // s
}

// residual is what of f the Earth's field, hard iron, delay and scale do not
// explain; the local field is left in.
func (c *compass) residual(f *fieldMean) vec3 {
	r := f.turn.mul(&c.iron)
	for i := range 3 {
		r[i] = f.field[i] - c.field[i] - r[i] - c.lag*f.swing[i]
		l := &f.lever[i]
		for a := range 9 {
			r[i] -= c.scale[a] * l[a]
		}
	}
	return r
}

// excess is by how much the squares of the residual r exceed their expected
// variance, zero up to k times that: along the horizontal field, up, and across it.
// white is the noise and tilt the variance of the tilt (rad²), stray the sigma
// of the local field.
func (c *compass) excess(r *vec3, white, tilt, stray, k float64) (along, up, across float64) {
	x, y := c.field[0], c.field[1]
	h2, z2 := x*x+y*y, square(c.field[2])
	if h2 == 0 {
		h2, y = 1, 1
	}
	v := white + square(stray) +
		(c.p[cIron][cIron]+c.p[cIron+1][cIron+1]+c.p[cIron+2][cIron+2])/3 +
		(c.p[cScale][cScale]+c.p[cScale+4][cScale+4]+c.p[cScale+8][cScale+8])/3*(h2+z2)
	va := (x*x*c.p[0][0] + 2*x*y*c.p[0][1] + y*y*c.p[1][1]) / h2
	vc := (y*y*c.p[0][0] - 2*x*y*c.p[0][1] + x*x*c.p[1][1]) / h2
	ra2 := square(x*r[0]+y*r[1]) / h2
	rc2 := square(y*r[0]-x*r[1]) / h2
	return surplus(ra2, v+va+tilt*z2, k), surplus(r[2]*r[2], v+c.p[2][2]+tilt*h2, k), surplus(rc2, v+vc+tilt*z2, k)
}

func surplus(r2, v, k float64) float64 {
	if r2 <= k*v {
		return 0
	}
	return r2 - v
}

// observe is the Kalman update with the field of one epoch: residual e, variance
// of its components noise. False means that the covariance is spoilt.
func (c *compass) observe(f *fieldMean, e, noise *vec3) (rate float64, ok bool) {
	// P H^T, column by column; the covariance is mirrored first, so that its
	// columns can be read as rows.
	var full [compassSize]compassVec
	for i := range compassSize {
		row := &c.p[i]
		for j := i; j < compassSize; j++ {
			full[i][j] = row[j]
			full[j][i] = row[j]
		}
	}
	y0, y1, y2 := full[cField], full[cField+1], full[cField+2]
	for i := range compassSize {
		y0[i] += full[cStray][i] + f.swing[0]*full[cLag][i]
		y1[i] += full[cStray+1][i] + f.swing[1]*full[cLag][i]
		y2[i] += full[cStray+2][i] + f.swing[2]*full[cLag][i]
	}
	for k := range 3 {
		a, b, d := f.turn[0][k], f.turn[1][k], f.turn[2][k]
		row := &full[cIron+k]
		for i := range row {
			y0[i] += a * row[i]
			y1[i] += b * row[i]
			y2[i] += d * row[i]
		}
	}
	for k := range 9 {
		a, b, d := f.lever[0][k], f.lever[1][k], f.lever[2][k]
		row := &full[cScale+k]
		for i := range row {
			y0[i] += a * row[i]
			y1[i] += b * row[i]
			y2[i] += d * row[i]
		}
	}

	// S = H P H^T + R = L L^T; with Y = P H^T L^-T the update is P - Y Y^T.
	l00 := math.Sqrt(f.across(0, &y0) + noise[0])
	l10, l20 := f.across(1, &y0)/l00, f.across(2, &y0)/l00
	l11 := math.Sqrt(f.across(1, &y1) + noise[1] - l10*l10)
	l21 := (f.across(2, &y1) - l20*l10) / l11
	l22 := math.Sqrt(f.across(2, &y2) + noise[2] - l20*l20 - l21*l21)
	if !(l00 > 0 && l11 > 0 && l22 > 0) || math.IsInf(l00*l11*l22, 0) {
		return 0, false
	}
	u0 := (e[0] - c.stray[0]) / l00
	u1 := (e[1] - c.stray[1] - l10*u0) / l11
	u2 := (e[2] - c.stray[2] - l20*u0 - l21*u1) / l22
	var x compassVec
	for i := range compassSize {
		a := y0[i] / l00
		b := (y1[i] - l10*a) / l11
		d := (y2[i] - l20*a - l21*b) / l22
		y0[i], y1[i], y2[i] = a, b, d
		x[i] = a*u0 + b*u1 + d*u2
	}
	for i := range compassSize {
		a, b, d := y0[i], y1[i], y2[i]
		// Slices of one length spare the bounds checks of the inner loop.
		row := c.p[i][i:]
		z0, z1, z2 := y0[i:][:len(row)], y1[i:][:len(row)], y2[i:][:len(row)]
		for j := range row {
			row[j] -= a*z0[j] + b*z1[j] + d*z2[j]
		}
	}
	return c.correct(&x), true
}

// across is the product of row i of H with m.
func (f *fieldMean) across(i int, m *compassVec) float64 {
	v := m[cField+i] + m[cStray+i] + f.swing[i]*m[cLag]
	for k := range 3 {
		v += f.turn[i][k] * m[cIron+k]
	}
	for a := range 9 {
		v += f.lever[i][a] * m[cScale+a]
	}
	return v
}
