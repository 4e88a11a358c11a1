package daemon_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon"
)

// bench calibrates the board by hand, as the page leads a person.
func (r *rig) bench() daemon.CalibrationResult {
	r.t.Helper()
	r.run(time.Second)
	r.begin(daemon.CalibrateBoard)
	r.poses(14)
	r.turnFreely(24)
	return r.finish()
}

// A board that knows nothing of itself is calibrated in the running daemon, then
// points where it says; at a restart it knows it again.
func TestBoardCalibration(t *testing.T) {
	r := newRig(t, "larkmoor", 3, nil)
	r.run(3 * time.Second)
	if r.seen.Estimate.Azimuth.Known {
		t.Errorf("azimuth without a calibration: %+v", r.seen.Estimate.Azimuth)
	}
	before := r.seen.Estimate.Altitude.SigmaDeg
	r.begin(daemon.CalibrateBoard)
	first := r.status()
	if first.Ready || first.NextUp == nil || !strings.Contains(first.Message, "Lay the board down") {
		t.Errorf("at first: %+v", first)
	}
	r.poses(14)
	poses := r.status()
	if poses.Directions < 12 || !strings.Contains(poses.Message, "turns: bring ") || !(poses.TiltSigmaDeg < 0.2) || poses.Gap == nil || !(poses.GapDeg > 20) {
		t.Errorf("after the poses: %+v", poses)
	}
	if _, err := r.d.BeginCalibration(daemon.CalibrateHead); err == nil || !strings.Contains(err.Error(), "board is running") {
		t.Errorf("a second session: %v", err)
	}
	r.turnFreely(24)
	turned := r.status()
	if !turned.Ready || turned.Coverage < poses.Coverage+0.1 || turned.GapDeg > poses.GapDeg {
		t.Errorf("after the turns: %+v", turned)
	}
	res := r.finish()
	if !res.Accepted || res.Running || res.NotKept != "" || len(res.Parts) != 2 {
		t.Fatalf("result %+v", res)
	}
	for _, p := range res.Parts {
		t.Logf("%s: ±%.3f° %v", p.Part, p.SigmaDeg, p.Figures)
	}
	if _, err := r.d.Calibrating(); err == nil {
		t.Error("the session still runs")
	}
	for _, at := range [][2]float64{{51, 2}, {48, 340}, {53, 15}} {
		r.point(at[0], at[1])
		alt, az, as, zs := r.off()
		if math.Abs(as) > 4 || math.Abs(zs) > 4 || math.Abs(alt) > 1.2 {
			t.Errorf("at %v: off by %.2f° (%.1f sigma), %.2f° (%.1f sigma)", at, alt, as, az, zs)
		}
	}
	if e := r.seen.Estimate; e.Altitude.SigmaDeg > before/2 || e.Azimuth.SigmaDeg > 4 {
		t.Errorf("altitude ± %.2f° (was %.2f°), azimuth ± %.2f°", e.Altitude.SigmaDeg, before, e.Azimuth.SigmaDeg)
	}
	r.restart(nil)
	r.run(8 * time.Second)
	if alt, az, as, zs := r.off(); math.Abs(as) > 4 || math.Abs(zs) > 4 {
		t.Errorf("after a restart: off by %.2f° (%.1f sigma), %.2f° (%.1f sigma)", alt, as, az, zs)
	}
	inUse, kept := r.d.Calibrations()
	if len(inUse) != 2 || len(kept) != 2 || inUse[0].Board != "LSM6DSO at 0x6a" || inUse[1].Board != "MMC5983MA at 0x30 with LSM6DSO at 0x6a" {
		t.Errorf("in use %+v, kept %d", inUse, len(kept))
	}
}

// restart ends the daemon and starts another one with the same store.
func (r *rig) restart(change func(*daemon.Options)) {
	r.t.Helper()
	o := r.options()
	if change != nil {
		change(&o)
	}
	r.stop()
	r.start(o)
}

