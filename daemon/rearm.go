package daemon

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"plumbstar/daemon/estimator"
	"plumbstar/daemon/watch"
)

// keptWatch is what outlasts the program of an armed watch.
type keptWatch struct {
	Armed     bool      `json:"armed"`
	ArmedAt   time.Time `json:"armed_at"`
	Lens      string    `json:"lens"`
	ExposureS float64   `json:"exposure_s"`
	// Tilt is the altitude of the axis by the accelerometer alone when it was armed,
	// degrees; null when not known.
	Tilt *float64 `json:"tilt_deg"`
	// The alignment then; see watch.Reference.
	Known     bool    `json:"error_known"`
	Why       string  `json:"error_why,omitempty"`
	Up        float64 `json:"error_up_deg"`
	UpSigma   float64 `json:"error_up_sigma_deg"`
	East      float64 `json:"error_east_deg"`
	EastSigma float64 `json:"error_east_sigma_deg"`
}

const watchDocument = "watch"

// repeatSigmaDeg is how well an altitude repeats over a restart with the same
// calibration: the change of an accelerometer's offset when it is switched off
// and on, and a few degrees of cooling (0.7 mg; common practice, no source).
const repeatSigmaDeg = 0.04

// keptNow is the armed watch as it is kept. The caller holds the lock.
func (d *Daemon) keptNow() *keptWatch {
	k := &d.watching
	r := &k.ref
	out := &keptWatch{Armed: true, ArmedAt: k.armedAt, Lens: k.lens.Name, ExposureS: k.lens.ExposureS, Known: r.Known, Why: r.Why, Up: r.UpDeg, UpSigma: r.UpSigmaDeg, East: r.EastDeg, EastSigma: r.EastSigmaDeg}
	out.Tilt = numberOrNil(d.gather.tiltDeg)
	return out
}

// keepWatch writes it. The caller does not hold the lock.
func (d *Daemon) keepWatch(k *keptWatch) {
	if d.opt.Store == nil {
		return
	}
	d.mu.Lock()
	delete(d.damaged, watchDocument)
	d.mu.Unlock()
	text, err := json.Marshal(k)
	if err == nil {
		err = d.opt.Store.PutDocument(watchDocument, text)
	}
	if err != nil {
		d.log.Warn("whether the watch is armed could not be kept: after a restart it will not be", "error", err)
	}
}

// loadWatch reads what an earlier start was armed with.
func (d *Daemon) loadWatch() {
	if d.opt.Store == nil {
		return
	}
	text, err := d.opt.Store.Document(watchDocument)
	var k keptWatch
	if err == nil && text != nil {
		err = json.Unmarshal(text, &k)
	}
	if err == nil {
		err = k.check()
	}
	if err != nil {
		d.noteDamage(watchDocument, fmt.Sprintf("Whether the watch was armed is not known, and it is not armed: its file is damaged: %v. Arm it again if you had.", err))
		return
	}
	if k.Armed {
		d.watching.kept = &k
	}
}

// rearm lets the watch of an earlier start go on, when the night does, as soon as
// the axis rests.
func (d *Daemon) rearm(now time.Duration, s *Snapshot) {
	k := &d.watching
	kept := k.kept
	if kept == nil || d.opt.Journal != nil && !d.nights.decided {
		return
	}
	if !d.nights.on || s.Clock.Plausible && s.Time.Sub(kept.ArmedAt) > longestNight {
		k.kept = nil
		d.log.Info("the watch of an earlier night is not armed again", "armed_at", kept.ArmedAt)
		return
	}
	if s.Estimate.State != estimator.Steady && s.Estimate.State != estimator.Disturbed {
		return
	}
	k.kept = nil
	lens, err := d.lensFor(Arming{Lens: kept.Lens, ExposureS: kept.ExposureS})
	if err != nil {
		lens = d.demanding(&d.opt.Kit) // the kit was changed meanwhile
	}
	k.armed, k.armedAt, k.lens, k.drift = true, kept.ArmedAt, lens, 0
	k.ref = d.watchReference()
	if !k.ref.Known && kept.Known {
		k.ref = watch.Reference{Known: true, UpDeg: kept.Up, UpSigmaDeg: math.Hypot(kept.UpSigma, repeatSigmaDeg), EastDeg: kept.East, EastSigmaDeg: math.Hypot(kept.EastSigma, repeatSigmaDeg)}
	}
	k.w.Arm(k.ref, d.allowance(lens))
	e := Event{Kind: EventWatchRenewed, Severity: Attention, Numbers: map[string]float64{},
		Text: "The program was started anew, and the watch goes on from the pose of now. Whether the axis moved meanwhile is not known."}
	if now := d.gather.tiltDeg; !math.IsNaN(now) && kept.Tilt != nil {
		by := now - *kept.Tilt
		e.Numbers["up_deg"], e.Numbers["up_sigma_deg"] = by, repeatSigmaDeg
		const known = " A turn to the side would not have shown."
		switch {
		case math.Abs(by) > 4*repeatSigmaDeg:
			e.Severity = Moved
			e.Text = fmt.Sprintf("While the program was off the axis moved: it stands %.2f° ± %.2f° %s than when the watch was armed.", math.Abs(by), repeatSigmaDeg, map[bool]string{true: "higher", false: "lower"}[by > 0]) + known
		default:
			e.Severity = Info
			e.Text = fmt.Sprintf("The program was started anew, and the watch goes on. The axis stands as high as before, within %.2f°.", 2*repeatSigmaDeg) + known
		}
	}
	e = d.happened(now, e)
	if e.Severity != Info {
		k.open = append(k.open, e)
	}
}

// driftTold is how much further the reading must have drifted to be told again.
const driftTold = 0.05

// watchDrift tells when the temperature has shifted the reading and nothing moved.
func (d *Daemon) watchDrift(now time.Duration) {
	k := &d.watching
	if !k.armed || now < k.driftAt {
		return
	}
	k.driftAt = now + time.Minute
	s := k.w.Status(now)
	if s.State != watch.Watching {
		return
	}
	by := math.Hypot(s.ByTempUpDeg, s.ByTempSideDeg)
	if !(by >= k.drift+driftTold) {
		return
	}
	k.drift = by
	n := map[string]float64{"drift_up_deg": s.DriftUpDeg, "drift_side_deg": s.DriftSideDeg, "by_temperature_up_deg": s.ByTempUpDeg, "by_temperature_side_deg": s.ByTempSideDeg}
	colder := ""
	if !math.IsNaN(s.TempFallC) {
		n["temp_fall_c"] = s.TempFallC
		colder = fmt.Sprintf(" while the chip became %.1f °C %s", math.Abs(s.TempFallC), map[bool]string{true: "colder", false: "warmer"}[s.TempFallC > 0])
	}
	d.happened(now, Event{Kind: EventDrift, Numbers: n,
		Text: fmt.Sprintf("The sensor drifted by %.2f°%s: the temperature explains it, the axis did not move.", by, colder)})
}
