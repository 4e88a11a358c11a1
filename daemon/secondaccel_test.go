package daemon_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon"
	"plumbstar/sensors"
	"plumbstar/sensors/adxl355"
	"plumbstar/sensors/sim"
)

const imu2Addr = 0x1d

// twoAccelerometers is a rig with an ADXL355, which has no gyroscope, beside its
// LSM6DSO: turned by a quarter about z and half a degree askew. loose turns it
// further, radians about the body's y.
func twoAccelerometers(t *testing.T, seed uint64) (r *rig, loose *float64) {
	t.Helper()
	r = newRig(t, "larkmoor", seed, nil)
	loose = new(float64)
	askew := quat.Number(r3.NewRotation(0.5*math.Pi/180, r3.Vec{X: 0.6, Y: -0.8}))
	feels := r.world(func(v r3.Vec) r3.Vec { return v })
	chip := sim.NewADXL355(sim.WorldFunc(func(at time.Duration) sim.Environment {
		e := feels(at)
		r.mu.Lock()
		q := quat.Mul(askew, quat.Number(r3.NewRotation(*loose, r3.Vec{Y: 1})))
		r.mu.Unlock()
		f := turn(q, e.Force)
		e.Force = r3.Vec{X: f.Y, Y: -f.X, Z: f.Z} // body x is the chip's -y, body y its x
		return e
	}), sim.TypicalADXL355(seed+3))
	if err := r.bus.Attach(imu2Addr, chip); err != nil {
		t.Fatal(err)
	}
	r.restart(secondAccel(r))
	return r, loose
}

func secondAccel(r *rig) func(*daemon.Options) {
	return func(o *daemon.Options) {
		o.Inertial2 = &daemon.Inertial{Device: "ADXL355", Mount: daemon.Mount{{Y: -1}, {X: 1}, {Z: 1}}, Correct: daemon.Correction{TempC: math.NaN()},
			Open: func() (sensors.Inertial, error) {
				return orNil[sensors.Inertial](adxl355.New(r.bus, imu2Addr, r.clock, nil))
			}}
	}
}

// Two accelerometers are calibrated in one session, the second also to the axes of
// the first, joined, and known again after a restart.
func TestTwoAccelerometersCalibrated(t *testing.T) {
	r, _ := twoAccelerometers(t, 3)
	res := r.bench()
	if !res.Accepted || len(res.Parts) != 3 || res.Parts[1].Part != daemon.PartAccelerometer2 {
		t.Fatalf("%+v", res)
	}
	t.Logf("%+v", res.Parts[1])
	for _, at := range [][2]float64{{51, 2}, {48, 340}} {
		r.point(at[0], at[1])
		if alt, az, as, zs := r.off(); math.Abs(as) > 4 || math.Abs(zs) > 4 || math.Abs(alt) > 0.8 {
			t.Errorf("at %v off by %.3f° (%.1f sigma), %.2f° (%.1f sigma)", at, alt, as, az, zs)
		}
	}
	both := r.seen.Estimate.Altitude
	if w := r.warned("sensors-disagree"); w != "" {
		t.Errorf("healthy sensors: %s", w)
	}
	if s := r.health("inertial2"); s.State != "ok" {
		t.Errorf("health %+v", s)
	}
	if used := mustUse(r); len(used) != 3 || used[1].Board != "ADXL355 at 0x1d with LSM6DSO at 0x6a" {
		t.Errorf("in use %+v", used)
	}
	r.restart(secondAccel(r))
	r.run(12 * time.Second)
	if alt, _, as, _ := r.off(); math.Abs(as) > 4 || len(mustUse(r)) != 3 || math.Abs(r.seen.Estimate.Altitude.Deg-both.Deg) > 0.05 {
		t.Errorf("after a restart off by %.3f° (%.1f sigma), %d calibrations, %.3f° and %.3f°", alt, as, len(mustUse(r)), r.seen.Estimate.Altitude.Deg, both.Deg)
	}
	r.restart(nil)
	r.run(12 * time.Second)
	if one := r.seen.Estimate.Altitude.SigmaDeg; both.SigmaDeg > one {
		t.Errorf("two accelerometers ±%.3f°, one ±%.3f°", both.SigmaDeg, one)
	}
}

// The first is lost with its gyroscope: the direction comes back from the second
// within seconds, and from both when the first is there again. The second is lost:
// nothing moves.
func TestOneOfTwoAccelerometersLost(t *testing.T) {
	r, _ := twoAccelerometers(t, 5)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.point(51, 2)
	before := r.seen.Estimate.Altitude.Deg
	check := func(what string, most float64) {
		t.Helper()
		alt, az, as, zs := r.off()
		if moved := math.Abs(r.seen.Estimate.Altitude.Deg - before); math.Abs(as) > 4 || math.Abs(zs) > 4 || moved > most {
			t.Errorf("%s: off by %.3f° (%.1f sigma), %.2f° (%.1f sigma), moved by %.3f°", what, alt, as, az, zs, moved)
		}
	}
	r.bus.Unplug(imu2Addr)
	r.run(15 * time.Second)
	if s := r.health("inertial2"); s.State != "lost" {
		t.Errorf("%+v", s)
	}
	check("second lost", 0.02)
	r.bus.Replug(imu2Addr)
	r.run(15 * time.Second)
	check("second back", 0.02)
	r.bus.Unplug(imuAddr)
	r.run(4 * time.Second)
	if !r.seen.Estimate.Altitude.Known {
		t.Errorf("four seconds after the first was lost: %+v", r.seen.Estimate.Altitude)
	}
	r.run(20 * time.Second)
	if s := r.health("inertial"); s.State != "lost" {
		t.Errorf("%+v", s)
	}
	check("first lost", 0.5)
	r.bus.Replug(imuAddr)
	r.run(20 * time.Second)
	if s := r.health("inertial"); s.State != "ok" {
		t.Errorf("%+v", s)
	}
	check("first back", 0.1)
}

// One of the boards comes loose: both are named, and the height is as unsure as it
// may be wrong.
func TestTwoAccelerometersDisagree(t *testing.T) {
	r, loose := twoAccelerometers(t, 7)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.point(51, 2)
	before := r.seen.Estimate.Altitude.SigmaDeg
	r.mu.Lock()
	*loose = 3 * math.Pi / 180
	r.mu.Unlock()
	r.run(20 * time.Second)
	w := r.warned("sensors-disagree")
	if !strings.Contains(w, "LSM6DSO at 0x6a") || !strings.Contains(w, "ADXL355 at 0x1d") || !strings.Contains(w, "°") {
		t.Errorf("warning %q", w)
	}
	if alt, _, as, _ := r.off(); math.Abs(as) > 3 || r.seen.Estimate.Altitude.SigmaDeg < 2*before {
		t.Errorf("off by %.3f° (%.1f sigma), ±%.3f°, before ±%.3f°", alt, as, r.seen.Estimate.Altitude.SigmaDeg, before)
	}
}
