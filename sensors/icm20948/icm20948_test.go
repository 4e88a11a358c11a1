package icm20948

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
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/icm20948_start.txt"))
	d, err := New(p, AltAddr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadInertial()
	if err != nil {
		t.Fatal(err)
	}
	if s.Accel != (r3.Vec{Z: -sensors.StandardGravity}) || math.Abs(s.Gyro.Y-2*degree) > 1e-9 ||
		math.Abs(s.TempC-22) > 0.01 || s.Flags != 0 {
		t.Errorf("%+v", s)
	}
	p.Sleep(5 * time.Millisecond)
	if _, err := d.ReadInertial(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	if err := d.CheckConfig(); err != nil {
		t.Error(err)
	}
	if err := d.Halt(); err != nil {
		t.Error(err)
	}
	if p.Left() != 0 {
		t.Errorf("%d transfers missing", p.Left())
	}
}

// TestOtherChipIsNotWrittenTo: what has another identity and no bank register in
// use is only read.
func TestOtherChipIsNotWrittenTo(t *testing.T) {
	for _, bank := range []byte{0x00, 0xff, 0x21, 0x40} {
		p := sensortest.NewPlayback([]sensortest.Transfer{
			{Addr: Addr, W: []byte{0x00}, R: []byte{0x68}}, {Addr: Addr, W: []byte{0x7F}, R: []byte{bank}},
		})
		if _, ok, err := Identify(p, Addr); ok || err != nil || p.Left() != 0 {
			t.Errorf("bank 0x%02x: %v, %v", bank, ok, err)
		}
	}
}

// TestReturnsToBank0: a check that fails in bank 2 must not leave the chip there.
func TestReturnsToBank0(t *testing.T) {
	d := &Dev{opts: DefaultOpts()}
	if err := d.plan(); err != nil {
		t.Fatal(err)
	}
	p := sensortest.NewPlayback([]sensortest.Transfer{
		{Addr: Addr, W: []byte{0x00}, R: []byte{0xEA}}, {Addr: Addr, W: []byte{0x06}, R: []byte{0x01, 0x00}},
		{Addr: Addr, W: []byte{0x0F}, R: []byte{0x02}},
		{Addr: Addr, W: []byte{0x7F, 0x20}}, {Addr: Addr, W: []byte{0x7F}, R: []byte{0x20}},
		{Addr: Addr, W: []byte{0x00}, R: []byte{0x00, 0x01}}, // ranges after a brown-out
		{Addr: Addr, W: []byte{0x7F, 0x00}}, {Addr: Addr, W: []byte{0x7F}, R: []byte{0x00}},
	})
	d.Registers, d.Clock = sensors.NewRegisters(p, Addr, "ICM-20948"), p
	if err := d.CheckConfig(); sensors.FaultOf(err) != sensors.FaultReset || p.Left() != 0 {
		t.Errorf("%v, %d transfers left", err, p.Left())
	}
}

func TestOptions(t *testing.T) {
	for hz, want := range map[float64]float64{100: 1125.0 / 11, 562.5: 562.5, 5: 1125.0 / 225, 30: 1125.0 / 38} {
		o := DefaultOpts()
		o.RateHz = hz
		d := &Dev{opts: o}
		if err := d.plan(); err != nil || math.Abs(d.opts.RateHz-want) > 1e-9 {
			t.Errorf("%g Hz: %g, %v, want %g", hz, d.opts.RateHz, err, want)
		}
	}
	for _, o := range []Opts{{}, {2, 500, 3, 50, false}, {2, 500, math.NaN(), 50, false}, {2, 500, 100, 45, false}, {32, 500, 100, 50, false}, {2, 125, 100, 50, false}} {
		d := &Dev{opts: o}
		if err := d.plan(); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
}

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\x80\x00\x7f\xff\x00\x00\x00\x00\x00\x00\x80\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < burst {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regData}, R: b[:burst]}})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		if err := d.plan(); err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadInertial()
		if err != nil {
			return
		}
		for _, v := range [...]float64{s.Accel.X, s.Accel.Y, s.Accel.Z} {
			if !(math.Abs(v) <= 2.01*sensors.StandardGravity) {
				t.Errorf("% x: acceleration %v", b, v)
			}
		}
		for _, v := range [...]float64{s.Gyro.X, s.Gyro.Y, s.Gyro.Z} {
			if !(math.Abs(v) <= 510*degree) {
				t.Errorf("% x: rate %v", b, v)
			}
		}
		if !(s.TempC > -100 && s.TempC < 150) {
			t.Errorf("% x: temperature %v", b, s.TempC)
		}
	})
}
