package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// MagOptions steer FitMag; zero values take the defaults.
type MagOptions struct {
	// StrengthUT is the known total intensity and StrengthSigmaUT its 1 sigma
	// (0: 1 µT). Without it the scale stays the chip's own, which leaves
	// directions alone.
	StrengthUT, StrengthSigmaUT float64
	// DipRad is the known inclination, positive down; used when DipSigmaRad is
	// positive. Otherwise the dip is found with the calibration.
	DipRad, DipSigmaRad float64
	// Accel is the calibration that corrected the inertial samples; its
	// uncertainty goes into the alignment. nil: taken as free of error.
	Accel *Affine
	// Gravity is |specific force| at rest; 0 is sensors.StandardGravity.
	Gravity float64
	// GyroBias is the rate at rest (rad/s) and GyroBiasSigma its 1 sigma; 0.02.
	GyroBias      r3.Vec
	GyroBiasSigma float64
	// GyroMatrixSigma is the 1-sigma error of each entry of the gyroscope's
	// scale and axis matrix; 0.02.
	GyroMatrixSigma float64
	// GyroRange is the gyroscope's full scale in rad/s; 0: unknown.
	GyroRange float64
	// AlignSigmaRad is how far, 1 sigma, the magnetometer's axes may be turned
	// against the inertial sensor's on the board; 3°.
	AlignSigmaRad float64
	// LagSigmaS is how far, 1 sigma, the two sensors' times may be apart, s; 0.01.
	LagSigmaS float64
	// Previous is the calibration in use; nil: none. A new one must describe
	// the part held back at least as well.
	Previous *Affine
	// Up is the direction up, in sensor axes, of a level board, for
	// HeadingSigmaDeg; +z.
	Up r3.Vec
	// DipAssumedRad is the dip for HeadingSigmaDeg where it is not known; 65°. Where
	// it is given, its sign tells mirrored axes.
	DipAssumedRad float64
	// MinOccupied is the least share of the sphere that must have been seen;
	// 0.35. MaxDirectionSigmaDeg is the largest 1-sigma direction error, at its
	// worst attitude, that the shape of the ellipsoid may have; 2.
	MinOccupied, MaxDirectionSigmaDeg float64

	dipAbout float64 // rad, roughly; 0: not known
}

func (o MagOptions) withDefaults() MagOptions {
	set := func(v *float64, d float64) {
		if *v <= 0 {
			*v = d
		}
	}
	set(&o.StrengthSigmaUT, 1)
	set(&o.Gravity, standardGravity)
	set(&o.GyroBiasSigma, 0.02)
	set(&o.GyroMatrixSigma, 0.02)
	set(&o.AlignSigmaRad, rad(3))
	set(&o.LagSigmaS, 0.01)
	set(&o.MinOccupied, 0.35)
	set(&o.MaxDirectionSigmaDeg, 2)
	o.dipAbout = o.DipAssumedRad
	if o.DipSigmaRad > 0 {
		o.dipAbout = o.DipRad
	}
	if o.DipAssumedRad == 0 {
		o.DipAssumedRad = rad(65)
	}
	if o.Up == (r3.Vec{}) {
		o.Up = r3.Vec{Z: 1}
	}
	return o
}

