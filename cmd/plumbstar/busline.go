package main

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
)

const (
	// patience is how long a caller waits for a transfer: longer than the shortened
	// time-out of the adapter, for adapters that do not heed that, and than a busy
	// machine lets a goroutine wait (150 ms were too short in an emulated one).
	patience = 400 * time.Millisecond
	// A transfer that fails only after slow has met a bus that is stuck; for as
	// long as rest nobody else is made to wait for the same.
	slow = 30 * time.Millisecond
	rest = 250 * time.Millisecond
	// longestBusJob is the most bytes of a transfer each way.
	longestBusJob = 256
)

// errHangs is the cause of a transfer that was given up, or not begun.
var errHangs = &sensors.BusCause{Fault: sensors.FaultHeldLow, Err: errors.New("the bus hangs")}

// busLine lets one goroutine use a bus, for several users: sensors, air, display.
// When a transfer hangs, its caller is told so after patience, and whoever comes
// meanwhile at once: a bus that is stuck stops neither the loop nor what is read
// from another bus.
type busLine struct {
	bus   i2c.BusCloser
	name  string
	turn  chan struct{} // holds one token: who has it may give a job
	start chan struct{}
	done  chan error
	timer *time.Timer // of who has the token
	job   busJob      // of who has the token, then of the goroutine
	hangs atomic.Bool // the job in work was given up
	lame  atomic.Int64
	// Of the transfers that are no guest's: when the last ended, and when the first
	// after a while was asked for.
	used, tick atomic.Int64
	epoch      time.Time

	mu      sync.Mutex
	gaveUp  bool // the caller of the job in work was sent away
	closing bool
}

// busJob has buffers of its own: a caller that was sent away keeps its own.
type busJob struct {
	addr   uint16
	nw, nr int
	w, r   [longestBusJob]byte
}

func newBusLine(bus i2c.BusCloser) *busLine {
	l := &busLine{
		bus: bus, name: bus.String(), turn: make(chan struct{}, 1), start: make(chan struct{}), done: make(chan error, 1),
		timer: time.NewTimer(time.Hour), epoch: time.Now(),
	}
	l.timer.Stop()
	l.turn <- struct{}{}
	go l.work()
	return l
}

// work does the jobs, one after the other, until the line is closed.
func (l *busLine) work() {
	for range l.start {
		j := &l.job
		began := time.Since(l.epoch)
		err := l.bus.Tx(j.addr, j.w[:j.nw], j.r[:j.nr])
		if end := time.Since(l.epoch); err != nil && !isNoAck(err) && end-began >= slow {
			l.lame.Store(int64(end + rest))
		}
		l.mu.Lock()
		if !l.gaveUp {
			l.done <- err
			l.mu.Unlock()
			continue
		}
		l.gaveUp = false
		l.hangs.Store(false)
		closing := l.closing
		l.mu.Unlock()
		if closing {
			_ = l.bus.Close() // nobody waits for it any more
			return
		}
		l.turn <- struct{}{}
	}
}

// Tx does one transfer, when those before are done.
func (l *busLine) Tx(addr uint16, w, r []byte) error {
	if now := int64(time.Since(l.epoch)); now-l.used.Load() > int64(guestFrom) {
		l.tick.Store(now)
	}
	err := l.transfer(addr, w, r)
	l.used.Store(int64(time.Since(l.epoch)))
	return err
}

func (l *busLine) transfer(addr uint16, w, r []byte) error {
	if len(w) > longestBusJob || len(r) > longestBusJob {
		return fmt.Errorf("%s: transfer of %d and %d bytes with 0x%02x: at most %d are done", l.name, len(w), len(r), addr, longestBusJob)
	}
	if int64(time.Since(l.epoch)) < l.lame.Load() || !l.take() {
		return l.stuck(addr)
	}
	j := &l.job
	j.addr, j.nw, j.nr = addr, copy(j.w[:], w), len(r)
	l.timer.Reset(patience)
	l.start <- struct{}{}
	var err error
	select {
	case err = <-l.done:
	case <-l.timer.C:
		l.mu.Lock()
		select {
		case err = <-l.done: // just now
		default:
			l.gaveUp = true
			l.hangs.Store(true)
			l.mu.Unlock()
			return l.stuck(addr)
		}
		l.mu.Unlock()
	}
	l.timer.Stop()
	copy(r, j.r[:j.nr])
	l.turn <- struct{}{}
	return err
}

// take gets the token, within patience and only while nothing hangs.
func (l *busLine) take() bool {
	select {
	case <-l.turn:
		return true
	default:
	}
	if l.hangs.Load() {
		return false
	}
	t := time.NewTimer(patience)
	defer t.Stop()
	select {
	case <-l.turn:
		return true
	case <-t.C:
		return false
	}
}

func (l *busLine) stuck(addr uint16) error {
	return fmt.Errorf("%s: transfer with 0x%02x: %w", l.name, addr, errHangs)
}

// SetSpeed asks the bus.
func (l *busLine) SetSpeed(f physic.Frequency) error { return l.bus.SetSpeed(f) }

// String is the name of the bus.
func (l *busLine) String() string { return l.name }

// Close closes the bus, at once or when the transfer that hangs returns. The line
// must not be used afterwards.
func (l *busLine) Close() error {
	if l.take() {
		close(l.start)
		return l.bus.Close()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.gaveUp {
		l.closing = true
		return nil
	}
	// The job ended meanwhile; its goroutine gave or gives the token back.
	<-l.turn
	close(l.start)
	return l.bus.Close()
}
