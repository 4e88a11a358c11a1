package hmc5883l

import (
	"encoding/binary"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
)

func TestStart(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/hmc5883l_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	if err != nil {
		t.Fatal(err)
	}
	if r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 10, Y: 20, Z: -10})) > 1e-9 || s.Flags != 0 || !math.IsNaN(s.TempC) {
		t.Errorf("%+v", s)
	}
	p.Sleep(10 * time.Millisecond)
	if _, err := d.ReadMagnetic(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	p.Sleep(3 * time.Millisecond)
	if s, err := d.ReadMagnetic(); err != nil || s.Flags != sensors.Clipped {
		t.Errorf("overflow: %+v, %v", s, err)
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
	p := sensortest.NewPlayback([]sensortest.Transfer{
		{Addr: Addr, W: []byte{regIdentity}, R: []byte(identity)},
		{Addr: Addr, W: []byte{regNone}, R: []byte{idLSM303DLHC}},
	})
	if d, err := New(p, Addr, p, nil); d != nil || sensors.FaultOf(err) != sensors.FaultIdentity {
		t.Errorf("LSM303DLHC: %v", err)
	}
	// An early QMC5883L has the identity and keeps no setting.
	p = sensortest.NewPlayback([]sensortest.Transfer{
		{Addr: Addr, W: []byte{regIdentity}, R: []byte(identity)},
		{Addr: Addr, W: []byte{regNone}, R: []byte{0}},
		{Addr: Addr, W: []byte{regConfigA, 0x78}},
		{Addr: Addr, W: []byte{regConfigA}, R: []byte{0}},
	})
	if d, err := New(p, Addr, p, nil); d != nil || err == nil || !strings.Contains(err.Error(), "0x0d") {
		t.Errorf("early QMC5883L: %v", err)
	}
	for _, o := range []Opts{{}, {1.3, 100, 8}, {1, 75, 8}, {1.3, 75, 3}} {
		p.Append(sensortest.Transfer{Addr: Addr, W: []byte{regIdentity}, R: []byte(identity)},
			sensortest.Transfer{Addr: Addr, W: []byte{regNone}, R: []byte{0}})
		if d, err := New(p, Addr, p, &o); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// recorded is a real HMC5883L at its own rate and 1.3 G (see testdata/imu).
const recorded = "../../testdata/imu/mpu6050_hmc5883l/set-2_full-sphere_magraw.csv.gz"

// TestRecording plays the registers that a real recording follows from, and
// expects its values back to the digits that were printed. It shows that the gain
// fits a real chip's values, which are whole counts of 1/1090 G; the order of
// bytes and axes on the wire is the data sheet's, here and there.
func TestRecording(t *testing.T) {
	rows := sensortest.Columns(t, recorded, "mx", "my", "mz")
	p := sensortest.NewPlayback(nil)
	d := &Dev{Poller: sensors.NewPoller(p, Addr, "HMC5883L", p), kind: hmc(), opts: DefaultOpts()}
	if err := d.plan(); err != nil {
		t.Fatal(err)
	}
	for n, row := range rows {
		var b []byte
		for _, axis := range []int{0, 2, 1} {
			b = binary.BigEndian.AppendUint16(b, uint16(int16(math.Round(row[axis]/100*1090))))
		}
		p.Append(sensortest.Transfer{Addr: Addr, W: []byte{regData}, R: b})
		p.Sleep(2 * d.Fresh.Period)
		s, err := d.ReadMagnetic()
		if err != nil || s.Flags != 0 {
			t.Fatalf("row %d: flags %b, %v", n, s.Flags, err)
		}
		for i, got := range [3]float64{s.FieldUT.X, s.FieldUT.Y, s.FieldUT.Z} {
			if math.Abs(got-row[i]) > 0.51e-3 {
				t.Fatalf("row %d, axis %d: %.4f, recorded %.4f", n, i, got, row[i])
			}
		}
	}
	if len(rows) < 8000 {
		t.Errorf("%d rows", len(rows))
	}
}

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\xf0\x00\x07\xff\x80\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < burst {
			return
		}
		p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regData}, R: b[:burst]}})
		d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), kind: hmc(), opts: DefaultOpts()}
		if err := d.plan(); err != nil {
			t.Fatal(err)
		}
		s, err := d.ReadMagnetic()
		if n := r3.Norm(s.FieldUT); err == nil && !(n <= math.Sqrt(3)*32768*d.scale.X) {
			t.Errorf("% x: field %v", b, s.FieldUT)
		}
	})
}

// emulated behaves as the LSM303DLHC magnetometer that QEMU emulates does
// (hw/sensor/lsm303dlhc_mag.c): one value per write, the pointer of the data sheet,
// no register 0x0F, and a temperature at the bottom of its two bytes.
type emulated struct {
	reg [256]byte
	ptr byte
}

func (e *emulated) String() string                  { return "emulated" }
func (e *emulated) SetSpeed(physic.Frequency) error { return nil }

func (e *emulated) Tx(_ uint16, w, r []byte) error {
	if len(w) > 2 {
		return errors.New("it takes one value per write")
	}
	e.ptr = w[0]
	if len(w) == 2 {
		e.reg[e.ptr] = w[1]
	}
	for i := range r {
		r[i] = e.reg[e.ptr]
		switch e.ptr {
		case 0x08:
			e.ptr = 0x03
		case 0x0c:
			e.ptr = 0
		default:
			e.ptr++
		}
	}
	return nil
}

// TestLSM303DLHC: the chip as a stranger has written it down, X, Z, Y, with a gain
// for Z of its own.
func TestLSM303DLHC(t *testing.T) {
	e := &emulated{}
	copy(e.reg[0x0a:], "H43")
	copy(e.reg[0x03:], []byte{0x00, 0xdc, 0xfe, 0x47, 0xff, 0x92}) // 220, -441, -110
	clock := sensortest.NewPlayback(nil)
	d, err := NewLSM303DLHC(e, Addr, clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	if e.reg[0] != 0x98 || e.reg[1] != 0x20 || e.reg[2] != 0 {
		t.Errorf("settings % x", e.reg[:3])
	}
	s, err := d.ReadMagnetic()
	if err != nil || r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 20, Y: -10, Z: -45})) > 1e-9 || s.Flags != 0 {
		t.Errorf("%+v, %v", s, err)
	}
	// By the data sheet the twelve bits are at the top: 40 counts are 5 °C.
	e.reg[0x31], e.reg[0x32] = 0x02, 0x80
	clock.Sleep(time.Second)
	if s, err := d.ReadMagnetic(); err != nil || s.TempC != 25 {
		t.Errorf("temperature %+v, %v", s, err)
	}
	if err := d.CheckConfig(); err != nil {
		t.Error(err)
	}
	for _, o := range []Opts{{}, {0.88, 75, 1}, {1.3, 75, 8}, {1.3, 100, 1}} {
		if d, err := NewLSM303DLHC(e, Addr, clock, &o); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%+v: %v", o, err)
		}
	}
}