// MagFit is a magnetometer calibration and what is known of its quality.
type MagFit struct {
	Affine   Affine
	Coverage Coverage
	// ResidualPercent is the root mean square of |corrected| over its mean,
	// minus one, over all samples.
	ResidualPercent float64
	// Outliers is the share of samples that were left out, 0 to 1.
	Outliers float64
	// FieldUT is the field strength at the place; StrengthKnown is false when
	// it is only the chip's own scale.
	FieldUT       float64
	StrengthKnown bool
	// DipRad is the dip found or given, with 1 sigma; DipKnown is false when
	// neither accelerometer nor caller knew it.
	DipRad, DipSigmaRad float64
	DipKnown            bool
	// Aligned is true when the rotation between the magnetometer's axes and the
	// inertial sensor's was measured; Rotation is that rotation vector (rad),
	// with its 1 sigma per axis. DipPairs and TurnPairs count what measured it.
	Aligned                 bool
	Rotation, RotationSigma r3.Vec
	DipPairs, TurnPairs     int
	// GyroBias is the gyroscope's bias (rad/s) that goes best with the turning
	// of the field, and its 1 sigma; known when there are turn pairs.
	GyroBias, GyroBiasSigma r3.Vec
	GyroBiasKnown           bool
	// Noise, 1 sigma in µT of the three kinds of residuals (0: kind not used).
	StrengthNoiseUT, DipNoiseUT, TurnNoiseUT float64
	// HeldBackBefore and HeldBackAfter: relative residual (1 = 100 %) of the part
	// held back, with the calibration in use (or none) and with one that is
	// fitted to the rest.
	HeldBackBefore, HeldBackAfter float64
	// HeadingSigmaDeg is the 1-sigma heading error that the calibration leaves
	// to a level board: root mean square over all headings, accelerometer
	// calibration included when it is known. HeadingDipRad is the dip it is
	// stated for.
	HeadingSigmaDeg, HeadingDipRad float64
}

func magRefusal(reason, advice string) *Refusal {
	return &Refusal{What: "compass calibration", Reason: reason, Advice: advice}
}

const turnAdvice = "turn the board slowly about all three axes, away from iron, until each axis has pointed up, down and to all sides"

// FitMag finds offset (hard iron) and full 3x3 matrix (scale, soft iron, axes)
// of a magnetometer that was turned freely. inertial holds the samples of the
// same board, specific force already corrected, rates as read; nil when there
// are none, and then the rotation of the corrected axes against the board's
// stays what the chip's maker made it, with AlignSigmaRad of doubt.
//
// An algebraic ellipsoid is the start; maximum likelihood on the strength gives
// the shape (method of Renaudin et al. 2010, see Affine); the dip's constancy
// (Papafotis and Sotiriadis, Technologies 8(1) 11, 2020) and the gyroscope (Kok
// and Schön, IEEE Sensors Journal 16(14) 5679, 2016) fix the rotation. Outliers
// are left out; noise and its correlation in time are measured from the
// residuals and are in the covariance.
//
// A *Refusal says why data do not support a calibration.
func FitMag(magnetic []sensors.MagneticSample, inertial []sensors.InertialSample, opt MagOptions) (MagFit, error) {
	o := opt.withDefaults()
	raws := rawFields(magnetic)
	if len(raws) < 100 {
		return MagFit{}, magRefusal(fmt.Sprintf("%d usable samples, at least 100 are needed", len(raws)), turnAdvice)
	}
	shape, err := fitShape(raws, &o)
	if err != nil {
		return MagFit{}, err
	}
	before, after, err := heldBack(raws, shape, &o)
	if err != nil {
		return MagFit{}, err
	}
	fit, err := fitAligned(raws, magnetic, inertial, shape, &o)
	if err != nil {
		return MagFit{}, err
	}
	fit.HeldBackBefore, fit.HeldBackAfter = before, after
	return fit, nil
}

// maxFitSamples bounds the work; more samples add nothing but time.
const maxFitSamples = 20000

// rawFields are the usable readings, thinned when there are very many.
func rawFields(magnetic []sensors.MagneticSample) []r3.Vec {
	every := 1 + len(magnetic)/maxFitSamples
	raws := make([]r3.Vec, 0, len(magnetic)/every+1)
	for i := 0; i < len(magnetic); i += every {
		if s := &magnetic[i]; finite(s.FieldUT) && !s.Flags.Has(sensors.Clipped) && !s.Flags.Has(sensors.Repeated) {
			raws = append(raws, s.FieldUT)
		}
	}
	return raws
}

// shapeFit is an ellipsoid by maximum likelihood.
type shapeFit struct {
	p        []float64
	cov      mat.Symmetric
	problem  *magProblem
	coverage Coverage
}

