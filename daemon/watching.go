package daemon

import (
	"fmt"
	"math"
	"slices"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/trail"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/watch"
	"plumbstar/sensors"
)

// watching is the loop's side of the watch: what it is armed with, what it found
// and nobody has acknowledged yet. The daemon's lock guards it.
type watching struct {
	w        *watch.Watch
	magnetic sensors.MagneticSpec
	south    bool

	armed   bool
	armedAt time.Time
	lens    Lens
	ref     watch.Reference
	offer   offer
	// kept is what an earlier start was armed with, until the watch goes on.
	kept *keptWatch
	// open are the findings that guidance warns of, one event each, oldest first.
	open    []Event
	minute  *watch.Minute
	drift   float64       // degrees of sensor drift that were told of
	driftAt time.Duration // of the next look at it
}

// openMost is how many findings are warned of at once; the log has them all.
const openMost = 4

// Arming is what the watch is armed with. Without a lens the most demanding one
// of the kit that the alignment allows is taken.
type Arming struct {
	Lens string // name of a lens of the kit; empty: see above
	// ExposureS is the exposure being taken; 0 takes the one wished for with that lens.
	ExposureS float64
}

// WatchStatus is what the watch knows now.
type WatchStatus struct {
	// Status has the state, the move since arming and the alignment error left.
	watch.Status
	Armed   bool
	ArmedAt time.Time // zero when not armed
	// Offered is true while the alignment is steady and good enough for Lens.
	Offered bool
	// Lens and ExposureS are what the watch is armed with or, before, would be;
	// Lens is empty when the kit has none.
	Lens      string
	ExposureS float64
	// Exposure is what the alignment left allows with that lens.
	Exposure watch.Exposure
	// Minute is the newest complete minute of vibration, nil before the first.
	Minute *watch.Minute
	// Findings are those that nobody has acknowledged, oldest first, at most four.
	Findings []Event
}

// renewWatch starts the watch anew with the sensors as they are now. An armed one
// goes on from the pose of now, with the alignment that it had.
func (d *Daemon) renewWatch() {
	k := &d.watching
	before, now := k.w, d.opt.Clock.Now()
	k.w = watch.New(watch.Options{
		Inertial: d.spec, Magnetic: k.magnetic, South: k.south, Head: d.opt.Watch.Head, NodSigmaDeg: d.opt.MountSigmaDeg, Learned: d.watchSlopes(),
	})
	if before == nil || !k.armed {
		return
	}
	o := before.Status(now).Error
	k.ref = watch.Reference{UpDeg: o.UpDeg, UpSigmaDeg: o.UpSigmaDeg, EastDeg: o.EastDeg, EastSigmaDeg: o.EastSigmaDeg, Known: o.Known, Why: o.Why}
	k.w.Arm(k.ref, d.allowance(k.lens))
	d.happened(now, Event{Kind: EventWatchRenewed, Severity: Attention,
		Text: "Sensors or their calibration changed: the watch compares with the pose of now. What moved at this moment would not have shown."})
}

// watchInertial feeds one corrected sample and takes what the watch has to say.
func (d *Daemon) watchInertial(now time.Duration, x sensors.InertialSample) {
	w := d.watching.w
	w.Inertial(x)
	for f, ok := w.Next(); ok; f, ok = w.Next() {
		d.found(now, &f)
	}
	if m, ok := w.Minute(); ok {
		d.watching.minute = &m
		d.gather.minute = 3600 * m.ShakeRMSDeg
	}
}

// found publishes a finding and keeps it in mind until it is acknowledged.
func (d *Daemon) found(now time.Duration, f *watch.Finding) {
	k := &d.watching
	e := Event{Kind: string(f.Kind), Severity: d.severity(now, f), Text: f.Text, Numbers: findingNumbers(f), Finding: f.ID, Final: f.Final, Began: f.Start}
	if e.Severity != Attention || f.Kind == watch.FieldChange {
		d.keepFullRate(f.Start, now)
	}
	e = d.happened(now, e)
	k.open = slices.DeleteFunc(k.open, func(o Event) bool { return o.Finding == f.ID })
	if e.Severity == Info {
		return
	}
	k.open = append(k.open, e)
	if len(k.open) <= openMost {
		return
	}
	// A move stays longer than what only asks for attention.
	i := slices.IndexFunc(k.open, func(o Event) bool { return o.Severity != Moved })
	k.open = slices.Delete(k.open, max(i, 0), max(i, 0)+1)
}