// A kept calibration of other chips, or of chips that sat otherwise, is left alone.
func TestCalibrationsOfAnotherBoard(t *testing.T) {
	r := newRig(t, "larkmoor", 3, nil)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.restart(func(o *daemon.Options) { o.Magnetic.Mount = daemon.Mount{{X: 1}, {Y: 1}, {Z: 1}} })
	r.run(3 * time.Second)
	if inUse, _ := r.d.Calibrations(); len(inUse) != 1 || inUse[0].Part != daemon.PartAccelerometer {
		t.Errorf("with another mount of the magnetometer: %+v", inUse)
	}
	for i, b := range r.store.calibrations {
		r.store.calibrations[i] = []byte(strings.ReplaceAll(string(b), "0x6a", "0x6b"))
	}
	r.restart(nil)
	r.run(3 * time.Second)
	if inUse, kept := r.d.Calibrations(); len(inUse) != 0 || len(kept) != 2 {
		t.Errorf("with other chips: %+v", inUse)
	}
}

// Too few poses and no turning: told why, nothing changed, and more can be added.
func TestBoardCalibrationRefused(t *testing.T) {
	r := newRig(t, "larkmoor", 5, nil)
	r.run(time.Second)
	if _, err := r.d.FinishCalibration(); err == nil {
		t.Error("finished without a session")
	}
	if err := r.d.CancelCalibration(); err == nil {
		t.Error("cancelled without a session")
	}
	r.begin(daemon.CalibrateBoard)
	r.run(5 * time.Second)
	res := r.finish()
	if res.Accepted || !res.Running {
		t.Errorf("a board that lay still: %+v", res)
	}
	var compass daemon.CalibrationPart
	for _, p := range res.Parts {
		if p.Part == daemon.PartCompass {
			compass = p
		}
	}
	if compass.Accepted || !strings.Contains(compass.Reason, "compass calibration refused") {
		t.Errorf("compass: %+v", compass)
	}
	r.poses(14)
	r.turnFreely(24)
	if res := r.finish(); !res.Accepted || res.Running {
		t.Errorf("with more movement: %+v", res)
	}
	if _, err := r.d.BeginCalibration("dance"); err == nil || !strings.Contains(err.Error(), "choose board") {
		t.Errorf("unknown kind: %v", err)
	}
	r.begin(daemon.CalibrateBoard)
	if err := r.d.CancelCalibration(); err != nil {
		t.Error(err)
	}
}

// A calibration that knows less than the one in use is refused.
func TestWorseCalibrationRefused(t *testing.T) {
	r := newRig(t, "larkmoor", 4, nil)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	used, _ := r.d.Calibrations()
	r.begin(daemon.CalibrateBoard)
	r.poses(3)
	r.turnFreely(4)
	res := r.finish()
	for i, p := range res.Parts {
		if p.Accepted && (p.Part == daemon.PartAccelerometer || p.SigmaDeg > 1.5*used[i].SigmaDeg) {
			t.Errorf("%s ± %.2f° accepted from 3 poses and 4 turns, ± %.2f° before", p.Part, p.SigmaDeg, used[i].SigmaDeg)
		}
	}
	if now, _ := r.d.Calibrations(); now[0].ID != used[0].ID {
		t.Error("the accelerometer calibration in use was replaced")
	}
}

// The store is broken: the calibration is in use all the same, and that is told.
func TestCalibrationWithABrokenStore(t *testing.T) {
	r := newRig(t, "larkmoor", 3, nil)
	r.store.broken = errors.New("disk full")
	res := r.bench()
	if !res.Accepted || !strings.Contains(res.NotKept, "disk full") {
		t.Errorf("%+v", res)
	}
	r.point(50, 0)
	if _, _, as, zs := r.off(); math.Abs(as) > 4 || math.Abs(zs) > 4 {
		t.Errorf("off by %.1f and %.1f sigma", as, zs)
	}
}

