// Package daemon is the loop: it reads the sensors, estimates, guides and
// publishes. It knows nothing of HTTP or of the command line.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"sync"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3"

	"plumbstar/astro"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
	"plumbstar/sensors"
)

// Daemon is the whole program without its surroundings.
type Daemon struct {
	opt Options
	log *slog.Logger
	hub hub
	bus bus

	// calibrating is held while a calibration begins, ends or is fitted.
	calibrating sync.Mutex

	mu       sync.Mutex // guards all below: the loop holds it for one tick
	inertial *slot
	magnetic *slot
	// magnetic2 is nil without a second magnetometer, which fields joins with the
	// first; rate is the newest rate of turn, rad/s, body axes.
	magnetic2 *slot
	fields    pair
	// inertial2 and forces are the same for a second accelerometer; bySecond: the
	// estimator is fed by it alone.
	inertial2 *slot
	forces    pair
	bySecond  bool
	rate      r3.Vec
	est       *estimator.Estimator
	spec      sensors.InertialSpec
	guide     guidance.Guide
	place     place
	keeper    timekeeper
	receiver  receiver
	measured  measuredAir
	display   *SensorStatus // nil: there is none
	seq       uint64
	loop      LoopStatus
	nextPub   time.Duration
	ended     bool
	// axisMeasured: the rotation axis was found in sensor axes, at axisTempC.
	axisMeasured bool
	axisTempC    float64
	// estMount and estChip are those that est was made for.
	estMount Mount
	estChip  string
	// swing is what the newest turn check left; nil: none.
	swing *estimator.Swing
	// tap gathers raw samples for the running calibration; nil: none.
	tap *session
	// inUse are the calibrations in use, kept all that are known, oldest first.
	inUse map[Part]*CalibrationRecord
	kept  []CalibrationRecord
	// sightings are all that are known, oldest first.
	sightings []SightingRecord
	damaged   damage
	// knobs is what is known of the adjusters, steps finds their movements.
	knobs guidance.Knobs
	steps stepWatch
	// skyClock is the clock that the sightings in use were computed with.
	skyClock sightClock
	watching watching
	nights   nights
	gather   gather
	warmth   *warmth
	learning learning
	started  time.Duration
	nextKeep time.Duration
	everLost bool // a sensor was lost since the start
}

