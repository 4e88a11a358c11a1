package main

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/api"
	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/nightlog"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// The load test is three processes: the board (the whole daemon on simulated chips
// in real time), the clients, which run at a lower priority since in the field they
// are other machines, and this one, which only watches.
//
//	go test ./cmd/plumbstar -run '^TestLoad$' -v -load 60s
var loadFor = flag.Duration("load", 0, "run TestLoad, so long in each of its phases")

const (
	loadRole  = "PLUMBSTAR_LOAD_ROLE" // "board" or "clients": this process is a part of TestLoad
	loadURL   = "PLUMBSTAR_LOAD_URL"
	loadState = "PLUMBSTAR_LOAD_STATE"
)

// Limits of the load test. The latency is a promise for an idle machine; here it
// is only bounded, since the machine is shared with the clients.
const (
	loadLatest  = 100 * time.Millisecond // 99 % of the events
	loadIdleCPU = 0.03                   // of one core, with one listener
	// loadRSS is the resident memory without the pages of the program file, bytes:
	// those of the real program are 16 MB, those of this test program more.
	loadIdleRSS  = 14e6
	loadRSS      = 30e6
	loadSlowness = 0.05 // share of requests that may be missing of those due
	// loadHiccups is the share of ticks that may be late on top of what the machine
	// is seen to cost: two cores are shared with clients and with whoever else runs.
	loadHiccups = 0.01
)

// TestLoad: under 100 listeners and 500 requests a second the sensor loop loses no
// sample; a reader that does not read and 1,000 idle connections change nothing.
func TestLoad(t *testing.T) {
	if os.Getenv(loadRole) != "" || *loadFor <= 0 {
		t.Skip("give -load 60s")
	}
	b := startLoadBoard(t)
	time.Sleep(3 * time.Second) // at rest, and the start paid for
	for _, p := range []loadPlan{
		{Name: "one listener", Listeners: 1},
		{Name: "100 listeners, 500 requests/s", Listeners: 100, Requests: 500},
		{Name: "the same, a reader that does not read, 1,000 idle connections", Listeners: 100, Requests: 500, Stuck: 1, Idle: 1000},
	} {
		p.Seconds = loadFor.Seconds()
		machine := watchMachine()
		before := b.sample()
		r := runLoadClients(t, b.url, p)
		after := b.sample()
		u, excused := after.since(&before), machine()
		t.Logf("%s: %d events, from reading to stream %.2f ms median, %.2f ms 99 %%, %.2f ms worst; %d answers, %.2f ms median, %.2f ms 99 %%, %d failed",
			p.Name, r.Events, r.EventP50MS, r.EventP99MS, r.EventMaxMS, r.Answers, r.AnswerP50MS, r.AnswerP99MS, r.Failed)
		t.Logf("  board: CPU %.2f %% of a core, RSS beside the program file %.1f MB, %.0f wake-ups/s; inertial %.2f samples/s, magnetic %.2f/s, ticks late %d, samples lost %d; the machine was late %d times",
			100*u.cpu, u.rss/1e6, u.wakeups, u.inertial, u.magnetic, u.late, u.lost, excused)
		if max(u.lost, u.late) > 4*excused+uint64(loadHiccups*100*p.Seconds) || u.errors > 0 {
			t.Errorf("%s: the sensor loop was late %d times, lost %d samples, and had %d errors, while the machine was late %d times", p.Name, u.late, u.lost, u.errors, excused)
		}
		if want := uint64(float64(p.Listeners) * 10 * p.Seconds * 0.9); r.Events < want {
			t.Errorf("%s: %d events reached the listeners, want %d at least", p.Name, r.Events, want)
		}
		if want := uint64(float64(p.Requests) * p.Seconds * (1 - loadSlowness)); r.Answers < want || r.Failed > 0 {
			t.Errorf("%s: %d answers, %d failed; want %d at least", p.Name, r.Answers, r.Failed, want)
		}
		if r.EventP99MS > float64(loadLatest.Milliseconds()) {
			t.Errorf("%s: 99 %% of the readings reach the stream in %.1f ms, want %v", p.Name, r.EventP99MS, loadLatest)
		}
		if most := loadRSS; p.Requests > 0 && u.rss > most {
			t.Errorf("%s: RSS %.1f MB, want %.0f MB at most", p.Name, u.rss/1e6, most/1e6)
		}
		if p.Requests == 0 && (u.cpu > loadIdleCPU || u.rss > loadIdleRSS) {
			t.Errorf("%s: CPU %.2f %%, RSS %.1f MB: want %.0f %% and %.0f MB at most", p.Name, 100*u.cpu, u.rss/1e6, 100*loadIdleCPU, loadIdleRSS/1e6)
		}
	}
}

// watchMachine counts how often a loop that does nothing would have been late by
// its period, in a process that is not under load: what a machine that is shared
// with others does to any loop. The result ends it.
func watchMachine() func() uint64 {
	var late uint64
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for next := time.Now(); ; {
			select {
			case <-stop:
				return
			default:
			}
			if d := time.Since(next); d > loopPeriod {
				late++
				next = next.Add(d)
			}
			next = next.Add(loopPeriod)
			time.Sleep(time.Until(next))
		}
	}()
	return func() uint64 {
		close(stop)
		<-done
		return late
	}
}

// loadBoard is the process under load.
type loadBoard struct {
	t   *testing.T
	url string
	pid int
}

func startLoadBoard(t *testing.T) *loadBoard {
	t.Helper()
	c := exec.Command(os.Args[0], "-test.run=^TestLoadBoard$", "-test.timeout=0")
	c.Env = append(os.Environ(), loadRole+"=board", loadState+"="+t.TempDir())
	c.Stderr = os.Stderr
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = in.Close() // which ends it
		if err := c.Wait(); err != nil {
			t.Errorf("the board: %v", err)
		}
	})
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if url, ok := strings.CutPrefix(lines.Text(), "url "); ok {
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return &loadBoard{t: t, url: url, pid: c.Process.Pid}
		}
	}
	t.Fatal("the board does not start")
	return nil
}

