package daemon_test

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
)

// logged is a rig with a night log on a real disk.
func logged(t *testing.T, dir string, change func(*daemon.Options)) (*rig, *nightlog.Log) {
	t.Helper()
	var l *nightlog.Log
	r := newRig(t, "larkmoor", 3, func(o *daemon.Options) {
		l = nightlog.Start(nightlog.Options{Dir: dir, Every: 20 * time.Millisecond, Opened: nightlog.Moment{UTC: o.UTC(0), SigmaS: 1, Source: "entered"}})
		o.Journal, o.Kit = l, oneLens
		if change != nil {
			change(o)
		}
	})
	t.Cleanup(func() { _ = l.Close() }) // before the rig stops: what comes later is dropped
	return r, l
}

// pass lets time pass in steps that the disk can follow.
func (r *rig) pass(l *nightlog.Log, length time.Duration) {
	r.t.Helper()
	for ; length > 0; length -= time.Minute {
		r.run(min(length, time.Minute))
		flush(r.t, l)
	}
	r.run(2 * time.Second) // the loop looks at the log once a second
}

func flush(t testing.TB, l *nightlog.Log) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := l.Flush(ctx); err != nil {
		t.Fatal(err)
	}
}

func open(t *testing.T, l *nightlog.Log) *nightlog.Reader {
	t.Helper()
	flush(t, l)
	d, err := nightlog.OpenReader(context.Background(), l.Path())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Close)
	return d
}

func storedEvents(t *testing.T, d *nightlog.Reader, night int64) (out []nightlog.StoredEvent, kinds string) {
	t.Helper()
	for e, err := range d.Events(context.Background(), night) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, *e)
		kinds += e.Kind + " "
	}
	return out, kinds
}

func TestNightIsLogged(t *testing.T) {
	r, l := logged(t, t.TempDir(), nil)
	r.warm()
	r.align(0.05)
	r.arm(daemon.Arming{})
	r.settle()
	flush(t, l)
	kicked := r.clock.Now()
	r.kick(r3.Vec{X: -0.08})
	r.pass(l, 90*time.Second)
	if id, ok := l.Night(); !ok || r.seen.Log == nil || r.seen.Log.NightID != id || !r.seen.Log.Night || r.seen.Log.Dropped > 0 {
		t.Errorf("log status %+v", r.seen.Log)
	}
	d := open(t, l)
	n, err := d.Night(context.Background(), nightlog.Latest)
	if err != nil || n.Site == nil || n.Site.Name != "Larkmoor" || !n.Open || !strings.Contains(string(n.Settings), `"focal_mm":135`) {
		t.Fatalf("night %+v, %v", n, err)
	}
	var last time.Time
	rows, shakes := 0, 0
	for s, err := range d.Samples(context.Background(), n.ID) {
		if err != nil {
			t.Fatal(err)
		}
		if rows > 0 && math.Abs(s.UTC.Sub(last).Seconds()-1) > 0.01 {
			t.Errorf("second %d comes %v after the one before", rows, s.UTC.Sub(last))
		}
		last = s.UTC
		rows++
		if rows > 30 && (math.Abs(r3.Norm(s.Accel.Corrected)-9.81) > 0.3 || math.Abs(s.Field.Raw.X-s.Field.Corrected.Y) > 1e-3 || !(s.Accel.Spread.X > 0) || math.IsNaN(s.TempC) || s.State == "") {
			t.Fatalf("second %d: %+v", rows, s.Sample)
		}
		if !math.IsNaN(s.ShakeArcsec) {
			shakes++
		}
	}
	if want := int(r.clock.Now().Seconds()) - 5; rows < want || shakes < 3 {
		t.Errorf("%d seconds of %d, %d minutes of vibration", rows, want, shakes)
	}
	all, kinds := storedEvents(t, d, n.ID)
	if !strings.HasPrefix(kinds, "night-began ") || !strings.Contains(kinds, "watch-armed knock knock") {
		t.Errorf("events: %s", kinds)
	}
	for _, e := range all {
		if e.Kind == "knock" && (e.Numbers["severity"] != 2 || e.Numbers["size_deg"] < 0.06 || e.Numbers["finding"] == 0) {
			t.Errorf("knock: %v", e.Numbers)
		}
	}
	var first, end time.Duration
	for s, err := range d.FullRate(context.Background(), n.ID) {
		if err != nil {
			t.Fatal(err)
		}
		if first == 0 {
			first = s.At
		} else if s.At != end {
			t.Errorf("full rate: a second at %v follows one that ended at %v", s.At, end)
		}
		end = s.At + time.Second
		if len(s.Inertial) < 95 || len(s.Magnetic) < 45 {
			t.Errorf("full rate: %d and %d samples in the second at %v", len(s.Inertial), len(s.Magnetic), s.At)
		}
	}
	if first > kicked-4*time.Second || end < kicked+10*time.Second {
		t.Errorf("full rate from %v to %v, kicked at %v", first, end, kicked)
	}
}

