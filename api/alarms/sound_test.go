package alarms

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/pin"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/estimator"
)

// fakePin remembers its level and, where it has PWM, its tone.
type fakePin struct {
	pin.BasicPin
	mu   sync.Mutex
	pwm  bool
	err  error
	l    gpio.Level
	hz   float64 // 0: steady level
	sets int
}

func (p *fakePin) Out(l gpio.Level) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.l, p.hz = l, 0
	p.sets++
	return p.err
}

func (p *fakePin) PWM(d gpio.Duty, f physic.Frequency) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.pwm {
		return errors.New("no PWM at this pin")
	}
	if d != gpio.DutyHalf {
		return fmt.Errorf("duty %v", d)
	}
	p.hz = float64(f) / float64(physic.Hertz)
	p.sets++
	return p.err
}

// bench is a buzzer in simulated time.
type bench struct {
	*buzzer
	p *fakePin
	t time.Duration
}

func newBench(p *fakePin, activeLow bool) *bench {
	b := &bench{p: p}
	b.buzzer = newBuzzer(p, "GPIO18", activeLow, func() time.Duration { return b.t }, func() time.Time { return time.Unix(0, 0).Add(b.t) }, quiet())
	return b
}

func (b *bench) sounds() bool { return b.p.hz > 0 || b.p.l == b.high }

// listen runs for d and writes down the lengths, in tenths of a second, of what
// sounded (+) and of the silences between (-). It looks every 10 ms and at the
// times that the buzzer asks for, and no step may come later than asked.
func (b *bench) listen(t *testing.T, d time.Duration) string {
	t.Helper()
	var out []string
	on, since := false, b.t
	note := func() {
		if b.t > since {
			out = append(out, fmt.Sprintf("%c%.4g", "-+"[map[bool]int{false: 0, true: 1}[on]], (b.t-since).Seconds()*10))
		}
	}
	for end := b.t + d; b.t < end; {
		until := b.step(b.t)
		if b.sounds() != on {
			note()
			on, since = !on, b.t
		}
		next := end
		if until > 0 {
			if until <= b.t {
				t.Fatalf("at %v it wants to be asked again at %v", b.t, until)
			}
			next = min(next, until)
		}
		b.t = next
	}
	note()
	return strings.Join(out, " ")
}

func TestPatternsAreToldApartByRhythm(t *testing.T) {
	for severity, want := range map[string]string{
		info:       "+0.8 -29.2",
		attention:  "+1.5 -1.5 +1.5 -10 +1.5 -1.5 +1.5 -11",
		moved:      "+5 -2.5 +5 -2.5 +5 -10 +5 -2.5 +5 -2.5 +5 -10 +5 -2.5",
		sensorLost: "+6 -2 +1.5 -1.5 +1.5 -10 +6 -2 +1.5 -1.5 +1.5 -10 +6 -2",
	} {
		for _, low := range []bool{false, true} {
			b := newBench(&fakePin{}, low)
			b.listen(t, time.Second)
			if b.sounds() {
				t.Fatal("it sounds before anything happened")
			}
			b.alarm(message(1, severity))
			d := 3 * time.Second
			if severity == moved {
				d = 6750 * ms
			} else if severity == sensorLost {
				d = 5300 * ms
			}
			if got := b.listen(t, d); got != want {
				t.Errorf("%s, active low %v:\n got %s\nwant %s", severity, low, got, want)
			}
			b.listen(t, time.Minute)
			if b.sounds() || b.step(b.t) != 0 {
				t.Errorf("%s never ends", severity)
			}
		}
	}
}

func TestWorseSoundsFirst(t *testing.T) {
	b := newBench(&fakePin{}, false)
	b.alarm(message(1, attention))
	b.listen(t, 200*ms)
	b.alarm(message(2, moved)) // at once
	if got := b.listen(t, 1200*ms); got != "+5 -2.5 +4.5" {
		t.Errorf("moved does not interrupt attention: %s", got)
	}
	b.alarm(message(3, attention)) // after it
	b.listen(t, 15*time.Second-1200*ms)
	if got := b.listen(t, 2*time.Second); !strings.HasPrefix(got, "-") && !strings.HasPrefix(got, "+1.5") {
		t.Errorf("after it: %s", got)
	}
	for n := range 100 { // bounded
		b.alarm(message(n, moved))
	}
	b.listen(t, 2*time.Minute)
	if b.sounds() {
		t.Error("a hundred alarms sound for more than two minutes")
	}
	// Reports about one finding sound once, unless they become worse.
	m := message(1, attention)
	m.Finding = 5
	b.alarm(m)
	if b.step(b.t); !b.sounds() {
		t.Error("the first report is silent")
	}
	b.listen(t, 10*time.Second)
	b.alarm(m)
	if got := b.listen(t, time.Second); got != "-10" {
		t.Errorf("the same again: %s", got)
	}
	m.Severity = moved
	b.alarm(m)
	if got := b.listen(t, time.Second); got == "-10" {
		t.Error("it became worse, and is silent")
	}
}

