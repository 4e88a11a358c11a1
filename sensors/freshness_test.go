package sensors_test

import (
	"testing"
	"time"

	"plumbstar/sensors"
)

const period = 10 * time.Millisecond

// steps judges bursts that follow each other every gap.
func steps(f *sensors.Freshness, from, gap time.Duration, ready bool, bursts ...string) (flags sensors.Flags, v sensors.Verdict) {
	for i, b := range bursts {
		flags, v = f.Judge(from+time.Duration(i)*gap, ready, false, []byte(b))
	}
	return flags, v
}

func TestFreshness(t *testing.T) {
	for _, c := range []struct {
		name    string
		noReady bool
		ready   bool // of the last burst
		gap     time.Duration
		bursts  []string
		flags   sensors.Flags
		verdict sensors.Verdict
	}{
		{"the first, ready", false, true, period, []string{"a"}, 0, sensors.Fresh},
		{"the first, not ready", false, false, period, []string{"a"}, 0, sensors.Stale},
		{"the first without a ready bit", true, false, period, []string{"a"}, 0, sensors.Fresh},
		{"ready with the same bits", false, true, period, []string{"a", "a"}, 0, sensors.Fresh},
		{"not ready, the same bits", true, false, period, []string{"a", "a"}, 0, sensors.Stale},
		{"the same bits after long enough", true, false, period * 3 / 2, []string{"a", "a"}, 0, sensors.Fresh},
		{"other bits at once", true, false, period / 4, []string{"a", "b"}, 0, sensors.Fresh},
		{"two periods later", false, true, 2 * period, []string{"a", "b"}, 0, sensors.Fresh},
		{"three periods later", false, true, 3 * period, []string{"a", "b"}, sensors.Overrun, sensors.Fresh},
		{"ten repeats", false, true, period, []string{"a", "b", "b", "b", "b", "b", "b", "b", "b", "b", "b", "b"}, sensors.Repeated, sensors.Fresh},
		{"nine repeats", false, true, period, []string{"a", "b", "b", "b", "b", "b", "b", "b", "b", "b", "b"}, 0, sensors.Fresh},
	} {
		f := &sensors.Freshness{Period: period, NoReady: c.noReady}
		flags, v := steps(f, time.Second, c.gap, c.ready, c.bursts...)
		if flags != c.flags || v != c.verdict {
			t.Errorf("%s: flags %b, verdict %d, want %b, %d", c.name, flags, v, c.flags, c.verdict)
		}
	}
}

// TestFreshnessSampleBetweenStatusAndData: bits that changed are new although the
// ready bit is clear.
func TestFreshnessSampleBetweenStatusAndData(t *testing.T) {
	f := &sensors.Freshness{Period: period}
	f.Judge(0, true, false, []byte("a"))
	if _, v := f.Judge(period, false, false, []byte("b")); v != sensors.Fresh {
		t.Errorf("verdict %d", v)
	}
}

func TestFreshnessOverrunBit(t *testing.T) {
	f := &sensors.Freshness{Period: period}
	f.Judge(0, true, false, []byte("a"))
	if flags, v := f.Judge(period, true, true, []byte("b")); flags != sensors.Overrun || v != sensors.Fresh {
		t.Errorf("flags %b, verdict %d", flags, v)
	}
}

// TestFreshnessStuck: how long until a chip that stopped, or repeats itself, is
// called stuck.
func TestFreshnessStuck(t *testing.T) {
	for _, c := range []struct {
		name           string
		ready          bool
		period         time.Duration
		least, longest time.Duration
	}{
		{"stopped", false, period, 500 * time.Millisecond, 600 * time.Millisecond},
		{"stopped, slow", false, time.Second, 10 * time.Second, 12 * time.Second},
		{"frozen", true, period, time.Second, 1100 * time.Millisecond},
		{"frozen, slow", true, time.Second, 50 * time.Second, 52 * time.Second},
	} {
		f := &sensors.Freshness{Period: c.period}
		f.Judge(0, true, false, []byte("a"))
		at := time.Duration(0)
		for v := sensors.Fresh; v != sensors.Stuck && at < time.Minute; {
			at += c.period
			_, v = f.Judge(at, c.ready, false, []byte("a"))
		}
		if at < c.least || at > c.longest {
			t.Errorf("%s: after %v, want %v to %v", c.name, at, c.least, c.longest)
		}
	}
}

// TestFreshnessAfterAPause: not being asked is no fault of the chip.
func TestFreshnessAfterAPause(t *testing.T) {
	f := &sensors.Freshness{Period: period}
	f.Judge(0, true, false, []byte("a"))
	f.Judge(time.Millisecond, false, false, []byte("a"))
	f.Judge(period, true, false, []byte("b"))
	if _, v := f.Judge(time.Hour, false, false, []byte("b")); v != sensors.Stale {
		t.Errorf("verdict %d", v)
	}
}

func TestFreshnessChanged(t *testing.T) {
	f := &sensors.Freshness{Period: period}
	steps(f, time.Second, period, true, "a", "b", "b", "b")
	if got := f.Changed(); got != time.Second+period {
		t.Errorf("changed at %v", got)
	}
}
