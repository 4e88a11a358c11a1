package watch_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
	"plumbstar/sensors"
	"plumbstar/sensors/lsm6dso"
	"plumbstar/sensors/mmc5983ma"
	"plumbstar/sensors/mpu9250"
	"plumbstar/sensors/sim"
)

// samples delivers a night sample by sample: simulated chips, bus and drivers,
// polled a hundred times a second, and corrected as a calibration at 21 °C would.
func samples(t *testing.T, n *scenario.WatchNight, chip string, until time.Duration, inertial func(sensors.InertialSample), magnetic func(sensors.MagneticSample)) {
	t.Helper()
	clock := &sim.Clock{}
	bus := sim.NewBus("simulated I2C", clock, sim.Adapter{})
	world := n.World()
	var imu sensors.Inertial
	attach := func(addr uint16, c sim.Chip) {
		if err := bus.Attach(addr, c); err != nil {
			t.Fatal(err)
		}
	}
	part := n.Part()
	attach(0x30, sim.NewMMC5983MA(world, sim.Settings{Seed: part.Seed + 1, Mag: sim.TypicalMMC5983MA(part.Seed + 1).Mag}))
	var err error
	switch chip {
	case "LSM6DSO":
		attach(lsm6dso.Addr, sim.NewLSM6DSO(world, part))
		imu, err = lsm6dso.New(bus, lsm6dso.Addr, clock, nil)
	case "MPU-6050":
		attach(mpu9250.Addr, sim.NewMPU6050(world, part))
		imu, err = mpu9250.New(bus, mpu9250.Addr, clock, nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	mag, err := mmc5983ma.New(bus, 0x30, clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	inverse := invert(part.Accel.Matrix)
	offset := r3.Add(part.Accel.Offset, r3.Scale(21-sim.ReferenceC, part.Accel.OffsetPerC))
	for clock.Now() < until {
		s, err := imu.ReadInertial()
		switch {
		case err == nil:
			s.Accel = inverse.MulVec(r3.Sub(s.Accel, offset))
			inertial(s)
		case !errors.Is(err, sensors.ErrNoNewData):
			t.Fatal(err)
		}
		m, err := mag.ReadMagnetic()
		switch {
		case err == nil:
			magnetic(m)
		case !errors.Is(err, sensors.ErrNoNewData):
			t.Fatal(err)
		}
		clock.Sleep(10*time.Millisecond - clock.Now()%(10*time.Millisecond))
	}
}

// invert a matrix near one by Newton's iteration.
func invert(m *r3.Mat) *r3.Mat {
	x := r3.Eye()
	for range 20 {
		var mx, two, next r3.Mat
		mx.Mul(m, x)
		two.Sub(r3.NewMat([]float64{2, 0, 0, 0, 2, 0, 0, 0, 2}), &mx)
		next.Mul(x, &two)
		x = &next
	}
	return x
}

// steps is the standard deviation of the differences of neighbouring means over
// k values: drift hardly counts, noise does.
func steps(x []float64, k int) float64 {
	var means []float64
	for i := 0; i+k <= len(x); i += k {
		means = append(means, stat.Mean(x[i:i+k], nil))
	}
	var d []float64
	for i := 1; i < len(means); i++ {
		d = append(d, means[i]-means[i-1])
	}
	return stat.StdDev(d, nil)
}

// mpuFold is what the 44 Hz filter at 1 kHz and every tenth sample of it make of
// white noise at low frequencies.
const mpuFold = 1.25

// The nights made of blocks are those of the chips and drivers: same noise of
// tilt and turn in a tenth, in one and in ten seconds, same variances within a
// block.
func TestBlocksAreLikeChips(t *testing.T) {
	const length = 20 * time.Minute
	for _, chip := range []string{"LSM6DSO", "MPU-6050"} {
		o := scenario.WatchOptions{Length: length, FallC: 0.5, Calm: true}
		if chip == "MPU-6050" {
			o.Part, o.Fold = sim.TypicalMPU6050, mpuFold
		}
		var fast, slow struct{ up, turn, av, gv []float64 }
		n := scenario.NewWatchNight(5, o)
		for b, ok := n.NextBlock(); ok; b, ok = n.NextBlock() {
			if b.At < 5*time.Minute {
				continue
			}
			fast.up = append(fast.up, b.Accel.X)
			fast.turn = append(fast.turn, b.Gyro.Y)
			fast.av = append(fast.av, b.AccelVar)
			fast.gv = append(fast.gv, b.GyroVar)
		}
		var cell int64
		var x, y []float64
		samples(t, scenario.NewWatchNight(5, o), chip, scenario.WatchArm+length, func(s sensors.InertialSample) {
			if s.At < 5*time.Minute {
				return
			}
			if c := int64(s.At / watch.BlockLength); c != cell {
				if len(x) > 1 {
					m, v := stat.MeanVariance(x, nil)
					slow.up, slow.av = append(slow.up, m), append(slow.av, v)
					m, v = stat.MeanVariance(y, nil)
					slow.turn, slow.gv = append(slow.turn, m), append(slow.gv, v)
				}
				x, y, cell = x[:0], y[:0], c
			}
			x, y = append(x, s.Accel.X), append(y, s.Gyro.Y)
		}, func(sensors.MagneticSample) {})
		compare := func(what string, a, b, tolerance float64) {
			t.Logf("%s %s: blocks %.3g, chip %.3g", chip, what, a, b)
			if r := a / b; math.Abs(r-1) > tolerance {
				t.Errorf("%s, %s: %.3g in blocks, %.3g by the chip", chip, what, a, b)
			}
		}
		for _, k := range []int{1, 10, 100} {
			tolerance := []float64{0.1, 0.1, 0.25}[int(math.Log10(float64(k)))]
			compare("tilt", steps(fast.up, k), steps(slow.up, k), tolerance)
			compare("turn", steps(fast.turn, k), steps(slow.turn, k), tolerance)
		}
		compare("variance of acceleration", stat.Mean(fast.av, nil), stat.Mean(slow.av, nil), 0.35)
		compare("variance of rate", stat.Mean(fast.gv, nil), stat.Mean(slow.gv, nil), 0.35)
	}
}

// Through chips, bus and drivers, sample by sample: knocks in wind and footsteps
// are seen in time, and nothing else is.
func TestKnocksThroughChips(t *testing.T) {
	n := scenario.NewWatchNight(11, scenario.WatchOptions{Length: 90 * time.Minute, FallC: 4, Knocks: 6, MaxDeg: 0.2, MinDeg: 0.05})
	w := watch.New(watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()})
	score := n.Score()
	armed := false
	samples(t, n, "LSM6DSO", n.End(), func(s sensors.InertialSample) {
		if !armed && s.At > scenario.WatchArm {
			armed = true
			w.Arm(watch.Reference{Known: true, UpSigmaDeg: 0.02, EastSigmaDeg: 0.02}, watch.Allowance{})
		}
		w.Inertial(s)
		for f, ok := w.Next(); ok; f, ok = w.Next() {
			score.Take(report(f))
			if f.Final && f.Alarm {
				w.Acknowledge()
			}
		}
	}, w.Magnetic)
	score.Close()
	if score.Knocks != 6 || score.Seen != 6 || score.FalseAlarms != 0 {
		t.Errorf("of %d knocks %d seen in time, %d false alarms: %v", score.Knocks, score.Seen, score.FalseAlarms, score.Faults)
	}
	if rms := math.Sqrt(score.KnockSigmas2 / float64(score.KnockSized)); score.KnockSized != 12 || rms > 1.7 {
		t.Errorf("%d sizes with %.2f sigmas rms, want 12 of about 1", score.KnockSized, rms)
	}
}

// An MPU-6050 that lies still for 2 h 46 min, from the moment that it gets its
// supply, raises no movement alarm while its temperature falls by 4 °C.
func TestStillMPU6050ThroughChips(t *testing.T) {
	const length = 2*time.Hour + 46*time.Minute
	n := scenario.NewWatchNight(3, scenario.WatchOptions{Length: length, FallC: 4, Part: sim.TypicalMPU6050, Calm: true})
	w := watch.New(watch.Options{Inertial: mpu6050(100), Magnetic: mmc5983maSpec()})
	armed := false
	samples(t, n, "MPU-6050", length, func(s sensors.InertialSample) {
		if !armed && s.At > 5*time.Second {
			armed = true
			w.Arm(watch.Reference{Known: true}, watch.Allowance{})
		}
		w.Inertial(s)
		for f, ok := w.Next(); ok; f, ok = w.Next() {
			if f.Alarm {
				t.Errorf("%v: %s %s", f.SeenAt, f.Kind, f.Text)
			}
		}
	}, w.Magnetic)
	if s := w.State(length); s != watch.Watching {
		t.Errorf("state %s, want %s", s, watch.Watching)
	}
}
