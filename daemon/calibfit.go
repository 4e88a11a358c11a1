package daemon

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro/geomag"
	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

const degree = math.Pi / 180

// CorrectionOf puts a fitted calibration to use.
func CorrectionOf(a calib.Affine) Correction {
	return Correction{
		Apply: a.Apply,
		Error: func(v r3.Vec) estimator.Cov3 {
			c := a.ErrorCov(v, math.NaN())
			return estimator.Cov3{{c[0], c[1], c[2]}, {c[3], c[4], c[5]}, {c[6], c[7], c[8]}}
		},
		TempC:  a.RefTempC,
		Affine: &a,
	}
}

// fitJob is everything that a fit needs, taken at one moment.
type fitJob struct {
	kind     CalibrationKind
	inertial []sensors.InertialSample
	magnetic []sensors.MagneticSample // in the inertial sensor's axes
	// rawMagnetic is the same in the magnetometer's own.
	rawMagnetic []sensors.MagneticSample
	// second is the second magnetometer's, in the inertial sensor's axes.
	second []sensors.MagneticSample
	// poses2 are those of the second accelerometer, in its own axes, which chips2
	// turns to the first's as the settings have it.
	poses2 []calib.Pose
	chips2 Mount
	spec2  sensors.InertialSpec
	poses  []calib.Pose
	spec   sensors.InertialSpec
	// accel and compass are in use now, in the inertial sensor's axes; nil when
	// uncalibrated.
	accel, compass, compass2 *calib.Affine
	forward, up              r3.Vec // of the body, in the inertial sensor's axes
	field                    *geomag.Field
	localUT                  float64
	// checkTurn is the daemon's turn check.
	checkTurn func([]sensors.InertialSample, []sensors.MagneticSample) (checkedTurn, error)
}

// CalibrationPart is what a session found of one part.
type CalibrationPart struct {
	Part     Part
	Accepted bool
	// Reason says why it was refused; Note what an accepted one leaves open.
	Reason, Note string
	// SigmaDeg is the 1 sigma that it leaves: tilt, heading, or direction.
	SigmaDeg float64
	Figures  []Figure

	affine *calib.Affine // in the inertial sensor's axes; of a second accelerometer in its own
	chips  Mount         // of a second accelerometer: its axes to the first's
	axis   *AxisRecord
	turn   *TurnCheck
	// onMount is up, in the inertial sensor's axes, of a compass calibrated on the
	// mount: iron that turns with it is in the calibration.
	onMount *r3.Vec
}

// run makes the fits of a session. It takes a second or so and holds no lock.
func (j *fitJob) run() []CalibrationPart {
	switch j.kind {
	case CalibrateBoard:
		return j.board()
	case CalibrateHead:
		return []CalibrationPart{j.head()}
	case CalibrateInPlace:
		return []CalibrationPart{j.inPlace()}
	case CalibrateSwing:
		return []CalibrationPart{j.swing()}
	}
	return nil
}

func refusedPart(p Part, err error) CalibrationPart {
	return CalibrationPart{Part: p, Reason: err.Error(), Figures: []Figure{}}
}

