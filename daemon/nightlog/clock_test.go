package nightlog

import (
	"math"
	"testing"
	"time"
)

// TestClockStepRedates: a board without a battery clock begins in 1970; a phone
// sets the time in the middle of the night. All rows get the true dates, and keep
// their distances.
func TestClockStepRedates(t *testing.T) {
	ctx := t.Context()
	wrong := time.Date(1970, 1, 1, 0, 5, 0, 0, time.UTC)
	l := open(t, Options{Dir: t.TempDir(), Opened: Moment{UTC: wrong, SigmaS: -1, Source: "system"}})
	l.BeginNight(Moment{At: 10 * time.Second, UTC: wrong.Add(10 * time.Second), SigmaS: -1, Source: "system"}, NightInfo{Name: "no clock"})
	l.Sample(NewSample(20 * time.Second))
	l.Event(30*time.Second, Event{Kind: "moved"})
	flush(t, l)
	night, _ := l.Night()

	r := reader(t, l.Path())
	if n, err := r.Night(ctx, night); err != nil || n.Begin != wrong.Add(10*time.Second) || n.ClockSigmaS >= 0 {
		t.Fatalf("before: %+v %v", n, err)
	}

	set := Moment{At: 60 * time.Second, UTC: dusk.Add(60 * time.Second), SigmaS: 2, Source: "entered"}
	l.Clock(set)
	l.Sample(NewSample(70 * time.Second))
	l.FullRate(Second{At: 70 * time.Second})
	flush(t, l)
	// A satellite fix is better still; a system clock of unknown worth is not.
	l.Clock(Moment{At: 80 * time.Second, UTC: dusk.Add(81 * time.Second), SigmaS: 0.01, Source: "gnss"})
	l.Clock(Moment{At: 90 * time.Second, UTC: wrong, SigmaS: -1, Source: "system"})
	l.EndNight(Moment{At: 100 * time.Second, UTC: dusk.Add(101 * time.Second), SigmaS: 0.01, Source: "gnss"})
	flush(t, l)

	n, err := r.Night(ctx, night)
	if err != nil || n.Begin != dusk.Add(11*time.Second) || n.End != dusk.Add(101*time.Second) || n.ClockSigmaS != 0.01 || n.ClockSource != "gnss" {
		t.Errorf("after: %+v %v", n, err)
	}
	samples := collect(t, r.Samples(ctx, night))
	for i, at := range []time.Duration{20 * time.Second, 70 * time.Second} {
		if s := samples[i]; s.UTC != dusk.Add(at+time.Second) || s.TS != (at-10*time.Second).Seconds() {
			t.Errorf("sample of %v is dated %v, t %g s", at, s.UTC, s.TS)
		}
	}
	if s := collect(t, r.FullRate(ctx, night)); len(s) != 1 || s[0].UTC != dusk.Add(71*time.Second) {
		t.Errorf("full rate %+v", s)
	}
	var steps []float64
	for _, e := range collect(t, r.Events(ctx, night)) {
		if e.Kind == "clock-step" {
			steps = append(steps, e.Numbers["step_s"])
		}
	}
	want := []float64{dusk.Sub(wrong).Seconds(), 1, wrong.Sub(dusk).Seconds() - 91}
	if len(steps) != len(want) {
		t.Fatalf("steps %v, want %v", steps, want)
	}
	for i := range want {
		if math.Abs(steps[i]-want[i]) > 1e-6 {
			t.Errorf("step %d is %g s, want %g", i, steps[i], want[i])
		}
	}
}

// TestClockSaysNothingNew: a clock that is told every second leaves no trace
// until it says something else.
func TestClockSaysNothingNew(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	l.BeginNight(system(0), NightInfo{})
	for i := range 100 {
		m := system(time.Duration(i) * time.Second)
		m.UTC = m.UTC.Add(time.Duration(i%3) * 20 * time.Millisecond)
		l.Clock(m)
	}
	count := func() (n int) {
		flush(t, l)
		if err := connection(t, l).QueryRowContext(t.Context(), "SELECT count(*) FROM clocks").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if n := count(); n != 1 {
		t.Errorf("%d moments, want the first only", n)
	}
	slow := system(200 * time.Second)
	slow.UTC = slow.UTC.Add(300 * time.Millisecond) // drifted
	l.Clock(slow)
	better := slow
	better.SigmaS = 0.1
	l.Clock(better)
	if n := count(); n != 3 {
		t.Errorf("%d moments, want 3", n)
	}
	r := reader(t, l.Path())
	if e := collect(t, r.Events(t.Context(), All)); len(e) != 0 {
		t.Errorf("events for a drift: %+v", e)
	}
	if n, err := r.Night(t.Context(), Latest); err != nil || n.Begin != dusk.Add(300*time.Millisecond) {
		t.Errorf("%+v %v", n, err)
	}
}
