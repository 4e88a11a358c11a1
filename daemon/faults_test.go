package daemon_test

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/lsm6dso"
	"plumbstar/sensors/mmc5983ma"
	"plumbstar/sensors/sim"
)

const (
	imuAddr = 0x6a
	magAddr = 0x30
)

// bench is a daemon over the real drivers and perfect simulated chips that
// stand still at a known attitude.
type bench struct {
	t     *testing.T
	bus   *sim.Bus
	clock *scenario.Clock
	d     *daemon.Daemon
	alt   float64
	az    float64
	steel r3.Vec
	seen  []*daemon.Snapshot
	heard []time.Duration // when each came out
	// at holds what happens at given times.
	at map[time.Duration]func()
}

func newBench(t *testing.T, change ...func(*daemon.Options)) *bench {
	t.Helper()
	place, err := scenario.PlaceNamed("larkmoor")
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, clock: scenario.NewClock(), alt: 51.5, az: 358.8, at: make(map[time.Duration]func())}
	f, err := geomag.WMM2025().At(place.Site.LatDeg, place.Site.LonDeg, 0, astro.DecimalYear(place.Begin))
	if err != nil {
		t.Fatal(err)
	}
	enu := r3.Vec{X: f.EastNT / 1000, Y: f.NorthNT / 1000, Z: -f.DownNT / 1000}
	q := quat.Conj(scenario.Attitude(b.alt, b.az, 0))
	body := func(v r3.Vec) r3.Vec {
		p := quat.Mul(quat.Mul(q, quat.Number{Imag: v.X, Jmag: v.Y, Kmag: v.Z}), quat.Conj(q))
		return r3.Vec{X: p.Imag, Y: p.Jmag, Z: p.Kmag}
	}
	world := sim.WorldFunc(func(time.Duration) sim.Environment {
		return sim.Environment{Force: body(r3.Vec{Z: sensors.StandardGravity}), FieldUT: body(r3.Add(enu, b.steel)), TempC: 10}
	})
	noise := sim.Settings{
		Seed:  1,
		Accel: sim.Triad{Noise: r3.Vec{X: 7e-4, Y: 7e-4, Z: 7e-4}},
		Gyro:  sim.Triad{Noise: r3.Vec{X: 7e-5, Y: 7e-5, Z: 7e-5}},
	}
	b.bus = sim.NewBus("simulated I2C", b.clock, sim.Adapter{})
	if err := b.bus.Attach(imuAddr, sim.NewLSM6DSO(world, noise)); err != nil {
		t.Fatal(err)
	}
	if err := b.bus.Attach(magAddr, sim.NewMMC5983MA(world, sim.Settings{Seed: 2, Mag: sim.Triad{Noise: r3.Vec{X: 0.04, Y: 0.04, Z: 0.04}}})); err != nil {
		t.Fatal(err)
	}
	exact := daemon.Correction{Error: func(r3.Vec) estimator.Cov3 { return estimator.Isotropic(0.01) }, TempC: 10}
	mag := daemon.Correction{Error: func(r3.Vec) estimator.Cov3 { return estimator.Isotropic(0.2) }, TempC: 10}
	o := daemon.Options{
		Clock: b.clock, UTC: func(now time.Duration) time.Time { return place.Begin.Add(now) },
		Inertial: &daemon.Inertial{Device: "LSM6DSO", Mount: daemon.Straight(), Correct: exact,
			Open: func() (sensors.Inertial, error) {
				o := lsm6dso.DefaultOpts()
				return orNil[sensors.Inertial](lsm6dso.New(b.bus, imuAddr, b.clock, &o))
			}},
		Magnetic: &daemon.Magnetic{Device: "MMC5983MA", Mount: daemon.Straight(), Correct: mag,
			Open: func() (sensors.Magnetometer, error) {
				o := mmc5983ma.DefaultOpts()
				return orNil[sensors.Magnetometer](mmc5983ma.New(b.bus, magAddr, b.clock, &o))
			}},
		MountSigmaDeg: 0.1, LocalFieldUT: 0.7,
		Site: &place.Site, SiteName: place.Name, SiteSource: "settings",
		AimKind: "refracted", Air: astro.StandardAir(0), Model: geomag.WMM2025(),
		Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
		OnSnapshot: func(s *daemon.Snapshot) { b.seen, b.heard = append(b.seen, s), append(b.heard, b.clock.Now()) },
	}
	for _, f := range change {
		f(&o)
	}
	if b.d, err = daemon.New(o); err != nil {
		t.Fatal(err)
	}
	return b
}

