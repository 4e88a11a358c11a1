package display

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// board is a daemon that says what it is told to.
type board struct {
	mu     sync.Mutex
	snap   *daemon.Snapshot
	status []daemon.SensorStatus
	code   string
	armed  bool
	lost   int
}

func (b *board) Latest() *daemon.Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.snap
}

func (b *board) Watch() daemon.WatchStatus { return daemon.WatchStatus{Armed: b.armed} }

func (b *board) NoteDisplay(s *daemon.SensorStatus) { b.status = append(b.status, *s) }

func (b *board) newest() daemon.SensorStatus {
	if len(b.status) == 0 {
		return daemon.SensorStatus{}
	}
	return b.status[len(b.status)-1]
}

type rig struct {
	*Display
	board *board
	bus   *sim.Bus
	chip  *sim.SSD1306
	clock *sim.Clock
	log   *bytes.Buffer
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{board: &board{snap: snapshotOf(estimator.Steady, astro.North, deg(0.4, 0.09), deg(1.19, 0.9))}, log: &bytes.Buffer{}}
	r.bus, r.chip, r.clock = simulated(t, 0x3c)
	var err error
	r.Display, err = New(Options{
		Settings: settings(), Source: r.board, Clock: r.clock.Now, Log: slog.New(slog.NewTextHandler(r.log, nil)),
		Find: func(try func(i2c.Bus) error) error { return try(r.bus) },
		Lost: func() { r.board.lost++ },
		Page: func() string { return "http://192.168.4.1:8484/" },
		Code: func() string { return r.board.code },
	})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// pass lets time go by, with snapshots that are new.
func (r *rig) pass(d time.Duration) {
	for end := r.clock.Now() + d; r.clock.Now() < end; {
		s := *r.board.snap
		s.Mono = r.clock.Now()
		r.board.snap = &s
		r.step(r.clock.Now())
		r.clock.Sleep(stepEvery)
	}
}

// shows reports whether the glass shows what is to be shown now.
func (r *rig) shows() bool { return differ(r.chip.Glass(), Draw(r.shown), false) == 0 }

func TestDisplayFollows(t *testing.T) {
	r := newRig(t)
	r.pass(time.Second)
	if !r.shows() || r.shown.Big != [2]string{"RAISE 0.4°", "EAST 1.2°"} {
		t.Fatalf("shows %q, right on the glass: %v", r.shown.Big, r.shows())
	}
	if s := r.board.newest(); s.Name != "display" || s.State != "ok" || s.Device != "SSD1306 at 0x3c on simulated I2C" {
		t.Errorf("%+v", s)
	}
	// Nothing new but the mark: a few bytes.
	before := r.bus.Count()
	r.pass(10 * time.Second)
	if after := r.bus.Count(); after.BytesWritten-before.BytesWritten > 10*40 {
		t.Errorf("%d bytes in 10 s for the mark alone", after.BytesWritten-before.BytesWritten)
	}
	// The loop hangs: no number stays for long.
	for range 6 {
		r.clock.Sleep(stepEvery)
		r.step(r.clock.Now())
	}
	if !r.shows() || r.shown.Big[0] != "NOT KNOWN" {
		t.Errorf("shows %q of a snapshot that is 3 s old", r.shown.Big)
	}
	r.board.code = "12345678"
	r.pass(time.Second)
	if !r.shows() || r.shown.Big[0] != "1234 5678" {
		t.Errorf("shows %q instead of the code", r.shown.Big)
	}
	r.board.code = ""
	r.pass(time.Second)
	if !r.shows() || r.shown.Big[0] != "RAISE 0.4°" {
		t.Errorf("shows %q after the code", r.shown.Big)
	}
	r.board.armed = true
	r.pass(time.Second)
	if !r.shows() || r.shown.Small[1] != "±0.6° watched" {
		t.Errorf("shows %q under watch", r.shown.Small)
	}
	if strings.Contains(r.log.String(), "1234") {
		t.Errorf("the code is in the log: %s", r.log)
	}
	if bad := r.chip.Misuse(); len(bad) > 0 {
		t.Error(bad)
	}
}

// TestDisplayFaults: whatever happens to the display is named, and it is back within
// seconds with the right picture.
func TestDisplayFaults(t *testing.T) {
	for name, c := range map[string]struct {
		break_, mend func(r *rig)
		named        sensors.Fault // "": it cannot be seen
		back         time.Duration
	}{
		"unplugged":        {func(r *rig) { r.bus.Unplug() }, func(r *rig) { r.bus.Replug() }, sensors.FaultNoAnswer, retryEvery + stepEvery},
		"some transfers":   {func(r *rig) { r.bus.Inject(sim.Fault{Kind: sim.NACK, Chance: 0.1}, 0x3c) }, func(r *rig) { r.bus.Clear() }, sensors.FaultNoAnswer, retryEvery + stepEvery},
		"a line held low":  {func(r *rig) { r.bus.Inject(sim.Fault{Kind: sim.Stuck}) }, func(r *rig) { r.bus.Clear() }, sensors.FaultHeldLow, retryEvery + 3*time.Second},
		"brown-out":        {func(r *rig) { r.bus.BrownOut() }, func(*rig) {}, "", renewEvery},
		"writes are lost":  {func(r *rig) { r.bus.Inject(sim.Fault{Kind: sim.Zeros}, 0x3c) }, func(r *rig) { r.bus.Clear() }, "", renewEvery},
		"a short drop-out": {func(r *rig) { r.bus.Unplug(); r.bus.Replug() }, func(*rig) {}, "", renewEvery},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			r.pass(time.Second)
			c.break_(r)
			r.board.snap = snapshotOf(estimator.Steady, astro.North, deg(2.4, 0.09), deg(-1.19, 0.9))
			r.pass(10 * time.Second)
			s := r.board.newest()
			if c.named != "" && (s.State != "lost" || s.Faults[string(c.named)] == 0 || s.Advice == "" || s.LastError == "" || r.board.lost == 0) {
				t.Errorf("health says %+v", s)
			}
			if c.named != "" && strings.Count(r.log.String(), "the display is lost") > 1+int(s.Recoveries) {
				t.Errorf("the log is filled: %s", r.log)
			}
			c.mend(r)
			r.pass(c.back + time.Second)
			if s := r.board.newest(); !r.shows() || s.State != "ok" || c.named != "" && s.Recoveries == 0 {
				t.Errorf("the glass is right: %v, health says %+v", r.shows(), s)
			}
			if r.chip.Brightest() > 13 {
				t.Errorf("it flashed at %d of 255", r.chip.Brightest())
			}
		})
	}
}

// TestDisplayEnds: when the program ends, nothing stands there that could be taken
// for news.
func TestDisplayEnds(t *testing.T) {
	r := newRig(t)
	ctx, stop := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() { r.Run(ctx) })
	for end := time.Now().Add(10 * time.Second); !r.chip.On() || r.bus.Count().BytesWritten < 1024; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the glass stays dark")
		}
	}
	stop()
	done.Wait()
	if r.chip.On() || r.board.lost == 0 {
		t.Errorf("on %v, bus given up %d times", r.chip.On(), r.board.lost)
	}
}

func TestNewRefuses(t *testing.T) {
	if _, err := New(Options{Settings: config.Display{Chip: config.SSD1306}}); err == nil {
		t.Error("a display without a source was made")
	}
}
