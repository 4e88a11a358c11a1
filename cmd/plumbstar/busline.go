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
	// adapterTimeout is how long a transfer may wait for the adapter: the longest
	// burst at 100 kHz takes 3 ms, stretching included 10 ms, and the default of a
	// second would stop the loop for as long.
	adapterTimeout = 50 * time.Millisecond
	// patience is how long a caller waits for a transfer: longer than the shortened
	// time-out of the adapter, for adapters that do not heed that, and than a busy
	// machine lets a goroutine wait (150 ms were too short in an emulated one).
	patience = 400 * time.Millisecond
	// A transfer that fails only after slow has met a bus that is stuck; for as
	// long as rest nobody else is made to wait for the same.
	slow = 30 * time.Millisecond
	rest = 250 * time.Millisecond
	// An adapter that takes longer for one transfer does not keep the time-out that
	// it was given: no caller does transfers itself any more.
	heedless = 4 * adapterTimeout
	// longestBusJob is the most bytes of a transfer each way.
	longestBusJob = 256
)

// errHangs is the cause of a transfer that was given up, or not begun.
var errHangs = &sensors.BusCause{Fault: sensors.FaultHeldLow, Err: errors.New("the bus hangs")}

// busLine lets one goroutine use a bus, for several users: sensors, air, display.
// When a transfer hangs, its caller is told so after patience, and whoever comes
// meanwhile at once: a bus that is stuck stops neither the loop nor what is read
// from another bus. While all is well and the adapter keeps its time-out, the
// caller does the transfer itself: that wakes nobody.
type busLine struct {
	bus i2c.BusCloser
	// direct, where set, is Tx for a bus that is well; well says that it is.
	direct func(addr uint16, w, r []byte) error
	well   atomic.Bool
	name   string
	turn   chan struct{} // holds one token: who has it may give a job
	start  chan struct{}
	done   chan error
	timer  *time.Timer // of who has the token
	job    busJob      // of who has the token, then of the goroutine
	hangs  atomic.Bool // the job in work was given up
	lame   atomic.Int64
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
		l.judge(began, err)
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

// judge says after a transfer what the next may expect.
func (l *busLine) judge(began time.Duration, err error) {
	end := time.Since(l.epoch)
	took, fails := end-began, err != nil && !isNoAck(err)
	if fails && took >= slow {
		l.lame.Store(int64(end + rest))
	}
	l.well.Store(!fails && took < slow)
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
		return fmt.Errorf("%d bytes to write and %d to read: at most %d are transferred at once", len(w), len(r), longestBusJob)
	}
	if int64(time.Since(l.epoch)) < l.lame.Load() || !l.take() {
		return errHangs
	}
	j := &l.job
	j.addr, j.nw, j.nr = addr, copy(j.w[:], w), len(r)
	if l.direct != nil && l.well.Load() {
		began := time.Since(l.epoch)
		err := l.direct(j.addr, j.w[:j.nw], j.r[:j.nr])
		l.judge(began, err)
		if time.Since(l.epoch)-began > heedless {
			l.direct = nil
		}
		copy(r, j.r[:j.nr])
		l.turn <- struct{}{}
		return err
	}
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
			return errHangs
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
