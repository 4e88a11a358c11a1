package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Kind says what an Affine corrects, and so the unit of its offset.
type Kind string

const (
	// Accelerometer: offset in m/s², corrected specific force in m/s².
	Accelerometer Kind = "accelerometer"
	// Magnetometer: offset in µT, corrected field in µT.
	Magnetometer Kind = "magnetometer"
)

// Mat3 is a 3x3 matrix, row-major.
type Mat3 [9]float64

// Apply is the product of m and v.
func (m *Mat3) Apply(v r3.Vec) r3.Vec {
	return r3.Vec{
		X: m[0]*v.X + m[1]*v.Y + m[2]*v.Z,
		Y: m[3]*v.X + m[4]*v.Y + m[5]*v.Z,
		Z: m[6]*v.X + m[7]*v.Y + m[8]*v.Z,
	}
}

// applyT is the product of the transpose of m and v.
func (m *Mat3) applyT(v r3.Vec) r3.Vec {
	return r3.Vec{
		X: m[0]*v.X + m[3]*v.Y + m[6]*v.Z,
		Y: m[1]*v.X + m[4]*v.Y + m[7]*v.Z,
		Z: m[2]*v.X + m[5]*v.Y + m[8]*v.Z,
	}
}

// form is the quadratic form aᵀ m b.
func (m *Mat3) form(a, b r3.Vec) float64 { return r3.Dot(a, m.Apply(b)) }

func (m *Mat3) mul(b *Mat3) Mat3 {
	var c Mat3
	for i := range 3 {
		for j := range 3 {
			c[3*i+j] = m[3*i]*b[j] + m[3*i+1]*b[3+j] + m[3*i+2]*b[6+j]
		}
	}
	return c
}

func (m *Mat3) det() float64 {
	return m[0]*(m[4]*m[8]-m[5]*m[7]) - m[1]*(m[3]*m[8]-m[5]*m[6]) + m[2]*(m[3]*m[7]-m[4]*m[6])
}

// Stretch is by how much m makes a vector longer, at least and at most: its
// smallest and largest singular value. False for a matrix that mirrors or flattens.
func (m *Mat3) Stretch() (least, most float64, ok bool) {
	eig, ok := m.square()
	if !ok {
		return 0, 0, false
	}
	squares := eig.Values(nil)
	return math.Sqrt(squares[0]), math.Sqrt(squares[2]), true
}

// square decomposes mᵀ·m, whose eigenvalues, in ascending order, are the squares of
// m's singular values: gonum's own decomposition into those would add 0.13 MB to
// the program. False for a matrix that mirrors or flattens.
func (m *Mat3) square() (*mat.EigenSym, bool) {
	if !(m.det() > 0) {
		return nil, false
	}
	var s mat.SymDense
	s.SymOuterK(1, mat.NewDense(3, 3, m[:]).T())
	var eig mat.EigenSym
	if !eig.Factorize(&s, true) || !(eig.Values(nil)[0] > 0) {
		return nil, false
	}
	return &eig, true
}

// inverse is the inverse of m; infinities where m is singular.
func (m *Mat3) inverse() Mat3 {
	d := 1 / m.det()
	return Mat3{
		d * (m[4]*m[8] - m[5]*m[7]), d * (m[2]*m[7] - m[1]*m[8]), d * (m[1]*m[5] - m[2]*m[4]),
		d * (m[5]*m[6] - m[3]*m[8]), d * (m[0]*m[8] - m[2]*m[6]), d * (m[2]*m[3] - m[0]*m[5]),
		d * (m[3]*m[7] - m[4]*m[6]), d * (m[1]*m[6] - m[0]*m[7]), d * (m[0]*m[4] - m[1]*m[3]),
	}
}

var identity = Mat3{1, 0, 0, 0, 1, 0, 0, 0, 1}

// Cov12 is the covariance of the twelve coefficients of an Affine: offset x, y,
// z, then the matrix row by row. It is symmetric.
type Cov12 [12][12]float64

// Affine corrects one sensor:
//
//	corrected = Matrix · (raw − Offset − TempSlope·(T − RefTempC))
//
// It is the 12-parameter error model of magnetometer and accelerometer
// calibration (Renaudin, Afzal and Lachapelle, "Complete triaxis magnetometer
// calibration in the magnetic domain", Journal of Sensors 2010, 967245;
// scale, non-orthogonality, misalignment and soft iron in one matrix, offset
// and hard iron in one vector). Copy by value; never changed after a fit.
type Affine struct {
	Kind   Kind
	Offset r3.Vec // m/s² or µT, at RefTempC
	Matrix Mat3   // without unit
	// Cov holds what the data left open, noise and correlated errors included.
	Cov Cov12
	// TempSlope is the change of the offset per °C; TempSlopeSigma its 1 sigma,
	// taken as independent of Cov.
	TempSlope, TempSlopeSigma r3.Vec
	// RefTempC is the chip temperature of the calibration; NaN when unknown,
	// and then no temperature part is applied or stated.
	RefTempC float64
	// ResidualRMS is what the fit left of |corrected| − truth, m/s² or µT.
	ResidualRMS float64
	// Readings counts the rest poses or samples behind the fit; 0 for a prior.
	Readings int
}

// Apply corrects one reading. tempC may be NaN. It does not allocate.
func (a *Affine) Apply(raw r3.Vec, tempC float64) r3.Vec {
	v := r3.Sub(raw, a.Offset)
	if d := tempC - a.RefTempC; d == d {
		v = r3.Sub(v, r3.Scale(d, a.TempSlope))
	}
	return a.Matrix.Apply(v)
}

