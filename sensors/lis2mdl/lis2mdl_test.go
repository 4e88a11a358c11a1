package lis2mdl

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
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/lis2mdl_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	if err != nil || r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 30, Y: 45, Z: 15})) > 1e-9 || s.TempC != 24 || s.Flags != 0 {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := d.ReadMagnetic(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	if s, err := d.ReadMagnetic(); err != nil || s.Flags != sensors.Clipped|sensors.Overrun {
		t.Errorf("overrun at full scale: %+v, %v", s, err)
	}
	if err := d.CheckConfig(); err != nil {
		t.Error(err)
	}
	p.Sleep(time.Second)
	if s, err := d.ReadMagnetic(); err != nil || s.TempC != 27 {
		t.Errorf("a second later: %+v, %v", s, err)
	}
	if err := d.Halt(); err != nil || p.Left() != 0 {
		t.Errorf("%v, %d transfers missing", err, p.Left())
	}
}

func TestRefusesOptions(t *testing.T) {
	p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{id}}})
	if d, err := New(p, Addr, p, &Opts{RateHz: 40}); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
		t.Errorf("40 Hz: %v", err)
	}
}

func TestIdentifyNamesLSM303AGR(t *testing.T) {
	mag := sensortest.Transfer{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{id}}
	for want, xl := range map[string]sensortest.Transfer{
		"LSM303AGR": {Addr: addrAccel, W: []byte{regWhoAmIXL}, R: []byte{idXL}},
		"LIS2MDL":   {Addr: addrAccel, W: []byte{regWhoAmIXL}, Err: "remote I/O error"},
	} {
		p := sensortest.NewPlayback([]sensortest.Transfer{mag, xl})
		if name, ok, err := Identify(p, Addr); name != want || !ok || err != nil {
			t.Errorf("%q, %v, %v; want %s", name, ok, err, want)
		}
	}
}

// TestOffsetCancelled: a bridge offset larger than the field leaves no trace, and
// the low-pass gives the noise that Spec states.
func TestOffsetCancelled(t *testing.T) {
	clock := &sim.Clock{}
	bus := sim.NewBus("b", clock, sim.Adapter{})
	field := r3.Vec{X: 19, Y: 2, Z: -45}
	chip := sim.NewLIS2MDL(sim.Still{FieldUT: field, TempC: 25}, sim.Settings{
		Seed: 5, Mag: sim.Triad{Noise: r3.Vec{X: 0.3, Y: 0.3, Z: 0.3}}, Film: sim.Film{BridgeUT: r3.Vec{X: 80, Y: -90, Z: 60}},
	})
	if err := bus.Attach(Addr, chip); err != nil {
		t.Fatal(err)
	}
	clock.Sleep(time.Second)
	d, err := New(bus, Addr, clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	const n = 2000
	var sum, square r3.Vec
	for range n {
		clock.Sleep(10 * time.Millisecond)
		s, err := d.ReadMagnetic()
		if err != nil {
			t.Fatal(err)
		}
		e := r3.Sub(s.FieldUT, field)
		sum = r3.Add(sum, e)
		square = r3.Add(square, r3.Vec{X: e.X * e.X, Y: e.Y * e.Y, Z: e.Z * e.Z})
	}
	if off := r3.Norm(sum) / n; off > 0.05 {
		t.Errorf("%.3f µT of offset left", off)
	}
	if sigma := math.Sqrt((square.X + square.Y + square.Z) / 3 / n); math.Abs(sigma/d.Spec().NoiseUT-1) > 0.05 {
		t.Errorf("noise %.3f µT, Spec says %.3f", sigma, d.Spec().NoiseUT)
	}
}

// FuzzSample gives the driver any bytes, for temperature and sample.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst+2))
	f.Add([]byte("\x00\x80\xff\xff\x7f\x00\x80\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < burst+2 {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{
			{Addr: Addr, W: []byte{regTemp}, R: b[:2]},
			{Addr: Addr, W: []byte{regStatus}, R: b[2 : 2+burst]},
		})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		if err := d.plan(); err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadMagnetic()
		if n := r3.Norm(s.FieldUT); err == nil && (!(n <= math.Sqrt(3)*32768*utPerCount) || math.Abs(s.TempC) > 5000) {
			t.Errorf("% x: %+v", b, s)
		}
	})
}
