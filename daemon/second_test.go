package daemon_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/lis2mdl"
	"plumbstar/sensors/sim"
)

const mag2Addr = 0x1e

// twoCompasses is a rig with a LIS2MDL beside its MMC5983MA. near is steel that only
// the LIS2MDL feels, µT, body axes.
func twoCompasses(t *testing.T, seed uint64) (r *rig, near *r3.Vec) {
	t.Helper()
	r = newRig(t, "larkmoor", seed, nil)
	near = &r3.Vec{}
	feels := r.world(func(v r3.Vec) r3.Vec { return v })
	chip := sim.NewLIS2MDL(sim.WorldFunc(func(at time.Duration) sim.Environment {
		e := feels(at)
		r.mu.Lock()
		defer r.mu.Unlock()
		e.FieldUT = r3.Add(e.FieldUT, *near)
		return e
	}), sim.TypicalLIS2MDL(seed+2))
	if err := r.bus.Attach(mag2Addr, chip); err != nil {
		t.Fatal(err)
	}
	r.restart(second(r))
	return r, near
}

// second puts the LIS2MDL into the options.
func second(r *rig) func(*daemon.Options) {
	return func(o *daemon.Options) {
		o.Magnetic2 = &daemon.Magnetic{Device: "LIS2MDL", Mount: daemon.Straight(), Correct: daemon.Correction{TempC: math.NaN()},
			Open: func() (sensors.Magnetometer, error) {
				return orNil[sensors.Magnetometer](lis2mdl.New(r.bus, mag2Addr, r.clock, nil))
			}}
	}
}

func (r *rig) warned(code string) string {
	for _, w := range append(append([]estimator.Warning{}, r.seen.Warnings...), r.seen.Estimate.Warnings...) {
		if w.Code == code {
			return w.Text
		}
	}
	return ""
}

func (r *rig) health(name string) daemon.SensorStatus {
	r.t.Helper()
	for _, s := range r.seen.Sensors {
		if s.Name == name {
			return s
		}
	}
	r.t.Fatalf("no sensor %s in %+v", name, r.seen.Sensors)
	return daemon.SensorStatus{}
}

// Two magnetometers are calibrated in one session, each for itself, joined, and
// known again after a restart.
func TestTwoCompassesCalibrated(t *testing.T) {
	r, _ := twoCompasses(t, 3)
	res := r.bench()
	if !res.Accepted || len(res.Parts) != 3 || res.Parts[2].Part != daemon.PartCompass2 {
		t.Fatalf("%+v", res)
	}
	r.point(51, 2)
	_, az, _, zs := r.off()
	if math.Abs(zs) > 4 {
		t.Errorf("off by %.2f° (%.1f sigma)", az, zs)
	}
	both := r.seen.Estimate.Azimuth.SigmaDeg
	if w := r.warned("sensors-disagree"); w != "" {
		t.Errorf("healthy sensors: %s", w)
	}
	inUse, _ := r.d.Calibrations()
	if len(inUse) != 3 || inUse[2].Board != "LIS2MDL at 0x1e with LSM6DSO at 0x6a" {
		t.Errorf("in use %+v", inUse)
	}
	if s := r.health("magnetic2"); s.State != "ok" || math.Abs(s.RateHz-100) > 10 {
		t.Errorf("health %+v", s)
	}
	r.restart(second(r))
	r.run(12 * time.Second)
	if _, az, _, zs = r.off(); math.Abs(zs) > 4 || len(mustUse(r)) != 3 {
		t.Errorf("after a restart off by %.2f° (%.1f sigma), %d calibrations", az, zs, len(mustUse(r)))
	}
	// The same board with the first alone is less sure, but not by more than two
	// equal compasses would make.
	r.restart(nil)
	r.run(12 * time.Second)
	if one := r.seen.Estimate.Azimuth.SigmaDeg; both > one || both < one/2 {
		t.Errorf("two compasses ±%.2f°, one ±%.2f°", both, one)
	}
}

