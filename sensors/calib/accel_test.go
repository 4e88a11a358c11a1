package calib

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

func TestFitAccelRecoversTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	o, m := randVec(rng, 0.4), randSym(rng, 0.03)
	fit, err := FitAccel(simPoses(rng, spiral(20), o, m, 1e-6), 0, AccelOptions{Floor: 1e-6})
	if err != nil {
		t.Fatal(err)
	}
	if d := r3.Norm(r3.Sub(fit.Affine.Offset, o)); d > 1e-5 {
		t.Errorf("offset is wrong by %g m/s²", d)
	}
	for i := range m {
		if d := math.Abs(fit.Affine.Matrix[i] - m[i]); d > 1e-6 {
			t.Errorf("matrix entry %d is wrong by %g", i, d)
		}
	}
	if err := fit.Affine.Check(); err != nil {
		t.Error(err)
	}
}

// The stated sigma of tilt must hold the truth in 93 to 97 % of seeded runs:
// with many poses, with just enough, and with few poses and prior knowledge.
func TestFitAccelCoverage(t *testing.T) {
	for _, c := range []struct {
		name  string
		poses int
		prior bool
	}{{"24 poses", 24, false}, {"12 poses", 12, false}, {"6 poses and data sheet", 6, true}, {"1 pose and data sheet", 1, true}} {
		t.Run(c.name, func(t *testing.T) {
			var cover within
			for seed := range uint64(350) {
				rng := rand.New(rand.NewPCG(seed, 7))
				o, m := randVec(rng, 0.4), randSym(rng, 0.02)
				var ups []r3.Vec
				for _, u := range spiral(c.poses) { // even, but never twice the same
					ups = append(ups, r3.Unit(r3.Add(u, randVec(rng, 0.1))))
				}
				const floor, noise = 0.01, 0.015
				poses := simPoses(rng, ups, o, m, math.Hypot(floor, noise))
				for i := range poses {
					poses[i].AccelCov = Mat3{0: noise * noise, 4: noise * noise, 8: noise * noise}
				}
				opt := AccelOptions{Floor: floor, MaxTiltDeg: 5}
				if c.prior {
					opt.OffsetSigma, opt.MatrixSigma = 0.4, 0.02
				}
				fit, err := FitAccel(poses, 0, opt)
				if err != nil {
					t.Fatalf("seed %d: %v", seed, err)
				}
				u := randUnit(rng)
				e := randTangent(rng, u)
				got := fit.Affine.Apply(rawOf(o, m, r3.Scale(standardGravity, u)), math.NaN())
				cov := fit.Affine.DirectionCov(got, math.NaN())
				cover.add(r3.Dot(e, got)/standardGravity, math.Sqrt(cov.form(e, e)))
			}
			if s := cover.share(); s < 0.93 || s > 0.97 {
				t.Errorf("tilt error within 1.96 sigma in %.1f %% of %d runs, want 93 to 97 %%", 100*s, cover.n)
			}
		})
	}
}

func TestFitAccelRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	var near []r3.Vec
	for range 20 {
		near = append(near, r3.Unit(r3.Add(r3.Vec{Z: 1}, randVec(rng, 0.35))))
	}
	for name, ups := range map[string][]r3.Vec{"none": nil, "too few": spiral(6), "too similar": near} {
		_, err := FitAccel(simPoses(rng, ups, r3.Vec{X: 0.1}, identity, 0.01), 0, AccelOptions{})
		var r *Refusal
		if !errors.As(err, &r) || r.Advice == "" {
			t.Errorf("%s: got %v, want a refusal with advice", name, err)
		}
	}
	// Shaken poses contradict the data sheet.
	poses := simPoses(rng, spiral(6), r3.Vec{Z: 4}, identity, 0.01)
	if _, err := FitAccel(poses, 0, AccelOptions{OffsetSigma: 0.3, MatrixSigma: 0.02}); err == nil {
		t.Error("an offset of 13 sigma was accepted")
	}
}

func TestFitAccelOutlier(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	o, m := randVec(rng, 0.3), randSym(rng, 0.02)
	poses := simPoses(rng, spiral(20), o, m, 0.005)
	poses[7].Accel = r3.Scale(1.1, poses[7].Accel) // shaken
	fit, err := FitAccel(poses, 0, AccelOptions{Floor: 0.005})
	if err != nil {
		t.Fatal(err)
	}
	if d := r3.Norm(r3.Sub(fit.Affine.Offset, o)); d > 0.05 {
		t.Errorf("one shaken pose in 20 moved the offset by %.3f m/s²", d)
	}
}

// Following the advice must reduce the tilt error faster than repeating poses
// does, and to the value that was announced.
func TestNextPoseHelps(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	o, m := randVec(rng, 0.3), randSym(rng, 0.02)
	opt := AccelOptions{OffsetSigma: 0.5, MatrixSigma: 0.02}
	ups := []r3.Vec{{Z: 1}}
	fit, err := FitAccel(simPoses(rng, ups, o, m, 0.01), 0, opt)
	if err != nil {
		t.Fatal(err)
	}
	for range 8 {
		announced := fit.NextTiltSigmaDeg
		ups = append(ups, fit.Next)
		if fit, err = FitAccel(simPoses(rng, ups, o, m, 0.01), 0, opt); err != nil {
			t.Fatal(err)
		}
		if math.Abs(fit.TiltSigmaDeg-announced) > 0.15*announced {
			t.Errorf("%d poses: tilt sigma %.3f°, %.3f° was announced", len(ups), fit.TiltSigmaDeg, announced)
		}
	}
	if fit.TiltSigmaDeg > 0.25 {
		t.Errorf("9 advised poses leave %.3f° of tilt", fit.TiltSigmaDeg)
	}
}

func TestAccelTemperatureSlope(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	o, m := randVec(rng, 0.3), randSym(rng, 0.02)
	slope := r3.Vec{X: 0.006, Y: -0.004, Z: 0.008}
	var poses []Pose
	for _, temp := range []float64{0, 10, 20} {
		for _, p := range simPoses(rng, spiral(12), r3.Add(o, r3.Scale(temp-10, slope)), m, 0.005) {
			p.TempC = temp
			poses = append(poses, p)
		}
	}
	fit, err := FitAccel(poses, 0, AccelOptions{Floor: 0.005, SlopeSigma: 0.006})
	if err != nil {
		t.Fatal(err)
	}
	d := r3.Sub(fit.Affine.TempSlope, slope)
	s := fit.Affine.TempSlopeSigma
	if math.Abs(d.X) > 3*s.X || math.Abs(d.Y) > 3*s.Y || math.Abs(d.Z) > 3*s.Z || s.X > 0.001 {
		t.Errorf("slope %.4f, sigma %.4f, truth %.4f", fit.Affine.TempSlope, s, slope)
	}
	if math.Abs(fit.Affine.RefTempC-10) > 1e-9 {
		t.Errorf("reference %.2f °C, want the mean of the poses", fit.Affine.RefTempC)
	}
}

func BenchmarkFitAccel24Poses(b *testing.B) {
	rng := rand.New(rand.NewPCG(6, 6))
	poses := simPoses(rng, spiral(24), r3.Vec{X: 0.2, Z: -0.3}, randSym(rng, 0.02), 0.01)
	for b.Loop() {
		if _, err := FitAccel(poses, 0, AccelOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