// severity of a finding: a move counts when all that moved since arming is as
// large as the user wants to know.
func (d *Daemon) severity(now time.Duration, f *watch.Finding) Severity {
	switch {
	case f.Alarm:
		least := d.opt.Watch.least()
		if s := d.watching.w.Status(now).Since; f.Move.SizeDeg() < least && s.SizeDeg() < least {
			return Info
		}
		return Moved
	case f.Kind == watch.Shaking, f.Kind == watch.HeadStopped, f.Kind == watch.FieldChange && f.FieldUT >= fieldTroublesUT:
		return Attention
	}
	return Info
}

// fieldTroublesUT turns a compass by 3° where the horizontal field is 20 µT. Less
// may be a magnetometer that renewed its offset as the night cooled.
const fieldTroublesUT = 1.0

// findingNumbers are those of a finding that mean something.
func findingNumbers(f *watch.Finding) map[string]float64 {
	n := map[string]float64{}
	put := func(key string, v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			n[key] = v
		}
	}
	switch f.Kind {
	case watch.Shaking:
		put("shake_arcsec", 3600*f.Shake.ShakeRMSDeg)
		put("shake_floor_arcsec", 3600*f.Shake.FloorDeg)
		put("vibration_m_s2", f.Shake.AccelRMS)
	case watch.FieldChange:
		put("field_change_uT", f.FieldUT)
	case watch.HeadStopped:
	default:
		m := &f.Move
		put("size_deg", m.SizeDeg())
		put("size_sigma_deg", m.SigmaDeg())
		put("up_deg", m.UpDeg)
		put("up_sigma_deg", m.UpSigmaDeg)
		put("east_deg", m.EastDeg)
		put("east_sigma_deg", m.EastSigmaDeg)
		put("roll_deg", m.RollDeg)
		put("roll_sigma_deg", m.RollSigmaDeg)
	}
	if f.Kind == watch.Creep {
		put("by_temperature_deg", f.ByTempDeg)
	}
	if f.Error.Known {
		put("error_deg", f.Error.SizeDeg)
		put("error_sigma_deg", f.Error.SigmaDeg)
	}
	if f.Exposure.Known {
		put("exposure_s", f.Exposure.ExposureS)
		put("longest_exposure_s", f.Exposure.LongestS)
		put("longest_exposure_from_s", f.Exposure.FromS)
		put("longest_exposure_to_s", f.Exposure.ToS)
	}
	return n
}

// watchWarnings are the findings that nobody has acknowledged.
func (d *Daemon) watchWarnings() []estimator.Warning {
	var out []estimator.Warning
	for i := range d.watching.open {
		e := &d.watching.open[i]
		out = append(out, estimator.Warning{Code: "watch-" + e.Kind, Text: e.Text})
	}
	return out
}

// ArmWatch makes the pose of now the aligned one and begins to watch it; done
// again, it does so anew and clears what was found. It is refused while the
// inertial sensor does not answer. The alignment need not be known.
func (d *Daemon) ArmWatch(a Arming) (WatchStatus, error) {
	s, kept, err := d.arm(a)
	if err == nil {
		d.keepWatch(kept)
	}
	return s, err
}

func (d *Daemon) arm(a Arming) (WatchStatus, *keptWatch, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	lens, err := d.lensFor(a)
	if err != nil {
		return WatchStatus{}, nil, err
	}
	if d.inertial.status.State != "ok" {
		return WatchStatus{}, nil, conflict("sensor-lost", "the inertial sensor does not answer: without it nothing can be watched")
	}
	now := d.opt.Clock.Now()
	k := &d.watching
	k.armed, k.armedAt, k.lens, k.kept = true, d.utc(now), lens, nil
	k.ref = d.watchReference()
	k.open, k.drift, k.offer = nil, 0, offer{}
	k.w.Arm(k.ref, d.allowance(lens))
	text := "The watch is armed: whatever moves from now on is told."
	if !k.ref.Known {
		text += " How far the axis stands from the pole is not known: " + k.ref.Why + "."
	}
	if d.opt.Journal != nil && !d.nights.on { // so that the event belongs to the night
		d.nights.decided = true
		d.beginNight(now, k.armedAt, "the watch was armed")
	}
	d.happened(now, Event{Kind: EventWatchArmed, Text: text, Numbers: referenceNumbers(&k.ref)})
	return d.watchStatus(now), d.keptNow(), nil
}

// DisarmWatch ends the watch and clears what it found.
func (d *Daemon) DisarmWatch() WatchStatus {
	d.mu.Lock()
	now := d.opt.Clock.Now()
	k := &d.watching
	k.w.Disarm()
	was := k.armed || k.kept != nil
	if k.armed {
		d.happened(now, Event{Kind: EventWatchDisarmed, Text: "The watch is disarmed."})
	}
	k.armed, k.armedAt, k.open, k.kept = false, time.Time{}, nil, nil
	s := d.watchStatus(now)
	d.mu.Unlock()
	if was {
		d.keepWatch(&keptWatch{})
	}
	return s
}

