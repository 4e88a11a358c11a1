package calib

import (
	"math/rand/v2"
	"testing"
)

// The shape alone, 6,000 samples of the real recording.
func BenchmarkEllipsoid6000(b *testing.B) {
	rec := load(b, boardDir+"full-sphere_magraw")
	mg := rec.magnetic[:6000]
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FitMag(mg, nil, MagOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// Everything that one recording of 105 s gives.
func BenchmarkFromRecording(b *testing.B) {
	rec := load(b, boardDir+"full-sphere")
	b.ReportAllocs()
	for b.Loop() {
		if res, err := FromRecording(rec.inertial, rec.magnetic, RecordingOptions{Spec: mpu6050}); err != nil || res.MagErr != nil {
			b.Fatal(err, res.MagErr)
		}
	}
}

func BenchmarkApply(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	a := Uncalibrated(Accelerometer, 0.1, 0.01)
	v := randVec(rng, 10)
	b.ReportAllocs()
	for b.Loop() {
		v = a.Apply(v, 25)
	}
}