// A clock that is set dates the night's rows anew, all alike, and is told once.
func TestClockStepRedatesTheNight(t *testing.T) {
	r, l := logged(t, t.TempDir(), func(o *daemon.Options) { o.ClockSource, o.ClockSigmaS = daemon.ClockSystem, -1 })
	r.pass(l, time.Minute)
	late := r.place.Begin.Add(r.clock.Now() + 2*time.Hour)
	if err := r.d.SetClock(late, daemon.ClockEntered, 0.5); err != nil {
		t.Fatal(err)
	}
	r.pass(l, time.Minute)
	steps := 0
	for _, e := range r.after(0) {
		if e.Kind == daemon.EventClockStep {
			steps++
			if math.Abs(e.Numbers["step_s"]-7200) > 0.1 {
				t.Errorf("step of %v s: %s", e.Numbers["step_s"], e.Text)
			}
		}
	}
	d := open(t, l)
	n, err := d.Night(context.Background(), nightlog.Latest)
	if err != nil || n.ID != 1 || math.Abs(n.Begin.Sub(r.place.Begin.Add(2*time.Hour)).Seconds()) > 5 {
		t.Errorf("night %d begins at %v, %v", n.ID, n.Begin, err)
	}
	_, kinds := storedEvents(t, d, n.ID)
	if steps != 1 || strings.Count(kinds, "clock-step") != 1 {
		t.Errorf("%d steps told, stored: %s", steps, kinds)
	}
	var last time.Time
	for s, err := range d.Samples(context.Background(), n.ID) {
		if err != nil {
			t.Fatal(err)
		}
		if !last.IsZero() && s.UTC.Sub(last) > 1100*time.Millisecond {
			t.Errorf("a gap of %v in the dates", s.UTC.Sub(last))
		}
		last = s.UTC
	}
}

// At sunrise the night ends, by arming another begins, by disarming it ends.
func TestNightsBeginAndEnd(t *testing.T) {
	r, l := logged(t, t.TempDir(), nil)
	r.pass(l, 10*time.Second)
	noon := time.Date(2027, 1, 16, 12, 0, 0, 0, time.UTC)
	if err := r.d.SetClock(noon, daemon.ClockGNSS, 0.1); err != nil {
		t.Fatal(err)
	}
	r.pass(l, 40*time.Second)
	if r.seen.Log.Night {
		t.Errorf("still night at noon: %+v", r.seen.Log)
	}
	r.arm(daemon.Arming{})
	r.pass(l, 10*time.Second)
	if !r.seen.Log.Night || r.seen.Log.NightID != 2 {
		t.Errorf("no night although armed: %+v", r.seen.Log)
	}
	r.d.DisarmWatch()
	r.pass(l, 10*time.Second)
	if r.seen.Log.Night || !strings.Contains(r.seen.Log.Why, "Sun is up") {
		t.Errorf("night after disarming by day: %+v", r.seen.Log)
	}
	d := open(t, l)
	if _, kinds := storedEvents(t, d, 2); kinds != "night-began watch-armed watch-disarmed night-ended " {
		t.Errorf("events of the second night: %s", kinds)
	}
}

func TestNightWithoutSite(t *testing.T) {
	r, l := logged(t, t.TempDir(), func(o *daemon.Options) { o.Site = nil })
	r.pass(l, 30*time.Second)
	if r.seen.Log.Night {
		t.Errorf("a night after 30 s without a site: %+v", r.seen.Log)
	}
	r.pass(l, time.Minute)
	if !r.seen.Log.Night || !strings.Contains(r.seen.Log.Why, "not known") {
		t.Errorf("log %+v", r.seen.Log)
	}
	site := r.place.Site
	if err := r.d.SetSite("Larkmoor", site, daemon.SiteEntered); err != nil {
		t.Fatal(err)
	}
	r.pass(l, 40*time.Second)
	n, err := open(t, l).Night(context.Background(), nightlog.Latest)
	if err != nil || n.ID != 1 || n.Site == nil || n.Site.Name != "Larkmoor" || !n.Open {
		t.Errorf("night %+v, %v", n, err)
	}
}

