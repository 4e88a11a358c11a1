package daemon_test

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/adxl355"
	"plumbstar/sensors/lis3mdl"
	"plumbstar/sensors/lsm303accel"
	"plumbstar/sensors/sim"
)

// plainAccel is a board whose inertial sensor has no gyroscope.
func plainAccel(addr uint16, chip func(sim.World, sim.Settings) sim.Chip, part sim.Settings, open func(r *rig) (sensors.Inertial, error)) func(*rig, sim.World) *daemon.Inertial {
	return func(r *rig, w sim.World) *daemon.Inertial {
		r.t.Helper()
		if err := r.bus.Attach(addr, chip(w, part)); err != nil {
			r.t.Fatal(err)
		}
		return &daemon.Inertial{Device: "accelerometer", Mount: daemon.Straight(), Correct: daemon.Correction{TempC: math.NaN()},
			Open: func() (sensors.Inertial, error) { return open(r) }}
	}
}

// TestWithoutGyroscope points a board with an accelerometer alone, uncalibrated,
// to places, and holds every snapshot against the truth: it becomes steady at
// rest, what it calls steady or settling lies within four of its sigmas, and while
// it is turned it does not call itself steady.
func TestWithoutGyroscope(t *testing.T) {
	var steady, turning, calledSteady, wrong int
	for seed := range uint64(6) {
		other := plainAccel(adxl355.Addr, sim.NewADXL355, sim.TypicalADXL355(seed), func(r *rig) (sensors.Inertial, error) {
			return orNil[sensors.Inertial](adxl355.New(r.bus, adxl355.Addr, r.clock, nil))
		})
		if seed%2 == 1 {
			other = plainAccel(lsm303accel.Addr, sim.NewLSM303DLHCAccel, sim.TypicalLSM303Accel(seed), func(r *rig) (sensors.Inertial, error) {
				return orNil[sensors.Inertial](lsm303accel.New(r.bus, lsm303accel.Addr, r.clock, nil))
			})
		}
		var r *rig
		r = newRigOn(t, []string{"larkmoor", "dry-lagoon"}[seed%2], seed, other, func(o *daemon.Options) {
			o.OnSnapshot = func(s *daemon.Snapshot) {
				if r == nil {
					return
				}
				r.seen = s
				q, rate := r.path.At(s.Mono)
				if rate.X*rate.X+rate.Y*rate.Y+rate.Z*rate.Z > 0.05*0.05 {
					turning++
					if s.Estimate.State == estimator.Steady {
						calledSteady++
					}
					return
				}
				e := s.Estimate
				alt, az := scenario.Direction(q)
				if e.State != estimator.Steady && e.State != estimator.Settling || !e.Altitude.Known || !e.Azimuth.Known {
					return
				}
				if math.Abs(e.Altitude.Deg-alt) > 4*e.Altitude.SigmaDeg || math.Abs(astro.Turn180(e.Azimuth.Deg-az)) > 4*e.Azimuth.SigmaDeg {
					wrong++
				}
			}
		})
		for _, to := range [][2]float64{{40, 350}, {52, 5}, {32, 175}, {50, 200}} {
			r.point(to[0], to[1])
			if r.seen.Estimate.State == estimator.Steady {
				steady++
			} else {
				t.Errorf("seed %d at %v: %s (%s)", seed, to, r.seen.Estimate.State, r.seen.Estimate.Azimuth.Why)
			}
		}
		if _, err := r.d.BeginCalibration(daemon.CalibrateSwing); err == nil {
			t.Errorf("seed %d: a swing was begun without a gyroscope", seed)
		}
		r.stop()
	}
	t.Logf("%d of 24 steady; called steady in %d of %d snapshots while turning; %d snapshots beyond 4 sigma", steady, calledSteady, turning, wrong)
	if wrong != 0 || calledSteady > turning/50 {
		t.Errorf("called steady in %d of %d snapshots while turning, %d snapshots beyond 4 sigma", calledSteady, turning, wrong)
	}
}

// TestTurnAboutTheVerticalWithoutGyroscope: gravity does not show such a turn, and
// a field that changes looks like steel that came near. The direction must follow
// the compass all the same; holding on to that of before would be wrong by the
// whole turn.
func TestTurnAboutTheVerticalWithoutGyroscope(t *testing.T) {
	var r *rig
	worst, rests := 0.0, 0
	other := func(x *rig, w sim.World) *daemon.Inertial {
		r = x
		in := plainAccel(adxl355.Addr, sim.NewADXL355, sim.Settings{Seed: 3, Accel: sim.Triad{Noise: r3.Vec{X: 2.2e-4, Y: 2.2e-4, Z: 2.2e-4}}},
			func(r *rig) (sensors.Inertial, error) {
				return orNil[sensors.Inertial](adxl355.New(r.bus, adxl355.Addr, r.clock, nil))
			})(x, w)
		if err := x.bus.Attach(lis3mdl.Addr, sim.NewLIS3MDL(w, sim.Settings{Seed: 4, Mag: sim.Triad{Noise: r3.Vec{X: 0.3, Y: 0.3, Z: 0.3}}})); err != nil {
			x.t.Fatal(err)
		}
		in.Correct = daemon.Correction{Error: func(r3.Vec) estimator.Cov3 { return estimator.Isotropic(0.01) }, TempC: 15}
		return in
	}
	r = newRigOn(t, "larkmoor", 2, other, func(o *daemon.Options) {
		o.Magnetic = &daemon.Magnetic{Device: "LIS3MDL", Mount: daemon.Straight(),
			Correct: daemon.Correction{Error: func(r3.Vec) estimator.Cov3 { return estimator.Isotropic(0.2) }, TempC: 15},
			Open: func() (sensors.Magnetometer, error) {
				return orNil[sensors.Magnetometer](lis3mdl.New(r.bus, lis3mdl.Addr, r.clock, nil))
			}}
		o.OnSnapshot = func(s *daemon.Snapshot) {
			r.seen = s
			e := s.Estimate
			if !e.Azimuth.Known || e.State == estimator.Moving {
				return
			}
			if e.Azimuth.Source != "compass" {
				t.Errorf("at %v the direction comes from the %s", s.Mono, e.Azimuth.Source)
			}
			q, _ := r.path.At(s.Mono)
			_, az := scenario.Direction(q)
			worst = max(worst, math.Abs(astro.Turn180(e.Azimuth.Deg-az))/e.Azimuth.SigmaDeg)
		}
	})
	r.point(50, 0)
	for _, deg := range []float64{3, -8, 20, 1, -90} {
		r.turnAbout(r3.Vec{Z: 1}, deg, 4*time.Second)
		if _, az, _, _ := r.off(); r.seen.Estimate.State != estimator.Steady || math.Abs(az) > 1 {
			t.Errorf("4 s after a turn by %g°: %s, off by %.2f°", deg, r.seen.Estimate.State, az)
		} else {
			rests++
		}
	}
	t.Logf("worst %.1f sigma; %d of 5 turns followed", worst, rests)
	if worst > 3 {
		t.Errorf("off by %.1f sigma on the way", worst)
	}
}
