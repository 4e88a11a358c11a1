package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/sensors"
	"plumbstar/sensors/gnss"
)

// fastClock is ten times as fast as the real one, so that averages are quick.
type fastClock struct{ start time.Time }

const fast = 10

func (c fastClock) Now() time.Duration    { return fast * time.Since(c.start) }
func (c fastClock) Sleep(d time.Duration) { time.Sleep(d / fast) }

// field is a daemon without sensors beside a receiver.
type field struct {
	t     *testing.T
	d     *daemon.Daemon
	clock fastClock
	off   time.Duration // of the system clock against the truth
}

func newField(t *testing.T, set config.GNSS, off time.Duration) *field {
	t.Helper()
	f := &field{t: t, clock: fastClock{time.Now()}, off: off}
	o := daemon.Options{
		Clock: f.clock, UTC: func(now time.Duration) time.Time { return f.truth(now).Add(off) },
		ClockSource: daemon.ClockSystem, ClockSigmaS: -1, NotBefore: builtAt(),
		Inertial: &daemon.Inertial{Mount: daemon.Straight(), Correct: uncalibrated(),
			Open: func() (sensors.Inertial, error) { return nil, errors.New("no bus") }},
		MountSigmaDeg: 0.2, LocalFieldUT: 0.7, AimKind: "refracted", Air: astro.StandardAir(0), Model: geomag.WMM2025(),
		Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
	}
	var err error
	if f.d, err = daemon.New(o); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	located := locate(ctx, set, f.clock, f.d, slog.New(slog.DiscardHandler))
	ran := make(chan struct{})
	go func() { defer close(ran); _ = f.d.Run(ctx) }()
	t.Cleanup(func() { cancel(); located(); <-ran })
	return f
}

func (f *field) truth(now time.Duration) time.Time {
	return time.Date(2026, 11, 12, 20, 30, 0, 0, time.UTC).Add(now)
}

func (f *field) wait(what string, holds func(s *daemon.Snapshot) bool) *daemon.Snapshot {
	f.t.Helper()
	var s *daemon.Snapshot
	for range 1000 {
		if s = f.d.Latest(); s != nil && holds(s) {
			return s
		}
		time.Sleep(10 * time.Millisecond)
	}
	f.t.Fatalf("never: %s; %+v %+v %+v %+v", what, s.Site, s.Clock, s.Warnings, s.Sensors)
	return nil
}

func has(s *daemon.Snapshot, code string) bool {
	for _, w := range s.Warnings {
		if w.Code == code {
			return true
		}
	}
	return false
}

func receiverOf(s *daemon.Snapshot) daemon.SensorStatus {
	for _, x := range s.Sensors {
		if x.Name == "gnss" {
			return x
		}
	}
	return daemon.SensorStatus{State: "none"}
}

func nmea(body string) string {
	var sum byte
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Sprintf("$%s*%02X\r\n", body, sum)
}

// moment is a burst of a receiver at Larkmoor: now is the true time.
func moment(now time.Time) string {
	hms := now.UTC().Format("150405.00")
	return nmea("GNRMC,"+hms+",A,5154.0000,N,00824.0000,E,0.02,,"+now.UTC().Format("020106")+",3.9,E,A,V") +
		nmea("GNGGA,"+hms+",5154.0000,N,00824.0000,E,1,11,0.9,83.5,M,46.5,M,,") +
		nmea("GNGSA,A,3,05,07,13,15,,,,,,,,,1.9,0.9,1.6,1") +
		nmea("GNGST,"+hms+",5,4,3,40,3.5,3.1,6.2")
}

// terminal is a pseudo-terminal that a receiver talks on.
type terminal struct {
	*os.File
	path string
}