// New prepares a daemon; Run makes it work.
func New(o Options) (*Daemon, error) {
	if err := o.validate(); err != nil {
		return nil, err
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	d := &Daemon{opt: o, log: o.Log}
	d.inertial = newSlot("inertial", o.Inertial.Device, func() (conn.Resource, error) { return o.Inertial.Open() }, o.Inertial.OnLost, d.event)
	if o.Magnetic != nil {
		d.magnetic = newSlot("magnetic", o.Magnetic.Device, func() (conn.Resource, error) { return o.Magnetic.Open() }, o.Magnetic.OnLost, d.event)
	}
	if m := o.Magnetic2; m != nil {
		d.magnetic2 = newSlot("magnetic2", m.Device, func() (conn.Resource, error) { return m.Open() }, m.OnLost, d.event)
	}
	if i := o.Inertial2; i != nil {
		d.inertial2 = newSlot("inertial2", i.Device, func() (conn.Resource, error) { return i.Open() }, i.OnLost, d.event)
	}
	for _, s := range []*slot{d.inertial, d.inertial2, d.magnetic, d.magnetic2} {
		if s != nil {
			s.passing = func(text string) { d.log.Warn("sensor fault, over by itself", "what", text) }
		}
	}
	d.est, d.estMount = estimator.New(d.estimatorOptions()), o.Inertial.Mount
	d.keeper = timekeeper{notBefore: o.NotBefore, base: o.ClockSource, baseSigmaS: o.ClockSigmaS}
	if o.Site != nil {
		d.place.status = SiteStatus{Known: true, Name: o.SiteName, Site: *o.Site, Source: o.SiteSource}
	}
	d.place.stale = true
	d.guide.Knobs = &d.knobs
	d.watching.south = d.place.status.Known && d.place.status.Site.Hemisphere() == astro.South
	d.gather = gather{budget: fullBudget, minute: math.NaN(), tiltDeg: math.NaN()}
	d.started = o.Clock.Now()
	d.renewWatch()
	d.loadKept()
	d.loadWatch()
	return d, nil
}

// event hears from a slot, within a tick of the loop, that its sensor was lost or
// found. The first time that it is found is no news.
func (d *Daemon) event(kind, text string) {
	if kind == "lost" {
		d.log.Warn("sensor lost", "what", text)
		d.everLost = true
		now := d.opt.Clock.Now()
		d.keepFullRate(now, now)
		d.happened(now, Event{Kind: EventSensorLost, Severity: SensorLost, Text: "A sensor does not answer: " + text})
		return
	}
	d.log.Info("sensor "+kind, "what", text)
	if d.everLost {
		d.happened(d.opt.Clock.Now(), Event{Kind: EventSensorFound, Text: "A sensor answers: " + text})
	}
}

func (d *Daemon) estimatorOptions() estimator.Options {
	i := d.opt.Inertial
	o := estimator.Options{
		Inertial:      d.spec,
		CalTempC:      i.Correct.TempC,
		MountSigmaDeg: d.opt.MountSigmaDeg, AxisMeasured: d.axisMeasured, AxisTempC: d.axisTempC,
		LocalFieldUT: d.opt.LocalFieldUT, Swing: d.swing,
	}
	o.AccelError = d.accelError()
	o.Learned = d.learnedFor(i.Mount)
	o.FieldError = d.fieldError()
	return o
}

func bodyError(m Mount, f func(r3.Vec) estimator.Cov3) func(r3.Vec) estimator.Cov3 {
	if f == nil {
		return nil
	}
	return func(v r3.Vec) estimator.Cov3 { return m.cov(f(m.inverse(v))) }
}

// Latest is the newest snapshot, nil before the first.
func (d *Daemon) Latest() *Snapshot { return d.hub.newest() }

// Subscribe gives the newest snapshot at once and every later one; a reader
// that is late finds only the newest. The channel is closed when the daemon or
// ctx ends.
func (d *Daemon) Subscribe(ctx context.Context) <-chan *Snapshot {
	ch, cancel := d.hub.subscribe()
	context.AfterFunc(ctx, cancel)
	return ch
}

// Run works until ctx ends or the sensors report the end of a recording.
func (d *Daemon) Run(ctx context.Context) error {
	defer d.hub.close()
	defer d.bus.close()
	defer d.halt()
	next := d.opt.Clock.Now()
	var behind time.Duration // by how much the last tick ran into this one
	for {
		if ctx.Err() != nil {
			return nil
		}
		now := d.opt.Clock.Now()
		if d.tick(now, behind+now-next) {
			return nil
		}
		next += d.step()
		now = d.opt.Clock.Now()
		if behind = max(0, now-next); behind > 0 {
			// Late: skip the ticks that were missed instead of chasing them.
			next = now
		}
		if next > now {
			d.opt.Clock.Sleep(next - now)
		}
	}
}

// lostPeriod is the loop's while no sensor can be read: it only looks for them and
// publishes, and the battery may last.
const lostPeriod = 50 * time.Millisecond

// step is how long after this tick the next one is due.
func (d *Daemon) step() time.Duration {
	for _, s := range []*slot{d.inertial, d.inertial2, d.magnetic, d.magnetic2} {
		if s != nil && (s.dev != nil || s.opening) {
			return d.opt.Period
		}
	}
	return max(d.opt.Period, min(lostPeriod, d.opt.PublishEvery))
}

// hangs is more than any reading of a working bus takes.
const hangs = 500 * time.Millisecond

// tick is one round of the loop; it reports the end of a recording.
func (d *Daemon) tick(now, late time.Duration) (ended bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.loop.Ticks++
	if late > d.opt.Period {
		d.loop.Late++
	}
	if d.inertial2 != nil {
		d.readSecondInertial(now)
	}
	d.readInertial(now)
	if d.magnetic2 != nil {
		d.readSecond(now)
	}
	if d.magnetic != nil {
		d.readMagnetic(now)
	}
	if d.opt.Journal != nil {
		d.keepLog(now)
	}
	if hung := d.opt.Clock.Now(); hung-now > hangs {
		now = hung // what is published shall not look that much younger than it is
	}
	if now >= d.nextPub || d.ended {
		d.nextPub = now + d.opt.PublishEvery
		s := d.snapshot(now)
		d.hub.publish(s)
		if d.opt.OnSnapshot != nil {
			d.opt.OnSnapshot(s)
		}
	}
	return d.ended
}

func (d *Daemon) readInertial(now time.Duration) {
	s := d.inertial
	fresh := s.dev == nil
	if !s.ready(now) || !fresh && s.rests(now, d.opt.Period) {
		return
	}
	dev := s.dev.(sensors.Inertial)
	if spec := dev.Spec(); spec != d.spec && !d.bySecond {
		d.spec = spec
		d.rebuild()
	}
	if fresh {
		d.recall(now)
	}
	for {
		x, err := dev.ReadInertial()
		if err != nil {
			d.trouble(s, err)
			return
		}
		s.sample(now, x.At, x.TempC, x.Flags)
		raw := x
		d.compensate(&x)
		switch {
		case d.tap == nil:
		case d.tap.kind == CalibrateBoard:
			// What finds offsets anew must see them all.
			d.tap.takeInertial(raw)
		default:
			d.tap.takeInertial(x)
		}
		c := &d.opt.Inertial.Correct
		if c.Apply != nil {
			x.Accel = c.Apply(x.Accel, x.TempC)
		}
		x.Accel = d.opt.Inertial.Mount.apply(x.Accel)
		x.Gyro = d.opt.Inertial.Mount.apply(x.Gyro)
		if d.bySecond {
			d.spec = dev.Spec()
		}
		d.rate = x.Gyro
		joined := d.joinForce(x)
		d.est.Inertial(joined)
		d.watchInertial(now, x)
		if d.opt.Journal != nil {
			d.noteInertial(raw, x)
		}
		if q, ok := s.dev.(queued); !ok || !q.Pending() {
			break
		}
	}
	s.check(now)
}

func (d *Daemon) readMagnetic(now time.Duration) {
	s := d.magnetic
	fresh := s.dev == nil
	if !s.ready(now) || !fresh && s.rests(now, d.opt.Period) {
		return
	}
	dev := s.dev.(sensors.Magnetometer)
	if fresh {
		d.recall(now)
		d.est.SetMagnetic(d.fieldSpec())
		if spec := dev.Spec(); spec != d.watching.magnetic {
			d.watching.magnetic = spec
			d.renewWatch()
		}
	}
	for {
		x, err := dev.ReadMagnetic()
		if err != nil {
			d.trouble(s, err)
			return
		}
		s.sample(now, x.At, x.TempC, x.Flags)
		if n, ok := dev.(temperatureNoter); ok {
			n.NoteTemperature(d.inertial.status.TempC)
		}
		if d.tap != nil {
			d.tap.takeMagnetic(x)
		}
		raw := x
		c := &d.opt.Magnetic.Correct
		if c.Apply != nil {
			x.FieldUT = c.Apply(x.FieldUT, x.TempC)
		}
		x.FieldUT = d.opt.Magnetic.Mount.apply(x.FieldUT)
		joined := d.joinField(x)
		d.est.Magnetic(joined)
		d.watching.w.Magnetic(x)
		if d.opt.Journal != nil {
			d.noteMagnetic(raw, x)
		}
		if q, ok := s.dev.(queued); !ok || !q.Pending() {
			break
		}
	}
	s.check(now)
}

// keepLog keeps the night log going.
func (d *Daemon) keepLog(now time.Duration) {
	d.closeLate(now)
	if now < d.nextKeep {
		return
	}
	d.nextKeep = now + time.Second
	utc := d.utc(now)
	d.keepNight(now, utc)
	d.opt.Journal.Clock(d.moment(now, utc))
	d.lookAtLog(now)
}

// temperatureNoter is a magnetometer without a thermometer of its own that
// renews its offset when the board has warmed or cooled.
type temperatureNoter interface{ NoteTemperature(tempC float64) }

func (d *Daemon) trouble(s *slot, err error) {
	if errors.Is(err, sensors.ErrEnd) {
		d.ended = true
		return
	}
	// A transfer that failed may have taken seconds: the tick's time is old.
	s.trouble(d.opt.Clock.Now(), err)
}

func (d *Daemon) halt() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, s := range []*slot{d.inertial, d.inertial2, d.magnetic, d.magnetic2} {
		if s != nil && s.dev != nil {
			if err := s.dev.Halt(); err != nil {
				d.log.Warn("could not halt", "device", s.status.Device, "error", err)
			}
		}
	}
}

