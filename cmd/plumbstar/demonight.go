package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"sync/atomic"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
)

// demoDir is where a demo keeps its state, and whether it ends with the demo.
func demoDir(asked string) (dir string, temporary bool, err error) {
	if asked != "" {
		if err := os.MkdirAll(asked, 0o750); err != nil {
			return "", false, fmt.Errorf("state directory: %w: choose another with --state-dir", err)
		}
		return asked, false, nil
	}
	dir, err = os.MkdirTemp("", "plumbstar-demo-")
	return dir, true, err
}

// demoLog is the night log of simulated time. A disk cannot follow a clock that
// runs as fast as the machine computes, so the clock waits for it now and then.
type demoLog struct {
	log  *nightlog.Log
	fast bool
	next time.Duration
}

const (
	// demoCommit is how long records wait for the disk in a demo that runs faster
	// than real time and fills the queue faster.
	demoCommit = time.Second
	demoWait   = 10 * time.Minute // simulated, between two waits for the disk
)

func newDemoLog(dir string, o *daemon.Options, speed float64) *demoLog {
	now := o.Clock.Now()
	l := &demoLog{fast: speed == 0 || speed > 20}
	every := nightlog.DefaultEvery
	if speed != 1 {
		every = demoCommit
	}
	l.log = nightlog.Start(nightlog.Options{Dir: dir, Every: every, Log: o.Log, Opened: nightlog.Moment{
		At: now, UTC: o.UTC(now), SigmaS: o.ClockSigmaS, Source: o.ClockSource,
	}})
	o.Journal = l.log
	return l
}

// keepUp lets a fast clock wait for the disk. A log in trouble is not waited for.
func (l *demoLog) keepUp(ctx context.Context, now time.Duration) {
	if !l.fast || now < l.next {
		return
	}
	l.next = now + demoWait
	if l.log.Health().Problem == nil {
		_ = l.log.Flush(ctx) // what is wrong, health says
	}
}

func (l *demoLog) close(log *slog.Logger) {
	if err := l.log.Close(); err != nil {
		log.Error("the night log was not closed in order", "error", err)
	}
}

// armBy is when the person of a demo arms the watch at the latest.
const armBy = 3 * time.Minute

// armInTime arms the watch when it is offered, and then takes the hands away.
func armInTime(ctx context.Context, d *daemon.Daemon, begin time.Duration, away *atomic.Bool) {
	for s := range d.Subscribe(ctx) {
		if w := d.Watch(); !w.Offered && s.Mono-begin < armBy {
			continue
		}
		if _, err := d.ArmWatch(daemon.Arming{}); err == nil {
			away.Store(true)
			return
		}
	}
}