func (j *fitJob) board() []CalibrationPart {
	opt := calib.RecordingOptions{Spec: j.spec}
	opt.Mag.Previous = j.compass
	opt.Mag.Up = j.up
	if j.field != nil {
		opt.Mag.StrengthUT, opt.Mag.StrengthSigmaUT = j.strength()
		opt.Mag.DipAssumedRad = j.field.InclinationDeg * degree
	}
	r, err := calib.FromRecording(j.inertial, j.magnetic, opt)
	if err != nil {
		return []CalibrationPart{refusedPart(PartAccelerometer, err)}
	}
	if r.AccelErr == nil && distinct(r.Poses) < wantDirections && j.accel != nil {
		r.AccelErr = &calib.Refusal{What: "accelerometer calibration", Reason: fmt.Sprintf("%d rest poses in different directions add little to the calibration in use", distinct(r.Poses)),
			Advice: fmt.Sprintf("take at least %d", wantDirections)}
	}
	if r.AccelErr == nil {
		r.AccelErr = j.worse(r.Poses, &r.AccelFit)
	}
	var accel CalibrationPart
	if r.AccelErr != nil {
		accel = refusedPart(PartAccelerometer, r.AccelErr)
	} else {
		accel = CalibrationPart{Part: PartAccelerometer, Accepted: true, SigmaDeg: r.AccelFit.TiltSigmaDeg, affine: &r.Accel, Figures: figures(
			Figure{"tilt_sigma_deg", "tilt error left, 1 sigma", r.AccelFit.TiltSigmaDeg},
			Figure{"worst_tilt_sigma_deg", "the same at the worst attitude", r.AccelFit.WorstTiltDeg},
			Figure{"poses", "rest poses used", float64(r.AccelFit.Poses)},
			Figure{"directions", "of which point differently", float64(r.AccelFit.Directions)},
			Figure{"residual_m_s2", "what the poses left of gravity, root mean square", r.Accel.ResidualRMS},
			Figure{"reference_c", "chip temperature", r.Accel.RefTempC},
		)}
	}
	parts := []CalibrationPart{accel}
	if len(j.poses2) > 0 {
		a := j.accel
		if r.AccelErr == nil {
			a = &r.Accel
		}
		parts = append(parts, j.secondAccel(r.Poses, a))
	}
	if len(j.magnetic) == 0 {
		return parts
	}
	if r.AccelErr != nil && j.accel != nil && r.MagErr == nil {
		r.Mag, r.MagErr = j.compassWith(*j.accel, r, opt.Mag)
	}
	parts = append(parts, j.compassPart(r))
	if len(j.second) > 0 {
		parts = append(parts, j.secondCompass(r.AccelErr != nil, opt))
	}
	return parts
}

// secondAccel fits the second accelerometer to its own poses, and its axes to those
// of the first, calibrated as a.
func (j *fitJob) secondAccel(poses []calib.Pose, a *calib.Affine) CalibrationPart {
	const what = "calibration of the second accelerometer"
	refused := func(reason, advice string) CalibrationPart {
		return refusedPart(PartAccelerometer2, &calib.Refusal{What: what, Reason: reason, Advice: advice})
	}
	if a == nil {
		return refused("the first has none", "take more rest poses")
	}
	fit, err := calib.FitAccel(j.poses2, 0, calib.AccelOptions{OffsetSigma: j.spec2.AccelOffset, MatrixSigma: j.spec2.AccelCross})
	if err != nil {
		return refusedPart(PartAccelerometer2, err)
	}
	inFirst := fit.Affine.Rotated(j.chips2.mat3())
	second := make([]calib.Pose, len(j.poses2))
	for i, p := range j.poses2 {
		p.Accel = j.chips2.apply(p.Accel)
		second[i] = p
	}
	turn, pairs := alignment(poses, second, a, &inFirst)
	off := math.Acos(max(-1, min(1, (turn[0].X+turn[1].Y+turn[2].Z-1)/2))) / degree
	switch {
	case pairs < wantDirections:
		return refused(fmt.Sprintf("only %d rest poses were seen by both accelerometers", pairs), fmt.Sprintf("take at least %d", wantDirections))
	case off > 5:
		return refused(fmt.Sprintf("its axes lie %.0f° from where the settings have them", off), "check forward and up of the second in the settings")
	}
	own := fit.Affine
	return CalibrationPart{Part: PartAccelerometer2, Accepted: true, SigmaDeg: fit.TiltSigmaDeg, affine: &own, chips: turn.after(j.chips2), Figures: figures(
		Figure{"tilt_sigma_deg", "tilt error left, 1 sigma", fit.TiltSigmaDeg},
		Figure{"poses", "rest poses used", float64(fit.Poses)},
		Figure{"directions", "of which point differently", float64(fit.Directions)},
		Figure{"askew_deg", "angle of its axes against the first's", off},
	)}
}

