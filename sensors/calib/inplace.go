package calib

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbstar/sensors"
)

// InPlaceOptions steer FitMagInPlace; zero values take the defaults.
type InPlaceOptions struct {
	// MagOptions: strength and dip with their 1 sigmas must be given (a field
	// model's, with what the surroundings may add).
	MagOptions
	// HardIronSigmaUT is how far the offset may have moved since the earlier
	// calibration, 1 sigma per axis: 5 µT (another tracker, a new battery).
	// SoftIronSigma is the same for each matrix entry: 0.01.
	HardIronSigmaUT, SoftIronSigma float64
	// ScaleSigma is the doubt of the earlier calibration's common scale: 0.001
	// when its strength was known, about 0.1 when it was the chip's own scale.
	ScaleSigma float64
	// MinTurnRad refuses smaller turns in azimuth: 60°.
	MinTurnRad float64
}

// InPlaceFit is a calibration on the tripod and what it left open.
type InPlaceFit struct {
	_ [0]func() // never compared: no code for that
	MagFit
	// TurnedRad is the arc of azimuth that the field was seen under.
	TurnedRad float64
	// OffsetSigmaBefore and OffsetSigmaAfter are the 1 sigmas of the offset per
	// sensor axis, µT, with the earlier calibration alone and now.
	OffsetSigmaBefore, OffsetSigmaAfter r3.Vec
	// Unknown says in words what the turn could not tell; empty when nothing.
	Unknown string
}

// FitMagInPlace corrects an earlier calibration on the mount, where only a turn
// in azimuth and a little tilt are possible. The earlier coefficients, widened by
// what may have changed, are the prior; strength and dip of the site's field
// stand in for the attitudes that cannot be reached; the gyroscope tells how far
// the mount was turned (CheckTurn compares it with the compass). The answer is the maximum a posteriori, with the posterior covariance: a
// direction that the data do not reach keeps the prior's doubt.
//
// inertial holds corrected specific force and rates as read. A *Refusal is
// returned when the turn is too small or the result fits a part held back worse
// than the earlier calibration does.
func FitMagInPlace(prev Affine, magnetic []sensors.MagneticSample, inertial []sensors.InertialSample, opt InPlaceOptions) (InPlaceFit, error) {
	opt.MagOptions = opt.MagOptions.withDefaults()
	for v, d := range map[*float64]float64{&opt.HardIronSigmaUT: 5, &opt.SoftIronSigma: 0.01, &opt.ScaleSigma: 0.001, &opt.MinTurnRad: rad(60)} {
		if *v <= 0 {
			*v = d
		}
	}
	const advice = "turn the mount slowly in azimuth, a whole turn if it can, and tilt it a little"
	if opt.StrengthUT <= 0 || opt.DipSigmaRad <= 0 {
		return InPlaceFit{}, magRefusal("strength and dip of the field are not known", "enter the site")
	}
	raws := rawFields(magnetic)
	if len(raws) < 50 {
		return InPlaceFit{}, magRefusal(fmt.Sprintf("%d usable samples, at least 50 are needed", len(raws)), advice)
	}
	a, p, err := inPlaceProblem(prev, raws, &opt)
	if err != nil {
		return InPlaceFit{}, err
	}
	a.usePairs(magnetic, inertial, &opt.MagOptions)
	// A turn about one axis does not tell the gyroscope's own errors from the
	// compass's: pairs of field and turn would bend a prior this tight.
	a.turns, a.turn = nil, newChannel(0, 1)
	turned := turnedArc(&prev, a.ups, inertial, opt.GyroBias)
	if turned < opt.MinTurnRad {
		return InPlaceFit{}, magRefusal(fmt.Sprintf("the mount was turned by %.0f°, %.0f° are needed", deg(turned), deg(opt.MinTurnRad)), advice)
	}
	before, after, err := a.heldBackInPlace(prev, p, &opt)
	if err != nil {
		return InPlaceFit{}, err
	}
	q, err := a.solve(p, 2, 2)
	if err != nil {
		return InPlaceFit{}, magRefusal(err.Error(), advice)
	}
	inv, cov, err := a.covariance(p, q)
	if err != nil {
		return InPlaceFit{}, magRefusal(err.Error(), advice)
	}
	a.addAccelError(p, inv, cov, opt.Accel, opt.Gravity)
	fit := InPlaceFit{TurnedRad: turned, MagFit: MagFit{
		Affine: affineOf(Magnetometer, p, cov), FieldUT: p[pField], StrengthKnown: true,
		DipPairs: len(a.ups), StrengthNoiseUT: a.strength.sigma,
		HeldBackBefore: before, HeldBackAfter: after,
	}}
	a.describe(&fit.MagFit, raws, p, cov, &opt.MagOptions)
	dirs := make([]r3.Vec, len(raws))
	for i, raw := range raws {
		dirs[i] = fit.Affine.Apply(raw, math.NaN())
	}
	fit.Coverage = coverageOf(dirs)
	fit.describeUnknown(prev, &opt)
	return fit, nil
}

