package daemon

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"plumbstar/daemon/estimator"
)

var (
	built = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	dusk  = time.Date(2026, 11, 12, 17, 0, 0, 0, time.UTC)
)

// bench turns a timekeeper by hand: the true time, and how far the system clock
// is off.
type bench struct {
	t   *testing.T
	k   timekeeper
	now time.Duration
	off time.Duration
}

func newBench(t *testing.T, sigmaS float64) *bench {
	return &bench{t: t, k: timekeeper{notBefore: built, base: ClockSystem, baseSigmaS: sigmaS}}
}

func (b *bench) truth() time.Time { return dusk.Add(b.now) }

func (b *bench) gnss(off time.Duration) {
	b.k.take(reading{ClockGNSS, b.now, b.truth().Add(off), 0.25})
}

func (b *bench) entered(off time.Duration, sigmaS float64) {
	b.k.take(reading{ClockEntered, b.now, b.truth().Add(off), sigmaS})
}

// pass lets time go by in looks of 100 ms.
func (b *bench) pass(d time.Duration) {
	for end := b.now + d; b.now < end; {
		b.now += 100 * time.Millisecond
		b.k.look(b.now, b.truth().Add(b.off))
	}
}

// expect checks source, how far the believed time is off, that the stated sigma
// covers it, and the codes of the warnings.
func (b *bench) expect(source string, off time.Duration, codes ...string) {
	b.t.Helper()
	b.pass(100 * time.Millisecond)
	s := b.k.status
	if s.Source != source || b.k.utc.Sub(b.truth()).Round(time.Millisecond) != off {
		b.t.Errorf("%s off by %v, want %s off by %v; %+v", s.Source, b.k.utc.Sub(b.truth()), source, off, b.k.warnings)
	}
	if s.SigmaS >= 0 && off.Abs().Seconds() > 3*s.SigmaS+0.001 {
		b.t.Errorf("off by %v with a sigma of %v s", off, s.SigmaS)
	}
	if got := codesOf(b.k.warnings); got != strings.Join(codes, " ") {
		b.t.Errorf("warnings %q, want %q: %+v", got, strings.Join(codes, " "), b.k.warnings)
	}
}

func codesOf(w []estimator.Warning) string {
	var c []string
	for _, x := range w {
		c = append(c, x.Code)
	}
	return strings.Join(c, " ")
}

func TestClocksByRank(t *testing.T) {
	b := newBench(t, -1)
	b.off = -3 * time.Hour // as after a night without power
	b.expect(ClockSystem, -3*time.Hour, "clock-unsure")
	if b.k.status.SigmaS >= 0 || b.k.status.OffsetS != 0 {
		t.Errorf("%+v", b.k.status)
	}
	b.entered(time.Second, 2)
	b.expect(ClockEntered, time.Second)
	if o := b.k.status.OffsetS; math.Abs(o-3*3600-1) > 0.01 {
		t.Errorf("offset %v s", o)
	}
	b.off = 20 * time.Millisecond // a network appears: the clock is stepped and synchronised
	b.k.sync(b.now, true, 0.05)
	b.expect(ClockSynchronised, 20*time.Millisecond)
	b.gnss(200 * time.Millisecond)
	b.expect(ClockGNSS, 200*time.Millisecond)
	// The receiver loses its satellites: its time is carried on, until the crystal
	// may have drifted by more than a second.
	b.pass(time.Hour)
	b.k.sync(b.now, true, 0.05)
	b.expect(ClockGNSS, 200*time.Millisecond)
	b.now += 3 * time.Hour
	b.k.sync(b.now, true, 0.05)
	b.expect(ClockSynchronised, 20*time.Millisecond)
	// Nobody speaks of the kernel any more: what was heard last is carried on.
	b.pass(2 * time.Minute)
	b.expect(ClockGNSS, 200*time.Millisecond)
}

// With no better clock, a settings file's word for the system clock counts.
func TestClockOfTheSettings(t *testing.T) {
	b := newBench(t, 2)
	b.off = time.Second
	b.expect(ClockSystem, time.Second)
	if b.k.status.SigmaS != 2 {
		t.Errorf("sigma %v", b.k.status.SigmaS)
	}
	// Its battery is empty, and somebody knows better.
	b = newBench(t, 2)
	b.off = -5 * time.Hour
	b.entered(0, 5)
	b.expect(ClockEntered, 0, "clock-system-wrong")
	if w := b.k.warnings[0].Text; !strings.Contains(w, "-5.0 h") {
		t.Errorf("%q", w)
	}
}

