package alarms

import "sync"

// Capacity is how many messages wait for one receiver.
const Capacity = 256

// queue keeps the order of messages for one receiver and never blocks. When it is
// full, the oldest of the least severe goes, be it the new one.
type queue struct {
	mu       sync.Mutex
	waiting  []Message
	flying   bool // the first is on its way and stays
	news     chan struct{}
	dropped  uint64
	informed uint64 // of them, informational ones
}

func newQueue() *queue { return &queue{news: make(chan struct{}, 1)} }

// put adds a message and returns the ID of the one that makes room for it, or "".
func (q *queue) put(m Message) (gone string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting = append(q.waiting, m)
	if len(q.waiting) > Capacity {
		gone = q.drop()
	}
	select {
	case q.news <- struct{}{}:
	default:
	}
	return gone
}

// drop removes one message; the caller holds the lock.
func (q *queue) drop() (id string) {
	least := 0
	if q.flying {
		least = 1
	}
	for i := least + 1; i < len(q.waiting); i++ {
		if rank(q.waiting[i].Severity) < rank(q.waiting[least].Severity) {
			least = i
		}
	}
	q.dropped++
	if q.waiting[least].Severity == info {
		q.informed++
	}
	id = q.waiting[least].ID
	q.waiting = append(q.waiting[:least], q.waiting[least+1:]...)
	return id
}

// take gives the first message, which stays until done.
func (q *queue) take() (Message, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.waiting) == 0 {
		return Message{}, false
	}
	q.flying = true
	return q.waiting[0], true
}

// done removes the message that was taken, or leaves it.
func (q *queue) done(remove bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.flying = false
	if remove {
		q.waiting[0] = Message{}
		q.waiting = q.waiting[1:]
		if len(q.waiting) == 0 {
			q.waiting = nil
		}
	}
}

func (q *queue) state() (waiting int, dropped, informed uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.waiting), q.dropped, q.informed
}
