package main

import (
	"errors"
	"sync"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
)

// hangingBus answers with the address and what was written, unless hang says that
// a transfer waits for a word on it.
type hangingBus struct {
	mu     sync.Mutex
	hang   chan struct{}
	err    error
	closed chan struct{}
	calls  int
}

func (b *hangingBus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	b.calls++
	hang, err := b.hang, b.err
	b.mu.Unlock()
	if hang != nil {
		<-hang
	}
	for i := range r {
		r[i] = byte(addr)
		if i < len(w) {
			r[i] += w[i]
		}
	}
	return err
}

func (b *hangingBus) set(hang chan struct{}, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.hang, b.err = hang, err
}

func (b *hangingBus) count() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.calls
}

func (b *hangingBus) SetSpeed(physic.Frequency) error { return nil }
func (b *hangingBus) String() string                  { return "hanging" }
func (b *hangingBus) Close() error                    { close(b.closed); return nil }

func TestBusLine(t *testing.T) {
	b := &hangingBus{closed: make(chan struct{})}
	l := newBusLine(b)
	var r [2]byte
	if err := l.Tx(0x10, []byte{1, 2}, r[:]); err != nil || r != [2]byte{0x11, 0x12} {
		t.Errorf("% x, %v", r, err)
	}
	b.set(nil, busCause(syscall.EREMOTEIO))
	err := sensors.NewRegisters(l, 0x10, "x").Set("test", 1, 2)
	if !errors.Is(err, syscall.EREMOTEIO) || sensors.NameOf(err) != sensors.FaultNoAnswer || sensors.FaultOf(err) != sensors.FaultBus {
		t.Errorf("%v: %s", err, sensors.NameOf(err))
	}
	b.set(nil, nil)
	var many sync.WaitGroup
	for k := range 8 {
		many.Go(func() {
			for n := range 200 {
				var r [1]byte
				if err := l.Tx(uint16(k), []byte{byte(n)}, r[:]); err != nil || r[0] != byte(k+n) {
					t.Errorf("%d of %d: %d, %v", n, k, r[0], err)
				}
			}
		})
	}
	many.Wait()
	w := []byte{1}
	if n := testing.AllocsPerRun(100, func() { _ = l.Tx(0x10, w, r[:]) }); n != 0 {
		t.Errorf("%v allocations per transfer", n)
	}
	if err := l.Tx(0x10, make([]byte, 300), nil); err == nil {
		t.Error("a transfer of 300 bytes was taken")
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	<-b.closed
}

// TestBusLineHangs: nobody waits for the kernel longer than once, and the bus is
// used again when it lets go.
func TestBusLineHangs(t *testing.T) {
	b := &hangingBus{closed: make(chan struct{})}
	l := newBusLine(b)
	hang := make(chan struct{})
	b.set(hang, nil)
	var r [1]byte
	for range 50 {
		if err := sensors.NewRegisters(l, 0x10, "x").Set("test", 1, 2); sensors.NameOf(err) != sensors.FaultHeldLow || !sensors.Retryable(err) {
			t.Fatalf("%v: %s", err, sensors.NameOf(err))
		}
	}
	if n := b.count(); n != 1 {
		t.Errorf("%d transfers were begun on a bus that hangs", n)
	}
	b.set(nil, nil)
	close(hang)
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		if err := l.Tx(0x20, nil, r[:]); err == nil {
			break
		} else if time.Now().After(end) {
			t.Fatal(err)
		}
	}
	if r[0] != 0x20 {
		t.Errorf("read 0x%02x", r[0])
	}
	// Closed while it hangs, the bus itself is closed once it lets go.
	hang = make(chan struct{})
	b.set(hang, nil)
	if err := l.Tx(0x20, nil, r[:]); err == nil {
		t.Error("a hanging transfer succeeded")
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	select {
	case <-b.closed:
		t.Error("closed under a transfer")
	default:
	}
	close(hang)
	<-b.closed
}

// TestSlowFailureSparesTheNext: an adapter whose time-out was shortened fails
// slowly each time; whoever comes just after is told so without another.
func TestSlowFailureSparesTheNext(t *testing.T) {
	b := &hangingBus{closed: make(chan struct{})}
	l := newBusLine(b)
	hang := make(chan struct{})
	b.set(hang, syscall.ETIMEDOUT)
	time.AfterFunc(2*slow, func() { close(hang) })
	if err := l.Tx(0x10, []byte{1}, nil); !errors.Is(err, syscall.ETIMEDOUT) {
		t.Fatal(err)
	}
	failed := time.Now()
	err := l.Tx(0x10, []byte{1}, nil)
	if time.Since(failed) >= 2*slow {
		t.Skip("this machine stood still until the bus was to be tried again")
	}
	if !errors.Is(err, errHangs) || b.count() != 1 {
		t.Errorf("%v after %d transfers", err, b.count())
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

// TestSlowNoAnswerIsNoHang: a busy machine, or USB, takes its time to find nobody
// at an address; the next one is asked all the same.
func TestSlowNoAnswerIsNoHang(t *testing.T) {
	for range 50 {
		b := &hangingBus{closed: make(chan struct{})}
		l := newBusLine(b)
		hang := make(chan struct{})
		b.set(hang, busCause(syscall.ENXIO))
		time.AfterFunc(2*slow, func() { close(hang) })
		first, second := l.Tx(0x10, []byte{1}, nil), l.Tx(0x11, []byte{1}, nil)
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		if errors.Is(first, errHangs) {
			continue // this machine stood still for longer than patience
		}
		if !errors.Is(second, syscall.ENXIO) || b.count() != 2 {
			t.Errorf("first %v, second %v, %d transfers", first, second, b.count())
		}
		return
	}
	t.Error("this machine stood still fifty times")
}

// TestBusLineDirect: on a bus that is well the caller does the transfer itself; not
// the first one, none after a fault until one went well, and never again with an
// adapter that does not keep its time-out.
func TestBusLineDirect(t *testing.T) {
	b := &hangingBus{closed: make(chan struct{})}
	l := newBusLine(b)
	direct := 0
	var fails error
	var lasts time.Duration
	l.direct = func(addr uint16, w, r []byte) error {
		direct++
		time.Sleep(lasts)
		for i := range r {
			r[i] = byte(addr) + 1
		}
		return fails
	}
	tx := func(what string, wantDirect int, wantErr error) {
		t.Helper()
		var r [1]byte
		before := direct
		err := l.Tx(0x20, []byte{0}, r[:])
		if !errors.Is(err, wantErr) || direct-before != wantDirect || err == nil && int(r[0]) != 0x20+wantDirect {
			t.Errorf("%s: %v, read 0x%02x, %d direct, want %v and %d", what, err, r[0], direct-before, wantErr, wantDirect)
		}
	}
	tx("first", 0, nil)
	if !l.well.Load() {
		t.Skip("this machine stood still in a transfer")
	}
	fails = busCause(syscall.ENXIO)
	tx("second", 1, syscall.ENXIO)
	fails = syscall.EIO
	tx("after nobody answered", 1, syscall.EIO)
	tx("after a fault", 0, nil)
	fails, lasts = nil, 2*slow
	tx("slow", 1, nil)
	lasts = 0
	tx("after a slow one", 0, nil)
	lasts = heedless + slow
	tx("far too slow", 1, nil)
	tx("then", 0, nil)
	tx("and then", 0, nil)
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}