// secondCompass is the same fit with the samples of the second magnetometer.
func (j *fitJob) secondCompass(keepAccel bool, opt calib.RecordingOptions) CalibrationPart {
	k := *j
	k.magnetic, k.compass = j.second, j.compass2
	opt.Mag.Previous = k.compass
	r, err := calib.FromRecording(k.inertial, k.magnetic, opt)
	if err != nil {
		return refusedPart(PartCompass2, err)
	}
	if keepAccel && k.accel != nil && r.MagErr == nil {
		r.Mag, r.MagErr = k.compassWith(*k.accel, r, opt.Mag)
	}
	p := k.compassPart(r)
	p.Part = PartCompass2
	return p
}

// compassWith fits the compass to the accelerometer calibration in use, where
// this session gave no new one.
func (j *fitJob) compassWith(accel calib.Affine, r calib.Result, m calib.MagOptions) (calib.MagFit, error) {
	m.Accel, m.GyroRange = &accel, j.spec.GyroRange
	if r.GyroBiasKnown {
		m.GyroBias = r.GyroBias
		m.GyroBiasSigma = max(0.005, r.GyroBiasSigma.X, r.GyroBiasSigma.Y, r.GyroBiasSigma.Z)
	} else {
		m.GyroBiasSigma = j.spec.GyroOffset
	}
	return calib.FitMag(j.magnetic, j.corrected(), m)
}

func (j *fitJob) compassPart(r calib.Result) CalibrationPart {
	if r.MagErr != nil {
		return refusedPart(PartCompass, r.MagErr)
	}
	a := r.Mag.Affine
	if err := j.surer(&a); err != nil {
		return refusedPart(PartCompass, err)
	}
	p := CalibrationPart{Part: PartCompass, Accepted: true, SigmaDeg: r.Mag.HeadingSigmaDeg, affine: &a, Figures: figures(
		Figure{"heading_sigma_deg", "heading error left to a level board, 1 sigma", r.Mag.HeadingSigmaDeg},
		Figure{"coverage", "share of the sphere seen, 0 to 1", r.Mag.Coverage.Occupied},
		Figure{"residual_percent", "scatter of the field's strength after correction", r.Mag.ResidualPercent},
		Figure{"field_uT", "strength of the field", r.Mag.FieldUT},
		Figure{"outliers", "share of samples left out, 0 to 1", r.Mag.Outliers},
		Figure{"held_back_before", "relative scatter of a part held back, with the calibration before", r.Mag.HeldBackBefore},
		Figure{"held_back_after", "and with the new one", r.Mag.HeldBackAfter},
	)}
	if !r.Mag.StrengthKnown {
		p.Note = "the field's strength here is not known, so only directions are right: enter the site"
	}
	p.Note = join(p.Note, j.changed(&a))
	return p
}

// changed tells when iron near the compass is not what it was.
func (j *fitJob) changed(now *calib.Affine) string {
	if j.compass == nil || j.field == nil {
		return ""
	}
	c := calib.Compare(j.compass, now, j.field.TotalNT/1000, j.field.InclinationDeg*degree, j.up)
	if !c.Changed {
		return ""
	}
	return fmt.Sprintf("iron near the compass has changed since the calibration before: headings move by %.1f°", c.HeadingDeg)
}

// strength is the field's strength at the site, and its 1 sigma with what the
// surroundings may add, µT.
func (j *fitJob) strength() (ut, sigma float64) {
	return j.field.TotalNT / 1000, math.Hypot(j.field.TotalSigmaNT/1000, j.localUT)
}

// corrected are the inertial samples with the accelerometer calibration in use.
func (j *fitJob) corrected() []sensors.InertialSample {
	if j.accel == nil {
		return j.inertial
	}
	out := make([]sensors.InertialSample, len(j.inertial))
	for i, s := range j.inertial {
		s.Accel = j.accel.Apply(s.Accel, s.TempC)
		out[i] = s
	}
	return out
}

// lessSure is by how much larger the sigma of a new calibration may be than that
// of the one in use, while that one still describes what was seen.
const lessSure = 1.5

