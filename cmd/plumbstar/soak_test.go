package main

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"plumbstar/api"
	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/nightlog"
	"plumbstar/daemon/scenario"
)

// soakLength sets the simulated length of TestSoak (deploy/check uses 24h),
// soakSeed another seed.
const (
	soakLength = "PLUMBSTAR_SOAK"
	soakSeed   = "PLUMBSTAR_SOAK_SEED"
)

// TestSoak runs the whole daemon, with night log, page server and a listener, in
// accelerated time while every few minutes something breaks: no crash, no leak,
// every fault named in the log, guidance back within 3 s, and no number shown as
// good that is off by more than 4 sigma.
func TestSoak(t *testing.T) {
	length := 20 * time.Minute
	if v := os.Getenv(soakLength); v != "" {
		var err error
		if length, err = time.ParseDuration(v); err != nil {
			t.Fatalf("%s: %v", soakLength, err)
		}
	}
	seed := uint64(11)
	if v := os.Getenv(soakSeed); v != "" {
		n, err := strconv.ParseUint(v, 10, 64)
		if err != nil {
			t.Fatalf("%s: %v", soakSeed, err)
		}
		seed = n
	}
	newSoak(t, seed, length).run()
}

// Limits of the soak.
const (
	soakBack     = 3 * time.Second // from the end of a fault to guidance
	soakSigmas   = 4.0
	soakAfter    = 40 * time.Second // from the end of a fault to the next draw
	soakLeak     = 1 << 20          // bytes of heap
	soakRSSLeak  = 10e6             // bytes: the collector's rhythm alone makes a few MB
	soakAfterLog = 3 * time.Second
)

type soak struct {
	t      *testing.T
	length time.Duration
	night  *scenario.Night
	d      *daemon.Daemon
	log    *soakLog
	rng    *rand.Rand
	begin  time.Duration
	stop   context.CancelFunc

	now   *trouble // the next or present one
	past  []*trouble
	moved time.Duration // when the mount was last turned

	snapshots, good, wrong, wrongMoving int
	worst                               [2]float64
	marks                               []soakMark
	heard                               atomic.Int64
}

// soakMark is what the process holds at a time.
type soakMark struct {
	at         time.Duration
	heap       uint64
	rss        float64
	goroutines int
}

func newSoak(t *testing.T, seed uint64, length time.Duration) *soak {
	t.Helper()
	place, err := scenario.PlaceNamed("larkmoor")
	if err != nil {
		t.Fatal(err)
	}
	x := &soak{t: t, length: length, rng: rand.New(rand.NewPCG(seed, 0x736f616b)), log: &soakLog{}}
	if x.night, err = scenario.NewNight(place, seed, scenario.Ordinary); err != nil {
		t.Fatal(err)
	}
	return x
}

func (x *soak) run() {
	t := x.t
	e, _, _ := testEnv()
	o, err := nightOptions(x.night, e)
	if err != nil {
		t.Fatal(err)
	}
	x.log.clock = x.night.Clock.Now
	o.Log = slog.New(x.log)
	dir := t.TempDir()
	journal := nightlog.Start(nightlog.Options{Dir: dir, Log: o.Log, Opened: nightlog.Moment{At: x.night.Clock.Now(), UTC: x.night.Place.Begin, SigmaS: 1, Source: "entered"}})
	defer func() {
		if err := journal.Close(); err != nil {
			t.Errorf("night log: %v", err)
		}
	}()
	o.Store, o.Journal = newBoardState(journal, dir, x.night.Clock), journal
	o.OnSnapshot = x.look
	if x.d, err = daemon.New(o); err != nil {
		t.Fatal(err)
	}
	pairing, err := api.OpenPairingDir(dir+"/"+api.PairingFolder, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	x.stop = cancel
	x.begin = x.night.Clock.Now()
	x.now = drawTrouble(x.rng, x.begin)
	x.night.Clock.AfterStep(x.step)
	s := serving{listen: "127.0.0.1:0", pairing: pairing}
	var listener sync.WaitGroup
	began := time.Now()
	err = s.run(ctx, e, x.d, o.Log, func(url string) {
		listener.Go(func() { x.listen(ctx, url) })
	})
	if err != nil {
		t.Fatal(err)
	}
	listener.Wait()
	http.DefaultClient.CloseIdleConnections()
	t.Logf("%v simulated in %v", x.length, time.Since(began).Round(100*time.Millisecond))
	x.judge()
}

// listen follows the live stream as a page does.
func (x *soak) listen(ctx context.Context, url string) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"api/v1/guidance/stream", nil)
	if err != nil {
		x.t.Error(err)
		return
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		if ctx.Err() == nil {
			x.t.Error(err)
		}
		return
	}
	defer resp.Body.Close()
	for r := bufio.NewScanner(resp.Body); r.Scan(); {
		if strings.HasPrefix(r.Text(), "data:") {
			x.heard.Add(1)
		}
	}
}

