package sensortest

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3"

	"plumbstar/sensors"
)

// subject is a sensor of either kind, as the common part of the contract sees
// it.
type subject struct {
	conn.Resource
	chip   string
	rateHz float64
	read   func() (sample, error)
}

type sample struct {
	at    time.Duration
	a, b  r3.Vec // what it measures; b only for inertial sensors
	tempC float64
	flags sensors.Flags
}

func (s *subject) period() time.Duration {
	return time.Duration(float64(time.Second) / s.rateHz)
}

// next is the next new sample, polling every tick or, for slower chips, for up
// to three periods.
func (s *subject) next(t *testing.T, r *Rig) sample {
	t.Helper()
	step := min(tick, s.period())
	for end := r.Clock.Now() + 3*s.period() + 20*tick; r.Clock.Now() < end; {
		r.Clock.Sleep(step)
		got, err := s.read()
		if err == nil {
			return got
		}
		if !errors.Is(err, sensors.ErrNoNewData) {
			t.Fatalf("read at %v: %v", r.Clock.Now(), err)
		}
	}
	t.Fatalf("no sample up to %v", r.Clock.Now())
	return sample{}
}

// mean of n new samples, and whether all and any of them had flags.
func (s *subject) mean(t *testing.T, r *Rig, n int) (m sample, all, any sensors.Flags) {
	t.Helper()
	all = ^sensors.Flags(0)
	for range n {
		got := s.next(t, r)
		m.a = r3.Add(m.a, r3.Scale(1/float64(n), got.a))
		m.b = r3.Add(m.b, r3.Scale(1/float64(n), got.b))
		m.tempC += got.tempC / float64(n)
		all &= got.flags
		any |= got.flags
	}
	return m, all, any
}

// fault polls for up to limit until the read fails with something else than
// ErrNoNewData, and returns that with the flags seen before.
func (s *subject) fault(r *Rig, limit time.Duration) (seen sensors.Flags, err error) {
	for end := r.Clock.Now() + limit; r.Clock.Now() < end; {
		r.Clock.Sleep(tick)
		got, err := s.read()
		if err != nil && !errors.Is(err, sensors.ErrNoNewData) {
			return seen, err
		}
		if err == nil {
			seen |= got.flags
		}
	}
	return seen, nil
}

// untilFault reads until an error. What it reads before must be near the value of
// a chip that did not move: registers after a brown-out are no sample.
func (s *subject) untilFault(t *testing.T, r *Rig, before r3.Vec, limit time.Duration) error {
	t.Helper()
	for end := r.Clock.Now() + limit; r.Clock.Now() < end; {
		r.Clock.Sleep(tick)
		got, err := s.read()
		if err != nil && !errors.Is(err, sensors.ErrNoNewData) {
			return err
		}
		if err == nil && r3.Norm(r3.Sub(got.a, before)) > 0.3*r3.Norm(before) {
			t.Errorf("a sample of %v came, flags %v, after %v before the brown-out", got.a, got.flags, before)
		}
	}
	return nil
}

// common is the part of the contract that is the same for all sensors.
type common struct {
	rig   func(testing.TB) *Rig
	wrong func(testing.TB) *Rig
	open  func(*Rig) (*subject, error)
	// perSample and perSecond are the transfers allowed beyond one per sample.
	perSample, perSecond int
}

func (c common) must(t *testing.T, r *Rig) *subject {
	t.Helper()
	r.Place(rest())
	s, err := c.open(r)
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	return s
}

func (c common) run(t *testing.T) {
	t.Run("names itself", c.names)
	t.Run("refuses another chip", c.refuses)
	t.Run("new data", c.newData)
	t.Run("one transaction per sample", c.transactions)
	t.Run("delivers its rate", c.delivers)
	t.Run("overrun", c.overrun)
	t.Run("allocates nothing", c.allocations)
	t.Run("passing faults", c.passing)
	t.Run("empty bytes", c.emptyBytes)
	t.Run("frozen", c.frozen)
	t.Run("stalled", c.stalled)
	t.Run("brown-out", c.brownOut)
	t.Run("unplug and replug", c.replug)
	t.Run("halt", c.halt)
}