// worse refuses an accelerometer calibration that would replace a better one:
// when one fitted to two thirds of the poses describes the others worse than the
// calibration in use does, or when that one does well and is the surer.
func (j *fitJob) worse(poses []calib.Pose, now *calib.AccelFit) error {
	const floor = 0.01 // m/s², as calib.AccelOptions.Floor
	if j.accel == nil {
		return nil
	}
	misfit := func(a *calib.Affine, poses []calib.Pose) float64 {
		var s float64
		for i := range poses {
			d := r3.Norm(a.Apply(poses[i].Accel, poses[i].TempC)) - sensors.StandardGravity
			s += d * d / float64(len(poses))
		}
		return math.Sqrt(s)
	}
	refused := func(reason, advice string) error {
		return &calib.Refusal{What: "accelerometer calibration", Reason: reason, Advice: advice}
	}
	if was := j.accel.TiltSigma(r3.Scale(sensors.StandardGravity, j.up), math.NaN()) / degree; misfit(j.accel, poses) < 1.5*floor && now.TiltSigmaDeg > lessSure*was {
		return refused(fmt.Sprintf("the calibration in use still fits these poses and is surer: ±%.2f° against ±%.2f°", was, now.TiltSigmaDeg), "keep it, or take more poses")
	}
	if len(poses) < 12 {
		return nil
	}
	var train, test []calib.Pose
	for i, p := range poses {
		if i%3 == 1 {
			test = append(test, p)
		} else {
			train = append(train, p)
		}
	}
	fit, err := calib.FitAccel(train, 0, calib.AccelOptions{OffsetSigma: j.spec.AccelOffset, MatrixSigma: j.spec.AccelCross})
	if err != nil {
		return nil // two thirds are too few; the whole was enough
	}
	if before, after := misfit(j.accel, test), misfit(&fit.Affine, test); after > 1.05*before && after > floor {
		return refused(fmt.Sprintf("poses held back fit worse than with the calibration in use: gravity scatters by %.3f m/s² instead of %.3f", after, before),
			"let go of the board in each pose, or keep the calibration in use")
	}
	return nil
}

// surer refuses a compass calibration while the one in use is surer and iron
// near the chip has not changed since.
func (j *fitJob) surer(now *calib.Affine) error {
	if j.compass == nil {
		return nil
	}
	strength, dip := 49.0, 65*degree // of middle latitudes
	if j.field != nil {
		strength, dip = j.field.TotalNT/1000, j.field.InclinationDeg*degree
	}
	if calib.Compare(j.compass, now, strength, dip, j.up).Changed {
		return nil
	}
	was, is := headingSigma(j.compass, j.up, strength, dip), headingSigma(now, j.up, strength, dip)
	if is <= lessSure*was {
		return nil
	}
	return &calib.Refusal{What: "compass calibration", Reason: fmt.Sprintf("the calibration in use still fits and is surer: ±%.2f° against ±%.2f°", was, is), Advice: "keep it, or turn the board through more directions"}
}

// headingSigma is what a compass calibration leaves to the heading of a level
// board, up in the same axes: root mean square over all headings, degrees.
func headingSigma(a *calib.Affine, up r3.Vec, strengthUT, dipRad float64) float64 {
	const steps = 12
	across := r3.Vec{X: 1}
	if math.Abs(up.X) > 0.6 {
		across = r3.Vec{Y: 1}
	}
	north := r3.Unit(r3.Cross(up, across)) // any horizontal direction
	east := r3.Cross(north, up)
	var sum float64
	for k := range steps {
		s, c := math.Sincos(2 * math.Pi * float64(k) / steps)
		h := r3.Scale(strengthUT*math.Cos(dipRad), r3.Add(r3.Scale(c, north), r3.Scale(s, east)))
		e := a.HeadingSigma(r3.Sub(h, r3.Scale(strengthUT*math.Sin(dipRad), up)), up, math.NaN())
		sum += e * e / steps
	}
	return math.Sqrt(sum) / degree
}

