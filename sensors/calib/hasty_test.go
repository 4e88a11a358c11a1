package calib

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Turns of 170°/s seen through polled chips, whose samples are up to 10 ms
// older than stated: the gyroscope then must not pull the alignment away from
// what gravity shows at rest.
func TestFitMagAlignsAfterHastyTurns(t *testing.T) {
	const seeds = 12
	var chi, rms float64
	for seed := range uint64(seeds) {
		rng := rand.New(rand.NewPCG(seed, 21))
		b := defaultBoard(rng)
		b.rateHz, b.turnRate, b.turns = 100, 3, 20
		b.accelNoise, b.magNoise, b.gyroNoise, b.handAccel = 0.006, 0.05, 0.0007, 0.1
		in, mg := b.record(rng)
		age := func() time.Duration { return time.Duration(rng.Float64() * 0.01 * float64(time.Second)) }
		late := make([]sensors.InertialSample, len(in))
		for i, s := range in {
			s.At += age()
			late[i] = s
		}
		for i := range mg {
			mg[i].At += age()
		}
		res, err := FromRecording(late, mg, RecordingOptions{
			Spec: sensors.InertialSpec{AccelOffset: 0.3, AccelCross: 0.02, GyroOffset: 0.03, GyroRange: 35, HasGyro: true},
			Mag:  MagOptions{StrengthUT: b.strength, StrengthSigmaUT: 0.3},
		})
		if err != nil || res.AccelErr != nil || res.MagErr != nil {
			t.Fatalf("seed %d: %v %v %v", seed, err, res.AccelErr, res.MagErr)
		}
		// The magnetometer's axes in those of the accelerometer, found and true.
		// The corrected accelerometer has the truth's axes, its matrix being
		// symmetric here.
		want := Affine{Matrix: b.magM}
		true0, _ := rotationPart(&want)
		d := r3.Sub(res.Mag.Rotation, true0)
		s := res.Mag.RotationSigma
		chi += (d.X*d.X/s.X/s.X + d.Y*d.Y/s.Y/s.Y + d.Z*d.Z/s.Z/s.Z) / (3 * seeds)
		rms += r3.Norm2(d) / (3 * seeds)
	}
	t.Logf("rotation off by %.2f° per axis, %.2f of its sigma", deg(math.Sqrt(rms)), math.Sqrt(chi))
	// 36 squares over their sigma: their mean is 1 ± 0.24.
	if c := math.Sqrt(chi); c > 1.4 || c < 0.5 {
		t.Errorf("rotation off by %.2f sigma, root mean square", c)
	}
	if r := deg(math.Sqrt(rms)); r > 0.25 {
		t.Errorf("rotation off by %.2f° per axis", r)
	}
}
