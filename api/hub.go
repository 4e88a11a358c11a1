package api

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"plumbstar/daemon"
)

// event is one guidance object as it goes over the wire. It is never changed,
// so that all listeners share the bytes.
type event struct {
	id    string
	frame []byte
}

// hub turns snapshots into events: each is encoded once, whatever the number of
// listeners, and only the newest is kept. A listener that is busy writing finds
// the newest event when it is done; nothing is queued for it.
type hub struct {
	source   Source
	now      func() time.Time
	interval time.Duration // at least that long between two events
	beat     time.Duration // the state is repeated when nothing new came for so long
	silent   time.Duration // no snapshot for so long: the numbers are withdrawn

	listeners atomic.Int64
	events    atomic.Uint64
	dropped   atomic.Uint64

	mu      sync.Mutex
	current *event
	wake    chan struct{} // closed when current is replaced
	scratch Guidance
	size    int
	lastSeq uint64
	seenAt  time.Time // when lastSeq was first seen
	started time.Time
}

func newHub(o *Options) *hub {
	return &hub{
		source: o.Source, now: o.Now, interval: o.EventInterval, beat: o.Heartbeat, silent: o.SilentAfter,
		wake: make(chan struct{}), started: o.Now(), size: 1024,
	}
}

// run feeds the listeners until ctx ends.
func (h *hub) run(ctx context.Context) {
	snapshots := h.source.Subscribe(ctx)
	due := time.NewTimer(0)
	defer due.Stop()
	var sent time.Time
	var pending bool
	for {
		select {
		case <-ctx.Done():
			return
		case _, open := <-snapshots:
			if !open {
				snapshots = nil // the source ended; the beat goes on and says so
				continue
			}
			h.age(h.source.Latest())
			if wait := h.interval - h.now().Sub(sent); wait > 0 {
				if !pending {
					due.Reset(wait)
					pending = true
				}
				continue
			}
		case <-due.C:
		}
		h.publish()
		sent, pending = h.now(), false
		due.Reset(h.beat)
	}
}

// publish makes the newest snapshot the current event and wakes the listeners.
// Without listeners nothing is encoded.
func (h *hub) publish() {
	if h.listeners.Load() == 0 {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.current = h.encode()
	close(h.wake)
	h.wake = make(chan struct{})
	h.events.Add(1)
}

// encode makes an event of the newest snapshot; the caller holds mu.
func (h *hub) encode() *event {
	s := h.source.Latest()
	h.scratch.fill(s)
	ev := &event{id: "0"}
	if s != nil {
		ev.id = formatSeq(s.Seq)
	}
	if silent := h.ageLocked(s); silent >= h.silent {
		h.scratch.withdraw(silent)
		ev.id += "-silent"
	}
	b := make([]byte, 0, h.size)
	b = append(append(append(b, "id: "...), ev.id...), "\ndata: "...)
	b = h.scratch.AppendJSON(b)
	ev.frame = append(b, "\n\n"...)
	h.size = max(h.size, len(ev.frame)+64)
	return ev
}

// first is what a new listener gets at once, and the channel that tells of the
// next event.
func (h *hub) first() (*event, <-chan struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.encode(), h.wake
}

// next is the current event and the channel that tells of the one after it.
func (h *hub) next() (*event, <-chan struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.current, h.wake
}

// guidance is the newest state, withdrawn when the loop is silent.
func (h *hub) guidance() Guidance {
	s := h.source.Latest()
	g := GuidanceFrom(s)
	if silent := h.age(s); silent >= h.silent {
		g.withdraw(silent)
	}
	return g
}

// age is how long ago the snapshot s was first seen here.
func (h *hub) age(s *daemon.Snapshot) time.Duration {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.ageLocked(s)
}

func (h *hub) ageLocked(s *daemon.Snapshot) time.Duration {
	now := h.now()
	switch {
	case s == nil:
		return now.Sub(h.started)
	case s.Seq != h.lastSeq || h.seenAt.IsZero():
		h.lastSeq, h.seenAt = s.Seq, now
	}
	return now.Sub(h.seenAt)
}