// TestLoadBoard is the board's process.
func TestLoadBoard(t *testing.T) {
	if os.Getenv(loadRole) != "board" {
		t.Skip("a part of TestLoad")
	}
	debug.SetGCPercent(garbagePercent)
	e, _, _ := testEnv()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin) // until TestLoad is done
		cancel()
	}()
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	clock := newRealClock()
	bus := sim.NewBus("simulated I2C", clock, sim.Adapter{})
	world := sim.Still{Force: r3.Vec{X: 7.7, Z: 6.07}, FieldUT: r3.Vec{X: 19, Y: 2, Z: -45}, TempC: 8}
	// A chip that keeps its rate, a little faster than the loop: a tick that is late by
	// the chip's period is seen as an overrun.
	imu := sim.TypicalLSM6DSO(1)
	imu.RateError = 0
	if err := bus.Attach(0x6a, sim.NewLSM6DSO(world, imu)); err != nil {
		t.Fatal(err)
	}
	if err := bus.Attach(0x30, sim.NewMMC5983MA(world, sim.TypicalMMC5983MA(2))); err != nil {
		t.Fatal(err)
	}
	o, err := liveOptions(config.Defaults(), clock, newLiveBuses(), log)
	if err != nil {
		t.Fatal(err)
	}
	o.Site, o.SiteName, o.Air = &astro.Site{LatDeg: 51.9, LonDeg: 8.4, HeightM: 210}, "Larkmoor", astro.StandardAir(210)
	o.Inertial.OnLost, o.Magnetic.OnLost = nil, nil
	o.Inertial.Open = func() (sensors.Inertial, error) { return openInertial("LSM6DSO", bus, 0x6a, clock, 100) }
	o.Magnetic.Open = func() (sensors.Magnetometer, error) { return openMagnetometer("MMC5983MA", bus, 0x30, clock, 50) }
	dir := os.Getenv(loadState)
	journal := nightlog.Start(nightlog.Options{Dir: dir, Log: log, Opened: nightlog.Moment{At: clock.Now(), UTC: e.now(), SigmaS: 1, Source: daemon.ClockSystem}})
	defer journal.Close()
	o.Store, o.Journal = newBoardState(journal, dir, clock), journal
	d, err := daemon.New(o)
	if err != nil {
		t.Fatal(err)
	}
	pairing, err := api.OpenPairingDir(filepath.Join(dir, api.PairingFolder), e.now)
	if err != nil {
		t.Fatal(err)
	}
	s := serving{listen: "127.0.0.1:0", pairing: pairing}
	if err := s.run(ctx, e, d, log, func(url string) { fmt.Println("url", url) }); err != nil {
		t.Fatal(err)
	}
}

// loadSample is what the board has used and done so far.
type loadSample struct {
	at       time.Time
	cpuS     float64
	rss      float64
	switches uint64
	health   api.Health
}

type loadUse struct {
	cpu, rss, wakeups, inertial, magnetic float64
	late, lost, errors                    uint64
}

func (b *loadBoard) sample() loadSample {
	b.t.Helper()
	s := loadSample{at: time.Now()}
	r, err := http.Get(b.url + "api/v1/health")
	if err != nil {
		b.t.Fatal(err)
	}
	defer r.Body.Close()
	if err := json.NewDecoder(r.Body).Decode(&s.health); err != nil || len(s.health.Sensors) < 2 {
		b.t.Fatalf("health: %v, %+v", err, s.health)
	}
	proc := "/proc/" + strconv.Itoa(b.pid)
	// proc(5): fields 14 and 15 are user and system time in ticks of 1/100 s; the
	// name in field 2 has no space here.
	if f := strings.Fields(b.read(proc + "/stat")); len(f) > 15 {
		user, _ := strconv.ParseFloat(f[13], 64)
		system, _ := strconv.ParseFloat(f[14], 64)
		s.cpuS = (user + system) / 100
	}
	s.rss = residentOf(b.read(proc + "/status"))
	tasks, err := filepath.Glob(proc + "/task/*/status")
	if err != nil {
		b.t.Fatal(err)
	}
	for _, file := range tasks {
		for line := range strings.Lines(b.read(file)) {
			if n, ok := strings.CutPrefix(line, "voluntary_ctxt_switches:"); ok {
				k, _ := strconv.ParseUint(strings.TrimSpace(n), 10, 64)
				s.switches += k
			}
		}
	}
	return s
}

func (b *loadBoard) read(file string) string {
	text, err := os.ReadFile(file)
	if err != nil {
		b.t.Skipf("this machine does not tell what a process uses: %v", err)
	}
	return string(text)
}

func (s *loadSample) since(before *loadSample) loadUse {
	d := s.at.Sub(before.at).Seconds()
	u := loadUse{cpu: (s.cpuS - before.cpuS) / d, rss: s.rss, wakeups: float64(s.switches-before.switches) / d, late: s.health.Loop.Late - before.health.Loop.Late}
	for i := range s.health.Sensors {
		was, is := &before.health.Sensors[i], &s.health.Sensors[i]
		n := is.Samples - was.Samples
		if is.Name == "magnetic" {
			// Its driver measures the bridge offset now and then, and leaves out samples
			// for that.
			u.magnetic, u.errors = float64(n)/d, u.errors+is.Errors-was.Errors
			continue
		}
		u.inertial, u.errors = float64(n)/d, u.errors+is.Errors-was.Errors
		u.lost = is.Overruns - was.Overruns
	}
	return u
}
