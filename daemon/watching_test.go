package daemon_test

import (
	"context"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
)

// kick turns the tripod by a rotation vector (degrees, ENU) within 0.3 s.
func (r *rig) kick(deg r3.Vec) {
	r.path.Turn(r.clock.Now(), 300*time.Millisecond, deg, r3.Norm(deg)*math.Pi/180)
}

// warm lets the watch know its sensors and puts the axis near the pole.
func (r *rig) warm() {
	alt, az := r.place.Site.LatDeg, 0.0
	if r.place.Site.Hemisphere() == astro.South {
		alt, az = -alt, 180
	}
	r.run(10 * time.Second)
	r.point(alt, az)
	r.run(2 * time.Minute)
}

// align tells the daemon the truth, with an error of sigmaDeg.
func (r *rig) align(sigmaDeg float64) {
	r.t.Helper()
	q, _ := r.path.At(r.clock.Now())
	alt, az := scenario.Direction(q)
	known := func(deg float64) estimator.Quantity {
		return estimator.Quantity{Deg: deg + sigmaDeg*r.rng.NormFloat64(), SigmaDeg: sigmaDeg, Known: true, Source: "sighting"}
	}
	if err := r.d.Refer(estimator.Reference{Altitude: known(alt), Azimuth: known(az)}); err != nil {
		r.t.Fatal(err)
	}
	r.run(5 * time.Second)
}

// settle waits until the armed watch has its pose.
func (r *rig) settle() {
	r.t.Helper()
	for range 60 {
		if r.run(time.Second); r.d.Watch().State == watch.Watching {
			return
		}
	}
	r.t.Fatalf("state %s a minute after arming", r.d.Watch().State)
}

func (r *rig) arm(a daemon.Arming) daemon.WatchStatus {
	r.t.Helper()
	s, err := r.d.ArmWatch(a)
	if err != nil {
		r.t.Fatal(err)
	}
	return s
}

// after gives the kept events after an ID.
func (r *rig) after(id uint64) []daemon.Event { return r.d.RecentEvents(id, 1000) }

func (r *rig) lastEvent() uint64 {
	all := r.after(0)
	if len(all) == 0 {
		return 0
	}
	return all[len(all)-1].ID
}

var oneLens = daemon.Kit{PixelUM: 4.3, TrailPx: 2, Lenses: []daemon.Lens{{Name: "135 mm", FocalMM: 135, ExposureS: 120}}}

// A kick of 0.05° is told within 2 s, with its size and what it does to the
// exposure, and warned of until it is acknowledged.
func TestKickIsTold(t *testing.T) {
	for _, site := range []string{"larkmoor", "dry-lagoon"} {
		t.Run(site, func(t *testing.T) {
			r := newRig(t, site, 3, func(o *daemon.Options) { o.Kit = oneLens })
			r.warm()
			r.align(0.05)
			s := r.arm(daemon.Arming{})
			if !s.Armed || s.Lens != "135 mm" || s.ExposureS != 120 {
				t.Fatalf("armed with %+v", s)
			}
			r.settle()
			before := r.lastEvent()
			kicked := r.clock.Now()
			r.kick(r3.Vec{X: -0.05}) // lowers an axis that points north
			r.run(2 * time.Second)
			got := r.after(before)
			if len(got) == 0 {
				t.Fatal("nothing told within 2 s")
			}
			e := got[0]
			t.Logf("%v after: %s", e.Mono-kicked, e.Text)
			if e.Kind != string(watch.Knock) || e.Severity != daemon.Moved || e.Mono-kicked > 2*time.Second || e.Finding == 0 || !e.TimeSure {
				t.Errorf("first event %+v", e)
			}
			if !warned(r.seen, "watch-knock") {
				t.Error("guidance does not warn")
			}
			r.run(10 * time.Second)
			got = r.after(before)
			e = got[len(got)-1]
			t.Log(e.Text, e.Numbers)
			if !e.Final || math.Abs(e.Numbers["size_deg"]-0.05) > 4*e.Numbers["size_sigma_deg"] {
				t.Errorf("last event %+v", e)
			}
			if e.Numbers["up_deg"]*(1-2*b2f(site == "dry-lagoon")) > 0 {
				t.Errorf("wrong way: %v", e.Numbers)
			}
			if _, ok := e.Numbers["longest_exposure_s"]; !ok {
				t.Errorf("what is left of the exposure is missing: %v", e.Numbers)
			}
			if s := r.d.Watch(); s.State != "moved" || len(s.Findings) != 1 {
				t.Errorf("status %s with %d findings", s.State, len(s.Findings))
			}
			r.d.Acknowledge()
			r.run(time.Second)
			if warned(r.seen, "watch-knock") {
				t.Error("still warned of after it was acknowledged")
			}
			if s := r.d.Watch(); s.State != "watching" || s.Since.SizeDeg() < 0.03 {
				t.Errorf("state %s, moved %.3f° since arming", s.State, s.Since.SizeDeg())
			}
		})
	}
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// A reader of events gets those that were kept and those to come, in order and
// without a gap, and the daemon does not wait for one who reads nothing.
func TestEventReaders(t *testing.T) {
	r := newRig(t, "larkmoor", 4, nil)
	r.run(time.Second)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	idle := r.d.Events(ctx, 0)
	try := func(n int) {
		for range n {
			if _, err := r.d.TryAlarm(daemon.Attention); err != nil {
				t.Fatal(err)
			}
		}
	}
	try(1)
	if first := <-idle; first.ID != 1 {
		t.Errorf("first event %d", first.ID)
	}
	try(299)
	if _, err := r.d.TryAlarm("loud"); err == nil {
		t.Error("an unknown severity was taken")
	}
	reader := r.d.Events(ctx, 290)
	for id := uint64(291); id <= 300; id++ {
		if e := <-reader; e.ID != id || e.Missed != 0 || !e.Trial || e.Severity != daemon.Attention {
			t.Fatalf("event %+v, want ID %d", e, id)
		}
	}
	before, late := uint64(1), <-idle
	for late.ID < 45 && late.Missed == late.ID-before-1 { // it may have taken one or two while they came
		before, late = late.ID, <-idle
	}
	if late.ID != 45 || late.Missed != 45-before-1 {
		t.Errorf("the late reader got %d after %d, %d missed; 256 of 300 are kept", late.ID, before, late.Missed)
	}
	if e := <-r.d.Events(ctx, 7000); e.ID != 45 {
		t.Errorf("an ID of another start gave %d", e.ID)
	}
	r.stop()
	for range idle {
	}
	if n := len(r.d.RecentEvents(290, 5)); n != 5 {
		t.Errorf("%d events, want 5", n)
	}
}

func TestQuietHours(t *testing.T) {
	r := newRig(t, "larkmoor", 5, func(o *daemon.Options) {
		at := o.UTC(0)
		m := 60*at.Hour() + at.Minute()
		o.Watch.Quiet = []daemon.QuietSpan{{From: (m + 1430) % 1440, To: (m + 10) % 1440}}
	})
	r.run(time.Second)
	for s, want := range map[daemon.Severity]bool{daemon.Info: true, daemon.Attention: true, daemon.Moved: false, daemon.SensorLost: false} {
		e, err := r.d.TryAlarm(s)
		if err != nil || e.Quiet != want {
			t.Errorf("%s: quiet %v, %v", s, e.Quiet, err)
		}
	}
}
