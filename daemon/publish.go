package daemon

import "sync"

// hub hands every subscriber the newest snapshot and never waits for one.
type hub struct {
	mu     sync.Mutex
	subs   map[chan *Snapshot]struct{}
	latest *Snapshot
	closed bool
}

func (h *hub) publish(s *Snapshot) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.latest = s
	for c := range h.subs {
		select {
		case c <- s:
		default:
			// The reader is behind: replace what it has not taken yet.
			select {
			case <-c:
			default:
			}
			c <- s
		}
	}
}

func (h *hub) subscribe() (<-chan *Snapshot, func()) {
	c := make(chan *Snapshot, 1)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		close(c)
		return c, func() {}
	}
	if h.subs == nil {
		h.subs = make(map[chan *Snapshot]struct{})
	}
	h.subs[c] = struct{}{}
	if h.latest != nil {
		c <- h.latest
	}
	return c, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		if _, ok := h.subs[c]; ok {
			delete(h.subs, c)
			close(c)
		}
	}
}

func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for c := range h.subs {
		close(c)
	}
	h.subs = nil
}

func (h *hub) newest() *Snapshot {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.latest
}