// orNil keeps a failed driver from becoming an interface that is not nil.
func orNil[I any, D any](d D, err error) (I, error) {
	if err != nil {
		var none I
		return none, err
	}
	return any(d).(I), nil
}

// run lets the daemon work until the simulated time end.
func (b *bench) run(end time.Duration) {
	b.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	b.clock.AfterStep(func(now time.Duration) {
		for at, f := range b.at {
			if now >= at {
				delete(b.at, at)
				f()
			}
		}
		if now >= end {
			cancel()
		}
	})
	if err := b.d.Run(ctx); err != nil {
		b.t.Fatal(err)
	}
}

// near is the first snapshot at or after t.
func (b *bench) near(t time.Duration) *daemon.Snapshot {
	b.t.Helper()
	for _, s := range b.seen {
		if s.Mono >= t {
			return s
		}
	}
	b.t.Fatalf("no snapshot at or after %v", t)
	return nil
}

func (b *bench) good(s *daemon.Snapshot) {
	b.t.Helper()
	e := s.Estimate
	if !e.Altitude.Known || math.Abs(e.Altitude.Deg-b.alt) > 4*e.Altitude.SigmaDeg {
		b.t.Errorf("%v: altitude %+v, truth %v", s.Mono, e.Altitude, b.alt)
	}
	if !e.Azimuth.Known || math.Abs(astro.Turn180(e.Azimuth.Deg-b.az)) > 4*e.Azimuth.SigmaDeg {
		b.t.Errorf("%v: azimuth %+v, truth %v", s.Mono, e.Azimuth, b.az)
	}
}

// back is how long after t the condition holds again.
func (b *bench) back(t time.Duration, ok func(*daemon.Snapshot) bool) time.Duration {
	for _, s := range b.seen {
		if s.Mono >= t && ok(s) {
			return s.Mono - t
		}
	}
	b.t.Fatalf("not back until the end")
	return 0
}

const s = time.Second

func TestGuidanceComesOutOfTheRegisters(t *testing.T) {
	b := newBench(t)
	b.run(10 * s)
	last := b.near(9 * s)
	b.good(last)
	if last.Estimate.State != estimator.Steady {
		t.Errorf("state %s after 9 s at rest", last.Estimate.State)
	}
	// Altitude 51.5 against the refracted pole at 51.91; azimuth 358.8.
	if got := last.Guidance.Text; !strings.HasPrefix(got, "Raise 0.4°, turn east 1.") && !strings.HasPrefix(got, "Raise 0.4°, turn east 0.") {
		t.Errorf("text %q", got)
	}
	for _, x := range last.Sensors {
		if x.State != "ok" || x.Errors != 0 {
			t.Errorf("sensor %+v", x)
		}
	}
}

func TestMagnetometerPulledAndPutBack(t *testing.T) {
	b := newBench(t)
	b.at[8*s] = func() { b.bus.Unplug(magAddr) }
	b.at[16*s] = func() { b.bus.Replug(magAddr) }
	b.run(24 * s)
	gone := b.near(12 * s)
	e := gone.Estimate
	if e.Azimuth.Known || !strings.Contains(e.Azimuth.Why, "magnetometer") {
		t.Errorf("azimuth without magnetometer: %+v", e.Azimuth)
	}
	if !e.Altitude.Known || math.Abs(e.Altitude.Deg-b.alt) > 4*e.Altitude.SigmaDeg || !gone.Guidance.Raise.Known {
		t.Errorf("altitude without magnetometer: %+v", e.Altitude)
	}
	if x := gone.Sensors[1]; x.State != "lost" || x.Fault != sensors.FaultBus || x.Advice == "" || x.LastError == "" {
		t.Errorf("health of the lost magnetometer: %+v", x)
	}
	if d := b.back(16*s, func(x *daemon.Snapshot) bool { return x.Guidance.TurnEast.Known }); d > 3*s {
		t.Errorf("heading back after %v, want 3 s at most", d)
	}
	b.good(b.near(22 * s))
	if x := b.near(22 * s).Sensors[1]; x.Recoveries != 1 || x.State != "ok" {
		t.Errorf("health after replugging: %+v", x)
	}
}

