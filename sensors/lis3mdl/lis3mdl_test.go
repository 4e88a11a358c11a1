package lis3mdl

import (
	"errors"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
)

func TestStart(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/lis3mdl_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	if err != nil {
		t.Fatal(err)
	}
	want := r3.Scale(100.0/6842, r3.Vec{X: -4373, Y: 1940, Z: 7754})
	if r3.Norm(r3.Sub(s.FieldUT, want)) > 1e-9 || s.TempC != 24 || s.Flags != 0 {
		t.Errorf("%+v", s)
	}
	// What the owner of the chip computed.
	if n := r3.Norm(s.FieldUT); math.Abs(n-133) > 0.5 {
		t.Errorf("%.1f µT", n)
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
	if s, err := d.ReadMagnetic(); err != nil || s.TempC != 26 {
		t.Errorf("a second later: %+v, %v", s, err)
	}
	if err := d.Halt(); err != nil {
		t.Error(err)
	}
	if p.Left() != 0 {
		t.Errorf("%d transfers missing", p.Left())
	}
}

func TestOptions(t *testing.T) {
	for hz, want := range map[float64]byte{0.625: 0xe0, 80: 0xfc, 155: 0xe2} {
		d := &Dev{opts: Opts{RangeGauss: 16, RateHz: hz}}
		if err := d.plan(); err != nil || d.settings[0] != want || d.settings[1] != 0x60 || d.end != 27376 {
			t.Errorf("%g Hz: % x, end %d, %v", hz, d.settings, d.end, err)
		}
	}
	for _, o := range []Opts{{}, {5, 80}, {4, 100}, {4, 160}, {4, math.NaN()}, {4, -1}} {
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{id}}})
		if d, err := New(p, Addr, p, &o); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%+v: %v", o, err)
		}
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
			{Addr: Addr, W: []byte{regTemp | increment}, R: b[:2]},
			{Addr: Addr, W: []byte{regStatus | increment}, R: b[2 : 2+burst]},
		})
		p.Sleep(2 * time.Second)
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		if err := d.plan(); err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadMagnetic()
		if err != nil {
			return
		}
		if n := r3.Norm(s.FieldUT); !(n <= math.Sqrt(3)*32768*d.scale) || math.Abs(s.TempC) > 5000 {
			t.Errorf("% x: %+v", b, s)
		}
	})
}
