package alarms

import (
	"context"
	"io"
	"log/slog"
	"strconv"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
)

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// quick is a pace for tests.
func quick() pace {
	return pace{first: 2 * ms, most: 20 * ms, attempt: 100 * ms, parting: 200 * ms}
}

func waitFor(t testing.TB, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(2 * ms) {
		if is() {
			return
		}
	}
	t.Fatalf("waited in vain for %s", what)
}

func message(n int, severity string) Message {
	return Message{ID: "run-" + strconv.Itoa(n), Board: "larkmoor", Kind: "knock", Severity: severity, Text: "Moved by 0.1°.", Final: true}
}

// fakeSource publishes what a test gives it.
type fakeSource struct {
	mu     sync.Mutex
	snap   *daemon.Snapshot
	events chan daemon.Event
	snaps  chan *daemon.Snapshot
	armed  bool
}

func newFakeSource() *fakeSource {
	return &fakeSource{events: make(chan daemon.Event), snaps: make(chan *daemon.Snapshot)}
}

func (f *fakeSource) Latest() *daemon.Snapshot {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.snap
}

func (f *fakeSource) set(s *daemon.Snapshot) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snap = s
}

func (f *fakeSource) Subscribe(ctx context.Context) <-chan *daemon.Snapshot {
	out := make(chan *daemon.Snapshot)
	go func() {
		defer close(out)
		for {
			select {
			case s := <-f.snaps:
				select {
				case out <- s:
				case <-ctx.Done():
					return
				}
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

func (f *fakeSource) Watch() daemon.WatchStatus {
	f.mu.Lock()
	defer f.mu.Unlock()
	return daemon.WatchStatus{Armed: f.armed}
}

func (f *fakeSource) Events(ctx context.Context, _ uint64) <-chan daemon.Event {
	out := make(chan daemon.Event)
	go func() {
		defer close(out)
		for {
			select {
			case e, ok := <-f.events:
				if !ok {
					return
				}
				select {
				case out <- e:
				case <-ctx.Done():
					return
				}
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

// options of alarms that a test completes.
func options(src *fakeSource, set func(*config.Alarms)) Options {
	s := config.Defaults().Alarms
	set(&s)
	began := time.Now()
	return Options{
		Settings: s, Source: src, Board: "larkmoor", ID: "plumbstar-1", Run: "run", Version: "test",
		Now: time.Now, Clock: func() time.Duration { return time.Since(began) }, Zone: time.UTC,
		Pin: func(string) (gpio.PinOut, error) { return nil, io.ErrUnexpectedEOF }, Log: quiet(),
	}
}

// start runs alarms at the pace of tests; end stops them and waits.
func start(t *testing.T, o Options) (a *Alarms, end func()) {
	t.Helper()
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range a.all {
		if x.courier != nil {
			x.courier.pace = quick()
		}
	}
	if a.broker != nil {
		a.broker.pace, a.broker.look = quick(), 100*ms
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		a.Run(ctx)
	}()
	var once sync.Once
	end = func() { once.Do(func() { cancel(); <-done }) }
	t.Cleanup(end)
	return a, end
}

func statusOf(t *testing.T, a *Alarms, name string) Status {
	t.Helper()
	for _, s := range a.List() {
		if s.Name == name {
			return s
		}
	}
	t.Fatalf("no alarm %s", name)
	return Status{}
}