func (c common) names(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	got := s.String()
	for _, want := range []string{s.chip, r.Bus.String(), fmt.Sprintf("0x%02x", r.Addr)} {
		if !strings.Contains(got, want) {
			t.Errorf("String() = %q lacks %q", got, want)
		}
	}
}

func (c common) refuses(t *testing.T) {
	r := c.wrong(t)
	n := r.count()
	_, err := c.open(r)
	checkFault(t, "another chip", err, sensors.FaultIdentity, false)
	if n.written != 0 {
		t.Errorf("wrote %d times to a chip that it does not know", n.written)
	}
	for _, f := range []Fault{Zeros, Ones} {
		r := c.rig(t)
		r.Inject(f)
		n := r.count()
		_, err := c.open(r)
		checkFault(t, "empty bytes", err, sensors.FaultIdentity, false)
		if n.written != 0 {
			t.Errorf("wrote %d times without knowing the chip", n.written)
		}
	}
	r = c.rig(t)
	r.Inject(NoAck)
	_, err = c.open(r)
	checkFault(t, "nobody", err, sensors.FaultBus, true)
}

func (c common) newData(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	var last time.Duration
	for range 50 {
		got := s.next(t, r)
		if got.at < last || got.at > r.Clock.Now() {
			t.Fatalf("sample time %v after %v, now %v", got.at, last, r.Clock.Now())
		}
		last = got.at
		if _, err := s.read(); !errors.Is(err, sensors.ErrNoNewData) {
			t.Fatalf("second read of one sample: %v, want ErrNoNewData", err)
		}
		if !sensors.Retryable(sensors.ErrNoNewData) {
			t.Fatal("ErrNoNewData is not retryable")
		}
	}
}

// transactions allows some more transfers a second, for a temperature that cannot
// be read in the same burst, and per sample, for a status that cannot.
func (c common) transactions(t *testing.T) {
	r := c.rig(t)
	n := r.count()
	s := c.must(t, r)
	n.transfers, n.written = 0, 0
	start, samples, extra := r.Clock.Now(), 0, 0
	for samples < 400 {
		r.Clock.Sleep(s.period())
		before := n.transfers
		_, err := s.read()
		if err != nil && !errors.Is(err, sensors.ErrNoNewData) {
			t.Fatal(err)
		}
		if err == nil {
			samples++
		}
		extra += n.transfers - before - 1
	}
	if allowed := c.perSecond*(int((r.Clock.Now()-start)/time.Second)+1) + c.perSample*samples; extra > allowed {
		t.Errorf("%d transfers too many in %d samples, %d allowed", extra, samples, allowed)
	}
	if n.written > 0 {
		t.Errorf("%d writes while reading", n.written)
	}
}

func (c common) delivers(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	step := min(tick, s.period()) / 2
	samples, start := 0, r.Clock.Now()
	for r.Clock.Now()-start < 5*time.Second {
		r.Clock.Sleep(step)
		if _, err := s.read(); err == nil {
			samples++
		} else if !errors.Is(err, sensors.ErrNoNewData) {
			t.Fatal(err)
		}
	}
	if got := float64(samples) / 5; math.Abs(got/s.rateHz-1) > 0.03 {
		t.Errorf("%.2f samples a second, Spec says %.2f", got, s.rateHz)
	}
}

func (c common) overrun(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	s.next(t, r)
	for range 100 {
		r.Clock.Sleep(s.period() / 2)
		if got, err := s.read(); err == nil && got.flags.Has(sensors.Overrun) {
			t.Fatalf("overrun at %v although every sample was read", r.Clock.Now())
		}
	}
	r.Clock.Sleep(6 * s.period())
	got, err := s.read()
	if err != nil || !got.flags.Has(sensors.Overrun) {
		t.Errorf("after six periods without a read: flags %v, error %v, want overrun", got.flags, err)
	}
}

func (c common) allocations(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	var failed error
	n := testing.AllocsPerRun(200, func() {
		r.Clock.Sleep(s.period())
		if _, err := s.read(); err != nil && !errors.Is(err, sensors.ErrNoNewData) {
			failed = err
		}
	})
	if failed != nil {
		t.Fatal(failed)
	}
	if n != 0 {
		t.Errorf("%v allocations per read", n)
	}
}