func TestWrongClocksAreCaught(t *testing.T) {
	b := newBench(t, -1)
	b.off = built.Add(-time.Hour).Sub(dusk)
	b.expect(ClockUnknown, b.off)
	if b.k.status.Plausible || !strings.Contains(b.k.status.Why, "before this program was built") {
		t.Errorf("%+v", b.k.status)
	}
	b.off = 20 * 365 * 24 * time.Hour
	b.expect(ClockUnknown, b.off)
	if b.k.status.Plausible || !strings.Contains(b.k.status.Why, "long after") {
		t.Errorf("%+v", b.k.status)
	}
	if _, known := b.k.status.SkyTurnSigmaDeg(); known {
		t.Error("the night sky's place is known without a time")
	}
	// The other clocks work all the same.
	b.gnss(0)
	b.expect(ClockGNSS, 0)
	// Even one that the kernel calls synchronised.
	b = newBench(t, -1)
	b.off = built.Add(-time.Hour).Sub(dusk)
	b.k.sync(0, true, 0.01)
	b.expect(ClockUnknown, b.off)
}

func TestTwoClocksDisagree(t *testing.T) {
	b := newBench(t, -1)
	b.k.sync(0, true, 0.05)
	b.gnss(-17 * time.Second) // does not know the leap seconds yet
	b.expect(ClockGNSS, -17*time.Second, "clock-disagrees")
	if s := b.k.status.SigmaS; s < 17 || s > 17.1 {
		t.Errorf("sigma %v s does not cover the disagreement", s)
	}
	deg, known := b.k.status.SkyTurnSigmaDeg()
	if !known || math.Abs(deg-17*15.041/3600) > 0.0005 {
		t.Errorf("the night sky's place is known to %v°", deg)
	}
	// A third one shows which is right.
	b.entered(time.Second, 2)
	b.expect(ClockSynchronised, 0, "clock-disagrees")
	if b.k.status.SigmaS != 0.05 || !strings.Contains(b.k.warnings[0].Text, "satellite receiver is off by -17.0 s") {
		t.Errorf("%+v %+v", b.k.status, b.k.warnings)
	}
	// A wrong entry against two good clocks.
	b = newBench(t, -1)
	b.k.sync(0, true, 0.05)
	b.gnss(0)
	b.entered(-time.Hour, 2)
	b.expect(ClockGNSS, 0, "clock-disagrees")
	if b.k.status.SigmaS > 0.3 {
		t.Errorf("sigma %v s", b.k.status.SigmaS)
	}
	// Three clocks, three times: nobody knows.
	b = newBench(t, -1)
	b.k.sync(0, true, 0.05)
	b.gnss(10 * time.Minute)
	b.entered(-2*time.Hour, 2)
	b.expect(ClockGNSS, 10*time.Minute, "clock-disagrees", "clock-disagrees", "clock-unsure")
	if _, known := b.k.status.SkyTurnSigmaDeg(); known {
		t.Error("the night sky's place is known")
	}
}

func TestSystemClockJumps(t *testing.T) {
	// Nothing else is known: the time follows, with a warning for a while.
	b := newBench(t, 2)
	b.pass(time.Minute)
	b.off = 90 * time.Second
	b.expect(ClockSystem, 90*time.Second, "clock-jump", "clock-unsure")
	if s := b.k.status.SigmaS; s < 90 || s > 91 {
		t.Errorf("sigma %v s does not cover the jump", s)
	}
	b.pass(jumpShown)
	b.expect(ClockSystem, 90*time.Second, "clock-unsure")
	// An own offset stands firm.
	b = newBench(t, -1)
	b.entered(0, 2)
	b.pass(time.Minute)
	b.off = -time.Hour
	b.expect(ClockEntered, 0)
	// A step by a time server is no jump to warn of.
	b = newBench(t, -1)
	b.off = -time.Hour
	b.pass(time.Minute)
	b.off = 0
	b.k.sync(b.now, true, 0.05)
	b.expect(ClockSynchronised, 0)
	// Slewing is none either: 10 % as a time server does at its fastest.
	b = newBench(t, 2)
	for range 600 {
		b.off += 10 * time.Millisecond
		b.pass(100 * time.Millisecond)
	}
	if b.k.systemJump.set {
		t.Error("slewing was taken for a jump")
	}
}