// zero is the gyroscope's rate at rest, from the rests of the session, and its
// 1 sigma per axis.
func (j *fitJob) zero() (bias r3.Vec, sigma float64, ok bool) {
	var long time.Duration
	for i := range j.poses {
		if l := j.poses[i].End - j.poses[i].Start; l > long {
			long, bias, ok = l, j.poses[i].Gyro, true
		}
	}
	for i := range j.poses {
		sigma = max(sigma, r3.Norm(r3.Sub(j.poses[i].Gyro, bias))/math.Sqrt(3))
	}
	// Slow wander between rests, and the noise of a second's mean.
	return bias, max(sigma, 0.0005, j.spec.GyroNoise), ok
}

var errNoRest = &calib.Refusal{What: "calibration", Reason: "there was no rest to take the gyroscope's zero from", Advice: "keep everything still for two seconds before and after the turn"}

func (j *fitJob) head() CalibrationPart {
	opt := calib.AxisOptions{Toward: j.forward, Accel: j.accel}
	if j.accel == nil {
		u := calib.UncalibratedAccel(j.spec, math.NaN())
		opt.Accel = &u
	}
	if j.spec.HasGyro {
		bias, sigma, ok := j.zero()
		if !ok {
			return refusedPart(PartAxis, errNoRest)
		}
		opt.GyroBias, opt.GyroBiasSigma = bias, sigma
	}
	a, err := calib.FitAxis(j.corrected(), opt)
	if err != nil {
		return refusedPart(PartAxis, err)
	}
	off := math.Acos(max(-1, min(1, r3.Dot(a.Dir, j.forward)))) / degree
	sigma := a.SigmaRad / degree
	if !(sigma > 0 && sigma < 5) {
		return refusedPart(PartAxis, &calib.Refusal{What: "axis of the head", Reason: fmt.Sprintf("it is known to %.1f° only", sigma), Advice: "calibrate the accelerometer, then turn the head again, slowly, by a half turn"})
	}
	p := CalibrationPart{Part: PartAxis, Accepted: true, SigmaDeg: sigma, axis: &AxisRecord{Direction: a.Dir, SigmaDeg: sigma}, Figures: figures(
		Figure{"axis_sigma_deg", "direction of the axis in the board, 1 sigma", sigma},
		Figure{"off_deg", "angle to the board's front as used before", off},
		Figure{"arc_deg", "how far the head was turned", a.ArcRad / degree},
		Figure{"cone_deg", "angle between axis and vertical", a.ConeRad / degree},
		Figure{"residual_deg", "how far up left its cone", a.ResidualRMS / degree},
	)}
	if off > 30 {
		p.Note = fmt.Sprintf("the axis lies %.0f° from the board's front: check forward and up in the settings", off)
	}
	return p
}

func (j *fitJob) inPlace() CalibrationPart {
	bias, sigma, ok := j.zero()
	if !ok && j.spec.HasGyro {
		return refusedPart(PartCompass, errNoRest)
	}
	strength, strengthSigma := j.strength()
	opt := calib.InPlaceOptions{MagOptions: calib.MagOptions{
		StrengthUT: strength, StrengthSigmaUT: strengthSigma,
		DipRad: j.field.InclinationDeg * degree, DipSigmaRad: math.Hypot(j.field.InclinationSigmaDeg*degree, j.localUT/strength),
		Accel: j.accel, GyroBias: bias, GyroBiasSigma: sigma, GyroRange: j.spec.GyroRange, Up: j.up,
	}}
	fit, err := calib.FitMagInPlace(*j.compass, j.magnetic, j.corrected(), opt)
	if err != nil {
		return refusedPart(PartCompass, err)
	}
	a := fit.Affine
	up := j.meanUp()
	return CalibrationPart{Part: PartCompass, Accepted: true, SigmaDeg: fit.HeadingSigmaDeg, affine: &a, onMount: &up, Note: join(fit.Unknown, j.changed(&a)), Figures: figures(
		Figure{"heading_sigma_deg", "heading error left to a level board, 1 sigma", fit.HeadingSigmaDeg},
		Figure{"turned_deg", "how far the mount was turned", fit.TurnedRad / degree},
		Figure{"offset_moved_uT", "how far the offset moved", r3.Norm(r3.Sub(a.Offset, j.compass.Offset))},
		Figure{"held_back_before", "scatter of a part held back, relative to the field, with the calibration before", fit.HeldBackBefore},
		Figure{"held_back_after", "and with the new one", fit.HeldBackAfter},
	)}
}

