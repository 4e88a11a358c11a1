package daemon_test

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/recorded"
)

// A real board that lies still raises no alarm through the whole daemon, armed a
// few seconds or two minutes after it was switched on; its warm-up drift is told
// as drift, if at all.
func TestUnmovedRecordingRaisesNoAlarm(t *testing.T) {
	for _, c := range []struct {
		name string
		arm  time.Duration
	}{
		{"set-2_unmoved-with-x-pointing-forward-10min.csv.gz", 10 * time.Second},
		{"set-2_unmoved-with-x-pointing-forward-10min.csv.gz", 2 * time.Minute},
		{"set-2_unmoved-with-z-pointing-front-and-x-up.csv.gz", 10 * time.Second},
	} {
		f, err := os.Open(filepath.Join("..", "testdata", "imu", "mpu6050_hmc5883l", c.name))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		rows, err := recorded.NewReader(f)
		if err != nil {
			t.Fatal(err)
		}
		clock := scenario.NewClock()
		player, err := recorded.NewPlayer(rows, clock, recorded.Options{Name: c.name})
		if err != nil {
			t.Fatal(err)
		}
		clock.Sleep(player.Start())
		none := daemon.Correction{TempC: math.NaN()}
		begin := time.Date(2027, 1, 15, 20, 0, 0, 0, time.UTC)
		site := astro.Site{LatDeg: 51.9, LonDeg: 8.4, HeightM: 210}
		l := nightlog.Start(nightlog.Options{Dir: t.TempDir(), Every: 20 * time.Millisecond, Opened: nightlog.Moment{UTC: begin}})
		defer l.Close()
		armed := false
		var d *daemon.Daemon
		start := clock.Now()
		o := daemon.Options{
			Clock: armingClock{clock, func(now time.Duration) {
				if !armed && now-start >= c.arm {
					_, err := d.ArmWatch(daemon.Arming{})
					armed = err == nil
				}
			}},
			UTC: func(now time.Duration) time.Time { return begin.Add(now) }, ClockSource: "entered", ClockSigmaS: 1,
			Inertial:      &daemon.Inertial{Device: c.name, Mount: daemon.Straight(), Correct: none, Open: func() (sensors.Inertial, error) { return player.Inertial(), nil }},
			Magnetic:      &daemon.Magnetic{Device: c.name, Mount: daemon.Straight(), Correct: none, Open: func() (sensors.Magnetometer, error) { return player.Magnetometer(), nil }},
			MountSigmaDeg: 0.2, LocalFieldUT: 0.7, Site: &site, AimKind: "refracted", Air: astro.StandardAir(210), Model: geomag.WMM2025(),
			Kit: oneLens, Journal: l, Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
		}
		if d, err = daemon.New(o); err != nil {
			t.Fatal(err)
		}
		if err := d.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		if !armed {
			t.Fatalf("%s: never armed", c.name)
		}
		watched := false
		for _, e := range d.RecentEvents(0, 1000) {
			t.Logf("%s, %v: %s %s", c.name, e.Mono, e.Kind, e.Text)
			watched = watched || e.Kind == daemon.EventWatchArmed
			if e.Severity != daemon.Info {
				t.Errorf("%s, armed after %v: false alarm %s at %v: %s", c.name, c.arm, e.Kind, e.Mono, e.Text)
			}
		}
		if s := d.Watch(); !watched || s.Since.SizeDeg() != 0 {
			t.Errorf("%s: %.3f° moved since arming", c.name, s.Since.SizeDeg())
		}
	}
}

// armingClock lets a test do something between two rounds of the loop.
type armingClock struct {
	*scenario.Clock
	each func(now time.Duration)
}

func (c armingClock) Sleep(d time.Duration) {
	c.Clock.Sleep(d)
	c.each(c.Now())
}

// fullJournal is a log on a full disk.
type fullJournal struct{}

func (*fullJournal) Sample(nightlog.Sample)                         {}
func (*fullJournal) FullRate(nightlog.Second)                       {}
func (*fullJournal) Event(time.Duration, nightlog.Event)            {}
func (*fullJournal) Clock(nightlog.Moment)                          {}
func (*fullJournal) NightSite(nightlog.Site)                        {}
func (*fullJournal) BeginNight(nightlog.Moment, nightlog.NightInfo) {}
func (*fullJournal) ResumeNight(nightlog.Moment, int64)             {}
func (*fullJournal) EndNight(nightlog.Moment)                       {}
func (*fullJournal) Night() (id int64, ok bool)                     { return 0, false }

func (*fullJournal) Health() nightlog.Health {
	return nightlog.Health{Problem: &nightlog.Error{Op: "write", Kind: nightlog.Full}, Text: "full", Dropped: 12}
}

// On a full disk everything but the log goes on, the watch too, with one warning.
func TestFullDisk(t *testing.T) {
	r := newRig(t, "larkmoor", 3, func(o *daemon.Options) { o.Kit, o.Journal = oneLens, &fullJournal{} })
	r.warm()
	r.arm(daemon.Arming{})
	r.settle()
	before := r.lastEvent()
	r.kick(r3.Vec{X: -0.1})
	r.run(3 * time.Second)
	if got := r.after(before); len(got) == 0 || got[0].Kind != "knock" {
		t.Errorf("the watch is blind on a full disk: %+v", got)
	}
	n := 0
	for _, w := range r.seen.Warnings {
		if w.Code == "night-log-full" {
			n++
			t.Log(w.Text)
		}
	}
	if n != 1 || r.seen.Log.Dropped != 12 || r.seen.Log.Problem != "full" {
		t.Errorf("%d warnings of the full disk, log %+v", n, r.seen.Log)
	}
}