// guided moves the axis closer and counts beats and the tone.
func TestGuidanceRisesAsTheAxisClosesIn(t *testing.T) {
	for _, pwm := range []bool{true, false} {
		b := newBench(&fakePin{pwm: pwm}, false)
		s := snapshot(1)
		s.Estimate.State = estimator.Moving
		lastHz, lastBeats := 0.0, 0
		for _, deg := range []float64{8, 3, 2, 1, 0.5, 0.2, 0.1} {
			s.Guidance.Error.Deg, s.Guidance.Error.SigmaDeg = deg, 0.02
			beats, hz := 0, 0.0
			for range 100 { // ten seconds
				b.guide(s, false)
				on := b.sounds()
				for end := b.t + 100*ms; b.t < end; b.t += 10 * ms {
					b.step(b.t)
					if b.sounds() && !on {
						beats++
						hz = b.p.hz
					}
					on = b.sounds()
				}
			}
			if beats <= lastBeats || pwm && hz <= lastHz || !pwm && hz != 0 {
				t.Errorf("PWM %v, %g°: %d beats at %.0f Hz, farther away %d at %.0f", pwm, deg, beats, hz, lastBeats, lastHz)
			}
			lastBeats, lastHz = beats, hz
		}
		// As close as can be told: one long tone.
		for _, c := range []struct{ deg, sigma float64 }{{0.04, 0.02}, {0.5, 0.56}} {
			s.Guidance.Error.Deg, s.Guidance.Error.SigmaDeg = c.deg, c.sigma
			for range 20 {
				b.guide(s, false)
				b.t += 50 * ms
				if b.step(b.t); !b.sounds() {
					t.Errorf("%g° ± %g°: silent", c.deg, c.sigma)
				}
			}
		}
	}
	if hz, beat := pitch(farDeg); math.Abs(hz-farHz) > 1e-9 || beat != farBeat {
		t.Error(hz, beat)
	}
	if hz, beat := pitch(0); math.Abs(hz-nearHz) > 1e-9 || beat < nearBeat-1 || beat > nearBeat+1 {
		t.Error(hz, beat)
	}
}

func TestGuidanceIsSilentWithoutANumber(t *testing.T) {
	s := snapshot(1)
	s.Estimate.State = estimator.Moving
	sounded := func(change func(*daemon.Snapshot), hush bool, wait time.Duration) bool {
		b := newBench(&fakePin{}, false)
		x := *s
		change(&x)
		b.guide(&x, hush)
		b.t += wait
		b.step(b.t)
		return b.sounds()
	}
	if !sounded(func(*daemon.Snapshot) {}, false, 0) {
		t.Fatal("it never sounds")
	}
	for name, silent := range map[string]bool{
		"no number": sounded(func(x *daemon.Snapshot) { x.Guidance.Error = estimator.Quantity{Why: "site not known"} }, false, 0),
		"quiet":     sounded(func(*daemon.Snapshot) {}, true, 0),
		"old":       sounded(func(*daemon.Snapshot) {}, false, deafAfter),
		"at rest":   sounded(func(x *daemon.Snapshot) { x.Estimate.State = estimator.Steady }, false, 0),
	} {
		if silent {
			t.Errorf("%s: it sounds", name)
		}
	}
	// At rest it goes on for a while, then stops by itself.
	b := newBench(&fakePin{}, false)
	b.guide(s, false)
	x := *s
	x.Estimate.State = estimator.Steady
	var last time.Duration
	for b.t < time.Minute {
		b.guide(&x, false)
		b.t += 10 * ms
		if b.step(b.t); b.sounds() {
			last = b.t
		}
	}
	if last > guideFor || last < guideFor-2*farBeat {
		t.Errorf("it led until %v after the movement, want about %v", last, guideFor)
	}
	// An alarm is heard over guidance.
	b.guide(s, false)
	b.alarm(message(1, moved))
	if got := b.listen(t, 700*ms); got != "+5 -2" {
		t.Errorf("alarm during guidance: %s", got)
	}
}

func TestPinThatFailsIsShown(t *testing.T) {
	p := &fakePin{err: errors.New("device busy")}
	b := newBench(p, false)
	b.alarm(message(1, moved))
	b.step(b.t)
	var s Status
	if b.status(&s); s.State != Faulty || !strings.Contains(s.Why, "device busy") || !strings.Contains(s.Why, "group gpio") || s.Failed == 0 {
		t.Errorf("%+v", s)
	}
	p.err = nil
	b.t += 600 * ms
	b.step(b.t)
	s = Status{}
	if b.status(&s); s.State != Sending || s.Why != "" {
		t.Errorf("after it works: %+v", s)
	}
}

