package adxl355

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
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/adxl355_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	p.Sleep(8 * time.Millisecond)
	s, err := d.ReadInertial()
	if err != nil {
		t.Fatal(err)
	}
	const g = sensors.StandardGravity
	if r3.Norm(r3.Sub(s.Accel, r3.Vec{X: g, Y: -g})) > 1e-9 || s.Gyro != (r3.Vec{}) || s.TempC != 25 || s.Flags != 0 {
		t.Errorf("%+v", s)
	}
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

// TestTrimThatNeverComesBack must end, and say so.
func TestTrimThatNeverComesBack(t *testing.T) {
	p := sensortest.NewPlayback([]sensortest.Transfer{
		{Addr: Addr, W: []byte{0x00}, R: []byte{0xAD}}, {Addr: Addr, W: []byte{0x01}, R: []byte{0x1D}},
		{Addr: Addr, W: []byte{0x02}, R: []byte{0xED}}, {Addr: Addr, W: []byte{0x50}, R: []byte{1, 2, 3, 4, 5}},
	})
	for range 5 {
		p.Append(sensortest.Transfer{Addr: Addr, W: []byte{0x2F, 0x52}})
		p.Append(sensortest.Transfer{Addr: Addr, W: []byte{0x50}, R: []byte{9, 2, 3, 4, 5}})
	}
	if d, err := New(p, Addr, p, nil); d != nil || sensors.FaultOf(err) != sensors.FaultReset {
		t.Errorf("%v", err)
	}
}

func TestOptions(t *testing.T) {
	for _, o := range []Opts{{}, {2, 0}, {2, 100}, {3, 125}, {16, 125}, {2, math.NaN()}} {
		d := &Dev{opts: o}
		if _, err := d.plan(); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
}

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\x01\x00\x07\x5d\x80\x00\x00\x7f\xff\xff\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < burst {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regStatus}, R: b[:burst]}})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		if _, err := d.plan(); err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadInertial()
		if err != nil {
			return
		}
		for _, v := range [...]float64{s.Accel.X, s.Accel.Y, s.Accel.Z} {
			if !(math.Abs(v) <= 2.05*sensors.StandardGravity) {
				t.Errorf("% x: acceleration %v", b, v)
			}
			if math.Abs(v) > 2*sensors.StandardGravity && !s.Flags.Has(sensors.Clipped) {
				t.Errorf("% x: %v is not flagged", b, v)
			}
		}
		if !(s.TempC > -220 && s.TempC < 240) {
			t.Errorf("% x: temperature %v", b, s.TempC)
		}
	})
}