// ErrorCov is the covariance that the calibration's own uncertainty gives to
// the corrected vector v, in the square of its unit, at chip temperature tempC
// (NaN leaves the temperature part out). First-order propagation: with
// w = Matrix⁻¹ v, d(corrected) = dMatrix·w − Matrix·dOffset.
func (a *Affine) ErrorCov(v r3.Vec, tempC float64) Mat3 {
	j := a.jacobian(v)
	var c Mat3
	for r := range 3 {
		var row [12]float64
		for k := range 12 {
			for l := range 12 {
				row[k] += j[r][l] * a.Cov[l][k]
			}
		}
		for s := range 3 {
			for k := range 12 {
				c[3*r+s] += row[k] * j[s][k]
			}
		}
	}
	if d := tempC - a.RefTempC; d == d {
		t := r3.Scale(d, a.TempSlopeSigma)
		t2 := [3]float64{t.X * t.X, t.Y * t.Y, t.Z * t.Z}
		for r := range 3 {
			for s := range 3 {
				for k := range 3 {
					c[3*r+s] += a.Matrix[3*r+k] * a.Matrix[3*s+k] * t2[k]
				}
			}
		}
	}
	return c
}

// jacobian is the derivative of the corrected vector, at v, by the twelve
// coefficients.
func (a *Affine) jacobian(v r3.Vec) [3][12]float64 {
	inv := a.Matrix.inverse()
	w := inv.Apply(v)
	var j [3][12]float64
	for r := range 3 {
		for k := range 3 {
			j[r][k] = -a.Matrix[3*r+k]
		}
		j[r][3+3*r], j[r][4+3*r], j[r][5+3*r] = w.X, w.Y, w.Z
	}
	return j
}

// Sigma is the 1-sigma error of each component of the corrected vector v.
func (a *Affine) Sigma(v r3.Vec, tempC float64) r3.Vec {
	c := a.ErrorCov(v, tempC)
	return r3.Vec{X: math.Sqrt(c[0]), Y: math.Sqrt(c[4]), Z: math.Sqrt(c[8])}
}

// DirectionCov is the covariance, in rad², of the direction of the corrected
// vector v: the part of ErrorCov across v, over |v|². With v the specific force
// at rest this is the error of "up" in the body frame.
func (a *Affine) DirectionCov(v r3.Vec, tempC float64) Mat3 {
	c := a.ErrorCov(v, tempC)
	return acrossCov(&c, v)
}

// TiltSigma is the 1-sigma error of the direction of v in rad, along the worse
// of the two directions across it.
func (a *Affine) TiltSigma(v r3.Vec, tempC float64) float64 {
	c := a.DirectionCov(v, tempC)
	return math.Sqrt(tangentMax(&c))
}

// HeadingSigma is the 1-sigma heading error in rad that a magnetometer's
// calibration causes when the corrected field is field (µT) and up points
// up, both in the same axes: the error along magnetic east over the horizontal
// intensity. +Inf where the field has no horizontal part.
func (a *Affine) HeadingSigma(field, up r3.Vec, tempC float64) float64 {
	e := r3.Cross(field, r3.Unit(up))
	h := r3.Norm(e)
	if h < 1e-9*r3.Norm(field) || h == 0 {
		return math.Inf(1)
	}
	c := a.ErrorCov(field, tempC)
	e = r3.Scale(1/h, e)
	return math.Sqrt(c.form(e, e)) / h
}

// acrossCov projects c onto the plane across v and divides by |v|².
func acrossCov(c *Mat3, v r3.Vec) Mat3 {
	n2 := r3.Norm2(v)
	u := r3.Unit(v)
	uu := [3]float64{u.X, u.Y, u.Z}
	var p Mat3
	for i := range 3 {
		for j := range 3 {
			p[3*i+j] = -uu[i] * uu[j]
		}
		p[4*i]++
	}
	cp := c.mul(&p)
	out := p.mul(&cp)
	for i := range out {
		out[i] /= n2
	}
	return out
}

// tangentMax is the largest eigenvalue of a covariance that is flat along one
// direction.
func tangentMax(c *Mat3) float64 {
	tr := c[0] + c[4] + c[8]
	// With eigenvalues a, b and 0 the sum of the principal minors is a·b.
	minors := c[0]*c[4] - c[1]*c[3] + c[0]*c[8] - c[2]*c[6] + c[4]*c[8] - c[5]*c[7]
	return tr/2 + math.Sqrt(math.Max(0, tr*tr/4-minors))
}

// Uncalibrated is the correction that changes nothing, with the 1-sigma errors
// that are to be expected of a chip nobody calibrated: offsetSigma in m/s² or
// µT on each axis, matrixSigma (1 = 100 %) on each matrix entry.
func Uncalibrated(kind Kind, offsetSigma, matrixSigma float64) Affine {
	a := Affine{Kind: kind, Matrix: identity, RefTempC: math.NaN()}
	for i := range 12 {
		s := matrixSigma
		if i < 3 {
			s = offsetSigma
		}
		a.Cov[i][i] = s * s
	}
	return a
}

// UncalibratedAccel is the Uncalibrated of a data sheet. The drift with
// temperature is stated when refTempC, the chip temperature at which the data
// sheet's offset holds (mostly 25 °C), is not NaN.
func UncalibratedAccel(spec sensors.InertialSpec, refTempC float64) Affine {
	a := Uncalibrated(Accelerometer, spec.AccelOffset, spec.AccelCross)
	a.RefTempC = refTempC
	a.TempSlopeSigma = r3.Vec{X: spec.AccelDriftPerC, Y: spec.AccelDriftPerC, Z: spec.AccelDriftPerC}
	return a
}
