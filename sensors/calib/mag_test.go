package calib

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// The recording of a hand-held board; limits as measured here, with room.
func TestFullSphere(t *testing.T) {
	rec := load(t, boardDir+"full-sphere")
	res, err := FromRecording(rec.inertial, rec.magnetic, RecordingOptions{Spec: mpu6050})
	if err != nil || res.AccelErr != nil || res.MagErr != nil {
		t.Fatal(err, res.AccelErr, res.MagErr)
	}
	m := res.Mag
	if r := m.ResidualPercent; r > 0.46 {
		t.Errorf("field strength scatters by %.3f %%, want at most 0.46 %%", r)
	}
	if !m.Aligned || !m.DipKnown || m.DipPairs < 500 || m.TurnPairs < 300 {
		t.Errorf("aligned %v, dip known %v, %d dip pairs, %d turn pairs", m.Aligned, m.DipKnown, m.DipPairs, m.TurnPairs)
	}
	if m.Coverage.Occupied < 0.9 {
		t.Errorf("coverage %.2f of a recording of all directions", m.Coverage.Occupied)
	}
	if s := m.HeadingSigmaDeg; s < 0.3 || s > 1.5 {
		t.Errorf("expected heading sigma %.2f°", s)
	}
	// The still recording of another place gives the same gyroscope bias.
	still := load(t, boardDir+"unmoved-with-x-pointing-forward-10min")
	poses := FindPoses(still.inertial, RestOptions{})
	if len(poses) < 15 {
		t.Fatalf("%d rest poses in ten minutes of rest", len(poses))
	}
	d := r3.Sub(m.GyroBias, poses[0].Gyro)
	s := m.GyroBiasSigma
	if math.Abs(d.X) > 4*s.X || math.Abs(d.Y) > 4*s.Y || math.Abs(d.Z) > 4*s.Z {
		t.Errorf("gyroscope bias %.4f ± %.4f, at rest %.4f rad/s", m.GyroBias, s, poses[0].Gyro)
	}
}

// The two ways to the rotation between compass and accelerometer, which share
// only the compass readings, must agree: about 3.4° on this breadboard.
func TestAlignmentTwoWays(t *testing.T) {
	rec := load(t, boardDir+"full-sphere")
	res, err := FromRecording(rec.inertial, rec.magnetic, RecordingOptions{Spec: mpu6050})
	if err != nil || res.MagErr != nil {
		t.Fatal(err, res.MagErr)
	}
	opt := MagOptions{Accel: &res.Accel, GyroBias: res.GyroBias, GyroBiasSigma: 0.003, GyroRange: mpu6050.GyroRange}
	var byDip, byTurn []sensors.InertialSample
	for _, s := range rec.inertial {
		s.Accel = res.Accel.Apply(s.Accel, s.TempC)
		dip, turn := s, s
		dip.Gyro = r3.Vec{}               // no gyroscope: dip alone
		turn.Accel = r3.Vec{X: 1, Y: 100} // never near gravity: gyroscope alone
		byDip, byTurn = append(byDip, dip), append(byTurn, turn)
	}
	dip, err1 := FitMag(rec.magnetic, byDip, opt)
	turn, err2 := FitMag(rec.magnetic, byTurn, opt)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	if dip.TurnPairs != 0 || turn.DipPairs != 0 {
		t.Fatalf("%d turn pairs without gyroscope, %d dip pairs without accelerometer", dip.TurnPairs, turn.DipPairs)
	}
	d := r3.Sub(dip.Rotation, turn.Rotation)
	sx, sy, sz := math.Hypot(dip.RotationSigma.X, turn.RotationSigma.X), math.Hypot(dip.RotationSigma.Y, turn.RotationSigma.Y), math.Hypot(dip.RotationSigma.Z, turn.RotationSigma.Z)
	if math.Abs(d.X) > 3*sx || math.Abs(d.Y) > 3*sy || math.Abs(d.Z) > 3*sz {
		t.Errorf("rotation by dip %.2f ± %.2f°, by gyroscope %.2f ± %.2f°", r3.Scale(deg(1), dip.Rotation), r3.Scale(deg(1), dip.RotationSigma), r3.Scale(deg(1), turn.Rotation), r3.Scale(deg(1), turn.RotationSigma))
	}
	t.Logf("rotation by dip %.2f ± %.2f°, by gyroscope %.2f ± %.2f°", r3.Scale(deg(1), dip.Rotation), r3.Scale(deg(1), dip.RotationSigma), r3.Scale(deg(1), turn.Rotation), r3.Scale(deg(1), turn.RotationSigma))
	if x := deg(dip.Rotation.X); x < 2.5 || x > 4.5 {
		t.Errorf("rotation about x %.2f°", x)
	}
}

