package ak09916

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
)

func TestStart(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/ak09916_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	// In the accelerometer's axes y and z turn round.
	if err != nil || r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 24, Y: -48, Z: 48})) > 1e-9 || s.Flags != 0 || !math.IsNaN(s.TempC) {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := d.ReadMagnetic(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	if s, err := d.ReadMagnetic(); err != nil || s.Flags != sensors.Clipped|sensors.Overrun {
		t.Errorf("overflow and overrun: %+v, %v", s, err)
	}
	if err := d.CheckConfig(); err != nil {
		t.Error(err)
	}
	if err := d.Halt(); err != nil || p.Left() != 0 {
		t.Errorf("%v, %d transfers missing", err, p.Left())
	}
}

func TestRefuses(t *testing.T) {
	who := sensortest.Transfer{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{idMaker}}
	second := func(v byte) sensortest.Transfer {
		return sensortest.Transfer{Addr: Addr, W: []byte{regWhoAmI + 1}, R: []byte{v}}
	}
	p := sensortest.NewPlayback([]sensortest.Transfer{who, second(idType)})
	if d, err := New(p, Addr, p, &Opts{RateHz: 8}); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
		t.Errorf("8 Hz: %v", err)
	}
	p = sensortest.NewPlayback([]sensortest.Transfer{who, second(0x9a)})
	if d, err := New(p, Addr, p, nil); d != nil || sensors.FaultOf(err) != sensors.FaultIdentity {
		t.Errorf("an AK8963: %v", err)
	}
	for v, want := range map[byte]bool{idType: true, 0x9a: false} {
		p = sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{idMaker, v}}})
		if _, ok, err := Identify(p, Addr); ok != want || err != nil {
			t.Errorf("second byte 0x%02x: %v, %v", v, ok, err)
		}
	}
}

func TestRates(t *testing.T) {
	// Codes of the data sheet, continuous modes 1 to 4.
	for hz, want := range map[int]byte{10: 0x02, 20: 0x04, 50: 0x06, 100: 0x08} {
		p := sensortest.NewPlayback([]sensortest.Transfer{
			{Addr: Addr, W: []byte{0x00}, R: []byte{0x48}}, {Addr: Addr, W: []byte{0x01}, R: []byte{0x09}},
			{Addr: Addr, W: []byte{0x32, 0x01}},
			{Addr: Addr, W: []byte{0x31, 0x00}}, {Addr: Addr, W: []byte{0x31}, R: []byte{0x00}},
			{Addr: Addr, W: []byte{0x31, want}}, {Addr: Addr, W: []byte{0x31}, R: []byte{want}},
		})
		if _, err := New(p, Addr, p, &Opts{RateHz: hz}); err != nil || p.Left() != 0 {
			t.Errorf("%d Hz: %v, %d left", hz, err, p.Left())
		}
	}
}

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\x01\xff\x7f\x00\x80\x00\x00\x00\x08"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < burst {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regStatus1}, R: b[:burst]}})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		s, err := d.ReadMagnetic()
		if n := r3.Norm(s.FieldUT); err == nil && !(n <= math.Sqrt(3)*32768*utPerCount) {
			t.Errorf("% x: field %v", b, s.FieldUT)
		}
	})
}