func TestReceiverJumps(t *testing.T) {
	b := newBench(t, -1)
	for range 10 {
		b.gnss(0)
		b.pass(5 * time.Second)
	}
	// One wild reading, and two that do not agree with each other.
	for _, wild := range []time.Duration{time.Hour, time.Minute, -time.Hour, 2 * time.Hour, 3 * time.Minute} {
		b.gnss(wild)
		b.expect(ClockGNSS, 0)
		b.pass(5 * time.Second)
	}
	b.gnss(0)
	b.expect(ClockGNSS, 0)
	// It changes its mind for good: believed after three in ten seconds, said aloud.
	for i := range 3 {
		b.expect(ClockGNSS, 0)
		b.gnss(18 * time.Second)
		if i < 2 {
			b.pass(5 * time.Second)
		}
	}
	b.expect(ClockGNSS, 18*time.Second, "clock-jump")
	if !strings.Contains(b.k.warnings[0].Text, "18.0 s") {
		t.Errorf("%+v", b.k.warnings)
	}
	b.pass(jumpShown)
	b.gnss(18 * time.Second)
	b.pass(5 * time.Second)
	if s := b.k.status.SigmaS; s > 0.3 || len(b.k.warnings) != 0 {
		t.Errorf("long after the jump: sigma %v s, %+v", s, b.k.warnings)
	}
}

// A receiver whose week count rolled over is refused, whichever way.
func TestWeekRolloverIsImplausible(t *testing.T) {
	const rollover = 1024 * 7 * 24 * time.Hour
	for _, by := range []time.Duration{-rollover, rollover} {
		if implausible(dusk.Add(by), built) == "" {
			t.Errorf("%v passes", dusk.Add(by))
		}
	}
	if why := implausible(dusk.Add(18*365*24*time.Hour), built); why != "" {
		t.Errorf("18 years after it was built: %s", why)
	}
}

// The sigma of a time that is carried on covers the drift of crystals as they
// are: half of them drift more than 78 ppm.
func TestHeldTimeIsHonest(t *testing.T) {
	const runs = 2000
	inside := 0
	for seed := range uint64(runs) {
		rng := rand.New(rand.NewPCG(seed, 3))
		r := reading{ClockEntered, 0, dusk.Add(time.Duration(2e9 * rng.NormFloat64())), 2}
		held := time.Duration(rng.Float64() * 10 * float64(time.Hour))
		// Normal with a median of the size of 78 ppm.
		ppm := 78 / 0.6745 * rng.NormFloat64()
		c := r.on(held)
		if e := c.utc.Sub(dusk.Add(held)).Seconds() - ppm*1e-6*held.Seconds(); math.Abs(e) < 1.96*c.sigmaS {
			inside++
		}
	}
	if p := float64(inside) / runs; p < 0.92 || p > 0.97 {
		t.Errorf("%.3f within 1.96 sigma", p)
	}
}

// Whatever the clocks do, the time that is believed lies within three stated
// sigma whenever at most one of the ranked clocks lies, and never goes unflagged
// when it does not.
func TestRandomClocks(t *testing.T) {
	for seed := range uint64(500) {
		rng := rand.New(rand.NewPCG(seed, 9))
		b := newBench(t, -1)
		errs := make([]time.Duration, 3)
		liar := rng.IntN(4)
		for i := range errs {
			errs[i] = time.Duration(0.1 * 1e9 * rng.NormFloat64())
			if i == liar {
				errs[i] += time.Duration((2*rng.Float64() - 1) * 1e4 * 1e9)
			}
		}
		has := rng.IntN(7) + 1
		if has&1 != 0 {
			b.gnss(errs[0])
		}
		if has&2 != 0 {
			b.k.sync(0, true, 0.2)
		}
		b.off = errs[1]
		if has&4 != 0 {
			b.entered(errs[2], 1)
		}
		b.pass(200 * time.Millisecond)
		s := b.k.status
		alone := has == 1 || has == 2 || has == 4
		off := b.k.utc.Sub(b.truth()).Abs().Seconds()
		if !alone && off > 3*s.SigmaS+slackS {
			t.Errorf("seed %d: %+v off by %v s (clocks %b, errors %v)", seed, s, off, has, errs)
		}
		if b.k.status.Source == ClockUnknown {
			t.Errorf("seed %d: no clock", seed)
		}
	}
}

func TestSpan(t *testing.T) {
	for s, want := range map[float64]string{0.25: "0.2 s", -17: "-17.0 s", 600: "10 min", 7200: "2.0 h", -86400 * 30: "-30 days", 99 * 60: "99 min"} {
		if got := span(s); got != want {
			t.Errorf("%v: %q, want %q", s, got, want)
		}
	}
}
