package alarms

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// buzzer drives a buzzer or light at a pin.
type buzzer struct {
	pin  gpio.PinOut
	name string
	high gpio.Level // the level that sounds
	// clock is monotonic.
	clock func() time.Duration
	now   func() time.Time
	log   *slog.Logger

	mu     sync.Mutex
	player player
	shown  tone
	set    bool // shown is what the pin has
	noPWM  bool
	did    deeds
	rouse  chan struct{}
	found  [16]finding
	next   int
}

// finding is the worst that was sounded of one.
type finding struct{ id, rank int }

func newBuzzer(pin gpio.PinOut, name string, activeLow bool, clock func() time.Duration, now func() time.Time, log *slog.Logger) *buzzer {
	return &buzzer{pin: pin, name: name, high: gpio.Level(!activeLow), clock: clock, now: now, log: log, rouse: make(chan struct{}, 1)}
}

// alarm sounds a message. Further reports of one finding sound only when they are worse.
func (b *buzzer) alarm(m Message) {
	b.mu.Lock()
	if m.Finding == 0 || b.worse(m.Finding, rank(m.Severity)) {
		b.player.alarm(b.clock(), m.Severity, false)
		b.did.sent++
		b.did.lastSent = b.now()
	}
	b.mu.Unlock()
	b.wake()
}

func (b *buzzer) worse(id, rank int) bool {
	for i := range b.found {
		if f := &b.found[i]; f.id == id {
			if rank <= f.rank {
				return false
			}
			f.rank = rank
			return true
		}
	}
	b.found[b.next] = finding{id, rank}
	b.next = (b.next + 1) % len(b.found)
	return true
}

// try plays each pattern once.
func (b *buzzer) try() {
	b.mu.Lock()
	for _, s := range []string{attention, moved, sensorLost} {
		b.player.alarm(b.clock(), s, true)
	}
	b.mu.Unlock()
	b.wake()
}

// guide takes the newest snapshot; with hush nothing is sounded of it, and its
// movement does not count.
func (b *buzzer) guide(s *daemon.Snapshot, hush bool) {
	e := s.Guidance.Error
	old := s.Estimate.State == estimator.Stale || s.Estimate.State == estimator.Lost
	b.mu.Lock()
	b.player.guide(heading{at: b.clock(), known: e.Known && !old && !hush, errorDeg: e.Deg, sigmaDeg: e.SigmaDeg, moving: s.Estimate.State == estimator.Moving && !hush})
	b.mu.Unlock()
	b.wake()
}

func (b *buzzer) wake() {
	select {
	case b.rouse <- struct{}{}:
	default:
	}
}

// run drives the pin until ctx ends and leaves it silent.
func (b *buzzer) run(ctx context.Context) {
	t := time.NewTimer(0)
	defer t.Stop()
	for {
		select {
		case <-t.C:
		case <-b.rouse:
		case <-ctx.Done():
			b.mu.Lock()
			b.apply(tone{})
			b.mu.Unlock()
			return
		}
		if until := b.step(b.clock()); until > 0 {
			t.Reset(max(until-b.clock(), 0))
		} else {
			t.Stop()
		}
	}
}

// step sets the pin to what sounds at now, and says when to look again; 0: when
// something new comes.
func (b *buzzer) step(now time.Duration) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	t, until := b.player.at(now)
	if !b.set || t != b.shown {
		b.apply(t)
	}
	return until
}

// apply sets the pin; the caller holds the lock.
func (b *buzzer) apply(t tone) {
	var err error
	switch {
	case t.on && !b.noPWM:
		if err = b.pin.PWM(gpio.DutyHalf, physic.Frequency(t.hz*float64(physic.Hertz))); err == nil {
			break
		}
		// Most pins have no PWM: rhythm alone then.
		b.noPWM = true
		err = b.pin.Out(b.high)
	case t.on:
		err = b.pin.Out(b.high)
	default:
		err = b.pin.Out(!b.high)
	}
	if err != nil {
		err = fmt.Errorf("pin %s: %w: check that nothing else uses it, and the program's right to use it (group gpio)", b.name, err)
		if b.did.inRow == 0 {
			b.log.Warn("the buzzer cannot be driven", "error", err)
		}
		b.did.inRow++
		b.did.failed++
		b.did.lastFailed, b.did.lastError = b.now(), err.Error()
		b.set = false
		return
	}
	b.shown, b.set, b.did.inRow = t, true, 0
}

func (b *buzzer) status(s *Status) {
	b.mu.Lock()
	defer b.mu.Unlock()
	d := &b.did
	s.State, s.Connected = Ready, true
	if d.inRow > 0 {
		s.State, s.Why, s.Connected = Faulty, d.lastError, false
	} else if b.player.playing != nil {
		s.State = Sending
	}
	s.Sent, s.Failed = d.sent, d.failed
	s.LastSuccess, s.LastFailure, s.LastError = d.lastSent, d.lastFailed, d.lastError
}
