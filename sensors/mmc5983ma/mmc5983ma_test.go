package mmc5983ma

import (
	"errors"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
	"plumbstar/sensors/sim"
)

func TestStart(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/mmc5983ma_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	if off := r3.Scale(1/utPerCount, d.BridgeOffset()); r3.Norm(r3.Sub(off, r3.Vec{X: 2048, Y: 1024, Z: 2})) > 1e-9 {
		t.Errorf("offset %v counts", off)
	}
	s, err := d.ReadMagnetic()
	if err != nil {
		t.Fatal(err)
	}
	if r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 112.5, Y: 0, Z: 100})) > 1e-9 || s.Flags != 0 || !math.IsNaN(s.TempC) {
		t.Errorf("%+v", s)
	}
	p.Sleep(8 * time.Millisecond)
	if _, err := d.ReadMagnetic(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	p.Sleep(2 * time.Millisecond)
	s, err = d.ReadMagnetic()
	want := r3.Scale(utPerCount, r3.Vec{X: 131071 - 2048, Y: 3, Z: 16384 - 1})
	if err != nil || s.Flags != sensors.Clipped || r3.Norm(r3.Sub(s.FieldUT, want)) > 1e-9 {
		t.Errorf("end of the range: %+v, %v, want %v", s, err, want)
	}
	if err := d.Halt(); err != nil {
		t.Error(err)
	}
	if p.Left() != 0 {
		t.Errorf("%d transfers missing", p.Left())
	}
}

func TestRefusesOptions(t *testing.T) {
	for _, o := range []Opts{{}, {RateHz: 100}, {RateHz: 200, BandwidthHz: 100}, {RateHz: 1000, BandwidthHz: 400}, {RateHz: 60, BandwidthHz: 100}} {
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regProduct}, R: []byte{product}}})
		if d, err := New(p, Addr, p, &o); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// bench is a simulated chip with a bridge offset that moves with temperature.
type bench struct {
	env   sim.Environment
	turn  func(time.Duration) r3.Vec
	clock *sim.Clock
	bus   *sim.Bus
}

func (b *bench) At(t time.Duration) sim.Environment {
	e := b.env
	if b.turn != nil {
		e.FieldUT = b.turn(t)
	}
	return e
}

var (
	trueField = r3.Vec{X: 19, Y: 2, Z: -45}
	bridge    = r3.Vec{X: 35, Y: -60, Z: 20}
)

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{env: sim.Environment{FieldUT: trueField, TempC: sim.ReferenceC}, clock: &sim.Clock{}}
	b.bus = sim.NewBus("b", b.clock, sim.Adapter{})
	chip := sim.NewMMC5983MA(b, sim.Settings{
		Seed: 3,
		Mag:  sim.Triad{Noise: r3.Vec{X: 0.04, Y: 0.04, Z: 0.04}},
		Film: sim.Film{BridgeUT: bridge, BridgePerC: r3.Vec{X: 1, Y: 1, Z: -1}},
	})
	if err := b.bus.Attach(Addr, chip); err != nil {
		t.Fatal(err)
	}
	b.clock.Sleep(100 * time.Millisecond)
	return b
}

// read polls every 10 ms for a time and gives the mean of the samples and the
// longest gap between two.
func (b *bench) read(t *testing.T, d *Dev, long time.Duration) (mean r3.Vec, gap time.Duration) {
	t.Helper()
	n, last := 0, b.clock.Now()
	for end := b.clock.Now() + long; b.clock.Now() < end; {
		b.clock.Sleep(10 * time.Millisecond)
		s, err := d.ReadMagnetic()
		if errors.Is(err, sensors.ErrNoNewData) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if s.Flags.Has(sensors.Overrun) || s.Flags.Has(sensors.Repeated) {
			t.Errorf("flags %b at %v", s.Flags, s.At)
		}
		mean = r3.Add(mean, s.FieldUT)
		gap, last = max(gap, s.At-last), s.At
		n++
	}
	return r3.Scale(1/float64(n), mean), gap
}

func off(a, b r3.Vec) float64 { return r3.Norm(r3.Sub(a, b)) }