func TestAccelerometerPulledAndPutBack(t *testing.T) {
	b := newBench(t)
	b.at[8*s] = func() { b.bus.Unplug(imuAddr) }
	b.at[16*s] = func() { b.bus.Replug(imuAddr) }
	b.run(26 * s)
	gone := b.near(13 * s)
	if e := gone.Estimate; e.State != estimator.Lost || e.Altitude.Known || e.Azimuth.Known || e.Altitude.Why == "" {
		t.Errorf("without accelerometer: %+v", e)
	}
	if stale := b.near(9500 * time.Millisecond).Estimate; stale.State != estimator.Stale {
		t.Errorf("1.5 s after the last reading the state is %s", stale.State)
	}
	if d := b.back(16*s, func(x *daemon.Snapshot) bool {
		return x.Guidance.Raise.Known && x.Guidance.TurnEast.Known && x.Estimate.State != estimator.Stale
	}); d > 3*s {
		t.Errorf("guidance back after %v, want 3 s at most", d)
	}
	b.good(b.near(24 * s))
}

func TestBusStuckLow(t *testing.T) {
	b := newBench(t)
	b.at[8*s] = func() { b.bus.Inject(sim.Fault{Kind: sim.Stuck}) }
	b.at[20*s] = func() { b.bus.Clear() }
	b.run(32 * s)
	gone := b.near(16 * s)
	if gone.Estimate.State != estimator.Lost || gone.Guidance.Raise.Known || gone.Guidance.TurnEast.Known {
		t.Errorf("with a stuck bus: %s, %+v", gone.Estimate.State, gone.Guidance)
	}
	for _, x := range gone.Sensors {
		if x.State != "lost" || x.Fault != sensors.FaultBus {
			t.Errorf("health with a stuck bus: %+v", x)
		}
	}
	if d := b.back(20*s, func(x *daemon.Snapshot) bool {
		return x.Guidance.Raise.Known && x.Guidance.TurnEast.Known && x.Estimate.State != estimator.Stale
	}); d > 3*s {
		t.Errorf("guidance back after %v", d)
	}
	b.good(b.near(30 * s))
}

// Each transfer costs the adapter's second: the first one that fails is enough to
// know, and no other is spent on a chip that cannot be halted.
func TestHangingBusIsNamedAtOnce(t *testing.T) {
	b := newBench(t)
	b.at[8*s] = func() { b.bus.Inject(sim.Fault{Kind: sim.Stuck}) }
	b.run(14 * s)
	for i, x := range b.seen {
		if x.Sensors[0].State == "lost" && x.Sensors[1].State == "lost" {
			if d := b.heard[i] - 8*s; d > 2500*time.Millisecond {
				t.Errorf("both lost after %v, want 2.5 s at most", d)
			}
			return
		}
	}
	t.Error("they were never lost")
}

// While both sensors are lost the loop rests, attempts are few, and what is counted
// are faults and not attempts.
func TestLostSensorsCostLittle(t *testing.T) {
	b := newBench(t)
	var ticks, transfers uint64
	b.at[8*s] = func() { b.bus.Unplug(imuAddr); b.bus.Unplug(magAddr) }
	b.at[10*s] = func() { ticks, transfers = b.d.Latest().Loop.Ticks, b.bus.Count().Transfers }
	b.at[40*s] = func() {
		x := b.d.Latest()
		if n := x.Loop.Ticks - ticks; n > 30*20+10 {
			t.Errorf("%d rounds in 30 s without a sensor, want 20 per second at most", n)
		}
		if n := b.bus.Count().Transfers - transfers; n < 2*50 || n > 2*70 {
			t.Errorf("%d transfers in 30 s without an answer, want one per sensor each half second", n)
		}
		for _, x := range x.Sensors {
			if n := x.Faults["no-answer"]; n < 1 || n > 6 {
				t.Errorf("%s: counts %v for one fault", x.Name, x.Faults)
			}
		}
		b.bus.Replug(imuAddr)
		b.bus.Replug(magAddr)
	}
	b.run(50 * s)
	if d := b.back(40*s, func(x *daemon.Snapshot) bool {
		return x.Guidance.Raise.Known && x.Guidance.TurnEast.Known && x.Estimate.State == estimator.Settling
	}); d > 1500*time.Millisecond {
		t.Errorf("guidance back after %v", d)
	}
	b.good(b.near(48 * s))
}

// A sensor that is opened elsewhere holds up nobody and is no fault.
func TestOpeningElsewhere(t *testing.T) {
	b := newBench(t, func(o *daemon.Options) {
		open, asked := o.Magnetic.Open, 0
		o.Magnetic.Open = func() (sensors.Magnetometer, error) {
			if asked++; asked < 200 {
				return nil, daemon.ErrOpening
			}
			return open()
		}
	})
	b.run(10 * s)
	early := b.near(1500 * time.Millisecond)
	if x := early.Sensors[1]; x.State != "starting" || x.Errors != 0 {
		t.Errorf("while it is opened: %+v", x)
	}
	if x := early.Sensors[0]; x.State != "ok" || x.Samples < 100 {
		t.Errorf("the other one meanwhile: %+v", x)
	}
	b.good(b.near(8 * s))
}

