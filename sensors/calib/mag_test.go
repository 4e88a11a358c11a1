package calib

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

func TestFromRecordingFullSphere(t *testing.T) {
	rec := load(t, boardDir+"full-sphere")
	res, err := FromRecording(rec.inertial, rec.magnetic, RecordingOptions{Spec: mpu6050})
	if err != nil || res.AccelErr != nil || res.MagErr != nil {
		t.Fatal(err, res.AccelErr, res.MagErr)
	}
	if r := res.Mag.ResidualPercent; r > 0.46 {
		t.Errorf("field strength scatters by %.3f %%, want at most 0.46 %%", r)
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

// The stated sigma of heading must hold the truth in 93 to 97 % of simulated
// recordings, compass alone and aligned to a calibrated accelerometer.
func TestFitMagCoverage(t *testing.T) {
	var shape, dir, heading within
	for seed := range uint64(150) {
		rng := rand.New(rand.NewPCG(seed, 11))
		b := defaultBoard(rng)
		in, mg := b.record(rng)
		for i := range in {
			in[i].Accel = b.accelM.Apply(r3.Sub(in[i].Accel, b.accelO))
		}
		fit, err := FitMag(mg, in, MagOptions{StrengthUT: b.strength, StrengthSigmaUT: 0.01, GyroBiasSigma: 0.03, GyroMatrixSigma: 0.01})
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
	}
}