// The board sits 8° crooked on the tracker: turning the head finds the axis, and
// altitude and azimuth are then those of the axis. At a restart it is known.
func TestHeadCalibration(t *testing.T) {
	for _, key := range []string{"larkmoor", "dry-lagoon"} {
		r := newRig(t, key, 6, nil)
		if res := r.bench(); !res.Accepted {
			t.Fatalf("%+v", res)
		}
		r.mu.Lock()
		r.crooked = quat.Number(r3.NewRotation(8*math.Pi/180, r3.Unit(r3.Vec{Y: 1, Z: 0.6})))
		r.mu.Unlock()
		alt := math.Abs(r.place.Site.LatDeg) - 2
		az := 3.0
		if r.place.Site.LatDeg < 0 {
			az = 183
		}
		r.point(alt, az)
		wrongAlt, _, _, _ := r.off()
		r.begin(daemon.CalibrateHead)
		q, _ := r.path.At(r.clock.Now())
		r.turnAbout(turn(q, r3.Vec{X: 1}), 150, 12*time.Second)
		if s := r.status(); !s.Ready || math.Abs(s.TurnedDeg-150) > 5 {
			t.Errorf("%s: %+v", key, s)
		}
		res := r.finish()
		if !res.Accepted {
			t.Fatalf("%s: %+v", key, res)
		}
		t.Logf("%s: axis ±%.2f°, %v", key, res.Parts[0].SigmaDeg, res.Parts[0].Figures)
		check := func(when string) {
			t.Helper()
			r.run(8 * time.Second)
			da, dz, as, zs := r.off()
			if math.Abs(as) > 4 || math.Abs(zs) > 4 || math.Abs(da) > 0.4 {
				t.Errorf("%s %s: off by %.2f° (%.1f sigma), %.2f° (%.1f sigma); altitude was off by %.2f°", key, when, da, as, dz, zs, wrongAlt)
			}
		}
		check("after the turn")
		r.restart(nil)
		check("after a restart")
		// Too small a turn.
		r.begin(daemon.CalibrateHead)
		q, _ = r.path.At(r.clock.Now())
		r.turnAbout(turn(q, r3.Vec{X: 1}), 30, 4*time.Second)
		if s := r.status(); s.Ready {
			t.Errorf("ready after 30°: %+v", s)
		}
		if res := r.finish(); res.Accepted || !strings.Contains(res.Parts[0].Reason, "turned by 30°") {
			t.Errorf("30° turn: %+v", res)
		}
	}
}

// Iron on the tracker turns with the board: a turn around the horizon finds it.
func TestSwing(t *testing.T) {
	r := newRig(t, "dry-lagoon", 8, nil)
	r.run(time.Second)
	if _, err := r.d.BeginCalibration(daemon.CalibrateSwing); err == nil || !strings.Contains(err.Error(), "not calibrated") {
		t.Errorf("a swing of an uncalibrated compass: %v", err)
	}
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.point(31, 178)
	_, _, _, zs := r.off()
	sigma := r.seen.Estimate.Azimuth.SigmaDeg
	r.mu.Lock()
	r.iron = r3.Vec{X: 0.8, Y: -1.2}
	r.mu.Unlock()
	r.run(4 * time.Second)
	r.begin(daemon.CalibrateSwing)
	r.turnAbout(r3.Vec{Z: 1}, -350, 30*time.Second)
	if s := r.status(); !s.Ready || math.Abs(s.TurnedDeg-350) > 12 {
		t.Errorf("%+v", s)
	}
	res := r.finish()
	if !res.Accepted {
		t.Fatalf("%+v", res)
	}
	t.Logf("±%.2f°, %v %s", res.Parts[0].SigmaDeg, res.Parts[0].Figures, res.Parts[0].Note)
	r.run(6 * time.Second)
	_, az, _, now := r.off()
	if math.Abs(now) > 4 || r.seen.Estimate.Azimuth.SigmaDeg > 0.8*sigma {
		t.Errorf("azimuth off by %.2f° (%.1f sigma), ± %.2f°; before the iron %.1f sigma, ± %.2f°", az, now, r.seen.Estimate.Azimuth.SigmaDeg, zs, sigma)
	}
	r.begin(daemon.CalibrateSwing)
	r.turnAbout(r3.Vec{Z: 1}, 15, 4*time.Second)
	if res := r.finish(); res.Accepted || !strings.Contains(res.Parts[0].Reason, "turned by 15°") {
		t.Errorf("15° turn: %+v", res)
	}
	if err := r.d.CancelCalibration(); err != nil {
		t.Error(err)
	}
	// Restarted within the night the turn check still holds.
	after := r.seen.Estimate.Azimuth
	r.restart(nil)
	r.run(8 * time.Second)
	if e := r.seen.Estimate.Azimuth; math.Abs(e.SigmaDeg-after.SigmaDeg) > 0.3*after.SigmaDeg {
		t.Errorf("after a restart ± %.2f°, was ± %.2f°", e.SigmaDeg, after.SigmaDeg)
	}
}

