package rm3100

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
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/rm3100_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	// 75 counts are 1 µT, to the digits that the manual gives.
	if err != nil || r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 20, Y: -10, Z: 0.04})) > 0.05 || s.Flags != 0 || !math.IsNaN(s.TempC) {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := d.ReadMagnetic(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	if s, err := d.ReadMagnetic(); err != nil || s.Flags != sensors.Clipped {
		t.Errorf("beyond the range: %+v, %v", s, err)
	}
	if err := d.CheckConfig(); err != nil {
		t.Error(err)
	}
	if err := d.Halt(); err != nil || p.Left() != 0 {
		t.Errorf("%v, %d transfers missing", err, p.Left())
	}
}

func TestPlan(t *testing.T) {
	// The manual's gains, rounded to whole counts.
	for cycles, want := range map[int]float64{50: 20, 100: 38, 200: 75} {
		d := &Dev{opts: Opts{RateHz: 150, Cycles: cycles}}
		if err := d.plan(); err != nil || math.Abs(1/d.scale-want) > 0.5 || d.rate != 0x94 || int(d.cycles[1]) != cycles {
			t.Errorf("%d cycles: %.2f counts per µT, want %g; %+v, %v", cycles, 1/d.scale, want, d, err)
		}
	}
	// What the chip has after power-up is not used: a brown-out would not show.
	d := &Dev{opts: Opts{RateHz: 37.5, Cycles: 200}}
	if err := d.plan(); err != nil || d.cycles == [6]byte{0, 200, 0, 200, 0, 200} {
		t.Errorf("settings after power-up: % x, %v", d.cycles, err)
	}
	for _, o := range []Opts{{}, {600, 200}, {75, 20}, {75, 500}, {100, 200}, {math.NaN(), 200}} {
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regRevision}, R: []byte{revision}}})
		if d, err := New(p, Addr, p, &o); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// TestSelfTest: a coil that does not oscillate is named.
func TestSelfTest(t *testing.T) {
	lines := sensortest.Transcript(t, "testdata/rm3100_start.txt")
	for i := range lines {
		if string(lines[i].W) == "\x33" {
			lines[i].R = []byte{0xdf} // Y
		}
	}
	p := sensortest.NewPlayback(lines)
	if d, err := New(p, Addr, p, nil); d != nil || sensors.FaultOf(err) != sensors.FaultFrozen {
		t.Errorf("%v", err)
	}
}

// TestCyclesActOnNoise: the noise of a sample is that of Spec for each cycle
// count, and the field the same.
func TestCyclesActOnNoise(t *testing.T) {
	field := r3.Vec{X: 19, Y: 2, Z: -45}
	for _, cycles := range []int{50, 100, 200} {
		clock := &sim.Clock{}
		bus := sim.NewBus("b", clock, sim.Adapter{})
		chip := sim.NewRM3100(sim.Still{FieldUT: field}, sim.Settings{Seed: 2, Mag: sim.Triad{Noise: r3.Vec{X: 0.015, Y: 0.015, Z: 0.015}}})
		if err := bus.Attach(Addr, chip); err != nil {
			t.Fatal(err)
		}
		clock.Sleep(time.Second)
		d, err := New(bus, Addr, clock, &Opts{RateHz: 150, Cycles: cycles})
		if err != nil {
			t.Fatal(err)
		}
		var sum, square float64
		n := 0
		for n < 2000 {
			clock.Sleep(time.Second / 200)
			s, err := d.ReadMagnetic()
			if errors.Is(err, sensors.ErrNoNewData) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			e := s.FieldUT.Z - field.Z
			sum, square, n = sum+e, square+e*e, n+1
		}
		mean := sum / float64(n)
		sigma := math.Sqrt(square/float64(n) - mean*mean)
		// The counts are a third to a twentieth of the noise; gains are rounded.
		if math.Abs(mean) > 0.005*45 || math.Abs(sigma/d.Spec().NoiseUT-1) > 0.2 {
			t.Errorf("%d cycles: mean %.3f µT off, noise %.4f µT, Spec says %.4f", cycles, mean, sigma, d.Spec().NoiseUT)
		}
	}
}

// FuzzSample gives the driver any bytes, for status and data.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, statusBytes+burst))
	f.Add([]byte("\x80\x1b\x22\x7f\xff\xff\x80\x00\x00\x00\x00\x01"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < statusBytes+burst {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{
			{Addr: Addr, W: []byte{regStatus}, R: b[:statusBytes]},
			{Addr: Addr, W: []byte{regData}, R: b[statusBytes : statusBytes+burst]},
		})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		if err := d.plan(); err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadMagnetic()
		if n := r3.Norm(s.FieldUT); err == nil && !(n <= math.Sqrt(3)*(1<<23)*d.scale) {
			t.Errorf("% x: field %v", b, s.FieldUT)
		}
	})
}