// fitShape finds offset and symmetric matrix from strength alone and refuses
// what does not determine them.
func fitShape(raws []r3.Vec, o *MagOptions) (*shapeFit, error) {
	e, ok := algebraicEllipsoid(raws)
	if !ok {
		return nil, magRefusal("the field hardly changed its direction", turnAdvice)
	}
	radius := e.radius()
	noise := stepNoise(raws)
	if !(radius > 10*noise) {
		return nil, magRefusal(fmt.Sprintf("the field changed by no more than the noise (%.2g µT)", noise), turnAdvice)
	}
	strength, sigma := radius, radius*1e-6 // the chip's own scale, held
	if o.StrengthUT > 0 {
		strength, sigma = o.StrengthUT, o.StrengthSigmaUT
	}
	p := make([]float64, pCount)
	p[0], p[1], p[2] = e.centre.X, e.centre.Y, e.centre.Z
	for i, v := range e.m {
		p[pMatrix+i] = v * strength
	}
	p[pField] = strength
	s := &shapeFit{p: p, problem: shapeProblem(raws, p, sigma)}
	s.problem.lift = noise * noise * strength / (radius * radius)
	q, err := s.problem.solve(p, 1, 2)
	if err != nil {
		return nil, magRefusal(err.Error(), turnAdvice)
	}
	if _, s.cov, err = s.problem.covariance(p, q); err != nil {
		return nil, magRefusal(err.Error(), turnAdvice)
	}
	return s, s.check(raws, e.centre, o)
}

// shapeProblem is the problem of strength alone, about p; priors too wide to
// matter keep it from being singular.
func shapeProblem(raws []r3.Vec, p []float64, strengthSigma float64) *magProblem {
	strength := p[pField]
	a := &magProblem{raws: raws, strength: newChannel(len(raws), 0.005*strength), skewSigma: 1e-6, prior: mat.NewSymDense(pCount, nil)}
	a.strength.floor = 1e-4 * strength
	scale := (p[pMatrix] + p[pMatrix+4] + p[pMatrix+8]) / 3
	for i := range pCount {
		switch {
		case i < pMatrix:
			a.know(i, p[i], 10*strength/scale)
		case i < pField:
			a.know(i, identity[i-pMatrix]*scale, scale)
		default: // not part of this problem
			a.know(i, 0, 1)
		}
	}
	a.know(pField, strength, strengthSigma)
	return a
}

// stepNoise estimates the noise of a sample from second differences, which
// slow rotation does not enter.
func stepNoise(raws []r3.Vec) float64 {
	d := make([]float64, 0, len(raws))
	for i := 1; i+1 < len(raws); i++ {
		s := r3.Sub(r3.Add(raws[i-1], raws[i+1]), r3.Scale(2, raws[i]))
		d = append(d, math.Abs(s.X), math.Abs(s.Y), math.Abs(s.Z))
	}
	return median(d) / 0.6745 / math.Sqrt(6)
}

func (s *shapeFit) check(raws []r3.Vec, centre r3.Vec, o *MagOptions) error {
	b, m := paramsOf(s.p)
	dirs := make([]r3.Vec, len(raws))
	for i, raw := range raws {
		dirs[i] = m.Apply(r3.Sub(raw, b))
	}
	s.coverage = coverageOf(dirs)
	aff := affineOf(Magnetometer, s.p, s.cov)
	var worst float64
	for _, u := range spiral(60) {
		worst = max(worst, aff.TiltSigma(r3.Scale(s.p[pField], u), math.NaN()))
	}
	if !positive(&m) || deg(worst) > o.MaxDirectionSigmaDeg {
		for i, raw := range raws {
			dirs[i] = r3.Sub(raw, centre)
		}
		s.coverage = coverageOf(dirs)
		axis, sd := looseAxis(s.cov)
		if sd > s.p[pField] {
			return magRefusal(fmt.Sprintf("%s, which leaves the offset along %s open", s.coverage, axis), turnAdvice)
		}
		return magRefusal(fmt.Sprintf("%s; directions would be uncertain by up to %.1f° and the offset along %s by %.2g µT (1 sigma)", s.coverage, deg(worst), axis, sd), turnAdvice)
	}
	if s.coverage.Occupied < o.MinOccupied {
		return magRefusal(s.coverage.String()+fmt.Sprintf(", %.0f %% are needed", 100*o.MinOccupied), turnAdvice)
	}
	if rel := s.problem.relativeRMS(); rel > 0.05 {
		return magRefusal(fmt.Sprintf("the field strength scatters by %.0f %% after calibration: the field is not the same everywhere or iron moved", 100*rel), "repeat it away from iron, turning the board in one place")
	}
	return nil
}

