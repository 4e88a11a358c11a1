package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"plumbstar/astro"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

// knobsDocument is the name under which what was learned of the adjusters is
// kept.
const knobsDocument = "knobs"

// toldWithin is how long after a movement its turns may be told.
const toldWithin = 3 * time.Minute

// restPose is the axis at a rest that has lasted.
type restPose struct {
	ok                bool
	since             time.Duration
	altDeg, azDeg     float64
	altSigma, azSigma float64
	haveAz            bool
	mark              estimator.AxisMark
}

// stepWatch finds the steps that the adjusters make.
type stepWatch struct {
	rest  restPose
	step  guidance.Step
	at    time.Duration // when step was seen; 0: none
	taken bool          // its turns were told
}

// watchSteps looks for a step between two rests. The caller holds the lock.
func (d *Daemon) watchSteps(now time.Duration, e *estimator.Estimate) {
	still, since := d.est.Still()
	if !still || e.State != estimator.Steady || !e.Altitude.Known {
		return
	}
	w := &d.steps
	r := poseAtRest(e, since)
	r.mark = d.est.MarkAxis()
	before := w.rest
	w.rest = r
	if !before.ok || before.since == since {
		return
	}
	s := guidance.Step{
		RaisedDeg: r.altDeg - before.altDeg, RaisedSigma: math.Hypot(r.altSigma, before.altSigma), TurnedSigma: math.Inf(1), AltDeg: r.altDeg,
	}
	if before.haveAz && r.haveAz {
		s.TurnedDeg, s.TurnedSigma = astro.Turn180(r.azDeg-before.azDeg), math.Hypot(r.azSigma, before.azSigma)
	}
	// Over so short a time the gyroscope is mostly the better one.
	if deg, sigma, ok := d.est.AxisTurned(before.mark); ok && sigma < s.TurnedSigma {
		s.TurnedDeg, s.TurnedSigma = deg, sigma
	}
	if math.IsInf(s.TurnedSigma, 1) {
		return
	}
	// What turns by more than a person does with a screw is the whole head.
	const largest = 20.0
	cos := math.Cos(s.AltDeg * degree)
	if size := math.Hypot(s.RaisedDeg, s.TurnedDeg*cos); size > largest || (math.Abs(s.RaisedDeg) < 3*s.RaisedSigma && math.Abs(s.TurnedDeg) < 3*s.TurnedSigma) {
		return
	}
	w.step, w.at, w.taken = s, now, false
	d.knobs.See(s)
}

// poseAtRest keeps of the doubt what two rests minutes apart do not share: the
// noise, and a hundredth of a degree for what settles in tripods.
func poseAtRest(e *estimator.Estimate, since time.Duration) restPose {
	const settles = 0.01
	r := restPose{ok: true, since: since, altDeg: e.Altitude.Deg, azDeg: e.Azimuth.Deg, haveAz: e.Azimuth.Known}
	r.altSigma, r.azSigma = settles, settles/math.Max(math.Cos(e.Altitude.Deg*degree), 0.02)
	for _, p := range e.Budget {
		if p.Name == "noise" {
			r.altSigma, r.azSigma = math.Hypot(r.altSigma, p.AltitudeDeg), math.Hypot(r.azSigma, p.AzimuthDeg)
		}
	}
	return r
}

// TellTurns takes how far a person has turned an adjuster in the movement that
// was just seen: clockwise positive as they look at its head.
func (d *Daemon) TellTurns(a guidance.Adjuster, turns float64) error {
	if a != guidance.AltitudeAdjuster && a != guidance.AzimuthAdjuster {
		return refuse("adjuster", fmt.Sprintf("adjuster %.20q: choose %s or %s", a, guidance.AltitudeAdjuster, guidance.AzimuthAdjuster))
	}
	d.mu.Lock()
	w := &d.steps
	if w.at == 0 || w.taken || d.opt.Clock.Now()-w.at > toldWithin {
		d.mu.Unlock()
		return conflict("no-step", "no movement was seen that these turns could belong to: turn one adjuster, wait until it reads steady, then tell how far")
	}
	err := d.knobs.Told(a, turns, w.step)
	if err == nil {
		w.taken = true
	}
	d.mu.Unlock()
	if errors.Is(err, guidance.ErrNoMovement) {
		return conflict("no-movement", err.Error())
	}
	if err != nil {
		return refuse("turns", err.Error())
	}
	return d.keepKnobs()
}

// Knobs is what is known of the adjusters, and whether turns may be told now.
func (d *Daemon) Knobs() (altitude, azimuth guidance.KnobState, tell bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	w := &d.steps
	tell = w.at != 0 && !w.taken && d.opt.Clock.Now()-w.at <= toldWithin
	return d.knobs.State(guidance.AltitudeAdjuster), d.knobs.State(guidance.AzimuthAdjuster), tell
}

// ForgetKnobs drops what was learned: another mount.
func (d *Daemon) ForgetKnobs() error {
	d.mu.Lock()
	d.knobs = guidance.Knobs{}
	d.mu.Unlock()
	return d.keepKnobs()
}

func (d *Daemon) keepKnobs() error {
	if d.opt.Store == nil {
		return nil
	}
	d.mu.Lock()
	text, err := json.Marshal(d.knobs)
	delete(d.damaged, knobsDocument)
	d.mu.Unlock()
	if err == nil {
		err = d.opt.Store.PutDocument(knobsDocument, text)
	}
	if err != nil {
		return fmt.Errorf("what was learned is in use but could not be kept: %w", err)
	}
	return nil
}

// loadKnobs takes up what was learned before.
func (d *Daemon) loadKnobs() {
	text, err := d.opt.Store.Document(knobsDocument)
	if err == nil && text != nil {
		err = json.Unmarshal(text, &d.knobs)
	}
	if err != nil {
		d.knobs = guidance.Knobs{}
		d.noteDamage(knobsDocument, fmt.Sprintf("What was learned of the adjusters is damaged and not used: %v. It is learned anew when you tell turns.", err))
	}
}