// step is called after each step of the simulated clock.
func (x *soak) step(now time.Duration) {
	if now-x.begin >= x.length {
		x.stop()
		return
	}
	f := x.now
	if f.turnAt > 0 && now >= f.turnAt {
		f.turnAt = 0
		x.turn(now)
	}
	switch {
	case f.state == 0 && now >= f.from:
		f.state = 1
		f.act(x.night.Bus, f.addrs...)
		if f.once {
			f.state = 2
		}
	case f.state == 1 && now >= f.to:
		f.state, f.to = 2, now
		f.mend(x.night.Bus, f.addrs...)
	case f.state == 2 && now >= f.to+soakAfter:
		x.past = append(x.past, f)
		x.named(f)
		x.log.forget()
		x.now = drawTrouble(x.rng, now)
		// And sometimes the mount is turned while all is well.
		if x.rng.IntN(3) == 0 {
			x.turn(now + 5*time.Second)
		}
	}
}

// turn moves an adjuster by up to a few degrees, within a second.
func (x *soak) turn(at time.Duration) {
	deg := 3 * x.rng.NormFloat64()
	const takes = time.Second
	alt, _ := x.night.TruthAt(at)
	aim, _ := x.night.Place.Site.LatDeg, 0
	if x.rng.IntN(2) == 0 {
		if math.Abs(alt+deg-aim) > 15 {
			deg = -deg
		}
		x.night.Mount.Raise(at, takes, deg)
	} else {
		x.night.Mount.TurnAzimuth(at, takes, deg)
	}
	x.moved = at + takes
}

// look compares each snapshot with the truth.
func (x *soak) look(s *daemon.Snapshot) {
	x.snapshots++
	now := s.Mono
	f := x.now
	if f.state == 2 && !f.ok {
		if f.ok, f.back = x.fine(s), now-f.to; f.ok {
			if f.back <= soakBack {
				f.lastly = ""
			}
		} else {
			f.lastly = fmt.Sprintf("%s, altitude %q, azimuth %q, %+v", s.Estimate.State, s.Estimate.Altitude.Why, s.Estimate.Azimuth.Why, s.Sensors)
		}
	}
	alt, az := x.night.TruthAt(s.Estimate.At)
	e := &s.Estimate
	var off [2]float64
	if e.Altitude.Known {
		off[0] = math.Abs(e.Altitude.Deg-alt) / e.Altitude.SigmaDeg
	}
	if e.Azimuth.Known {
		off[1] = math.Abs(astro.Turn180(e.Azimuth.Deg-az)) / e.Azimuth.SigmaDeg
	}
	bad := max(off[0], off[1]) > soakSigmas || math.IsNaN(off[0]+off[1])
	switch e.State {
	case estimator.Settling, estimator.Steady, estimator.Disturbed:
		x.good++
		for k := range off {
			x.worst[k] = max(x.worst[k], off[k])
		}
		if bad {
			if x.wrong++; x.wrong <= 20 {
				x.t.Errorf("at %.1f s, %s: altitude %.3f° ± %.3f° (truth %.3f°), azimuth %.3f° ± %.3f° (truth %.3f°), from %s; near %s",
					(now - x.begin).Seconds(), e.State, e.Altitude.Deg, e.Altitude.SigmaDeg, alt, e.Azimuth.Deg, e.Azimuth.SigmaDeg, az, e.Azimuth.Source, f)
			}
		}
	case estimator.Moving:
		if bad {
			x.wrongMoving++
		}
	}
	if at := now - x.begin; at >= x.length/10*time.Duration(len(x.marks)+1) {
		x.mark(at)
	}
}

// fine: both sensors work and the person is told both moves.
func (x *soak) fine(s *daemon.Snapshot) bool {
	for i := range s.Sensors {
		if s.Sensors[i].State != "ok" {
			return false
		}
	}
	switch s.Estimate.State {
	case estimator.Settling, estimator.Steady, estimator.Disturbed, estimator.Moving:
		return s.Guidance.Raise.Known && s.Guidance.TurnEast.Known
	}
	return false
}

func (x *soak) mark(at time.Duration) {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	x.marks = append(x.marks, soakMark{at: at, heap: m.HeapAlloc, rss: rss(), goroutines: runtime.NumGoroutine()})
}

