package watch_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
	"plumbstar/sensors"
)

// shakeAt swings the board about its left axis by a sine, sample by sample, and
// gives the minutes.
func shakeAt(t *testing.T, amplitudeDeg, hz float64, blurDeg float64) (minutes []watch.Minute, found []watch.Finding) {
	t.Helper()
	w := watch.New(watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()})
	rng := rand.New(rand.NewPCG(1, 2))
	spec := lsm6dsoSpec()
	sa, sg := spec.AccelNoise*math.Sqrt(50), spec.GyroNoise*math.Sqrt(50)
	noise := func(s float64) r3.Vec {
		return r3.Vec{X: s * rng.NormFloat64(), Y: s * rng.NormFloat64(), Z: s * rng.NormFloat64()}
	}
	const step = 10 * time.Millisecond
	for at := step; at < 9*time.Minute; at += step {
		var phi, rate float64
		if at > 5*time.Minute {
			x := 2 * math.Pi * hz * at.Seconds()
			phi, rate = amplitudeDeg*math.Sin(x), amplitudeDeg*2*math.Pi*hz*math.Cos(x)
		}
		if at == 2*time.Minute {
			w.Arm(watch.Reference{Known: true}, watch.Allowance{
				Lens: "135 mm", ExposureS: 120, BlurDeg: blurDeg, LongestS: func(float64) float64 { return 300 }})
		}
		turn := r3.Scale(phi, left)
		w.Inertial(sensors.InertialSample{
			At:    at,
			Accel: r3.Add(rotateBack(turn, r3.Scale(sensors.StandardGravity, up)), noise(sa)),
			Gyro:  r3.Add(r3.Scale(rate*deg, left), noise(sg)),
			TempC: 10,
		})
		if m, ok := w.Minute(); ok {
			minutes = append(minutes, m)
		}
		for f, ok := w.Next(); ok; f, ok = w.Next() {
			t.Logf("%v %s", f.Kind, f.Text)
			found = append(found, f)
		}
	}
	return minutes, found
}

// A known swing is measured within a fifth below 5 Hz, and never called smaller
// than it is above; it warns only where the lens bears less, and is never a move.
func TestShaking(t *testing.T) {
	for _, c := range []struct {
		amplitude, hz, blur float64
		most                float64 // of what is told, in units of the truth
		warns               bool
	}{
		{0, 1, 0.001, 0, false},
		{0.01, 1, 0.02, 1.3, false},
		{0.01, 1, 0.003, 1.3, true},
		{0.01, 2.3, 0.003, 1.3, true},
		{0.01, 7.3, 0.003, 2, true},
		{0.002, 20, 0.0005, 5, true},
		{0.0005, 1, 0.0001, 1, false}, // too little for this chip to tell
	} {
		minutes, found := shakeAt(t, c.amplitude, c.hz, c.blur)
		last := minutes[len(minutes)-1]
		truth := c.amplitude / math.Sqrt2
		t.Logf("%g° at %g Hz: shake %.5f° (truth %.5f°), tilt %.5f°, acceleration %.4f m/s²", c.amplitude, c.hz, last.ShakeRMSDeg, truth, last.TiltRMSDeg, last.AccelRMS)
		if last.ShakeRMSDeg < 0.8*truth || last.ShakeRMSDeg > c.most*truth+last.FloorDeg {
			t.Errorf("%g° at %g Hz: %.5f° rms, truth %.5f°", c.amplitude, c.hz, last.ShakeRMSDeg, truth)
		}
		if len(minutes) < 7 || last.Blocks < 590 {
			t.Errorf("%d minutes, %d blocks in the last", len(minutes), last.Blocks)
		}
		warned := 0
		for _, f := range found {
			if f.Kind == watch.Shaking && !f.Alarm {
				warned++
				continue
			}
			t.Errorf("found %s: %s", f.Kind, f.Text)
		}
		want := 0
		if c.warns {
			want = 1 // once in ten minutes
		}
		if warned != want {
			t.Errorf("%g° at %g Hz: %d warnings, want %d", c.amplitude, c.hz, warned, want)
		}
	}
}

// Wild input must neither panic nor make numbers that are none.
func TestWildInput(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	wild := func() float64 {
		switch rng.IntN(8) {
		case 0:
			return 0
		case 1:
			return 1e6 * rng.NormFloat64()
		case 2:
			return math.Inf(1)
		case 3:
			return math.NaN()
		}
		return 10 * rng.NormFloat64()
	}
	vec := func() r3.Vec { return r3.Vec{X: wild(), Y: wild(), Z: wild()} }
	for run := range 20 {
		w := watch.New(watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec(), Head: watch.Head(run % 3), South: run%2 == 0})
		at := time.Duration(0)
		for i := range 20000 {
			at += time.Duration(rng.IntN(20)) * time.Millisecond
			if rng.IntN(2000) == 0 {
				at += time.Duration(rng.Int64N(int64(time.Hour)))
			}
			s := sensors.InertialSample{At: at, Accel: r3.Vec{X: 7, Z: 6}, TempC: 10}
			if rng.IntN(50) == 0 {
				s = sensors.InertialSample{At: at, Accel: vec(), Gyro: vec(), TempC: wild(), Flags: sensors.Flags(rng.IntN(8))}
			}
			w.Inertial(s)
			w.Magnetic(sensors.MagneticSample{At: at, FieldUT: vec()})
			switch {
			case i%3000 == 100:
				w.Arm(watch.Reference{Known: run%2 == 0}, watch.Allowance{})
			case i%3000 == 2000:
				w.Acknowledge()
			}
			for f, ok := w.Next(); ok; f, ok = w.Next() {
				m := f.Move
				for _, v := range []float64{m.UpDeg, m.UpSigmaDeg, m.EastDeg, m.EastSigmaDeg, m.RollDeg, m.RollSigmaDeg, f.FieldUT} {
					if math.IsNaN(v) || math.IsInf(v, 0) {
						t.Fatalf("run %d: %s %+v", run, f.Kind, m)
					}
				}
			}
		}
		w.Status(at)
	}
}

