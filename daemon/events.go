package daemon

import (
	"context"
	"sync"
	"time"
)

// Severity says how much somebody should care about an event.
type Severity string

const (
	// Info is for the record: nothing needs to be done.
	Info Severity = "info"
	// Attention asks for a look when there is time: shaking, steel near the
	// compass, a night log that cannot be written.
	Attention Severity = "attention"
	// Moved: the axis no longer points where it did when the watch was armed.
	Moved Severity = "moved"
	// SensorLost: a sensor does not answer, and what it measured is not known now.
	SensorLost Severity = "sensor-lost"
)

// Event is something that happened. An event is never changed after it was
// published; readers may keep it, and must not change its Numbers.
type Event struct {
	// ID counts the events of this start of the program from 1, without gaps.
	ID uint64
	// Time is the UTC that the daemon believed in then. TimeSure is false when
	// that clock could not be right.
	Time     time.Time
	TimeSure bool
	// Mono is the monotonic time of the event, Began that of what it is about: a
	// knock is told about a second after it began, a creep minutes later.
	Mono, Began time.Duration
	// Kind is a stable, machine-readable name. A finding of the watch has its kind
	// ("knock", "slip", "creep", "nudge", "roll", "head-stopped", "shaking",
	// "field-change", "gap"); further kinds are the Event… constants.
	Kind     string
	Severity Severity
	// Text says it in a sentence or two: what, how much, what follows.
	Text string
	// Numbers go with it. Keys end in the unit; the 1 sigma of "size_deg" is
	// "size_sigma_deg". What is not known is absent.
	Numbers map[string]float64
	// Finding joins the reports about one finding of the watch, 0 for other
	// events; a later one takes the place of those before it, and Final is the
	// last. A knock that turns out to be a nudge ends with the severity info.
	Finding int
	Final   bool
	// Quiet is true in the quiet hours of the settings for what can wait: show it,
	// but make no noise and wake nobody.
	Quiet bool
	// Trial is true for an alarm that somebody only tries.
	Trial bool
	// Missed is how many events before this one the reader of Events was too late
	// for. It is 0 in RecentEvents.
	Missed uint64
}

// Kinds of events beside those of the watch's findings.
const (
	EventSensorLost    = "sensor-lost"
	EventSensorFound   = "sensor-found"
	EventWatchArmed    = "watch-armed"
	EventWatchDisarmed = "watch-disarmed"
	// EventWatchRenewed: the pose of now became the reference, because the
	// sensors' calibration or the program itself changed.
	EventWatchRenewed = "watch-renewed"
	// EventWatchOffered: steady and good enough for a lens of the kit.
	EventWatchOffered = "watch-offered"
	EventAcknowledged = "acknowledged"
	// EventDrift: the reading drifted with the temperature and the axis did not move.
	EventDrift      = "sensor-drift"
	EventTrial      = "alarm-trial"
	EventClockStep  = "clock-step"
	EventSiteSet    = "site-set"
	EventNightBegan = "night-began"
	EventNightEnded = "night-ended"
	EventLogTrouble = "log-trouble"
	EventLogResumed = "log-resumed"
)

// eventsKept is how many events are remembered for those who come late: a night
// of a few an hour.
const eventsKept = 256

// bus hands events to any number of readers and never waits for one: a reader
// that is later than eventsKept is told how many it missed.
type bus struct {
	mu     sync.Mutex
	ring   [eventsKept]Event
	last   uint64        // ID of the newest, 0 before the first
	wake   chan struct{} // closed when something new came or the bus closed
	closed bool
}

// publish numbers e and keeps it.
func (b *bus) publish(e Event) Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.last++
	e.ID = b.last
	b.ring[e.ID%eventsKept] = e
	b.rouse()
	return e
}

func (b *bus) close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = true
	b.rouse()
}

// rouse wakes all who wait; the caller holds the lock.
func (b *bus) rouse() {
	if b.wake != nil {
		close(b.wake)
		b.wake = nil
	}
}

// oldest is the ID of the oldest event that is kept; the caller holds the lock.
func (b *bus) oldest() uint64 {
	if b.last < eventsKept {
		return 1
	}
	return b.last - eventsKept + 1
}

// next gives the event after that with the ID after. When there is none yet, ok is
// false and wake is closed as soon as there may be; wake is nil when there never
// will be.
func (b *bus) next(after uint64) (e Event, ok bool, wake <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if after > b.last {
		after = 0 // counted by another start of the program
	}
	if after == b.last {
		if b.closed {
			return Event{}, false, nil
		}
		if b.wake == nil {
			b.wake = make(chan struct{})
		}
		return Event{}, false, b.wake
	}
	id := max(after+1, b.oldest())
	e = b.ring[id%eventsKept]
	if after > 0 {
		e.Missed = id - after - 1
	}
	return e, true, nil
}

func (b *bus) recent(after uint64, limit int) []Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	if after > b.last {
		after = 0
	}
	out := []Event{}
	for id := max(after+1, b.oldest()); id <= b.last && len(out) < limit; id++ {
		out = append(out, b.ring[id%eventsKept])
	}
	return out
}

// Events gives all events after the one with the ID after, those that are still
// kept first (the newest 256), then each as it happens. After 0 gives all that
// are kept; an ID that this start of the program has not reached counts as 0, so
// that a reader who outlives the daemon can go on. The daemon never waits for
// a reader: one who is later than 256 events finds the number of those lost in
// Missed. The channel is closed when ctx or the daemon ends.
func (d *Daemon) Events(ctx context.Context, after uint64) <-chan Event {
	out := make(chan Event)
	go func() {
		defer close(out)
		for {
			e, ok, wake := d.bus.next(after)
			if !ok {
				if wake == nil {
					return
				}
				select {
				case <-wake:
					continue
				case <-ctx.Done():
					return
				}
			}
			select {
			case out <- e:
				after = e.ID
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

// RecentEvents are up to limit of the kept events after the one with the ID after,
// oldest first.
func (d *Daemon) RecentEvents(after uint64, limit int) []Event { return d.bus.recent(after, limit) }

// happened dates an event, publishes it and puts it into the night log. The
// caller holds the lock. Severity defaults to Info, Began to now.
func (d *Daemon) happened(now time.Duration, e Event) Event {
	e.Mono = now
	if e.Began == 0 {
		e.Began = now
	}
	if e.Severity == "" {
		e.Severity = Info
	}
	utc := d.keeper.utc.Add(now - d.keeper.lastMono)
	if !d.keeper.looked {
		utc = d.opt.UTC(now)
	}
	e.Time = utc.UTC().Round(time.Millisecond)
	e.TimeSure = d.clockStatus(utc).Plausible
	e.Quiet = e.Severity != Moved && e.Severity != SensorLost && d.opt.Watch.quietAt(utc)
	e = d.bus.publish(e)
	d.journal(&e)
	return e
}