// After a restart in the night the same night goes on, and so does the watch. What
// moved in altitude meanwhile is told.
func TestRestartGoesOn(t *testing.T) {
	for _, c := range []struct {
		moved float64
		want  daemon.Severity
	}{{0, daemon.Info}, {-0.4, daemon.Moved}} {
		dir := t.TempDir()
		r, l := logged(t, dir, nil)
		r.warm()
		r.align(0.05)
		r.arm(daemon.Arming{})
		r.settle()
		r.pass(l, time.Minute)
		r.stop()
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		r.path.Turn(r.clock.Now(), time.Second, r3.Vec{X: 1}, c.moved*math.Pi/180)
		r.clock.Sleep(time.Minute)
		d, err := nightlog.OpenReader(context.Background(), l.Path())
		if err != nil {
			t.Fatal(err)
		}
		left, err := d.Night(context.Background(), nightlog.Latest)
		d.Close()
		if err != nil {
			t.Fatal(err)
		}
		o := r.options()
		again := nightlog.Start(nightlog.Options{Dir: dir, Every: 20 * time.Millisecond, Opened: nightlog.Moment{At: r.clock.Now(), UTC: o.UTC(r.clock.Now()), SigmaS: 1, Source: "entered"}})
		defer again.Close()
		o.Journal, o.OpenNight, o.Kit = again, &left, oneLens
		r.start(o)
		r.pass(again, 2*time.Minute)
		s := r.d.Watch()
		if !s.Armed || s.Lens != "135 mm" || !s.Error.Known {
			t.Errorf("moved %v: after the restart: %+v", c.moved, s)
		}
		var renewed *daemon.Event
		for _, e := range r.after(0) {
			t.Log(e.Kind, e.Text)
			if e.Kind == daemon.EventWatchRenewed {
				renewed = &e
			}
		}
		if renewed == nil || renewed.Severity != c.want || warned(r.seen, "watch-watch-renewed") != (c.want != daemon.Info) {
			t.Errorf("moved %v: %+v", c.moved, renewed)
		}
		n, err := open(t, again).Night(context.Background(), nightlog.Latest)
		if err != nil || n.ID != left.ID || n.Runs != 2 {
			t.Errorf("night %d with %d runs, want %d with 2: %v", n.ID, n.Runs, left.ID, err)
		}
	}
}

// Whatever is wrong with the log, guidance goes on, with one warning and one event.
func TestBadLogs(t *testing.T) {
	sound := func(dir string) string {
		l := nightlog.Start(nightlog.Options{Dir: dir, Opened: nightlog.Moment{UTC: time.Unix(1e9, 0)}})
		flush(t, l)
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		return l.Path()
	}
	patch := func(path string, at int64, b []byte) {
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if _, err := f.WriteAt(b, at); err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct {
		prepare func(dir string) string // returns the directory to use
		warning string
		events  int
	}{
		// The user version is the big-endian word at byte 60 (SQLite file format, 1.3).
		"newer":   {func(dir string) string { patch(sound(dir), 60, []byte{0, 0, 0, 99}); return dir }, "night-log-newer", 1},
		"broken":  {func(dir string) string { patch(sound(dir), 0, []byte("no database at all")); return dir }, "", 1},
		"missing": {func(dir string) string { return filepath.Join(dir, "gone") }, "night-log-missing", 1},
	} {
		dir := c.prepare(t.TempDir())
		r, l := logged(t, dir, nil)
		// The disk is real, and slower than the simulated clock.
		for range 100 {
			if r.run(2 * time.Second); r.seen.Log.Problem != "" || len(l.Health().Aside) > 0 {
				break
			}
			time.Sleep(5 * time.Millisecond)
		}
		r.run(3 * time.Second)
		// Opening the sensors takes longer than a tick, once.
		if r.seen.Loop.Late > 1 || !r.seen.Estimate.Altitude.Known {
			t.Errorf("%s: guidance suffers: %+v", name, r.seen.Loop)
		}
		if c.warning != "" && !warned(r.seen, c.warning) {
			t.Errorf("%s: no warning %s in %v", name, c.warning, r.seen.Warnings)
		}
		n := 0
		for _, e := range r.after(0) {
			if e.Kind == daemon.EventLogTrouble {
				n++
				t.Log(e.Text)
			}
		}
		if n != c.events {
			t.Errorf("%s: %d events tell of it, want %d", name, n, c.events)
		}
		if name == "missing" {
			if err := os.Mkdir(dir, 0o700); err != nil {
				t.Fatal(err)
			}
			flush(t, l)
			r.run(3 * time.Second)
			if warned(r.seen, c.warning) || r.after(0)[len(r.after(0))-1].Kind != daemon.EventLogResumed {
				t.Errorf("after it was mended: %v", r.seen.Warnings)
			}
		}
		r.stop()
	}
}