func openTerminal(t *testing.T) terminal {
	t.Helper()
	m, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatalf("a pseudo-terminal is needed: %v", err)
	}
	t.Cleanup(func() { _ = m.Close() }) // often closed before
	if err := unix.IoctlSetPointerInt(int(m.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(int(m.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	return terminal{m, fmt.Sprintf("/dev/pts/%d", n)}
}

// feed sends a burst every simulated second, about a time that is off, until
// the terminal is closed. extra comes before each burst.
func (f *field) feed(w terminal, off time.Duration, extra string) (stop func()) {
	quit := make(chan struct{})
	var all sync.WaitGroup
	all.Go(func() {
		for {
			next := f.clock.Now().Truncate(time.Second) + time.Second
			f.clock.Sleep(next - f.clock.Now())
			select {
			case <-quit:
				return
			default:
			}
			if _, err := w.WriteString(extra + moment(f.truth(next).Add(off))); err != nil {
				return
			}
		}
	})
	return func() { close(quit); all.Wait() }
}

func TestReceiverOnASerialPort(t *testing.T) {
	t.Parallel()
	port := filepath.Join(t.TempDir(), "ttyRECEIVER")
	f := newField(t, config.GNSS{Source: port}, -3*time.Hour)
	// Not plugged in yet.
	s := f.wait("it is missing", func(s *daemon.Snapshot) bool { return receiverOf(s).State == "lost" })
	if r := receiverOf(s); !has(s, "gnss-lost") || !strings.Contains(r.LastError, "plug the receiver in") || r.Fault != sensors.FaultBus || r.Advice == "" {
		t.Errorf("%+v %+v", r, s.Warnings)
	}
	plug := func() terminal {
		w := openTerminal(t)
		_ = os.Remove(port) // the first time there is none
		if err := os.Symlink(w.path, port); err != nil {
			t.Fatal(err)
		}
		return w
	}
	w := plug()
	stop := f.feed(w, 0, "")
	// On a machine that is busy the first bursts may come late; those that follow
	// mend it.
	s = f.wait("place and time", func(s *daemon.Snapshot) bool {
		return s.Site.Source == daemon.SiteGNSS && s.Clock.Source == daemon.ClockGNSS &&
			s.Time.Sub(f.truth(s.Mono)).Abs().Seconds() <= 3*s.Clock.SigmaS && s.Clock.SigmaS <= 0.3
	})
	if p := s.Site; math.Abs(p.Site.LatDeg-51.9) > 1e-5 || math.Abs(p.Site.LonDeg-8.4) > 1e-5 || math.Abs(p.Site.HeightM-130) > 0.1 || !(p.SigmaM > 2 && p.SigmaM < 6) {
		t.Errorf("%+v", p)
	}
	if r := receiverOf(s); r.State != "ok" || !strings.Contains(r.Device, port+" at ") || r.AgeS < 0 || r.AgeS > 15 || r.Samples == 0 {
		t.Errorf("%+v", r)
	}
	if s.Clock.SigmaS < 0.1 || s.Clock.SigmaS > 0.3 {
		t.Errorf("sigma of the time %v s", s.Clock.SigmaS)
	}
	if has(s, "declination-disagrees") || has(s, "clock-unsure") || has(s, "gnss-lost") {
		t.Errorf("%+v", s.Warnings)
	}
	// Unplugged: place and time stay, and the receiver is missed.
	stop()
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	s = f.wait("it is lost", func(s *daemon.Snapshot) bool { return receiverOf(s).State == "lost" })
	if s.Site.Source != daemon.SiteGNSS || s.Clock.Source != daemon.ClockGNSS || !has(s, "gnss-lost") {
		t.Errorf("%+v %+v %+v", s.Site, s.Clock, s.Warnings)
	}
	// And plugged in again, with trouble on the line.
	w = plug()
	defer f.feed(w, 0, hostile())()
	s = f.wait("it is found again", func(s *daemon.Snapshot) bool { return receiverOf(s).State == "ok" && receiverOf(s).Errors > 10 })
	if r := receiverOf(s); r.Recoveries != 1 {
		t.Errorf("%+v", r)
	}
	if p := s.Site.Site; math.Abs(p.LatDeg-51.9) > 1e-5 || math.Abs(p.LonDeg-8.4) > 1e-5 {
		t.Errorf("%+v", p)
	}
}

// hostile is what a broken or evil line may carry between good sentences.
func hostile() string {
	return "\x00\xff\xfe$GPGGA\r\n" + strings.Repeat("$", 500) + "\r\n" +
		nmea("GPGGA,999999,9999.9,N,99999.9,E,1,99,0.0,1e99,M,,M,,") + nmea("GPGGA,123519,nan,N,inf,E,1,08,0.9,545.4,M,46.9,M,,") +
		nmea("GPRMC,,A,,,,,,,,,") + strings.Repeat("A", 5000) + "\n" + "$GNGGA,203015,0000.0,N,00000.0,E,1,09,1,0,M,0,M,,*00\r\n" + nmea("")
}

// A receiver whose count of weeks rolled over: its place is good, its time is not.
func TestReceiverWithAWrongDate(t *testing.T) {
	t.Parallel()
	port := filepath.Join(t.TempDir(), "ttyRECEIVER")
	w := openTerminal(t)
	if err := os.Symlink(w.path, port); err != nil {
		t.Fatal(err)
	}
	f := newField(t, config.GNSS{Source: port, Baud: 38400}, 0)
	defer f.feed(w, -1024*7*24*time.Hour, "")()
	s := f.wait("the time is refused", func(s *daemon.Snapshot) bool { return s.Site.Known && has(s, "gnss-time") })
	if s.Clock.Source == daemon.ClockGNSS || !strings.Contains(receiverOf(s).Device, "38400 baud") {
		t.Errorf("%+v %+v", s.Clock, receiverOf(s))
	}
}

func TestReceiverByGpsd(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f := newField(t, config.GNSS{Source: "gpsd://" + l.Addr().String()}, time.Minute)
	served := make(chan struct{})
	go func() {
		defer close(served)
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		fmt.Fprintln(c, `{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}`)
		for i := 0; ; i++ {
			next := f.clock.Now().Truncate(time.Second) + time.Second
			f.clock.Sleep(next - f.clock.Now())
			mode, doubt := 3, ""
			if i < 20 { // a simulator first
				doubt = `,"status":8`
			}
			if _, err := fmt.Fprintf(c, `{"class":"TPV","device":"/dev/ttyACM0","mode":%d,"time":%q,"lat":-31.6,"lon":139.3,"altHAE":45,"epx":4,"epy":5,"epv":9,"magvar":-60%s}`+"\n",
				mode, f.truth(next).Format("2006-01-02T15:04:05.000Z"), doubt); err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() { l.Close(); <-served })
	s := f.wait("a simulator", func(s *daemon.Snapshot) bool { return has(s, "gnss-no-fix") })
	if s.Site.Known || s.Clock.Source == daemon.ClockGNSS {
		t.Errorf("%+v %+v", s.Site, s.Clock)
	}
	s = f.wait("place and time", func(s *daemon.Snapshot) bool {
		return s.Site.Source == daemon.SiteGNSS && s.Clock.Source == daemon.ClockGNSS && has(s, "declination-disagrees")
	})
	if s.Site.Site.LatDeg != -31.6 || s.Site.Site.HeightM != 45 || has(s, "gnss-no-fix") || !strings.HasPrefix(receiverOf(s).Device, "/dev/ttyACM0 by gpsd at 127.") {
		t.Errorf("%+v %+v %+v", s.Site, s.Warnings, receiverOf(s))
	}
}

// Nobody asked for a receiver: that there is none is nobody's business.
func TestAutoWithoutGpsdIsQuiet(t *testing.T) {
	f := newField(t, config.GNSS{Source: config.Off}, 0)
	l := &locator{d: f.d, clock: f.clock, log: slog.New(slog.DiscardHandler), quiet: true, timing: gnss.NewTiming(gnss.GpsdLatency())}
	l.status = daemon.SensorStatus{Name: "gnss", State: "starting", Faults: map[string]uint64{}}
	l.down(errors.New("connection refused"))
	time.Sleep(50 * time.Millisecond)
	if s := f.wait("anything", func(*daemon.Snapshot) bool { return true }); receiverOf(s).State != "none" || has(s, "gnss-lost") {
		t.Errorf("%+v %+v", receiverOf(s), s.Warnings)
	}
	// Once there was one, its loss is told.
	l.up("gpsd")
	l.down(errors.New("connection lost"))
	f.wait("it is missed", func(s *daemon.Snapshot) bool { return receiverOf(s).State == "lost" && has(s, "gnss-lost") })
}

func TestSerialPortsThatAreNone(t *testing.T) {
	plain := filepath.Join(t.TempDir(), "plain")
	if err := os.WriteFile(plain, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{filepath.Join(t.TempDir(), "none"): "plug the receiver in", plain: plain + ": ", t.TempDir(): ": "} {
		if p, _, err := openSerial(path, 0, 3); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v %v", path, p, err)
		}
	}
}
