package alarms

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"plumbstar/daemon/nightlog"
)

// pace is how a courier repeats itself.
type pace struct {
	// first is the wait after the first failure; it doubles up to most. Half of each
	// wait is left to chance, so that many boards do not knock in step.
	first, most time.Duration
	// attempt is the longest that one delivery may take.
	attempt time.Duration
	// parting is how long the last deliveries may take when the program ends.
	parting time.Duration
}

func usualPace(attempt time.Duration) pace {
	return pace{first: time.Second, most: time.Minute, attempt: attempt, parting: 2 * time.Second}
}

// refusedError is a receiver's word that it will never take this message.
type refusedError struct{ err error }

func (e refusedError) Error() string { return e.err.Error() }
func (e refusedError) Unwrap() error { return e.err }

// laterError is a receiver's wish to be asked again after a while.
type laterError struct {
	err   error
	after time.Duration
}

func (e laterError) Error() string { return e.err.Error() }
func (e laterError) Unwrap() error { return e.err }

// patience is how often a message is tried at a receiver that refuses it, before it
// makes way for those behind it.
const patience = 5

// courier delivers the messages of one queue in order, one at a time, again and again.
type courier struct {
	name  string
	pace  pace
	send  func(context.Context, Message) error
	now   func() time.Time
	log   *slog.Logger
	queue *queue
	// keeper outlasts the program; nil: what waits ends with it.
	keeper *nightlog.Log
	// hurry ends a wait: the receiver is known to be there again.
	hurry chan struct{}

	mu  sync.Mutex
	did deeds
}

// deeds are what a courier has done so far.
type deeds struct {
	sent, failed, refused uint64
	inRow                 int // failures since the last success
	refusals              int // of the first message
	lastSent, lastFailed  time.Time
	lastError             string
}

func newCourier(name string, p pace, send func(context.Context, Message) error, now func() time.Time, log *slog.Logger) *courier {
	return &courier{name: name, pace: p, send: send, now: now, log: log, queue: newQueue(), hurry: make(chan struct{}, 1)}
}

// put lets a message wait for its delivery, over a restart too.
func (c *courier) put(m Message) {
	if c.keeper != nil && !m.Trial {
		if body, err := m.body(); err != nil {
			c.log.Error("an alarm is not kept for the next start", "alarm", c.name, "error", err)
		} else { // before it can be delivered
			c.keeper.KeepAlarm(nightlog.KeptAlarm{Way: c.name, Name: m.ID, Message: string(body)})
		}
	}
	if gone := c.queue.put(m); gone != "" {
		c.drop(gone)
	}
}

// drop ends the keeping of a message.
func (c *courier) drop(id string) {
	if c.keeper != nil {
		c.keeper.DropAlarm(c.name, id)
	}
}

// wake ends a wait before the next attempt.
func (c *courier) wake() {
	select {
	case c.hurry <- struct{}{}:
	default:
	}
}

// run delivers until ctx ends, and then once more what waits.
func (c *courier) run(ctx context.Context) {
	for ctx.Err() == nil {
		if !c.deliver(ctx) {
			select {
			case <-c.queue.news:
			case <-ctx.Done():
			}
		}
	}
	c.part(ctx)
}

// deliver tries the first message once, and waits after a failure; it reports
// whether there was one.
func (c *courier) deliver(ctx context.Context) bool {
	m, ok := c.queue.take()
	if !ok {
		return false
	}
	attempt, cancel := context.WithTimeout(ctx, c.pace.attempt)
	err := c.send(attempt, m)
	cancel()
	if err != nil && ctx.Err() != nil {
		c.queue.done(false) // it was us who broke off
		return true
	}
	wait := c.note(m, err)
	if wait == 0 {
		return true
	}
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-t.C:
	case <-c.hurry:
	case <-ctx.Done():
	}
	return true
}

// note books the outcome of one attempt and says how long to wait.
func (c *courier) note(m Message, err error) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	d := &c.did
	if err == nil {
		c.queue.done(true)
		c.drop(m.ID)
		if d.inRow > 0 {
			c.log.Info("alarm receiver is back", "alarm", c.name, "after_failures", d.inRow)
		}
		d.sent++
		d.inRow, d.refusals, d.lastSent = 0, 0, c.now()
		return 0
	}
	d.failed++
	d.inRow++
	d.lastFailed, d.lastError = c.now(), err.Error()
	var refused refusedError
	if errors.As(err, &refused) {
		d.refusals++
	}
	if d.refusals >= patience {
		c.queue.done(true)
		c.drop(m.ID)
		c.log.Error("alarm given up: its receiver does not take it", "alarm", c.name, "id", m.ID, "text", m.Text, "error", err)
		d.refused++
		d.inRow, d.refusals = 0, 0
		return c.pace.first
	}
	c.queue.done(false)
	level := slog.LevelDebug
	if d.inRow == 1 {
		level = slog.LevelWarn
	}
	c.log.Log(context.Background(), level, "alarm not delivered, it will be tried again", "alarm", c.name, "error", err)
	wait := c.pace.wait(d.inRow)
	var later laterError
	if errors.As(err, &later) {
		wait = max(wait, min(later.after, c.pace.most))
	}
	return wait
}

// wait after so many failures in a row.
func (p pace) wait(inRow int) time.Duration {
	w := p.most
	if shift := inRow - 1; shift < 30 && p.first<<shift < p.most {
		w = p.first << shift
	}
	return w/2 + rand.N(w/2+1)
}

// part gives what still waits one last chance.
func (c *courier) part(ctx context.Context) {
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), c.pace.parting)
	defer cancel()
	for {
		m, ok := c.queue.take()
		if !ok {
			return
		}
		if err := c.send(last, m); err != nil {
			c.queue.done(false)
			n, _, _ := c.queue.state()
			if c.keeper != nil {
				c.log.Warn("alarms are not delivered yet: they are sent after the next start", "alarm", c.name, "waiting", n, "error", err)
			} else {
				c.log.Warn("alarms were not delivered before the end", "alarm", c.name, "waiting", n, "error", err)
			}
			return
		}
		c.note(m, nil)
	}
}

func (c *courier) deeds() deeds {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.did
}

// status fills what every queued alarm has.
func (c *courier) status(s *Status) {
	var informed uint64
	s.Queued, s.Dropped, informed = c.queue.state()
	s.DroppedInfo = informed
	s.Capacity = Capacity
	d := c.deeds()
	s.Sent, s.Failed, s.Refused = d.sent, d.failed, d.refused
	s.LastSuccess, s.LastFailure, s.LastError = d.lastSent, d.lastFailed, d.lastError
	switch {
	case d.inRow > 0:
		s.State, s.Why = Retrying, "the last attempt failed: "+d.lastError
		if d.inRow > 1 {
			s.Why = fmt.Sprintf("%d attempts in a row failed: %s", d.inRow, d.lastError)
		}
	case s.Queued > 0:
		s.State = Sending
	default:
		s.State = Ready
	}
}