// TestPairTakesOffsetOut: the bridge offset is far larger than what may remain,
// and goes with the temperature.
func TestPairTakesOffsetOut(t *testing.T) {
	b := newBench(t)
	d, err := New(b.bus, Addr, b.clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := off(d.BridgeOffset(), bridge); got > 0.15 {
		t.Errorf("offset %v, %.2f µT from the true one", d.BridgeOffset(), got)
	}
	if mean, _ := b.read(t, d, 5*time.Second); off(mean, trueField) > 0.2 {
		t.Errorf("field %v, want %v", mean, trueField)
	}
	// 10 °C colder, told by nobody: within a minute the offset is measured again.
	b.env.TempC -= 10
	mean, _ := b.read(t, d, 5*time.Second)
	if off(mean, trueField) < 5 {
		t.Errorf("field %v: this test moves no offset", mean)
	}
	b.read(t, d, time.Minute)
	mean, gap := b.read(t, d, 5*time.Second)
	if off(mean, trueField) > 0.2 {
		t.Errorf("field %v a minute later, want %v", mean, trueField)
	}
	if gap > 40*time.Millisecond {
		t.Errorf("a gap of %v without a pair", gap)
	}
	// A pair costs less than 120 ms of samples.
	if _, gap := b.read(t, d, time.Minute); gap > 120*time.Millisecond || gap < 40*time.Millisecond {
		t.Errorf("longest gap with a pair: %v", gap)
	}
}

// TestPairByTemperature: when the daemon says that it grew colder, the offset is
// measured at once.
func TestPairByTemperature(t *testing.T) {
	b := newBench(t)
	d, err := New(b.bus, Addr, b.clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	d.NoteTemperature(math.NaN())
	d.NoteTemperature(25)
	b.read(t, d, time.Second)
	b.env.TempC -= 1.4
	d.NoteTemperature(23.6)
	before := d.BridgeOffset()
	b.read(t, d, time.Second)
	if d.BridgeOffset() != before {
		t.Error("a pair after 1.4 °C")
	}
	b.env.TempC -= 0.2
	d.NoteTemperature(23.4)
	b.read(t, d, 200*time.Millisecond)
	after := d.BridgeOffset()
	if got := off(r3.Sub(after, before), r3.Vec{X: -1.6, Y: -1.6, Z: 1.6}); got > 0.2 {
		t.Errorf("offset moved by %v", r3.Sub(after, before))
	}
	b.read(t, d, time.Second)
	if d.BridgeOffset() != after {
		t.Error("pair after pair at one temperature")
	}
}

// TestPairWhileTurning: a steady turn within what noise hides spoils nothing, and
// in a fast one the old offset stays.
func TestPairWhileTurning(t *testing.T) {
	b := newBench(t)
	d, err := New(b.bus, Addr, b.clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	turn := func(rate float64) func(time.Duration) r3.Vec {
		return func(at time.Duration) r3.Vec {
			sin, cos := math.Sincos(rate * at.Seconds())
			return r3.Vec{X: 20 * cos, Y: 20 * sin, Z: -45}
		}
	}
	b.turn = turn(0.1)
	b.read(t, d, 70*time.Second)
	if got := off(d.BridgeOffset(), bridge); !d.pair.good || got > 0.15 {
		t.Errorf("slow turn: used %v, %.2f µT off", d.pair.good, got)
	}
	before := d.BridgeOffset()
	b.turn = turn(5)
	_, gap := b.read(t, d, 70*time.Second)
	if d.BridgeOffset() != before || d.pair.good {
		t.Errorf("fast turn: %v, was %v", d.BridgeOffset(), before)
	}
	if gap > 120*time.Millisecond {
		t.Errorf("gap of %v", gap)
	}
	// At rest it is made up for within seconds.
	b.turn = nil
	b.read(t, d, 6*time.Second)
	if !d.pair.good {
		t.Error("no pair after the turn")
	}
}

// TestPairSurvivesFaults: a fault in any step of a pair ends in a good sample.
func TestPairSurvivesFaults(t *testing.T) {
	for skip := range 12 {
		b := newBench(t)
		d, err := New(b.bus, Addr, b.clock, nil)
		if err != nil {
			t.Fatal(err)
		}
		b.clock.Sleep(time.Minute)
		for range skip {
			b.clock.Sleep(10 * time.Millisecond)
			if _, err := d.ReadMagnetic(); err != nil && !errors.Is(err, sensors.ErrNoNewData) {
				t.Fatal(err)
			}
		}
		b.bus.Inject(sim.Fault{Kind: sim.NACK, Times: 1}, Addr)
		for b.clock.Sleep(10 * time.Millisecond); ; b.clock.Sleep(10 * time.Millisecond) {
			if _, err := d.ReadMagnetic(); err != nil && !errors.Is(err, sensors.ErrNoNewData) {
				if !sensors.Retryable(err) {
					t.Errorf("step %d: %v", skip, err)
				}
				break
			}
		}
		b.read(t, d, 200*time.Millisecond)
		if mean, _ := b.read(t, d, time.Second); off(mean, trueField) > 0.2 {
			t.Errorf("after a fault in step %d: %v, want %v", skip, mean, trueField)
		}
	}
}

// TestPairOfFrozenOutput: while the output stands still, a pair would take the
// whole field for the bridge offset. It is refused as frozen, at the start as
// well, in whichever step the output stops, and the good offset stays.
func TestPairOfFrozenOutput(t *testing.T) {
	for skip := range 12 {
		b := newBench(t)
		d, err := New(b.bus, Addr, b.clock, nil)
		if err != nil {
			t.Fatal(err)
		}
		before := d.BridgeOffset()
		b.clock.Sleep(time.Minute)
		for range skip {
			b.clock.Sleep(10 * time.Millisecond)
			if _, err := d.ReadMagnetic(); err != nil && !errors.Is(err, sensors.ErrNoNewData) {
				t.Fatal(err)
			}
		}
		b.bus.Inject(sim.Fault{Kind: sim.Frozen}, Addr)
		for range 200 {
			b.clock.Sleep(10 * time.Millisecond)
			if _, err = d.ReadMagnetic(); err != nil && !errors.Is(err, sensors.ErrNoNewData) {
				break
			}
		}
		if sensors.FaultOf(err) != sensors.FaultFrozen {
			t.Errorf("output frozen at step %d: %v", skip, err)
		}
		if got := off(d.BridgeOffset(), before); got > 0.3 {
			t.Errorf("output frozen at step %d: the offset moved by %.1f µT", skip, got)
		}
		if _, err := New(b.bus, Addr, b.clock, nil); sensors.FaultOf(err) != sensors.FaultFrozen {
			t.Errorf("opened with a frozen output: %v", err)
		}
	}
}

// TestBandwidth: the bandwidth register acts, with the noise of the data sheet's
// table.
func TestBandwidth(t *testing.T) {
	for hz, want := range map[int]float64{100: 0.04, 200: 0.06, 400: 0.08, 800: 0.12} {
		b := newBench(t)
		d, err := New(b.bus, Addr, b.clock, &Opts{RateHz: 100, BandwidthHz: hz})
		if err != nil {
			t.Fatal(err)
		}
		var x []float64
		for len(x) < 1000 {
			b.clock.Sleep(10 * time.Millisecond)
			if s, err := d.ReadMagnetic(); err == nil {
				x = append(x, s.FieldUT.X)
			}
		}
		if got := stat.StdDev(x, nil); math.Abs(got/want-1) > 0.1 || d.Spec().NoiseUT != want {
			t.Errorf("%d Hz: noise %.4f µT, want %.2f", hz, got, want)
		}
	}
}

// FuzzSample gives the driver any bytes, for a pair and the sample after it.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, 4*burst))
	f.Add([]byte("\x84\x00\x80\x00\x80\x00\x00\x64\x11\x80\x00\x82\x00\x80\x01\x00\x64\x11\x84\x00\x80\x00\x80\x00\x00\x64\x11\xff\xff\x81\x00\x70\x00\xfc\x64\x11"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < 4*burst {
			return
		}
		at := func(w []byte, r []byte) sensortest.Transfer { return sensortest.Transfer{Addr: Addr, W: w, R: r} }
		p := sensortest.NewPlayback([]sensortest.Transfer{
			at([]byte{regControl2, 0}, nil), at([]byte{regControl0, setPulse}, nil), at([]byte{regControl0, measure}, nil),
			at([]byte{regData}, b[:burst]),
			at([]byte{regControl0, resetPulse}, nil), at([]byte{regControl0, measure}, nil),
			at([]byte{regData}, b[burst:2*burst]),
			at([]byte{regControl0, setPulse}, nil), at([]byte{regControl0, measure}, nil),
			at([]byte{regData}, b[2*burst:3*burst]),
			at([]byte{regControl2, continuous | 5}, nil),
			at([]byte{regData}, b[3*burst:4*burst]),
		})
		d := &Dev{Poller: sensors.Poller{Registers: sensors.NewRegisters(p, Addr, "x"), Clock: p}, opts: DefaultOpts()}
		if err := d.plan(); err != nil {
			t.Fatal(err)
		}
		d.pair.step = pairStop
		for range 20 {
			p.Sleep(20 * time.Millisecond)
			s, err := d.ReadMagnetic()
			if n := r3.Norm(s.FieldUT); err == nil && !(n <= 3300) {
				t.Errorf("% x: field %v", b, s.FieldUT)
			}
		}
	})
}