// rss is the resident memory of this process without the pages of its program
// file, bytes; 0 where /proc does not tell.
func rss() float64 {
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	return residentOf(string(b))
}

// residentOf reads RssAnon of proc(5) status.
func residentOf(status string) float64 {
	for line := range strings.Lines(status) {
		var kb float64
		if _, err := fmt.Sscanf(line, "RssAnon: %f kB", &kb); err == nil {
			return 1024 * kb
		}
	}
	return 0
}

// named checks that the log spoke of a fault, for each sensor that it hit.
func (x *soak) named(f *trouble) {
	for _, sensor := range f.sensors() {
		if !x.log.names(f, sensor) {
			x.t.Errorf("%v: the log does not name it for the %s sensor: %s", f, sensor, x.log.between(f.from, f.to+soakAfterLog))
		}
	}
}

func (x *soak) judge() {
	t := x.t
	var backs []time.Duration
	for _, f := range x.past {
		switch {
		case !f.ok:
			t.Errorf("%v: no guidance within 40 s of its end: %s", f, f.lastly)
		case f.back > soakBack:
			t.Errorf("%v: guidance came back %.1f s after it ended, want %v at most; before, %s", f, f.back.Seconds(), soakBack, f.lastly)
		}
		backs = append(backs, f.back)
	}
	if len(x.past) == 0 || x.good == 0 || x.heard.Load() == 0 {
		t.Fatalf("%d faults, %d good snapshots, %d events heard: the soak tested nothing", len(x.past), x.good, x.heard.Load())
	}
	slices.Sort(backs)
	t.Logf("%d faults; guidance back after %.1f s (median), %.1f s (most)", len(backs), backs[len(backs)/2].Seconds(), backs[len(backs)-1].Seconds())
	t.Logf("%d snapshots, %d shown as good, of which %d beyond %g sigma (worst altitude %.1f, azimuth %.1f sigma); %d beyond while moving",
		x.snapshots, x.good, x.wrong, soakSigmas, x.worst[0], x.worst[1], x.wrongMoving)
	if x.wrong > 20 {
		t.Errorf("and %d more wrong numbers", x.wrong-20)
	}
	for _, m := range x.marks {
		t.Logf("at %8v: heap %.2f MB, RSS beside the program file %.1f MB, %d goroutines", m.at.Round(time.Second), float64(m.heap)/1e6, m.rss/1e6, m.goroutines)
	}
	first, last := x.marks[0], x.marks[len(x.marks)-1]
	if last.heap > first.heap+soakLeak {
		t.Errorf("the heap grew from %d to %d bytes", first.heap, last.heap)
	}
	if last.rss > first.rss+soakRSSLeak {
		t.Errorf("the resident memory grew from %.1f to %.1f MB", first.rss/1e6, last.rss/1e6)
	}
	if last.goroutines > first.goroutines {
		t.Errorf("goroutines grew from %d to %d", first.goroutines, last.goroutines)
	}
}

// soakLog keeps the daemon's log with simulated time.
type soakLog struct {
	clock func() time.Duration
	mu    sync.Mutex
	lines []soakLine
}

type soakLine struct {
	at   time.Duration
	text string
}

func (l *soakLog) Enabled(_ context.Context, level slog.Level) bool { return level >= slog.LevelInfo }
func (l *soakLog) WithAttrs([]slog.Attr) slog.Handler               { return l }
func (l *soakLog) WithGroup(string) slog.Handler                    { return l }

func (l *soakLog) Handle(_ context.Context, r slog.Record) error {
	text := r.Message
	r.Attrs(func(a slog.Attr) bool {
		text += " " + a.String()
		return true
	})
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lines = append(l.lines, soakLine{l.clock(), text})
	return nil
}

// names reports whether the log says of a sensor what f did to it.
func (l *soakLog) names(f *trouble, sensor string) bool {
	for _, line := range l.near(f.from, f.to+soakAfterLog) {
		for _, name := range f.soakFault.names {
			if strings.Contains(line, sensor) && strings.Contains(line, string(name)+" fault") {
				return true
			}
		}
	}
	return false
}

// forget drops what was judged.
func (l *soakLog) forget() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lines = l.lines[:0]
}

func (l *soakLog) between(from, to time.Duration) string {
	return strings.Join(l.near(from, to), "\n\t")
}

func (l *soakLog) near(from, to time.Duration) []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	var out []string
	for _, line := range l.lines {
		if line.at >= from && line.at <= to {
			out = append(out, fmt.Sprintf("%.1f s %s", line.at.Seconds(), line.text))
		}
	}
	return out
}