func TestRecordingsWithoutFullTurnsAreRefused(t *testing.T) {
	for _, name := range []string{"rotate-ccw-around-z-pointing-up", "rotate-ccw-around-x-pointing-forward", "pan-along-z-pointing-up", "unmoved-with-x-pointing-forward-10min"} {
		rec := load(t, boardDir+name)
		res, err := FromRecording(rec.inertial, rec.magnetic, RecordingOptions{Spec: mpu6050})
		var r *Refusal
		if err != nil || !errors.As(res.MagErr, &r) {
			t.Errorf("%s: %v, %v: want a refusal of the compass part", name, err, res.MagErr)
		}
	}
}

// The stated sigmas must hold the truth in simulated recordings whose noise is
// larger in motion than at rest and correlated in time.
func TestFitMagCoverage(t *testing.T) {
	var shape, dir, heading within
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 11))
		b := defaultBoard(rng)
		in, mg := b.record(rng)
		for i := range in {
			in[i].Accel = b.accelM.Apply(r3.Sub(in[i].Accel, b.accelO))
		}
		fit, err := FitMag(mg, in, MagOptions{StrengthUT: b.strength + 0.5*rng.NormFloat64(), StrengthSigmaUT: 0.5, GyroBiasSigma: 0.03, GyroMatrixSigma: 0.01})
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		for range 3 {
			up := randUnit(rng)
			north := randTangent(rng, up)
			f := r3.Sub(r3.Scale(b.strength*math.Cos(b.dip), north), r3.Scale(b.strength*math.Sin(b.dip), up))
			got := fit.Affine.Apply(rawOf(b.magO, b.magM, f), math.NaN())
			c := fit.Affine.ErrorCov(f, math.NaN())
			east := r3.Cross(north, up)
			shape.add(r3.Norm(got)-b.strength, math.Sqrt(c.form(r3.Unit(f), r3.Unit(f))))
			dir.add(r3.Dot(east, got), math.Sqrt(c.form(east, east)))
			heading.add(math.Atan2(r3.Dot(east, got), r3.Dot(north, got)), fit.Affine.HeadingSigma(f, up, math.NaN()))
		}
	}
	for name, w := range map[string]within{"strength": shape, "east": dir, "heading": heading} {
		t.Logf("%s %.1f %%", name, 100*w.share())
		// The error of strength is the same for all draws of a seed: 40 draws, which
		// may well all lie within.
		if s := w.share(); s < 0.88 || s > 0.995 && name != "strength" {
			t.Errorf("%s within 1.96 sigma in %.1f %% of %d draws, want about 95 %%", name, 100*s, w.n)
		}
	}
}

// Scale-free fit of another chip: a shape known to 1 % although strength is not.
func TestQMC5883L(t *testing.T) {
	rec := load(t, "qmc5883l_raw/filtered_raw_data")
	fit, err := FitMag(rec.magnetic, nil, MagOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if fit.StrengthKnown || fit.DipKnown || fit.Aligned {
		t.Errorf("strength %v, dip %v, alignment %v known from nothing", fit.StrengthKnown, fit.DipKnown, fit.Aligned)
	}
	if fit.ResidualPercent > 3 || fit.Coverage.Occupied < 0.9 {
		t.Errorf("residual %.2f %%, coverage %.2f", fit.ResidualPercent, fit.Coverage.Occupied)
	}
	// The half that was not fitted must be described as well.
	half, err := FitMag(rec.magnetic[:len(rec.magnetic)/2], nil, MagOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var rest []r3.Vec
	for _, s := range rec.magnetic[len(rec.magnetic)/2:] {
		rest = append(rest, s.FieldUT)
	}
	if s := strengthScatter(&half.Affine, rest); s > 0.04 {
		t.Errorf("the other half scatters by %.1f %%", 100*s)
	}
	// Without alignment heading is only as good as the mounting of the chip.
	if fit.HeadingSigmaDeg < 5 {
		t.Errorf("heading sigma %.1f° without alignment", fit.HeadingSigmaDeg)
	}
}

func TestFitMagLeavesOutliersOut(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 23))
	b := defaultBoard(rng)
	in, mg := b.record(rng)
	clean, err := FitMag(mg, in, MagOptions{StrengthUT: b.strength})
	if err != nil {
		t.Fatal(err)
	}
	for i := 200; i < 260; i++ { // a phone passes
		mg[i].FieldUT = r3.Add(mg[i].FieldUT, r3.Vec{X: 20, Y: -8, Z: 5})
	}
	mg[700].FieldUT.X = math.NaN()
	fit, err := FitMag(mg, in, MagOptions{StrengthUT: b.strength})
	if err != nil {
		t.Fatal(err)
	}
	if d := r3.Norm(r3.Sub(fit.Affine.Offset, clean.Affine.Offset)); d > 0.2 {
		t.Errorf("60 disturbed samples of %d moved the offset by %.2f µT", len(mg), d)
	}
	if fit.Outliers < 0.01 || fit.Outliers > 0.06 {
		t.Errorf("%.1f %% left out", 100*fit.Outliers)
	}
}

