package mmc5603

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
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/mmc5603_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	if err != nil || r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 20, Y: -10, Z: 0.03125})) > 1e-9 || s.Flags != 0 || !math.IsNaN(s.TempC) {
		t.Errorf("%+v, %v", s, err)
	}
	p.Sleep(10 * time.Millisecond)
	if _, err := d.ReadMagnetic(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	p.Sleep(4 * time.Millisecond)
	if s, err := d.ReadMagnetic(); err != nil || s.Flags != sensors.Clipped {
		t.Errorf("end of the range: %+v, %v", s, err)
	}
	if err := d.Halt(); err != nil || p.Left() != 0 {
		t.Errorf("%v, %d transfers missing", err, p.Left())
	}
}

// TestUnmarked: a part whose product register reads zero is taken when it is no
// MMC5983MA and measures.
func TestUnmarked(t *testing.T) {
	at := func(w []byte, r ...byte) sensortest.Transfer { return sensortest.Transfer{Addr: Addr, W: w, R: r} }
	writes := []sensortest.Transfer{at([]byte{0x1c, 0x80}), at([]byte{0x1b, 0x10}), at([]byte{0x1b, 0x08}),
		at([]byte{0x1c, 0x00}), at([]byte{0x1a, 75}), at([]byte{0x1b, 0xa0}), at([]byte{0x1d, 0x10})}
	for _, c := range []struct {
		other, status, data byte
		taken               bool
	}{{0, 0x10, 0x80, true}, {0xff, 0x50, 0x80, true}, {0, 0x10, 0, false}, {0x30, 0x10, 0x80, false},
		{0, 0, 0x80, false}, {0, 0xff, 0x80, false}} {
		p := sensortest.NewPlayback([]sensortest.Transfer{at([]byte{regProduct}, 0), at([]byte{regOther}, c.other), at([]byte{regStatus}, c.status)})
		if c.other != productOther && c.status&0x10 != 0 && c.status != 0xff {
			p.Append(writes...)
			p.Append(at([]byte{regData}, c.data, 0, c.data, 0, c.data, 0, 0, 0, 0))
		}
		d, err := New(p, Addr, p, nil)
		if (d != nil) != c.taken || p.Left() != 0 || !c.taken && sensors.FaultOf(err) != sensors.FaultIdentity {
			t.Errorf("%+v: %v, %d transfers left", c, err, p.Left())
		}
	}
}

func TestRefusesOptions(t *testing.T) {
	for _, hz := range []int{0, -1, 76, 255} {
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regProduct}, R: []byte{product}}})
		if d, err := New(p, Addr, p, &Opts{RateHz: hz}); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%d Hz: %v", hz, err)
		}
	}
}

// TestBridgeOffset: the automatic pulses take the bridge offset out whatever the
// temperature, also of a part whose film was left reversed.
func TestBridgeOffset(t *testing.T) {
	field := r3.Vec{X: 19, Y: 2, Z: -45}
	for _, tempC := range []float64{-10, 25} {
		clock := &sim.Clock{}
		bus := sim.NewBus("b", clock, sim.Adapter{})
		chip := sim.NewMMC5603(sim.Still{FieldUT: field, TempC: tempC}, sim.Settings{
			Film: sim.Film{BridgeUT: r3.Vec{X: 35, Y: -60, Z: 20}, BridgePerC: r3.Vec{X: 1, Y: 1, Z: 1}, Reversed: true},
		})
		if err := bus.Attach(Addr, chip); err != nil {
			t.Fatal(err)
		}
		clock.Sleep(time.Second)
		d, err := New(bus, Addr, clock, &Opts{RateHz: 50})
		if err != nil {
			t.Fatal(err)
		}
		if s, err := d.ReadMagnetic(); err != nil || r3.Norm(r3.Sub(s.FieldUT, field)) > 0.01 {
			t.Errorf("%g °C: %v, %v, want %v", tempC, s.FieldUT, err, field)
		}
	}
}

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\xff\xff\x00\x00\x80\x00\xf0\x00\x10"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < burst {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regData}, R: b[:burst]}})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		if err := d.plan(); err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadMagnetic()
		if n := r3.Norm(s.FieldUT); err == nil && !(n <= 1.7321*zero*utPerCount) {
			t.Errorf("% x: field %v", b, s.FieldUT)
		}
	})
}