// snapshot gathers what is known at now. The caller holds the lock.
func (d *Daemon) snapshot(now time.Duration) *Snapshot {
	utc := d.utc(now)
	d.locate(now, utc)
	d.checkSkyClock(now, utc)
	e := d.est.Estimate(now)
	d.watchSteps(now, &e)
	g := d.guide.Next(e, d.place.aim, d.place.why)
	d.seq++
	s := &Snapshot{
		Seq: d.seq, Mono: now, Time: utc, Estimate: e, Guidance: g,
		Field: d.place.field, Site: d.place.status, Clock: d.clockStatus(utc), Loop: d.loop,
	}
	s.Sensors = append(s.Sensors, d.inertial.snapshot(now))
	if d.magnetic != nil {
		s.Sensors = append(s.Sensors, d.magnetic.snapshot(now))
	}
	for _, second := range []*slot{d.inertial2, d.magnetic2} {
		if second != nil {
			s.Sensors = append(s.Sensors, second.snapshot(now))
		}
	}
	s.GoodFor = d.goodFor(g, e.Altitude.Deg)
	if r := d.receiver.status; r != nil {
		s.Sensors = append(s.Sensors, *r)
	}
	if b, ok := d.barometer(now); ok {
		s.Sensors = append(s.Sensors, b)
	}
	if d.display != nil {
		s.Sensors = append(s.Sensors, *d.display)
	}
	s.Warnings = slices.Concat(d.receiverWarnings(), d.watchWarnings(), d.pairWarnings(), d.damageWarnings())
	if d.opt.Journal != nil {
		if w := d.nights.warning; w != nil {
			s.Warnings = append(s.Warnings, *w)
		}
		status := d.nights.status
		s.Log = &status
	}
	d.rearm(now, s)
	d.offerWatch(now, s)
	d.watchDrift(now)
	return s
}

