package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"sync"
	"time"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/gnss"
)

const (
	// kernelEvery is how often the kernel is asked about its clock; the daemon
	// wants to hear of it once a minute.
	kernelEvery = 15 * time.Second
	// tellEvery is how often the daemon hears of place and time.
	tellEvery = 5 * time.Second
	// fewestFixes are averaged before the daemon hears of the place: the first ones
	// after a cold start wander.
	fewestFixes = 3
	// fixPatience is how long a receiver may look for satellites before a warning.
	fixPatience = time.Minute
)

// locator follows a satellite receiver and the kernel's clock, and tells the
// daemon. What the receiver says goes through gnss's average and timing; what
// becomes of it is the daemon's to decide.
type locator struct {
	d     *daemon.Daemon
	clock sensors.Clock
	log   *slog.Logger
	// quiet is set while a receiver that nobody asked for may be absent.
	quiet bool

	mu     sync.Mutex
	mean   gnss.Mean
	timing *gnss.Timing
	status daemon.SensorStatus
	// fix is the newest report and fixedAt the arrival of the newest one with a
	// position, upAt when data began to flow, tellAt when the daemon is told again,
	// timeWrong why the receiver's time is not taken.
	fix       gnss.Fix
	fixed     bool
	upAt      time.Duration
	tellAt    time.Duration
	fixedAt   time.Duration
	fixes     uint64 // since rateAt
	rateAt    time.Duration
	timeWrong string
	lost      string // why, while State is "lost"
}

// locate starts to follow what the settings name until ctx ends; wait returns
// when all has ended.
func locate(ctx context.Context, set config.GNSS, clock sensors.Clock, d *daemon.Daemon, log *slog.Logger) (wait func()) {
	l := &locator{d: d, clock: clock, log: log, quiet: set.Source == config.Auto}
	l.status = daemon.SensorStatus{Name: "gnss", State: "starting", AgeS: -1, TempC: math.NaN(), Faults: map[string]uint64{}}
	var run func(context.Context)
	if addr := set.Server(gnss.DefaultGpsd); addr != "" {
		l.status.Device = "gpsd at " + addr
		l.timing = gnss.NewTiming(gnss.GpsdLatency())
		c := &gnss.Client{Addr: addr, Clock: clock, Sink: l.sink()}
		run = c.Run
	} else if port := set.Port(); port != "" {
		l.status.Device = port
		l.timing = gnss.NewTiming(gnss.SerialLatency())
		r := &gnss.Receiver{Clock: clock, Sink: l.sink(), Open: func(attempt int) (io.ReadCloser, string, error) {
			return openSerial(port, set.Baud, attempt)
		}}
		run = r.Run
	}
	var all sync.WaitGroup
	if run != nil {
		l.publish(clock.Now())
		all.Go(func() { run(ctx) })
	}
	all.Go(func() { l.watch(ctx, run != nil) })
	return all.Wait
}

// watch asks the kernel now and then, and lets the age of the last fix grow.
func (l *locator) watch(ctx context.Context, receiver bool) {
	t := time.NewTicker(kernelEvery)
	defer t.Stop()
	failed := false
	for {
		synchronised, sigmaS, err := kernelClock()
		if err == nil {
			err = l.d.NoteSystemClock(synchronised, sigmaS)
		}
		if err != nil && !failed {
			l.log.Warn("clock", "error", err)
		}
		failed = err != nil
		if receiver {
			l.mu.Lock()
			l.publish(l.clock.Now())
			l.mu.Unlock()
		}
		select {
		case <-t.C:
		case <-ctx.Done():
			return
		}
	}
}

func (l *locator) sink() gnss.Sink {
	return gnss.Sink{Fix: l.takeFix, Up: l.up, Down: l.down, Bad: l.bad}
}

