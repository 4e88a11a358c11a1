package lsm6dsv16x

import (
	"errors"
	"math"
	"reflect"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
)

func TestStart(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/lsm6dsv16x_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	p.Sleep(10 * time.Millisecond)
	s, err := d.ReadInertial()
	if err != nil {
		t.Fatal(err)
	}
	if s.Accel.Z != -sensors.StandardGravity || math.Abs(s.Gyro.X-70*degree) > 1e-9 || s.TempC != 35 || s.Flags != 0 {
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

func TestOptions(t *testing.T) {
	// Second low-pass at a tenth of the rate: CTRL9 bit 3, CTRL8 bits 7..5; the
	// ranges' codes are in order.
	d := &Dev{opts: Opts{4, 125, 60, 10}}
	got, err := d.plan()
	want := []sensors.Write{{Reg: 0x12, Value: 0x44}, {Reg: 0x15, Value: 0}, {Reg: 0x17, Value: 0x21}, {Reg: 0x18, Value: 0x08}, {Reg: 0x10, Value: 5}, {Reg: 0x11, Value: 5}}
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%x, %v", got, err)
	}
	for _, o := range []Opts{{}, {2, 500, 0, 2}, {2, 500, 104, 2}, {2, 0, 120, 2}, {2, 4000, 120, 2}, {2, 500, math.NaN(), 2}, {2, 500, 120, 3}} {
		d := &Dev{opts: o}
		if _, err := d.plan(); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
}

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\x07\x00\x00\x80\xff\x7f\x00\x80\x00\x00\x00\x00\x00\x00\x00\x80"))
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
		if n := r3.Norm(s.Accel); !(n <= 2.01*math.Sqrt(3)*sensors.StandardGravity) {
			t.Errorf("% x: acceleration %v", b, s.Accel)
		}
		if n := r3.Norm(s.Gyro); !(n <= 580*math.Sqrt(3)*degree) {
			t.Errorf("% x: rate %v", b, s.Gyro)
		}
		if !(s.TempC > -110 && s.TempC < 160) {
			t.Errorf("% x: temperature %v", b, s.TempC)
		}
	})
}