// positive reports whether m is positive definite (symmetric part).
func positive(m *Mat3) bool {
	return m[0] > 0 && m[0]*m[4]-m[1]*m[3] > 0 && m.det() > 0
}

// relativeRMS is the residual of strength over strength, outliers left out.
func (a *magProblem) relativeRMS() float64 {
	var s, n float64
	for i, r := range a.strength.resid {
		if a.strength.weight[i] > 0 {
			s += r * r
			n++
		}
	}
	return math.Sqrt(s/n) / a.mean[pField]
}

// looseAxis names the direction along which the offset is least certain.
func looseAxis(cov mat.Symmetric) (string, float64) {
	s := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			s.SetSym(i, j, cov.At(i, j))
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(s, true) {
		return "an axis", math.Inf(1)
	}
	val := eig.Values(nil)
	var vec mat.Dense
	eig.VectorsTo(&vec)
	v := r3.Vec{X: vec.At(0, 2), Y: vec.At(1, 2), Z: vec.At(2, 2)}
	return lineWords(v), math.Sqrt(max(0, val[2]))
}

// affineOf takes the twelve coefficients out of a solution.
func affineOf(kind Kind, p []float64, cov mat.Symmetric) Affine {
	o, m := paramsOf(p)
	a := Affine{Kind: kind, Offset: o, Matrix: m, RefTempC: math.NaN()}
	for i := range 12 {
		for j := range 12 {
			a.Cov[i][j] = cov.At(i, j)
		}
	}
	return a
}

// heldBack fits seven tenths of the recording, beginning at the solution for
// all of it, and tests the other three: the relative scatter of strength there,
// before and after.
func heldBack(raws []r3.Vec, s *shapeFit, o *MagOptions) (before, after float64, err error) {
	var train, test []r3.Vec
	for i, r := range raws {
		switch i * 10 / len(raws) {
		case 2, 5, 8:
			test = append(test, r)
		default:
			train = append(train, r)
		}
	}
	p := append([]float64(nil), s.p...)
	a := shapeProblem(train, p, s.p[pField]*1e-6)
	if _, err := a.solve(p, 1, 1); err != nil {
		return 0, 0, magRefusal("seven tenths of the recording do not support a fit of their own: "+err.Error(), turnAdvice)
	}
	offset, m := paramsOf(p)
	fitted, old := Affine{Offset: offset, Matrix: m}, Affine{Matrix: identity}
	if o.Previous != nil {
		old = *o.Previous
	}
	before, after = strengthScatter(&old, test), strengthScatter(&fitted, test)
	if after > 1.05*before {
		return before, after, magRefusal(fmt.Sprintf("a part held back fits worse than before: strength scatters by %.2g %% instead of %.2g %%", 100*after, 100*before), "repeat it away from iron, turning the board in one place")
	}
	return before, after, nil
}

// strengthScatter is the relative scatter of |corrected| about its mean.
func strengthScatter(a *Affine, raws []r3.Vec) float64 {
	var s, s2 float64
	for _, r := range raws {
		n := r3.Norm(a.Apply(r, math.NaN()))
		s += n
		s2 += n * n
	}
	k := float64(len(raws))
	return math.Sqrt(max(0, s2/k-s/k*s/k)) / (s / k)
}