func checkFault(t *testing.T, what string, err error, want sensors.Fault, retry bool) {
	t.Helper()
	if got := sensors.FaultOf(err); got != want {
		t.Errorf("%s: %v: fault %q, want %q", what, err, got, want)
		return
	}
	if got := sensors.Retryable(err); got != retry {
		t.Errorf("%s: %v: retryable %v, want %v", what, err, got, retry)
	}
	if errors.Unwrap(err) == nil {
		t.Errorf("%s: %v: the cause is lost", what, err)
	}
	if msg := err.Error(); strings.Contains(msg, "\n") {
		t.Errorf("%s: not one line: %q", what, msg)
	}
}

func (c common) passing(t *testing.T) {
	for _, f := range []Fault{NoAck, Stuck} {
		r := c.rig(t)
		s := c.must(t, r)
		s.next(t, r)
		r.Inject(f)
		_, err := s.fault(r, 10*tick)
		checkFault(t, "while it lasts", err, sensors.FaultBus, true)
		r.Clear()
		s.next(t, r)
		s.next(t, r)
	}
}

func (c common) emptyBytes(t *testing.T) {
	for _, f := range []Fault{Zeros, Ones} {
		r := c.rig(t)
		s := c.must(t, r)
		s.next(t, r)
		r.Inject(f)
		seen, err := s.fault(r, 10*tick)
		checkFault(t, "read", err, sensors.FaultImplausible, false)
		if seen != 0 {
			t.Errorf("samples came out of empty bytes")
		}
		checkFault(t, "check", check(s), sensors.FaultImplausible, false)
	}
}

// check calls CheckConfig, which every driver of a chip has.
func check(s *subject) error {
	c, ok := s.Resource.(interface{ CheckConfig() error })
	if !ok {
		return errors.New("no CheckConfig")
	}
	return c.CheckConfig()
}

func (c common) frozen(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	s.next(t, r)
	r.Inject(Frozen)
	limit := time.Second + 70*max(s.period(), tick)
	seen, err := s.fault(r, limit)
	checkFault(t, "frozen values", err, sensors.FaultFrozen, false)
	if !seen.Has(sensors.Repeated) {
		t.Errorf("no sample was flagged as repeated before")
	}
}

func (c common) stalled(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	s.next(t, r)
	r.Inject(Stalled)
	_, err := s.fault(r, time.Second+70*max(s.period(), tick))
	checkFault(t, "no new samples", err, sensors.FaultFrozen, false)
}

func (c common) brownOut(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	s.next(t, r)
	if err := check(s); err != nil {
		t.Fatalf("check of a healthy chip: %v", err)
	}
	s.next(t, r)
	r.BrownOut()
	checkFault(t, "check", check(s), sensors.FaultReset, false)

	// Without a check, reading alone finds it too.
	r = c.rig(t)
	s = c.must(t, r)
	s.next(t, r)
	before := s.next(t, r).a
	r.BrownOut()
	err := s.untilFault(t, r, before, time.Second+70*max(s.period(), tick))
	checkFault(t, "read", err, sensors.FaultReset, false)
	s = c.must(t, r)
	s.next(t, r)
}

func (c common) replug(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	s.next(t, r)
	r.Unplug()
	_, err := s.fault(r, 10*tick)
	checkFault(t, "unplugged", err, sensors.FaultBus, true)
	if _, err := c.open(r); sensors.FaultOf(err) != sensors.FaultBus {
		t.Errorf("open while unplugged: %v, want a bus fault", err)
	}
	r.Replug()
	s = c.must(t, r)
	s.next(t, r)
}

func (c common) halt(t *testing.T) {
	r := c.rig(t)
	s := c.must(t, r)
	s.next(t, r)
	if err := s.Halt(); err != nil {
		t.Fatal(err)
	}
	r.Clock.Sleep(5 * s.period())
	if _, err := s.read(); err == nil || sensors.Retryable(err) {
		t.Errorf("read after Halt: %v, want an error that is not retryable", err)
	}
	s = c.must(t, r)
	s.next(t, r)
}
