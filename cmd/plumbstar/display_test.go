package main

import (
	"context"
	"flag"
	"io"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/api"
	"plumbstar/api/display"
	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// shareFor is how long TestDisplayInRealTime runs each of its two phases.
//
//	go test ./cmd/plumbstar -run '^TestDisplayInRealTime$' -v -share 20s
var shareFor = flag.Duration("share", 0, "run TestDisplayInRealTime, so long in each of its phases")

// wireTime is how long a transfer takes at 100 kHz, the slowest that is used: nine
// clocks for each byte and each address, start and stop, a start between writing
// and reading (UM10204, 3.1).
func wireTime(w, r int) time.Duration {
	clocks := 2
	if w > 0 || r == 0 {
		clocks += 9 * (1 + w)
	}
	if r > 0 {
		clocks += 9 * (1 + r)
	}
	if w > 0 && r > 0 {
		clocks++
	}
	return time.Duration(clocks) * 10 * time.Microsecond
}

// sharedBoard is a bus with two sensors and a display.
func sharedBoard(t *testing.T, clock sensors.Clock) (*sim.Bus, *sim.SSD1306) {
	t.Helper()
	bus, glass := sim.NewBus("simulated I2C", clock, sim.Adapter{}), sim.NewSSD1306()
	world := sim.Still{Force: r3.Vec{X: 7.7, Z: 6.07}, FieldUT: r3.Vec{X: 19, Y: 2, Z: -45}, TempC: 8}
	imu := sim.TypicalLSM6DSO(1)
	imu.RateError = 0
	for addr, chip := range map[uint16]sim.Chip{0x6a: sim.NewLSM6DSO(world, imu), 0x30: sim.NewMMC5983MA(world, sim.TypicalMMC5983MA(2)), 0x3c: glass} {
		if err := bus.Attach(addr, chip); err != nil {
			t.Fatal(err)
		}
	}
	return bus, glass
}

func displaySettings() config.Display {
	s := config.Defaults().Display
	s.Chip = config.SSD1306
	return s
}

// silent is a daemon that has nothing to show yet.
type silent struct{}

func (silent) Latest() *daemon.Snapshot         { return nil }
func (silent) Watch() daemon.WatchStatus        { return daemon.WatchStatus{} }
func (silent) NoteDisplay(*daemon.SensorStatus) {}

// TestDisplayLeavesTheBus plays the transfers of a tick and of whole pictures, as the
// drivers make them, on a bus of 100 kHz that serves who comes first and stops nobody
// in the middle, as busLine does. The display as a guest is not felt at all; one that
// does not wait, or whose moment is missed, delays a transfer by one piece.
func TestDisplayLeavesTheBus(t *testing.T) {
	clock := &sim.Clock{}
	bus, _ := sharedBoard(t, clock)
	var tick, picture []time.Duration
	var into *[]time.Duration
	bus.Trace(func(x sim.Transfer) {
		if into != nil {
			*into = append(*into, wireTime(len(x.W), len(x.R)))
		}
	})
	clock.Sleep(time.Second)
	imu, err := openInertial("LSM6DSO", bus, 0x6a, clock, 100)
	if err != nil {
		t.Fatal(err)
	}
	mag, err := openMagnetometer("MMC5983MA", bus, 0x30, clock, 100)
	if err != nil {
		t.Fatal(err)
	}
	for range 50 { // the longest of many ticks, the magnetometer set and reset too
		var one []time.Duration
		clock.Sleep(loopPeriod)
		into = &one
		_, _ = imu.ReadInertial()
		_, _ = mag.ReadMagnetic()
		into = nil
		if sum(one) > sum(tick) {
			tick = one
		}
	}
	show, err := display.New(display.Options{
		Settings: displaySettings(), Source: silent{}, Clock: clock.Now, Log: slog.New(slog.DiscardHandler),
		Find: func(try func(i2c.Bus) error) error { into = &picture; return try(bus) }, Lost: func() {},
		Page: func() string { return "" }, Code: func() string { return "" },
	})
	if err != nil {
		t.Fatal(err)
	}
	over, stop := context.WithCancel(context.Background())
	stop()
	show.Run(over) // a whole picture, then the whole glass wiped
	if n := len(picture); n < 2*1024/20 || len(tick) < 2 {
		t.Fatalf("%d transfers for a picture, %d for a tick", n, len(tick))
	}
	piece, alone := slices.Max(picture), sum(tick)
	for _, c := range []struct {
		name         string
		wait         func(used, tick, own time.Duration) time.Duration
		tick, longer time.Duration // at most
	}{
		{"a guest", guestWait, alone, 0},
		{"one that does not wait", func(_, _, _ time.Duration) time.Duration { return 0 }, alone + time.Duration(len(tick))*piece, piece},
	} {
		var worst, longest, lasts time.Duration
		for phase := time.Duration(0); phase < loopPeriod; phase += 10 * time.Microsecond {
			took, waited, end := playTicks(tick, picture, phase, c.wait)
			worst, longest, lasts = max(worst, took), max(longest, waited), max(lasts, end)
		}
		t.Logf("%s: a tick of %d transfers takes %v alone and %v at worst beside the display; a transfer waits %v for a piece of %v; a picture of %d pieces takes %v",
			c.name, len(tick), alone, worst, longest, piece, len(picture)/2, lasts/2)
		if worst > c.tick || longest > c.longer || piece > 1500*time.Microsecond {
			t.Errorf("%s: a tick takes %v, a transfer waits %v", c.name, worst, longest)
		}
	}
}

func sum(all []time.Duration) (s time.Duration) {
	for _, d := range all {
		s += d
	}
	return s
}

// playTicks plays pictures that begin at 0 and ticks from phase on, each transfer of
// a tick asked for when the one before is done, each piece when wait says so. It returns the longest tick, the longest
// wait of a transfer of it for the bus, and the end.
func playTicks(tick, picture []time.Duration, phase time.Duration, wait func(used, tick, own time.Duration) time.Duration) (took, waited, free time.Duration) {
	begin, asks, next := phase, phase, 0
	last := phase - loopPeriod // the tick before
	used := last + sum(tick)
	for p, looks := 0, max(used, 0); p < len(picture); {
		if looks < asks { // who comes first is served first
			if w := wait(looks-used, looks-last, picture[p]); w > 0 {
				looks += w
				continue
			}
			free = max(free, looks) + picture[p]
			looks = free
			p++
			continue
		}
		if next == 0 {
			last = asks
		}
		start := max(free, asks)
		waited = max(waited, start-asks)
		free = start + tick[next]
		asks, used = free, free
		if next++; next == len(tick) {
			took = max(took, free-begin)
			begin += loopPeriod
			asks, next = max(begin, free), 0
		}
	}
	return took, waited, free
}

// TestDisplaySaysWhatThePageSays follows a whole evening with sensors that fail, and
// compares what the glass would show with what the API says of the same moment: no
// number that the API withholds, and the amounts of its sentence.
func TestDisplaySaysWhatThePageSays(t *testing.T) {
	e, _, _ := testEnv()
	place, err := scenario.PlaceNamed("dry-lagoon")
	if err != nil {
		t.Fatal(err)
	}
	night, err := scenario.NewNight(place, 3, scenario.Ordinary)
	if err != nil {
		t.Fatal(err)
	}
	o, err := nightOptions(night, e)
	if err != nil {
		t.Fatal(err)
	}
	d, err := daemon.New(o)
	if err != nil {
		t.Fatal(err)
	}
	faults, err := parseDemoFaults([]string{"magnetometer@30s-45s", "inertial@60s-66s", "bus@80s-83s"})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	run := &demoRun{night: night, d: d, begin: night.Clock.Now(), out: io.Discard}
	seen, last := map[string]int{}, uint64(0)
	night.Clock.AfterStep(func(now time.Duration) {
		if now-run.begin > 100*time.Second {
			stop()
		}
		for i := range faults {
			faults[i].step(night, night.Bus, now-run.begin)
		}
		run.step(now, true)
		s := d.Latest()
		if s == nil || s.Seq == last {
			return
		}
		last, now = s.Seq, s.Mono
		g := api.GuidanceFrom(s)
		shown := display.Compose(display.Moment{Now: now, Snapshot: s})
		seen[shown.Big[0][:4]]++
		for i, known := range []bool{g.Move.Raise.Known, g.Move.TurnEast.Known} {
			_, amount, is := strings.Cut(shown.Big[i], " ")
			if strings.HasPrefix(amount, "±") {
				amount = "known only to ±"
			}
			if is = is && strings.ContainsAny(amount, "°±"); is && (!known || !strings.Contains(g.Move.Text, amount)) {
				t.Errorf("%v: the glass says %q, the page %q, known %v", now, shown.Big, g.Move.Text, known)
			} else if is {
				seen["°"]++
			}
		}
		if known := g.Move.Raise.Known || g.Move.TurnEast.Known; known == (shown.Big[0] == "NOT KNOWN" || shown.Big[0] == "WAIT") {
			t.Errorf("%v: the glass says %q, the page %q", now, shown.Big, g.Move.Text)
		}
	})
	if err := d.Run(ctx); err != nil {
		t.Fatal(err)
	}
	for _, word := range []string{"°", "LEAV", "NOT ", "WAIT"} {
		if seen[word] == 0 {
			t.Errorf("%q was never shown: %v", word, seen)
		}
	}
}

// TestBusLineTakesTurns: who waits for the bus gets it before one who has just had it
// asks again, as a display does some eighty times for a picture.
func TestBusLineTakesTurns(t *testing.T) {
	for wait := 10 * time.Millisecond; ; wait *= 2 {
		bus := &gatedBus{open: make(chan struct{}), began: make(chan uint16, 8)}
		l := newBusLine(bus)
		var both sync.WaitGroup
		both.Go(func() {
			for range 3 {
				_ = l.Tx(0x3c, []byte{0x40, 1}, nil)
			}
		})
		order := []uint16{<-bus.began} // the display has the bus
		both.Go(func() { _ = l.Tx(0x6a, []byte{0x22}, make([]byte, 1)) })
		time.Sleep(wait) // until the sensor waits; a busy machine may need longer
		for range 3 {
			bus.open <- struct{}{}
			order = append(order, <-bus.began)
		}
		bus.open <- struct{}{}
		both.Wait()
		if slices.Equal(order, []uint16{0x3c, 0x6a, 0x3c, 0x3c}) {
			return
		}
		if wait > 100*time.Millisecond {
			t.Fatalf("the bus was given to % x", order)
		}
	}
}

// gatedBus lets one transfer end for each word on open.
type gatedBus struct {
	i2c.BusCloser
	open  chan struct{}
	began chan uint16
}

func (b *gatedBus) String() string { return "gated" }
func (b *gatedBus) Tx(addr uint16, _, _ []byte) error {
	b.began <- addr
	<-b.open
	return nil
}

// wire takes the time that a bus of 100 kHz takes.
type wire struct{ *sim.Bus }

func (w wire) Close() error { return nil }
func (w wire) Tx(addr uint16, b, r []byte) error {
	time.Sleep(wireTime(len(b), len(r)))
	return w.Bus.Tx(addr, b, r)
}

// timed keeps how long each transfer took, with the wait for the bus.
type timed struct {
	i2c.Bus
	mu   sync.Mutex
	took []time.Duration
}

func (b *timed) Tx(addr uint16, w, r []byte) error {
	began := time.Now()
	err := b.Bus.Tx(addr, w, r)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.took = append(b.took, time.Since(began))
	return err
}

// TestDisplayInRealTime runs the daemon at 100 Hz on a bus that takes the time of
// 100 kHz, without and with a display whose whole picture changes twice a second, and
// says what the sensors feel of it.
func TestDisplayInRealTime(t *testing.T) {
	if *shareFor <= 0 {
		t.Skip("give -share 20s")
	}
	for _, shown := range []bool{false, true} {
		clock := newRealClock()
		chips, glass := sharedBoard(t, clock)
		line := newBusLine(wire{chips})
		bus := &timed{Bus: line}
		o, err := liveOptions(config.Defaults(), clock, newLiveBuses(), slog.New(slog.NewTextHandler(io.Discard, nil)))
		if err != nil {
			t.Fatal(err)
		}
		o.Site, o.SiteName, o.Air = &astro.Site{LatDeg: 51.9, LonDeg: 8.4, HeightM: 210}, "Larkmoor", astro.StandardAir(210)
		o.Inertial.OnLost, o.Magnetic.OnLost = nil, nil
		o.Inertial.Open = func() (sensors.Inertial, error) { return openInertial("LSM6DSO", bus, 0x6a, clock, 100) }
		o.Magnetic.Open = func() (sensors.Magnetometer, error) { return openMagnetometer("MMC5983MA", bus, 0x30, clock, 50) }
		d, err := daemon.New(o)
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(context.Background())
		var all sync.WaitGroup
		all.Go(func() { _ = d.Run(ctx) })
		if shown {
			flip := 0
			show, err := display.New(display.Options{
				Settings: displaySettings(), Source: d, Clock: clock.Now, Log: o.Log,
				Find: func(try func(i2c.Bus) error) error { return try(asGuest(line)) }, Lost: func() {},
				Page: func() string { return "http://192.168.4.1:8484/" },
				Code: func() string { flip++; return []string{"11111111", ""}[flip%2] },
			})
			if err != nil {
				t.Fatal(err)
			}
			all.Go(func() { show.Run(ctx) })
		}
		time.Sleep(3 * time.Second)
		machine := watchMachine()
		before := d.Latest()
		bus.mu.Lock()
		bus.took = nil
		bus.mu.Unlock()
		written := chips.CountAt(0x3c).BytesWritten
		time.Sleep(*shareFor)
		after := d.Latest()
		bus.mu.Lock()
		took := slices.Sorted(slices.Values(bus.took))
		bus.mu.Unlock()
		excused := machine()
		written = chips.CountAt(0x3c).BytesWritten - written
		stop()
		all.Wait()
		secs := (after.Mono - before.Mono).Seconds()
		t.Logf("display %v: %.0f bytes/s to it; a transfer of a sensor takes %v median, %v 99 %%, %v worst; %.2f and %.2f samples/s, overruns %d, ticks late %d of %d; the machine was late %d times",
			shown, float64(written)/secs, took[len(took)/2], took[len(took)*99/100], took[len(took)-1],
			float64(after.Sensors[0].Samples-before.Sensors[0].Samples)/secs, float64(after.Sensors[1].Samples-before.Sensors[1].Samples)/secs,
			after.Sensors[0].Overruns-before.Sensors[0].Overruns, after.Loop.Late-before.Loop.Late, after.Loop.Ticks-before.Loop.Ticks, excused)
		if late := after.Loop.Late - before.Loop.Late; late > 4*excused+uint64(secs) {
			t.Errorf("%d ticks late, while the machine was %d times", late, excused)
		}
		if glass.On() {
			t.Error("the glass was left on")
		}
	}
}