// meanUp is the direction up of the session, as the accelerometer has it.
func (j *fitJob) meanUp() r3.Vec {
	var s r3.Vec
	for _, p := range j.poses {
		a := p.Accel
		if j.accel != nil {
			a = j.accel.Apply(a, p.TempC)
		}
		s = r3.Add(s, r3.Unit(a))
	}
	return r3.Unit(s)
}

// strangeIronUT is more iron on the mount than the error budget has room for: three
// sigma of what turns with the board of DefaultLocalFieldUT.
const strangeIronUT = 3 * 0.6

// firstRest is where the first rest of a length ends, less that length: the
// sample from which a turn may be read.
func (j *fitJob) firstRest(length time.Duration) (from int, ok bool) {
	for _, p := range j.poses {
		if p.End-p.Start < length*9/10 {
			continue
		}
		if i, ok := quietest(j.inertial, min(p.Start, p.End-length), p.End, length); ok {
			return i, true
		}
	}
	return 0, false
}

// swing compares compass and gyroscope over the turn, from the first rest on.
func (j *fitJob) swing() CalibrationPart {
	const what = "turn check"
	from, ok := j.firstRest(restBefore)
	if !ok {
		return refusedPart(PartTurnCheck, errNoRest)
	}
	in := j.inertial[from:]
	mag := j.rawMagnetic
	for len(mag) > 0 && mag[0].At < in[0].At {
		mag = mag[1:]
	}
	t, err := j.checkTurn(in, mag)
	if err != nil {
		return refusedPart(PartTurnCheck, err)
	}
	before, after, err := t.heldBack()
	if err != nil {
		return refusedPart(PartTurnCheck, err)
	}
	if after > 1.05*before && after > t.FloorSigma {
		return refusedPart(PartTurnCheck, &calib.Refusal{What: what, Reason: fmt.Sprintf("a part held back fits worse than before: compass and gyroscope differ by %.2f° instead of %.2f°", after/degree, before/degree),
			Advice: "turn the mount again, slowly and evenly, with steel and cables left where they are"})
	}
	sigma := t.headingSigma()
	p := CalibrationPart{Part: PartTurnCheck, Accepted: true, SigmaDeg: sigma, turn: &t.TurnCheck, Figures: figures(
		Figure{"deviation_sigma_deg", "deviation left, root mean square over all headings, 1 sigma", sigma},
		Figure{"arc_deg", "how far the mount was turned", t.ArcRad / degree},
		Figure{"b_deg", "deviation, coefficient B", t.B / degree},
		Figure{"c_deg", "deviation, coefficient C", t.C / degree},
		Figure{"d_deg", "deviation, coefficient D", t.D / degree},
		Figure{"e_deg", "deviation, coefficient E", t.E / degree},
		Figure{"significance_sigmas", "of B and C against none", t.Sigmas},
		Figure{"offset_uT", "field taken off the compass", r3.Norm(t.OffsetUT)},
		Figure{"held_back_before_deg", "compass against gyroscope in a part held back, before", before / degree},
		Figure{"held_back_after_deg", "and after the correction", after / degree},
	)}
	if t.ArcRad < wholeTurnDeg*degree {
		p.Note = fmt.Sprintf("only %.0f° were turned: headings outside that arc stay nearly as unsure as before", t.ArcRad/degree)
	}
	if r3.Norm(t.OffsetUT) > strangeIronUT {
		p.Note = join(p.Note, "there is iron on the mount that the compass calibration does not know: calibrate by free turns when you can")
	}
	return p
}

func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}