// TestBuzzerInAlarms: wired as the program does it, in real time.
func TestBuzzerInAlarms(t *testing.T) {
	t.Parallel()
	p := &fakePin{pwm: true}
	src := newFakeSource()
	o := options(src, func(s *config.Alarms) { s.Buzzer.Pin, s.Buzzer.Guide = "GPIO18", true })
	o.Pin = func(name string) (gpio.PinOut, error) {
		if name != "GPIO18" {
			t.Errorf("pin %q", name)
		}
		return p, nil
	}
	a, end := start(t, o)
	hz := func() float64 {
		p.mu.Lock()
		defer p.mu.Unlock()
		return p.hz
	}
	s := snapshot(1)
	s.Estimate.State = estimator.Moving
	want, _ := pitch(s.Guidance.Error.Deg)
	src.mu.Lock()
	src.armed = true
	src.mu.Unlock()
	for range 3 {
		src.snaps <- s
	}
	if hz() != 0 {
		t.Error("a watched tripod that moves is led")
	}
	src.mu.Lock()
	src.armed = false
	src.mu.Unlock()
	src.snaps <- s
	waitFor(t, "guidance", func() bool { return math.Abs(hz()-want) < 1 })
	src.events <- event(1, daemon.Info) // below the least severity
	src.events <- event(2, daemon.Moved)
	waitFor(t, "the alarm", func() bool { return hz() == alarmHz })
	if s := statusOf(t, a, "buzzer"); s.State != Sending || s.HeldBack != 1 || s.Sent != 1 || s.Target != "GPIO18" {
		t.Errorf("%+v", s)
	}
	if s, err := a.Try("buzzer"); err != nil || s.Name != "buzzer" {
		t.Errorf("try: %+v, %v", s, err)
	}
	end()
	if hz() != 0 || p.l != gpio.Low {
		t.Error("it sounds after the end")
	}
}

func TestTryAndList(t *testing.T) {
	t.Parallel()
	src := newFakeSource()
	o := options(src, func(s *config.Alarms) {
		s.Webhook.URL, s.Webhook.MinSeverity, s.Webhook.Quiet = "http://127.0.0.1:1/key-77", "moved", []string{"00:00-23:59"}
		s.Buzzer.Pin = "GPIO99"
	})
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	var off *OffError
	if _, err := a.Try("mqtt"); !errors.As(err, &off) || !strings.Contains(err.Error(), "[alarms.mqtt]") {
		t.Errorf("off: %v", err)
	}
	if _, err := a.Try("buzzer"); !errors.As(err, &off) || !strings.Contains(err.Error(), "unexpected EOF") {
		t.Errorf("faulty: %v", err)
	}
	if _, err := a.Try("horn"); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown: %v", err)
	}
	if s, err := a.Try("webhook"); err != nil || s.Queued != 1 || s.State != Sending {
		t.Errorf("webhook: %+v, %v", s, err)
	}
	m, _ := a.all[0].courier.queue.take()
	if !m.Trial || m.ID != "run-try-1" || m.Board != "larkmoor" || !strings.Contains(m.Text, "Nothing is wrong") {
		t.Errorf("%+v", m)
	}
	list := a.List()
	if len(list) != 3 || list[0].Target != "http://127.0.0.1:1" || list[1].State != Off || list[2].State != Faulty {
		t.Errorf("%+v", list)
	}
	if _, err := New(Options{}); err == nil {
		t.Error("without a source it starts")
	}
}

// TestEndDeliversWhatWaits: a program that is stopped sends what it can.
func TestEndDeliversWhatWaits(t *testing.T) {
	t.Parallel()
	var got []string
	ready := false
	c := newCourier("x", quick(), func(_ context.Context, m Message) error {
		if !ready {
			return errors.New("not yet")
		}
		got = append(got, m.ID)
		return nil
	}, time.Now, quiet())
	c.pace.first, c.pace.most = time.Hour, time.Hour
	for n := range 5 {
		c.queue.put(message(n, info))
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); c.run(ctx) }()
	waitFor(t, "the first attempt", func() bool { return c.deeds().failed == 1 })
	ready = true
	cancel()
	<-done
	if len(got) != 5 {
		t.Errorf("delivered at the end: %v", got)
	}
}

func TestPaceGrowsAndStaysBounded(t *testing.T) {
	p := usualPace(time.Second)
	for n := 1; n < 100; n++ {
		full := p.most
		if n < 7 {
			full = p.first << (n - 1)
		}
		seen := map[time.Duration]bool{}
		for range 50 {
			w := p.wait(n)
			if w < full/2 || w > full {
				t.Fatalf("after %d failures %v, want %v to %v", n, w, full/2, full)
			}
			seen[w] = true
		}
		if len(seen) < 10 {
			t.Errorf("after %d failures nothing is left to chance", n)
		}
	}
}