// A chip that is slower than the loop is not asked in vain, and none of its samples
// is lost whatever its clock is worth.
func TestSlowChipIsAskedSeldom(t *testing.T) {
	still := sim.WorldFunc(func(time.Duration) sim.Environment {
		return sim.Environment{Force: r3.Vec{Z: sensors.StandardGravity}, TempC: 10}
	})
	for _, c := range []struct{ hz, off, asked float64 }{
		// asked: in one second at most, of 100 rounds.
		{104, 0, 105}, {52, 0, 75}, {52, 0.08, 85}, {52, -0.08, 80}, {26, 0, 45}, {26, 0.08, 50}, {26, -0.08, 50}, {12.5, 0, 25}, {12.5, -0.08, 30},
	} {
		const addr, length = 0x6b, 60.0
		var b *bench
		b = newBench(t, func(o *daemon.Options) {
			o.Inertial.Open = func() (sensors.Inertial, error) {
				opts := lsm6dso.DefaultOpts()
				opts.RateHz = c.hz
				return orNil[sensors.Inertial](lsm6dso.New(b.bus, addr, b.clock, &opts))
			}
		})
		noise := sim.Triad{Noise: r3.Vec{X: 1e-3, Y: 1e-3, Z: 1e-3}}
		if err := b.bus.Attach(addr, sim.NewLSM6DSO(still, sim.Settings{Seed: 3, RateError: c.off, Accel: noise, Gyro: noise})); err != nil {
			t.Fatal(err)
		}
		b.run(time.Duration(length * float64(s)))
		x := b.seen[len(b.seen)-1].Sensors[0]
		asked, want := float64(b.bus.CountAt(addr).Transfers)/length, c.hz*(1+c.off)*length
		if got := float64(x.Samples); c.hz < 90 && (math.Abs(got-want) > 0.01*want+5 || x.Overruns > 0) || asked > c.asked {
			t.Errorf("%g Hz, clock off by %g: %g samples of %.0f, %d overruns, asked %.1f times per second, want %g at most", c.hz, c.off, got, want, x.Overruns, asked, c.asked)
		}
		t.Logf("%g Hz, clock off by %g: asked %.1f times per second for %.1f samples", c.hz, c.off, asked, float64(x.Samples)/length)
	}
}

// A loop that stood still for seconds (a loaded board) cannot blame the chips for
// the silence meanwhile.
func TestPauseOfTheLoopIsNoFrozenChip(t *testing.T) {
	b := newBench(t)
	// The magnetometer measures its bridge once a minute, in steps without a sample.
	for at := 55 * s; at < 65*s; at += 200 * time.Millisecond {
		b.at[at] = func() { b.clock.Sleep(1500 * time.Millisecond) }
	}
	b.run(150 * s)
	for _, x := range b.near(149 * s).Sensors {
		if x.Errors != 0 {
			t.Errorf("%s: %s", x.Name, x.LastError)
		}
	}
}

// A chip that lost its supply for a moment answers with defaults: no data.
func TestBrownOutIsFoundAndMended(t *testing.T) {
	for _, addr := range []uint16{imuAddr, magAddr} {
		b := newBench(t)
		b.at[8*s] = func() { b.bus.BrownOut(addr) }
		b.run(20 * s)
		d := b.back(8500*time.Millisecond, func(x *daemon.Snapshot) bool {
			return x.Guidance.Raise.Known && x.Guidance.TurnEast.Known && x.Sensors[0].State == "ok" && x.Sensors[1].State == "ok" && x.Estimate.State != estimator.Stale
		})
		if d > 3*s {
			t.Errorf("0x%02x: back after %v", addr, d)
		}
		b.good(b.near(18 * s))
	}
}

func TestSteelBroughtNearIsNoticed(t *testing.T) {
	b := newBench(t)
	b.at[15*s] = func() { b.steel = r3.Vec{X: 4, Y: 3} } // 4 µT east: 12° of heading
	b.run(25 * s)
	x := b.near(20 * s)
	if x.Estimate.State != estimator.Disturbed {
		t.Errorf("state %s with steel nearby", x.Estimate.State)
	}
	b.good(x)
}
