package watch_test

import (
	"math"
	"os"
	"strconv"
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
		GyroNoise: 3.8e-3 * math.Pi / 180,
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

func TestExplore(t *testing.T) {
	nights, _ := strconv.Atoi(os.Getenv("NIGHTS"))
	if nights == 0 {
		t.Skip()
	}
	var all scenario.WatchScore
	begin := time.Now()
	first, _ := strconv.Atoi(os.Getenv("FIRST"))
	for i := range uint64(nights) {
		seed := i + uint64(first)
		o := scenario.WatchOptions{Knocks: 4, Sinks: int(seed % 2)}
		wo := watch.Options{Inertial: lsm6dsoSpec(), Magnetic: mmc5983maSpec()}
		if os.Getenv("HEAD") != "" {
			o.OnHead = true
			wo.NodSigmaDeg = 0.05
		}
		if os.Getenv("SOUTH") != "" {
			o.South = true
			wo.South = true
		}
		if os.Getenv("CHIP") == "MPU" {
			o.Part, o.Fold = sim.TypicalMPU6050, mpuFold
			wo.Inertial = mpu6050(100)
		}
		if os.Getenv("CHIP") == "ISM" {
			o.Part = sim.TypicalISM330DHCX
		}
		if os.Getenv("CALM") != "" {
			o.Calm = true
		}
		if k := os.Getenv("KNOCKS"); k != "" {
			o.Knocks, _ = strconv.Atoi(k)
		}
		if k := os.Getenv("SINKS"); k != "" {
			o.Sinks, _ = strconv.Atoi(k)
		}
		n := scenario.NewWatchNight(seed, o)
		s := n.Score()
		runNight(n, wo, func(w *watch.Watch, f watch.Finding) {
			s.Take(report(f))
			if os.Getenv("V") != "" {
				t.Logf("%d %s id %d upd %d final %v start %.1f seen %.1f  %s", seed, f.Kind, f.ID, f.Update, f.Final, f.Start.Seconds(), f.SeenAt.Seconds(), f.Text)
			}
		})
		s.Close()
		if s.Late > 0 || s.FalseAlarms > 0 || s.Seen+s.Late < s.Knocks || s.Found < s.Sinks {
			t.Logf("seed %d: knocks %d seen %d late %d false %d sinks %d found %d delays %.2f", seed, s.Knocks, s.Seen, s.Late, s.FalseAlarms, s.Sinks, s.Found, s.Delays)
		}
		if os.Getenv("V") != "" {
			for _, e := range n.Events() {
				up, east := n.Moved(e.At-time.Second, e.Ends+time.Second)
				t.Logf("   truth sink %v at %.1f to %.1f up %.4f east %.4f", e.Sink, e.At.Seconds(), e.Ends.Seconds(), up, east)
			}
		}
		all.Add(s)
	}
	t.Logf("%v: knocks %d seen %d late %d; sinks %d found %d; false %d; knock cov %.3f rms %.2f (%d); sink cov %.3f rms %.2f (%d)", time.Since(begin),
		all.Knocks, all.Seen, all.Late, all.Sinks, all.Found, all.FalseAlarms,
		float64(all.KnockCovered)/float64(all.KnockSized), math.Sqrt(all.KnockSigmas2/float64(all.KnockSized)), all.KnockSized,
		float64(all.SinkCovered)/float64(all.SinkSized), math.Sqrt(all.SinkSigmas2/float64(all.SinkSized)), all.SinkSized)
	for _, m := range all.Faults {
		t.Logf("seed %d: %s", m.Seed, m.What)
	}
}
