package watch_test

import (
	"math"
	"testing"
	"time"

	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// lsm6dsoSpec is the data sheet of the simulated part (ST DS12140 rev. 2, as in
// package lsm6dso).
func lsm6dsoSpec() sensors.InertialSpec {
	const g = sensors.StandardGravity
	return sensors.InertialSpec{
		Chip: "LSM6DSO", RateHz: 100, HasGyro: true,
		AccelNoise: 70e-6 * g, AccelDriftPerC: 0.1e-3 * g, AccelCross: 0.01,
		GyroNoise: 3.8e-3 * math.Pi / 180, GyroOffset: math.Pi / 180,
	}
}

func mmc5983maSpec() sensors.MagneticSpec {
	return sensors.MagneticSpec{Chip: "MMC5983MA", RateHz: 50, NoiseUT: 0.04, FloorUT: 0.1}
}

// runNight drives a watch through a night of blocks.
func runNight(n *scenario.WatchNight, o watch.Options, each func(w *watch.Watch, f watch.Finding)) *watch.Watch {
	w := watch.New(o)
	armed := false
	for {
		b, ok := n.NextBlock()
		if !ok {
			return w
		}
		if !armed && b.At > scenario.WatchArm {
			armed = true
			w.Arm(watch.Reference{Known: true, UpSigmaDeg: 0.02, EastSigmaDeg: 0.02}, watch.Allowance{})
		}
		w.Block(watch.Block(b))
		for {
			f, ok := w.Next()
			if !ok {
				break
			}
			each(w, f)
			if f.Final && f.Alarm {
				w.Acknowledge()
			}
		}
	}
}

func report(f watch.Finding) scenario.WatchReport {
	return scenario.WatchReport{
		ID: f.ID, Creep: f.Kind == watch.Creep, Alarm: f.Alarm, Final: f.Final,
		Start: f.Start, SeenAt: f.SeenAt,
		UpDeg: f.Move.UpDeg, UpSigmaDeg: f.Move.UpSigmaDeg,
		EastDeg: f.Move.EastDeg, EastSigmaDeg: f.Move.EastSigmaDeg,
	}
}

// nights runs nights of one kind and adds the scores up.
func nights(t *testing.T, first, n uint64, o scenario.WatchOptions, wo watch.Options) scenario.WatchScore {
	t.Helper()
	var all scenario.WatchScore
	for seed := first; seed < first+n; seed++ {
		night := scenario.NewWatchNight(seed, o)
		s := night.Score()
		runNight(night, wo, func(_ *watch.Watch, f watch.Finding) { s.Take(report(f)) })
		s.Close()
		all.Add(s)
	}
	for _, f := range all.Faults {
		t.Logf("seed %d: %s", f.Seed, f.What)
	}
	t.Logf("%d nights: %d of %d knocks seen in 2 s, %d of %d legs found, %d false alarms; sizes within 95 %%: knocks %.3f (rms %.2f sigma), legs %.3f (rms %.2f)",
		n, all.Seen, all.Knocks, all.Found, all.Sinks, all.FalseAlarms,
		float64(all.KnockCovered)/float64(all.KnockSized), math.Sqrt(all.KnockSigmas2/float64(all.KnockSized)),
		float64(all.SinkCovered)/float64(all.SinkSized), math.Sqrt(all.SinkSigmas2/float64(all.SinkSized)))
	return all
}

// Whole nights with weather, in small number; simulate --watch runs them by the
// thousand.
func TestNights(t *testing.T) {
	for _, c := range []struct {
		name string
		o    scenario.WatchOptions
		wo   watch.Options
	}{
		{"north", scenario.WatchOptions{Knocks: 6, Sinks: 1}, watch.Options{}},
		{"south", scenario.WatchOptions{Knocks: 6, Sinks: 1, South: true}, watch.Options{South: true}},
		{"on the head", scenario.WatchOptions{Knocks: 6, OnHead: true}, watch.Options{NodSigmaDeg: 0.05}},
		{"on the head in the south", scenario.WatchOptions{Knocks: 6, OnHead: true, South: true}, watch.Options{NodSigmaDeg: 0.05, South: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.wo.Inertial, c.wo.Magnetic = lsm6dsoSpec(), mmc5983maSpec()
			all := nights(t, 100, 3, c.o, c.wo)
			if all.Seen != all.Knocks || all.Knocks != 18 {
				t.Errorf("%d of %d knocks seen in time", all.Seen, all.Knocks)
			}
			if all.Found != all.Sinks || all.Sinks != 3*c.o.Sinks {
				t.Errorf("%d of %d sinking legs found before 0.1°", all.Found, all.Sinks)
			}
			if all.FalseAlarms > 0 {
				t.Errorf("%d false alarms", all.FalseAlarms)
			}
		})
	}
}

// The stated sizes are covered by their sigma: 93 to 97 % of parts within 1.96
// sigma, here with the scatter of so many trials (2.5 sigma) around that.
func TestCoverageOfSizes(t *testing.T) {
	t.Parallel()
	wo := watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()}
	check := func(what string, in, of int) {
		p := float64(in) / float64(of)
		if d := 2.5 * math.Sqrt(0.95*0.05/float64(of)); p < 0.93-d || p > 0.97+d {
			t.Errorf("%s: %.3f of %d within their 95 %% bound", what, p, of)
		}
	}
	knocks := nights(t, 300, 4, scenario.WatchOptions{Knocks: 50}, wo)
	check("knocks", knocks.KnockCovered, knocks.KnockSized)
	legs := nights(t, 400, 8, scenario.WatchOptions{Sinks: 3}, wo)
	check("sinking legs", legs.SinkCovered, legs.SinkSized)
	if legs.Found != legs.Sinks {
		t.Errorf("%d of %d legs found before 0.1°", legs.Found, legs.Sinks)
	}
}