// SetSite changes the place, as entered by a person or a receiver.
func (d *Daemon) SetSite(name string, site astro.Site, source string) error {
	if err := site.Validate(); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.setSite(SiteStatus{Known: true, Name: name, Site: site, Source: source})
	return nil
}

// setSite is SetSite for a caller that holds the lock and has checked the site.
func (d *Daemon) setSite(s SiteStatus) {
	if was := d.place.status; was.Known && distanceM(was.Site, s.Site) > sightingsReachM {
		d.dropSightings("the site was changed")
	}
	d.place = place{status: s, stale: true}
	d.hemisphereOf(&s)
	d.guide.Reset()
	d.nights.sunSeen = false
	if d.opt.Journal != nil && d.nights.on {
		d.opt.Journal.NightSite(*siteRow(&s))
	}
	d.happened(d.opt.Clock.Now(), Event{Kind: EventSiteSet, Text: fmt.Sprintf("The site is %.4f°, %.4f° (%s).", s.Site.LatDeg, s.Site.LonDeg, s.Source),
		Numbers: map[string]float64{"lat_deg": s.Site.LatDeg, "lon_deg": s.Site.LonDeg, "height_m": s.Site.HeightM}})
	d.log.Info("site set", "name", s.Name, "lat_deg", s.Site.LatDeg, "lon_deg", s.Site.LonDeg, "source", s.Source)
}

// SetClock tells the UTC at this moment, from source (ClockGNSS, again and
// again, or ClockEntered), with its 1-sigma error. It is ranked with the other
// clocks; the system's own is left alone.
func (d *Daemon) SetClock(utc time.Time, source string, sigmaS float64) error {
	if !(sigmaS >= 0) || math.IsInf(sigmaS, 0) {
		return fmt.Errorf("clock sigma %v s: give seconds, zero or more", sigmaS)
	}
	if why := implausible(utc, d.opt.NotBefore); why != "" {
		return fmt.Errorf("time %s: %s", utc.UTC().Format(time.RFC3339), why)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.opt.Clock.Now()
	d.keeper.take(reading{source: source, at: now, utc: utc, sigmaS: sigmaS})
	d.utc(now)
	if source != ClockGNSS { // which speaks all the time
		d.log.Info("clock told", "source", source, "offset_s", utc.Sub(d.opt.UTC(now)).Seconds(), "used", d.keeper.status.Source)
	}
	return nil
}