// Iron that moves half way leaves no single calibration.
func TestFitMagRefusesMovingIron(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 23))
	b := defaultBoard(rng)
	in, mg := b.record(rng)
	for i := len(mg) / 2; i < len(mg); i++ {
		mg[i].FieldUT = r3.Add(mg[i].FieldUT, r3.Vec{X: 12, Y: -9, Z: 5})
	}
	var r *Refusal
	if fit, err := FitMag(mg, in, MagOptions{}); !errors.As(err, &r) {
		t.Errorf("accepted with a residual of %.1f %%: %v", fit.ResidualPercent, err)
	}
}

// A calibration that describes a part held back worse than the one in use is
// refused.
func TestFitMagRefusesWorse(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 23))
	b := defaultBoard(rng)
	_, mg := b.record(rng)
	good, err := FitMag(mg, nil, MagOptions{})
	if err != nil {
		t.Fatal(err)
	}
	// In a room full of iron the strength varies from place to place.
	for i := range mg {
		f := 1 + 0.045*math.Sin(float64(i)/float64(len(mg))*2*math.Pi*2.5)
		mg[i].FieldUT = r3.Add(good.Affine.Offset, r3.Scale(f, r3.Sub(mg[i].FieldUT, good.Affine.Offset)))
	}
	fit, err := FitMag(mg, nil, MagOptions{Previous: &good.Affine})
	var r *Refusal
	if !errors.As(err, &r) {
		t.Errorf("held back %.2f %% before, %.2f %% after: %v", 100*fit.HeldBackBefore, 100*fit.HeldBackAfter, err)
	}
}

func TestFromRecordingWithoutSamples(t *testing.T) {
	if _, err := FromRecording(nil, nil, RecordingOptions{}); err == nil {
		t.Error("nothing was calibrated without a word")
	}
	rec := load(t, boardDir+"full-sphere")
	res, err := FromRecording(rec.inertial, nil, RecordingOptions{Spec: mpu6050})
	if err != nil || res.AccelErr != nil || res.MagErr == nil {
		t.Errorf("accelerometer alone: %v, %v, %v", err, res.AccelErr, res.MagErr)
	}
	res, err = FromRecording(nil, rec.magnetic, RecordingOptions{Spec: mpu6050})
	if err != nil || res.AccelErr == nil || res.MagErr != nil {
		t.Errorf("compass alone: %v, %v, %v", err, res.AccelErr, res.MagErr)
	}
}

// Coverage grows while the board is turned, from nothing to nearly all.
func TestMeasureCoverage(t *testing.T) {
	mg := load(t, boardDir+"full-sphere").magnetic
	if c, ok := MeasureCoverage(load(t, boardDir+"unmoved-with-x-pointing-forward-10min").magnetic[:1000]); ok {
		t.Errorf("coverage %.2f of a board at rest", c.Occupied)
	}
	last := 0.0
	for _, k := range []int{1200, 3200, len(mg)} {
		c, ok := MeasureCoverage(mg[:k])
		if !ok || c.Occupied <= last {
			t.Errorf("%d samples: coverage %.2f after %.2f", k, c.Occupied, last)
		}
		last = c.Occupied
	}
	if last < 0.9 {
		t.Errorf("coverage %.2f of the whole recording", last)
	}
}