func mustUse(r *rig) []daemon.CalibrationRecord {
	used, _ := r.d.Calibrations()
	return used
}

// One is lost, then the other: the direction goes on from where it was, as sure as
// it is right, and so it does when they come back.
func TestOneOfTwoCompassesLost(t *testing.T) {
	r, _ := twoCompasses(t, 5)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.point(51, 2)
	before := r.seen.Estimate.Azimuth
	check := func(what string, most float64) {
		t.Helper()
		_, az, _, zs := r.off()
		if moved := math.Abs(r.seen.Estimate.Azimuth.Deg - before.Deg); math.Abs(zs) > 4 || moved > most {
			t.Errorf("%s: off by %.2f° (%.1f sigma), moved by %.2f°", what, az, zs, moved)
		}
	}
	for name, addr := range map[string]uint16{"magnetic": magAddr, "magnetic2": mag2Addr} {
		r.bus.Unplug(addr)
		r.run(20 * time.Second)
		if s := r.health(name); s.State != "lost" {
			t.Errorf("%s unplugged: %+v", name, s)
		}
		check(name+" lost", 0.15)
		r.bus.Replug(addr)
		r.run(20 * time.Second)
		if s := r.health(name); s.State != "ok" || s.Recoveries == 0 {
			t.Errorf("%s plugged in again: %+v", name, s)
		}
		check(name+" back", 0.15)
	}
	// A movement while the first is away.
	r.bus.Unplug(magAddr)
	r.run(2 * time.Second)
	r.point(48, 20)
	before = r.seen.Estimate.Azimuth
	check("moved without the first", 0)
	r.bus.Replug(magAddr)
	r.run(15 * time.Second)
	check("and with it again", 1)
}

// From the start the first does not answer: the second is used alone, and both once
// the first is there.
func TestSecondCompassAloneFromTheStart(t *testing.T) {
	r, _ := twoCompasses(t, 7)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.bus.Unplug(magAddr)
	r.restart(second(r))
	r.point(51, 2)
	if _, az, _, zs := r.off(); math.Abs(zs) > 4 {
		t.Errorf("second alone: off by %.2f° (%.1f sigma)", az, zs)
	}
	r.bus.Replug(magAddr)
	r.run(15 * time.Second)
	if _, az, _, zs := r.off(); math.Abs(zs) > 4 || r.health("magnetic").State != "ok" {
		t.Errorf("both: off by %.2f° (%.1f sigma)", az, zs)
	}
}

// Steel comes near one of them: they contradict each other, both are named, and the
// direction is as unsure as it may be wrong; when the steel is gone, so is that.
func TestTwoCompassesDisagree(t *testing.T) {
	r, near := twoCompasses(t, 3)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.point(51, 2)
	before := r.seen.Estimate.Azimuth.SigmaDeg
	put := func(v r3.Vec) {
		r.mu.Lock()
		*near = v
		r.mu.Unlock()
		r.run(30 * time.Second)
	}
	put(r3.Vec{Y: 10})
	w := r.warned("sensors-disagree")
	if !strings.Contains(w, "MMC5983MA at 0x30") || !strings.Contains(w, "LIS2MDL at 0x1e") {
		t.Errorf("warning %q", w)
	}
	if a := r.seen.Estimate.Azimuth; a.Known {
		if _, az, _, zs := r.off(); math.Abs(zs) > 3 || a.SigmaDeg < 2*before {
			t.Errorf("off by %.2f° (%.1f sigma), ±%.2f°, before ±%.2f°", az, zs, a.SigmaDeg, before)
		}
	}
	put(r3.Vec{})
	if w := r.warned("sensors-disagree"); w != "" {
		t.Errorf("the steel is gone: %q", w)
	}
	if _, az, _, zs := r.off(); math.Abs(zs) > 4 || r.seen.Estimate.Azimuth.SigmaDeg > 1.5*before {
		t.Errorf("afterwards off by %.2f° (%.1f sigma), ±%.2f°, before ±%.2f°", az, zs, r.seen.Estimate.Azimuth.SigmaDeg, before)
	}
}