func (l *locator) takeFix(f gnss.Fix) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.clock.Now()
	l.status.Samples++
	l.fixes++
	if d := now - l.rateAt; d >= tellEvery {
		l.status.RateHz = float64(l.fixes) / d.Seconds()
		l.fixes, l.rateAt = 0, now
	}
	if l.fixed && l.fix.Mode != f.Mode || !l.fixed && f.Mode != gnss.NoFix {
		l.log.Info("satellite receiver", "fix", f.Mode.String(), "satellites", f.Used, "hdop", f.HDOP)
	}
	l.fix = f
	if f.Mode != gnss.NoFix {
		l.fixed, l.fixedAt = true, f.At
		if l.mean.Add(&f) {
			l.log.Info("satellite receiver moved: its place is averaged anew")
		}
		l.timing.Add(&f)
		if !math.IsNaN(f.MagvarDeg) {
			l.d.NoteMagvar(f.MagvarDeg)
		}
	}
	if now >= l.tellAt {
		l.tellAt = now + tellEvery
		l.tell()
	}
	l.publish(now)
}

// tell hands the average and the time to the daemon.
func (l *locator) tell() {
	if l.fix.Mode == gnss.NoFix {
		return
	}
	if p, ok := l.mean.Position(); ok && p.Fixes >= fewestFixes {
		place := daemon.Position{Site: astro.Site{LatDeg: p.LatDeg, LonDeg: p.LonDeg}, HorizontalSigmaM: p.HorizontalSigmaM()}
		if !math.IsNaN(p.HeightM) {
			place.Site.HeightM, place.HeightKnown = p.HeightM, true
		}
		if err := l.d.NotePosition(place); err != nil {
			l.log.Warn("satellite receiver", "error", err)
		}
	}
	utc, sigmaS, ok := l.timing.UTC(l.clock.Now())
	if !ok {
		return
	}
	why := ""
	if err := l.d.SetClock(utc, daemon.ClockGNSS, sigmaS); err != nil {
		why = err.Error()
		if why != l.timeWrong {
			l.log.Warn("satellite receiver", "error", err)
		}
	}
	l.timeWrong = why
}

func (l *locator) up(device string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.log.Info("satellite receiver found", "device", device)
	if l.status.Samples > 0 {
		l.status.Recoveries++
	}
	l.quiet = false
	l.status.Device, l.status.State = device, "ok"
	l.status.Fault, l.status.Advice = "", ""
	l.upAt = l.clock.Now()
	l.fixes, l.rateAt = 0, l.upAt
	l.publish(l.upAt)
}

func (l *locator) down(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.quiet {
		l.log.Debug("no satellite receiver", "reason", err)
		return
	}
	l.log.Warn("satellite receiver lost", "error", err)
	l.status.State, l.status.RateHz = "lost", 0
	l.status.Errors++
	l.status.LastError, l.lost = err.Error(), err.Error()
	l.status.Fault, l.status.Advice = gnss.FaultOf(err)
	l.status.Faults[string(l.status.Fault)]++
	l.publish(l.clock.Now())
}

// bad counts lines that could not be used; the newest is kept to be looked at.
func (l *locator) bad(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.status.Errors++
	l.status.LastError = err.Error()
}

// publish shows how the receiver fares. The caller holds the lock, or is alone.
func (l *locator) publish(now time.Duration) {
	if l.quiet {
		return
	}
	s := l.status
	s.Faults = make(map[string]uint64, len(l.status.Faults))
	for k, v := range l.status.Faults {
		s.Faults[k] = v
	}
	if s.Samples > 0 {
		s.AgeS = l.fix.Age(now).Seconds()
	}
	l.d.NoteReceiver(&s, l.warnings(now))
}

func (l *locator) warnings(now time.Duration) []estimator.Warning {
	var out []estimator.Warning
	say := func(code, format string, a ...any) {
		out = append(out, estimator.Warning{Code: code, Text: fmt.Sprintf(format, a...)})
	}
	switch l.status.State {
	case "lost":
		say("gnss-lost", "No satellite receiver: %s.", l.lost)
		return out
	case "starting":
		return nil
	}
	switch {
	case l.fix.Mode != gnss.NoFix:
	case l.fix.Doubt != "":
		say("gnss-no-fix", "The satellite receiver's position is not taken: %s.", l.fix.Doubt)
	case now-max(l.upAt, l.fixedAt) > fixPatience:
		say("gnss-no-fix", "The satellite receiver has no fix: give its antenna a free view of the night sky.")
	}
	if l.timeWrong != "" {
		say("gnss-time", "The time of the satellite receiver is not taken: %s. Old receivers lose count of the weeks; enter the time instead.", l.timeWrong)
	}
	return out
}
