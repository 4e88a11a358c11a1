package qmc5883p

import (
	"errors"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
	"plumbstar/sensors/sim"
)

func TestStart(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/qmc5883p_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	if err != nil || r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 20, Y: -10, Z: 5})) > 1e-9 || s.Flags != 0 || !math.IsNaN(s.TempC) {
		t.Errorf("%+v, %v", s, err)
	}
	p.Sleep(8 * time.Millisecond)
	if _, err := d.ReadMagnetic(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	p.Sleep(2 * time.Millisecond)
	if s, err := d.ReadMagnetic(); err != nil || s.Flags != sensors.Clipped {
		t.Errorf("overflow: %+v, %v", s, err)
	}
	if err := d.CheckConfig(); err != nil {
		t.Error(err)
	}
	if err := d.Halt(); err != nil || p.Left() != 0 {
		t.Errorf("%v, %d transfers missing", err, p.Left())
	}
}

func TestRefusesOptions(t *testing.T) {
	for _, o := range []Opts{{}, {RangeGauss: 4, RateHz: 100}, {RangeGauss: 2, RateHz: 75}} {
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{id}}})
		if d, err := New(p, Addr, p, &o); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// TestSetReset: both pulses take the bridge offset out, the set pulse alone does
// not, and Spec says so.
func TestSetReset(t *testing.T) {
	field, bridge := r3.Vec{X: 19, Y: 2, Z: -45}, r3.Vec{X: 20, Y: 30, Z: -40}
	for _, setOnly := range []bool{false, true} {
		clock := &sim.Clock{}
		bus := sim.NewBus("b", clock, sim.Adapter{})
		// y and z of the film are reversed by register 0x29.
		film := sim.Film{BridgeUT: r3.Vec{X: bridge.X, Y: -bridge.Y, Z: -bridge.Z}}
		chip := sim.NewQMC5883P(sim.Still{FieldUT: field}, sim.Settings{Film: film})
		if err := bus.Attach(Addr, chip); err != nil {
			t.Fatal(err)
		}
		clock.Sleep(time.Second)
		o := DefaultOpts()
		o.SetOnly = setOnly
		d, err := New(bus, Addr, clock, &o)
		if err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadMagnetic()
		want := field
		if setOnly {
			want = r3.Add(field, bridge)
		}
		if off := r3.Norm(r3.Sub(s.FieldUT, want)); err != nil || off > 0.02 {
			t.Errorf("set only %v: %v, %v, want %v", setOnly, s.FieldUT, err, want)
		}
		if off := r3.Norm(r3.Sub(s.FieldUT, field)); off > 3*d.Spec().OffsetUT {
			t.Errorf("set only %v: offset %.1f µT, Spec says %.1f", setOnly, off, d.Spec().OffsetUT)
		}
	}
}

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\x80\xff\x7f\x00\x80\x01\x00\x00\x00\x03"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < burst {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regWhoAmI}, R: b[:burst]}})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		if err := d.plan(); err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadMagnetic()
		if n := r3.Norm(s.FieldUT); err == nil && !(n <= math.Sqrt(3)*32768*d.scale) {
			t.Errorf("% x: field %v", b, s.FieldUT)
		}
	})
}