// inPlaceProblem sets the priors.
func inPlaceProblem(prev Affine, raws []r3.Vec, o *InPlaceOptions) (*magProblem, []float64, error) {
	a := &magProblem{raws: raws, strength: newChannel(len(raws), 0.005*o.StrengthUT), prior: mat.NewSymDense(pCount, nil), skewSigma: math.Inf(1), priorRules: true}
	a.strength.floor = 1e-4 * o.StrengthUT
	p := make([]float64, pCount)
	p[0], p[1], p[2] = prev.Offset.X, prev.Offset.Y, prev.Offset.Z
	copy(p[pMatrix:], prev.Matrix[:])
	c := mat.NewSymDense(12, nil)
	for i := range 12 {
		for j := i; j < 12; j++ {
			v := prev.Cov[i][j]
			if i >= pMatrix { // a common scale moves all entries alike
				v += o.ScaleSigma * o.ScaleSigma * prev.Matrix[i-pMatrix] * prev.Matrix[j-pMatrix]
			}
			if i == j && i < pMatrix {
				v += o.HardIronSigmaUT * o.HardIronSigmaUT
			} else if i == j {
				v += o.SoftIronSigma * o.SoftIronSigma
			}
			c.SetSym(i, j, v)
		}
	}
	var ch mat.Cholesky
	var inv mat.SymDense
	if !ch.Factorize(c) || ch.InverseTo(&inv) != nil {
		return nil, nil, magRefusal("the earlier calibration has no usable covariance", "calibrate by free turns first")
	}
	for i := range 12 {
		a.mean[i] = p[i]
		for j := i; j < 12; j++ {
			a.prior.SetSym(i, j, inv.At(i, j))
		}
	}
	sin, cos := math.Sincos(o.DipRad)
	p[pField], p[pDown] = o.StrengthUT, o.StrengthUT*sin
	a.know(pField, p[pField], o.StrengthSigmaUT)
	a.know(pDown, p[pDown], math.Hypot(o.StrengthUT*cos*o.DipSigmaRad, sin*o.StrengthSigmaUT))
	return a, p, nil
}

// turnedArc is how far the mount was turned about the vertical: by the
// gyroscope, or without one by the field, corrected as before.
func turnedArc(prev *Affine, ups []upPair, inertial []sensors.InertialSample, bias r3.Vec) float64 {
	if hasGyro(inertial) {
		var angle, lo, hi float64
		for i := 1; i < len(inertial); i++ {
			s := &inertial[i]
			dt := (s.At - inertial[i-1].At).Seconds()
			if step := dt * r3.Dot(r3.Sub(s.Gyro, bias), r3.Unit(s.Accel)); !math.IsNaN(step) {
				angle += step
			}
			lo, hi = min(lo, angle), max(hi, angle)
		}
		return min(hi-lo, 2*math.Pi)
	}
	if len(ups) == 0 {
		return 0
	}
	var mean r3.Vec
	dirs := make([]r3.Vec, len(ups))
	for i := range ups {
		mean = r3.Add(mean, ups[i].up)
		dirs[i] = prev.Matrix.Apply(r3.Sub(ups[i].raw, prev.Offset))
	}
	return arcAbout(dirs, r3.Unit(mean))
}

// heldBackInPlace fits seven tenths of the recording and compares how steady
// strength and vertical part are in the other three, relative to the field:
// before and after.
func (a *magProblem) heldBackInPlace(prev Affine, start []float64, o *InPlaceOptions) (before, after float64, err error) {
	held := func(i, n int) bool { k := i * 10 / n; return k == 2 || k == 5 || k == 8 }
	train := &magProblem{prior: a.prior, mean: a.mean, skewSigma: a.skewSigma, lift: a.lift, priorRules: a.priorRules}
	var testRaws []r3.Vec
	var testUps []upPair
	for i, r := range a.raws {
		if held(i, len(a.raws)) {
			testRaws = append(testRaws, r)
		} else {
			train.raws = append(train.raws, r)
		}
	}
	for i, u := range a.ups {
		if held(i, len(a.ups)) {
			testUps = append(testUps, u)
		} else {
			train.ups = append(train.ups, u)
		}
	}
	train.strength, train.dip, train.turn = newChannel(len(train.raws), a.strength.sigma), newChannel(len(train.ups), a.dip.sigma), newChannel(0, 1)
	train.strength.floor, train.dip.floor = a.strength.floor, a.dip.floor
	p := append([]float64(nil), start...)
	if _, err := train.solve(p, 1, 1); err != nil {
		return 0, 0, magRefusal(err.Error(), "turn the mount again, slowly")
	}
	// Strength and vertical part should not change over the turn.
	misfit := func(f *Affine) float64 {
		down := make([]float64, len(testUps))
		for i, u := range testUps {
			down[i] = r3.Dot(u.up, f.Apply(u.raw, math.NaN()))
		}
		s := strengthScatter(f, testRaws)
		return math.Hypot(s, stat.PopStdDev(down, nil)/o.StrengthUT)
	}
	offset, m := paramsOf(p)
	before, after = misfit(&prev), misfit(&Affine{Offset: offset, Matrix: m, RefTempC: math.NaN()})
	if after > 1.05*before {
		return before, after, magRefusal(fmt.Sprintf("a part held back fits worse than before: strength and vertical part scatter by %.2g %% instead of %.2g %%", 100*after, 100*before), "keep the earlier calibration, or turn the mount again away from iron")
	}
	return before, after, nil
}

// describeUnknown names the sensor axes along which the offset is hardly better
// known than before.
func (f *InPlaceFit) describeUnknown(prev Affine, o *InPlaceOptions) {
	var open []string
	b, a := [3]float64{}, [3]float64{}
	for i, name := range [3]string{"x", "y", "z"} {
		b[i] = math.Sqrt(prev.Cov[i][i] + o.HardIronSigmaUT*o.HardIronSigmaUT)
		a[i] = math.Sqrt(f.Affine.Cov[i][i])
		if a[i] > 0.5*b[i] {
			open = append(open, fmt.Sprintf("along %s (±%.1f µT)", name, a[i]))
		}
	}
	f.OffsetSigmaBefore, f.OffsetSigmaAfter = r3.Vec{X: b[0], Y: b[1], Z: b[2]}, r3.Vec{X: a[0], Y: a[1], Z: a[2]}
	if len(open) > 0 {
		f.Unknown = "the offset " + strings.Join(open, " and ") + " stays nearly as unsure as before: the turn did not reach it"
	}
}
