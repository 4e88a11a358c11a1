package calib

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// restStream alternates rests of the given lengths (s) with turns of 2 s, at
// 100 Hz with white noise.
func restStream(rng *rand.Rand, rests []float64, noise float64) (out []sensors.InertialSample, means []r3.Vec) {
	t := time.Duration(0)
	add := func(a, w r3.Vec) {
		out = append(out, sensors.InertialSample{At: t, Accel: r3.Add(a, randVec(rng, noise)), Gyro: r3.Add(w, randVec(rng, 0.002)), TempC: 20})
		t += 10 * time.Millisecond
	}
	for _, seconds := range rests {
		a := r3.Scale(standardGravity, randUnit(rng))
		means = append(means, a)
		for range int(100 * seconds) {
			add(a, r3.Vec{X: 0.01, Y: -0.02})
		}
		for k := range 200 {
			add(r3.Rotate(a, float64(k)/200*2, r3.Vec{Z: 1}), r3.Vec{Z: 1})
		}
	}
	return out, means
}

func TestFindPoses(t *testing.T) {
	for _, noise := range []float64{0.002, 0.03, 0.1} {
		rng := rand.New(rand.NewPCG(1, 1))
		samples, want := restStream(rng, []float64{3, 0.6, 5, 2}, noise)
		poses := FindPoses(samples, RestOptions{})
		if len(poses) != 3 { // the rest of 0.6 s is too short
			t.Fatalf("noise %g: %d poses, want 3", noise, len(poses))
		}
		for i, k := range []int{0, 2, 3} {
			p := poses[i]
			if d := r3.Norm(r3.Sub(p.Accel, want[k])); d > 6*noise/10 {
				t.Errorf("noise %g: pose %d is off by %g m/s²", noise, i, d)
			}
			if d := r3.Norm(r3.Sub(p.Gyro, r3.Vec{X: 0.01, Y: -0.02})); d > 0.003 {
				t.Errorf("noise %g: pose %d rate is off by %g rad/s", noise, i, d)
			}
			if p.TempC != 20 && math.Abs(p.TempC-20) > 1e-9 {
				t.Errorf("temperature %g", p.TempC)
			}
		}
	}
}

// The covariance of a pose's mean must fit the error that it has.
func TestPoseCovariance(t *testing.T) {
	var z2, n float64
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 2))
		samples, want := restStream(rng, []float64{3}, 0.03)
		poses := FindPoses(samples, RestOptions{})
		if len(poses) != 1 {
			t.Fatalf("seed %d: %d poses", seed, len(poses))
		}
		d := r3.Sub(poses[0].Accel, want[0])
		c := poses[0].AccelCov
		z2 += d.X*d.X/c[0] + d.Y*d.Y/c[4] + d.Z*d.Z/c[8]
		n += 3
	}
	if z2 /= n; z2 < 0.7 || z2 > 1.4 {
		t.Errorf("mean squared error over variance %.2f, want about 1", z2)
	}
}

func TestRestFinderStream(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	samples, _ := restStream(rng, []float64{4, 4, 70}, 0.03)
	f := NewRestFinder(RestOptions{})
	var done []Pose
	for _, s := range samples {
		if p, ok := f.Push(s); ok {
			done = append(done, p)
		}
	}
	// 70 s of rest are three poses of at most 30 s.
	if len(done) != 5 {
		t.Fatalf("%d poses, want 5", len(done))
	}
	for _, p := range done {
		if p.End-p.Start > 31*time.Second {
			t.Errorf("a pose of %v", p.End-p.Start)
		}
	}
	if _, ok := f.Current(); ok {
		t.Error("a rest is in progress at the end of a turn")
	}
}

// Clipped samples, knocks and gaps end a rest and are never averaged into one.
func TestRestFinderBadSamples(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	samples, want := restStream(rng, []float64{8}, 0.02)
	for i := 300; i < 310; i++ {
		samples[i].Flags |= sensors.Clipped
		samples[i].Accel = r3.Vec{X: 156}
	}
	for i := 500; i < len(samples); i++ {
		samples[i].At += 3 * time.Second
	}
	samples[100].Accel.X = math.NaN()
	for _, p := range FindPoses(samples, RestOptions{}) {
		if d := r3.Norm(r3.Sub(p.Accel, want[0])); !(d < 0.02) {
			t.Errorf("pose from %v to %v is off by %g m/s²", p.Start, p.End, d)
		}
		if p.Start < 8*time.Second && p.End > 5*time.Second {
			t.Errorf("pose from %v to %v spans the gap", p.Start, p.End)
		}
	}
	if poses := FindPoses(nil, RestOptions{}); len(poses) != 0 {
		t.Error("poses from nothing")
	}
}

func BenchmarkRestFinderPush(b *testing.B) {
	rng := rand.New(rand.NewPCG(5, 5))
	samples, _ := restStream(rng, []float64{10, 10, 10}, 0.03)
	f := NewRestFinder(RestOptions{})
	b.ReportAllocs()
	i, shift := 0, time.Duration(0)
	for b.Loop() {
		s := samples[i]
		s.At += shift
		f.Push(s)
		if i++; i == len(samples) {
			i, shift = 0, s.At
		}
	}
}

// A cheap gyroscope's offset is no turn: the MPU-6050's data sheet admits 20°/s on
// each axis.
func TestRestOfAChipWithALargeGyroscopeOffset(t *testing.T) {
	spec := sensors.InertialSpec{GyroOffset: 20 * math.Pi / 180}
	f, strict := NewRestFinder(RestOf(spec)), NewRestFinder(RestOptions{})
	for k := range 400 {
		s := sensors.InertialSample{At: time.Duration(k) * 10 * time.Millisecond, Accel: r3.Vec{Z: 9.81 + 0.001*float64(k%7)}, Gyro: r3.Vec{X: 0.5, Y: -0.3, Z: 0.4 + 0.001*float64(k%5)}}
		f.Push(s)
		strict.Push(s)
	}
	if p, ok := f.Flush(); !ok || math.Abs(p.Gyro.X-0.5) > 0.001 {
		t.Errorf("no rest pose: %+v", p)
	}
	if _, ok := strict.Flush(); ok {
		t.Error("without the data sheet, 40°/s passes for rest")
	}
}