// Acknowledge says that somebody knows what was found: the warnings end, and
// what has moved stays part of the alignment error.
func (d *Daemon) Acknowledge() WatchStatus {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.opt.Clock.Now()
	k := &d.watching
	k.w.Acknowledge()
	if n := len(k.open); n > 0 {
		d.happened(now, Event{Kind: EventAcknowledged, Text: "What the watch found was acknowledged.", Numbers: map[string]float64{"findings": float64(n)}})
	}
	k.open = nil
	return d.watchStatus(now)
}

// TryAlarm publishes an event of the given severity that is marked as a trial, so
// that somebody can hear whether an alarm would reach them. It warns of nothing.
func (d *Daemon) TryAlarm(s Severity) (Event, error) {
	text := map[Severity]string{
		Info:       "This is a trial of a message that needs nothing.",
		Attention:  "This is a trial of a call for attention. Nothing is wrong.",
		Moved:      "This is a trial of the alarm for a moved axis. Nothing moved.",
		SensorLost: "This is a trial of the alarm for a lost sensor. No sensor was lost.",
	}[s]
	if text == "" {
		return Event{}, refuse("severity", fmt.Sprintf("severity %q: choose info, attention, moved or sensor-lost", string(s)))
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.happened(d.opt.Clock.Now(), Event{Kind: EventTrial, Severity: s, Text: text, Trial: true}), nil
}

// Watch is what the watch knows now.
func (d *Daemon) Watch() WatchStatus {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.watchStatus(d.opt.Clock.Now())
}

func (d *Daemon) watchStatus(now time.Duration) WatchStatus {
	k := &d.watching
	s := WatchStatus{Status: k.w.Status(now), Armed: k.armed, ArmedAt: k.armedAt, Offered: k.offer.on, Minute: k.minute, Findings: slices.Clone(k.open)}
	lens := k.lens
	if !k.armed {
		lens, _ = d.lensFor(Arming{})
		s.Error = offsetOf(d.watchReference())
	}
	s.Lens, s.ExposureS = lens.Name, lens.ExposureS
	s.Exposure = watch.Exposure{Lens: lens.Name, ExposureS: lens.ExposureS}
	if a := d.allowance(lens); a.LongestS != nil && s.Error.Known {
		s.Exposure.Known = true
		s.Exposure.LongestS = a.LongestS(s.Error.SizeDeg)
		s.Exposure.FromS = a.LongestS(s.Error.SizeDeg + s.Error.SigmaDeg)
		s.Exposure.ToS = a.LongestS(max(s.Error.SizeDeg-s.Error.SigmaDeg, 0))
	}
	return s
}

// watchReference is where the axis stands against the aim by the newest guidance.
func (d *Daemon) watchReference() watch.Reference {
	s := d.hub.newest()
	if s == nil {
		return watch.Reference{Why: "the program has just started"}
	}
	e, ok := AxisError(s.Guidance, s.Estimate.Altitude.Deg)
	if !ok {
		why := s.Guidance.Error.Why
		if why == "" {
			why = "altitude or azimuth is not known"
		}
		return watch.Reference{Why: why}
	}
	return watch.Reference{
		UpDeg: e.HighArcmin / 60, UpSigmaDeg: e.HighSigmaArcmin / 60,
		EastDeg: e.EastArcmin / 60, EastSigmaDeg: e.EastSigmaArcmin / 60, Known: true,
	}
}

func offsetOf(r watch.Reference) watch.Offset {
	return watch.Offset{
		UpDeg: r.UpDeg, UpSigmaDeg: r.UpSigmaDeg, EastDeg: r.EastDeg, EastSigmaDeg: r.EastSigmaDeg,
		SizeDeg: math.Hypot(r.UpDeg, r.EastDeg), SigmaDeg: math.Hypot(r.UpSigmaDeg, r.EastSigmaDeg), Known: r.Known, Why: r.Why,
	}
}

func referenceNumbers(r *watch.Reference) map[string]float64 {
	if !r.Known {
		return nil
	}
	o := offsetOf(*r)
	return map[string]float64{
		"error_deg": o.SizeDeg, "error_sigma_deg": o.SigmaDeg,
		"up_deg": o.UpDeg, "up_sigma_deg": o.UpSigmaDeg, "east_deg": o.EastDeg, "east_sigma_deg": o.EastSigmaDeg,
	}
}

// lensFor finds the lens that is meant. The zero lens stands for a kit without any.
func (d *Daemon) lensFor(a Arming) (Lens, error) {
	k := &d.opt.Kit
	if a.ExposureS != 0 && !(a.ExposureS > 0 && a.ExposureS <= 86400) {
		return Lens{}, refuse("exposure", fmt.Sprintf("exposure %v s: give more than 0, up to 86400", a.ExposureS))
	}
	if a.Lens == "" {
		l := d.demanding(k)
		if a.ExposureS > 0 && l.FocalMM > 0 {
			l.ExposureS = a.ExposureS
		}
		return l, nil
	}
	found := -1
	for i, l := range k.Lenses {
		if l.Name == a.Lens && (found < 0 || l.ExposureS == a.ExposureS) {
			found = i
		}
	}
	if found < 0 {
		return Lens{}, refuse("lens", fmt.Sprintf("the kit has no lens named %.80q: name one of it, or add it to the kit", a.Lens))
	}
	l := k.Lenses[found]
	if a.ExposureS > 0 {
		l.ExposureS = a.ExposureS
	}
	return l, nil
}

// demanding is the lens that asks most of the alignment among those that it is
// good enough for now, or the least demanding one of all.
func (d *Daemon) demanding(k *Kit) Lens {
	var best, least Lens
	var bestAsks, leastAsks float64
	s := d.hub.newest()
	for _, l := range k.Lenses {
		if k.Camera(l).Validate() != nil || !(l.ExposureS > 0) {
			continue
		}
		asks := l.FocalMM * l.ExposureS
		if leastAsks == 0 || asks < leastAsks {
			least, leastAsks = l, asks
		}
		if s != nil && asks > bestAsks && d.suffices(s, l) {
			best, bestAsks = l, asks
		}
	}
	if bestAsks > 0 {
		return best
	}
	return least
}

// suffices tells whether the alignment of a snapshot is rather good enough for l.
func (d *Daemon) suffices(s *Snapshot, l Lens) bool {
	e, known := AxisError(s.Guidance, s.Estimate.Altitude.Deg)
	c := d.opt.Kit.Camera(l)
	if !known || e.Validate() != nil || c.Validate() != nil || !(l.ExposureS > 0) {
		return false
	}
	return trail.VerdictOf(c, l.ExposureS, e) != trail.No
}

// allowance is what the watch must know of a lens; nothing when there is none.
func (d *Daemon) allowance(l Lens) watch.Allowance {
	c := d.opt.Kit.Camera(l)
	if !(l.ExposureS > 0) || c.Validate() != nil {
		return watch.Allowance{}
	}
	return watch.Allowance{
		Lens: l.Name, ExposureS: l.ExposureS,
		LongestS: func(errorDeg float64) float64 { return c.LongestS(60 * errorDeg) },
		BlurDeg:  d.opt.Watch.blur() * c.TrailPx * c.PixelUM * 1e-3 / c.FocalMM / degree,
	}
}

// offer is the watch's own proposal to be armed.
type offer struct {
	since time.Duration
	good  bool
	on    bool
	told  bool
	again time.Duration // when it may be told of again
}

const (
	// offerAfter is for how long it must have been steady and good enough.
	offerAfter = 20 * time.Second
	// offerAgain is how long an offer that was told of is not told again.
	offerAgain = 15 * time.Minute
)

// offerWatch proposes to arm the watch once the axis rests where it should.
func (d *Daemon) offerWatch(now time.Duration, s *Snapshot) {
	k := &d.watching
	o := &k.offer
	lens := d.demanding(&d.opt.Kit)
	good := !k.armed && !d.opt.Watch.NoOffer && s.Estimate.State == estimator.Steady && lens.FocalMM > 0 && d.suffices(s, lens)
	switch {
	case !good:
		o.good, o.on = false, false
	case !o.good:
		o.good, o.since = true, now
	case !o.on && now-o.since >= offerAfter:
		o.on = true
		if o.told && now < o.again {
			return
		}
		o.told, o.again = true, now+offerAgain
		d.happened(now, Event{Kind: EventWatchOffered,
			Text:    fmt.Sprintf("The axis rests and stands well enough for %.0f s at %s: arm the watch, and whatever moves is told.", lens.ExposureS, lens.Name),
			Numbers: numbersOf("error", s.Guidance.Error)})
	}
}

// numbersOf is a quantity as numbers of an event.
func numbersOf(name string, q estimator.Quantity) map[string]float64 {
	if !q.Known {
		return nil
	}
	return map[string]float64{name + "_deg": q.Deg, name + "_sigma_deg": q.SigmaDeg}
}

// hemisphereOf renews the watch when the site changes sides.
func (d *Daemon) hemisphereOf(s *SiteStatus) {
	south := s.Known && s.Site.Hemisphere() == astro.South
	if south != d.watching.south {
		d.watching.south = south
		d.renewWatch()
	}
}