// Much iron was added: a turn on the mount, and a little tilt, correct the
// compass in place.
func TestInPlace(t *testing.T) {
	r := newRig(t, "larkmoor", 9, nil)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.point(52, 5)
	r.mu.Lock()
	r.iron = r3.Vec{X: 6, Y: -4, Z: 3}
	r.mu.Unlock()
	r.run(4 * time.Second)
	r.begin(daemon.CalibrateInPlace)
	r.turnAbout(r3.Vec{Z: 1}, -340, 30*time.Second)
	q, _ := r.path.At(r.clock.Now())
	r.turnAbout(turn(q, r3.Vec{Y: 1}), 12, 4*time.Second)
	r.turnAbout(turn(q, r3.Vec{Y: 1}), -12, 4*time.Second)
	res := r.finish()
	if !res.Accepted {
		t.Fatalf("%+v", res)
	}
	t.Logf("±%.2f°, %v %s", res.Parts[0].SigmaDeg, res.Parts[0].Figures, res.Parts[0].Note)
	r.run(8 * time.Second)
	if _, az, _, zs := r.off(); math.Abs(zs) > 4 || math.Abs(az) > 3 {
		t.Errorf("azimuth off by %.2f° (%.1f sigma)", az, zs)
	}
	if !strings.Contains(res.Parts[0].Note, "iron near the compass has changed") {
		t.Errorf("the change is not told: %q", res.Parts[0].Note)
	}
}

// The sigma that is left after a calibration in place holds, at all headings,
// with iron on the mount and steel beside it, north and south.
func TestInPlaceKeepsItsPromise(t *testing.T) {
	var sum, n float64
	for seed := range uint64(8) {
		r := newRig(t, []string{"larkmoor", "dry-lagoon"}[seed%2], 100+10*seed, nil)
		if res := r.bench(); !res.Accepted {
			t.Fatalf("%+v", res)
		}
		alt, az := 52.0, 5.0
		if seed%2 == 1 {
			alt, az = 31, 176
		}
		r.point(alt, az)
		r.mu.Lock()
		r.iron = r3.Scale(3, r3.Vec{X: r.rng.NormFloat64(), Y: r.rng.NormFloat64(), Z: r.rng.NormFloat64()})
		r.field = r3.Add(r.field, r3.Scale(0.35, r3.Vec{X: r.rng.NormFloat64(), Y: r.rng.NormFloat64(), Z: r.rng.NormFloat64()}))
		r.mu.Unlock()
		r.run(4 * time.Second)
		r.begin(daemon.CalibrateInPlace)
		r.turnAbout(r3.Vec{Z: 1}, -340, 30*time.Second)
		q, _ := r.path.At(r.clock.Now())
		r.turnAbout(turn(q, r3.Vec{Y: 1}), 12, 4*time.Second)
		r.turnAbout(turn(q, r3.Vec{Y: 1}), -12, 4*time.Second)
		if res := r.finish(); !res.Accepted {
			t.Fatalf("seed %d: %+v", seed, res)
		}
		for k := range 4 {
			r.point(alt, az+90*float64(k))
			_, _, _, z := r.off()
			sum += z * z
			n++
		}
	}
	// Eight boards, whose four headings share most of the error: chi-square with 8
	// degrees of freedom gives 0.41 to 1.65 for the root mean square, 99.8 %.
	if z := math.Sqrt(sum / n); z < 0.35 || z > 1.65 {
		t.Errorf("azimuth is off by %.2f sigma, root mean square", z)
	}
}

// Without a site there is no field to compare with.
func TestInPlaceNeedsASite(t *testing.T) {
	r := newRig(t, "larkmoor", 9, func(o *daemon.Options) { o.Site = nil })
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	if _, err := r.d.BeginCalibration(daemon.CalibrateInPlace); err == nil || !strings.Contains(err.Error(), "site") {
		t.Errorf("in place without a site: %v", err)
	}
}