// Samples and blocks give the same.
func TestSamplesMakeBlocks(t *testing.T) {
	a, b := watch.New(watch.Options{Inertial: lsm6dsoSpec()}), watch.New(watch.Options{Inertial: lsm6dsoSpec()})
	rng := rand.New(rand.NewPCG(5, 6))
	var n int
	var accel, gyro r3.Vec
	for i := range 20000 {
		at := time.Duration(i) * 10 * time.Millisecond
		s := sensors.InertialSample{At: at, TempC: 10,
			Accel: r3.Vec{X: 7.7 + 0.005*rng.NormFloat64(), Y: 0.005 * rng.NormFloat64(), Z: 6 + 0.005*rng.NormFloat64()},
			Gyro:  r3.Vec{Y: 1e-4 * rng.NormFloat64()}}
		if at == 100*time.Second {
			for _, w := range []*watch.Watch{a, b} {
				w.Arm(watch.Reference{Known: true}, watch.Allowance{})
			}
		}
		if at > 150*time.Second {
			s.Accel = rotateBack(r3.Scale(0.1, left), s.Accel)
		}
		a.Inertial(s)
		if at%watch.BlockLength == 0 && n > 0 {
			b.Block(watch.Block{At: at, N: n, Accel: r3.Scale(1/float64(n), accel), Gyro: r3.Scale(1/float64(n), gyro), TempC: 10})
			n, accel, gyro = 0, r3.Vec{}, r3.Vec{}
		}
		n++
		accel, gyro = r3.Add(accel, s.Accel), r3.Add(gyro, s.Gyro)
	}
	for range 2 {
		fa, oka := a.Next()
		fb, okb := b.Next()
		if !oka || !okb || fa.SeenAt != fb.SeenAt || math.Abs(fa.Move.UpDeg-fb.Move.UpDeg) > 1e-9 || fa.Text != fb.Text {
			t.Errorf("by samples %v %+v, by blocks %v %+v", oka, fa, okb, fb)
		}
	}
}

// benchNight prepares a minute of blocks to be played over and over.
func benchNight() []watch.Block {
	n := scenario.NewWatchNight(1, scenario.WatchOptions{Length: time.Hour})
	var out []watch.Block
	for b, ok := n.NextBlock(); ok; b, ok = n.NextBlock() {
		out = append(out, watch.Block(b))
	}
	return out
}

// BenchmarkBlock is one tenth of a second of an armed watch.
func BenchmarkBlock(b *testing.B) {
	blocks := benchNight()
	w := watch.New(watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()})
	play(w, blocks, len(blocks), 0)
	w.Arm(watch.Reference{Known: true}, watch.Allowance{})
	b.ReportAllocs()
	begin, i := blocks[len(blocks)-1].At, 0
	for b.Loop() {
		x := blocks[i]
		x.At += begin
		w.Block(x)
		if i++; i == len(blocks) {
			begin += blocks[i-1].At
			i = 0
		}
	}
}

func play(w *watch.Watch, blocks []watch.Block, n int, begin time.Duration) {
	for i := range min(n, len(blocks)) {
		x := blocks[i]
		x.At += begin
		w.Block(x)
	}
}

// BenchmarkSample is one sample at 100 Hz with half a field reading, blocks
// included.
func BenchmarkSample(b *testing.B) {
	w := watch.New(watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()})
	rng := rand.New(rand.NewPCG(1, 1))
	var noise [4096]float64
	for i := range noise {
		noise[i] = rng.NormFloat64()
	}
	at := time.Duration(0)
	sample := func(i int) {
		at += 10 * time.Millisecond
		k := noise[i&4095]
		w.Inertial(sensors.InertialSample{At: at, Accel: r3.Vec{X: 7.7 + 0.005*k, Y: 0.005 * noise[(i+99)&4095], Z: 6}, Gyro: r3.Vec{Y: 1e-3 * k}, TempC: 10})
		if i%2 == 0 {
			w.Magnetic(sensors.MagneticSample{At: at, FieldUT: r3.Vec{X: 20, Z: -40 + 0.04*k}})
		}
	}
	for i := range 20000 {
		sample(i)
	}
	w.Arm(watch.Reference{Known: true}, watch.Allowance{})
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		sample(i)
		i++
	}
}

// A watch allocates nothing while nothing is found.
func TestNoAllocation(t *testing.T) {
	blocks := benchNight()
	w := watch.New(watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()})
	play(w, blocks, len(blocks), 0)
	w.Arm(watch.Reference{Known: true}, watch.Allowance{})
	begin := blocks[len(blocks)-1].At
	play(w, blocks, 1000, begin)
	begin += blocks[999].At
	i := 0
	if got := testing.AllocsPerRun(3000, func() {
		x := blocks[i%len(blocks)]
		x.At = begin + time.Duration(i+1)*watch.BlockLength
		w.Block(x)
		i++
	}); got > 0 {
		t.Errorf("%v allocations per block", got)
	}
}