// An MPU-6050 is five times as noisy and drifts five times as much: it lies still
// for 2 h 46 min without an alarm, with other parts and weather each time.
func TestStillMPU6050(t *testing.T) {
	t.Parallel()
	o := scenario.WatchOptions{Length: 2*time.Hour + 36*time.Minute, FallC: 4, Calm: true, Part: sim.TypicalMPU6050, Fold: mpuFold}
	all := nights(t, 500, 12, o, watch.Options{Inertial: mpu6050(100), Magnetic: mmc5983maSpec()})
	if all.FalseAlarms > 0 {
		t.Errorf("%d false alarms", all.FalseAlarms)
	}
}

// Without a thermometer a cold night is no sinking tripod.
func TestNoThermometer(t *testing.T) {
	t.Parallel()
	for seed := uint64(600); seed < 603; seed++ {
		n := scenario.NewWatchNight(seed, scenario.WatchOptions{Calm: true})
		w := watch.New(watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()})
		armed := false
		for b, ok := n.NextBlock(); ok; b, ok = n.NextBlock() {
			b.TempC = math.NaN()
			if !armed && b.At > scenario.WatchArm {
				armed = true
				w.Arm(watch.Reference{}, watch.Allowance{})
			}
			w.Block(watch.Block(b))
		}
		for f, ok := w.Next(); ok; f, ok = w.Next() {
			t.Errorf("seed %d: %s: %s", seed, f.Kind, f.Text)
		}
	}
}

// What the night teaches: the temperature coefficients of the part, within their
// sigma; and with them as the prior, a creep is found sooner.
func TestLearnsTemperature(t *testing.T) {
	t.Parallel()
	var sum float64
	const seeds = 5
	for seed := uint64(700); seed < 700+seeds; seed++ {
		n := scenario.NewWatchNight(seed, scenario.WatchOptions{Calm: true})
		wo := watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()}
		w := runNight(n, wo, func(*watch.Watch, watch.Finding) {})
		s := w.Status(n.End())
		// An offset along forward raises the apparent altitude; so does the
		// difference of the scales of x and z, by sin·cos of the altitude.
		p := n.Part().Accel
		const g = sensors.StandardGravity
		sin, cos := math.Sincos(siteAltDeg * deg)
		truth := (cos*p.OffsetPerC.X-sin*p.OffsetPerC.Z)/g/deg + sin*cos*(p.ScalePerC.X-p.ScalePerC.Z)/deg
		t.Logf("seed %d: %.5f ± %.5f °/°C, truth %.5f, over %.1f °C", seed, s.Slopes.UpPerC, s.Slopes.UpSigma, truth, s.SlopeSpanC)
		d := (s.Slopes.UpPerC - truth) / s.Slopes.UpSigma
		sum += d * d
		if s.SlopeSpanC < 10 || s.Slopes.UpSigma > 0.001 {
			t.Errorf("seed %d: sigma %.5f over %.1f °C", seed, s.Slopes.UpSigma, s.SlopeSpanC)
		}
	}
	if rms := math.Sqrt(sum / seeds); rms > 1.6 {
		t.Errorf("slopes are off by %.2f sigmas rms", rms)
	}
}
