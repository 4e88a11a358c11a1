package ak8963

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
)

func TestStart(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/ak8963_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	if err != nil {
		t.Fatal(err)
	}
	// In the accelerometer's axes x and y change places and z turns round.
	if r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 48, Y: 28.5, Z: 45})) > 1e-9 || s.Flags != 0 || !math.IsNaN(s.TempC) {
		t.Errorf("%+v", s)
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
	if err := d.Halt(); err != nil {
		t.Error(err)
	}
	if p.Left() != 0 {
		t.Errorf("%d transfers missing", p.Left())
	}
}

func TestRefuses(t *testing.T) {
	who := sensortest.Transfer{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{id}}
	kind := func(v byte) sensortest.Transfer {
		return sensortest.Transfer{Addr: Addr, W: []byte{regWhoAmI + 1}, R: []byte{v}}
	}
	p := sensortest.NewPlayback([]sensortest.Transfer{who, kind(idAK09916)})
	if d, err := New(p, Addr, p, nil); d != nil || sensors.FaultOf(err) != sensors.FaultIdentity {
		t.Errorf("an AK09916: %v", err)
	}
	p = sensortest.NewPlayback([]sensortest.Transfer{who, kind(0x9a)})
	if d, err := New(p, Addr, p, &Opts{RateHz: 50}); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
		t.Errorf("50 Hz: %v", err)
	}
	// An adjustment that was not read would halve every value.
	lines := sensortest.Transcript(t, "testdata/ak8963_start.txt")
	lines[7].R = []byte{0, 0, 0}
	p = sensortest.NewPlayback(lines)
	if d, err := New(p, Addr, p, nil); d != nil || sensors.FaultOf(err) != sensors.FaultImplausible {
		t.Errorf("empty adjustment: %v", err)
	}
}

func TestIdentifyTellsAK09916(t *testing.T) {
	for second, want := range map[byte]bool{0x9a: true, idAK09916: false} {
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{id, second}}})
		if _, ok, err := Identify(p, Addr); ok != want || err != nil {
			t.Errorf("second byte 0x%02x: %v, %v", second, ok, err)
		}
	}
}

// FuzzSample gives the driver any bytes, for the adjustment and the sample.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, 3+burst))
	f.Add([]byte("\xff\x80\x00\x01\xff\x7f\x00\x80\x00\x00\x18"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < 3+burst {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regStatus1}, R: b[3 : 3+burst]}})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
		d.scale = r3.Vec{X: adjust(b[0]), Y: adjust(b[1]), Z: adjust(b[2])}
		s, err := d.ReadMagnetic()
		if n := r3.Norm(s.FieldUT); err == nil && !(n <= math.Sqrt(3)*32768*utPerCount*1.5) {
			t.Errorf("% x: field %v", b, s.FieldUT)
		}
	})
}
