package qmc5883l

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
)

func TestStart(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/qmc5883l_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := d.ReadMagnetic()
	if err != nil {
		t.Fatal(err)
	}
	if r3.Norm(r3.Sub(s.FieldUT, r3.Vec{X: 50, Y: -10, Z: 40.0 / 3})) > 1e-9 || s.Flags != 0 || !math.IsNaN(s.TempC) {
		t.Errorf("%+v", s)
	}
	p.Sleep(8 * time.Millisecond)
	if _, err := d.ReadMagnetic(); !errors.Is(err, sensors.ErrNoNewData) {
		t.Errorf("second read: %v", err)
	}
	p.Sleep(2 * time.Millisecond)
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

func TestIdentify(t *testing.T) {
	at := func(w []byte, r ...byte) sensortest.Transfer { return sensortest.Transfer{Addr: Addr, W: w, R: r} }
	data := at([]byte{regData}, make([]byte, burst)...)
	block := at([]byte{regControl1}, 0x1d, 0, 1, 0, 0xff)
	// The register keeps a bit, and gets its old value back.
	keeps := []sensortest.Transfer{data, block, at([]byte{9}, 0x1d),
		at([]byte{9, 0x5d}), at([]byte{9}, 0x5d), at([]byte{9, 0x1d}), at([]byte{9}, 0x1d)}
	p := sensortest.NewPlayback(keeps)
	if name, ok, err := Identify(p, Addr); name != "QMC5883L" || !ok || err != nil || p.Left() != 0 {
		t.Errorf("%q, %v, %v, %d left", name, ok, err, p.Left())
	}
	// Stray bits in 0x0A and 0x0B do no harm where 0x0C is as known.
	keeps[1] = at([]byte{regControl1}, 0x1d, 0x3e, 0x80, 1, 0xff)
	p = sensortest.NewPlayback(keeps)
	if _, ok, err := Identify(p, Addr); !ok || err != nil || p.Left() != 0 {
		t.Errorf("stray bits: %v, %v, %d left", ok, err, p.Left())
	}
	// It does not: something else reads like this.
	p = sensortest.NewPlayback([]sensortest.Transfer{data, block, at([]byte{9}, 0x1d),
		at([]byte{9, 0x5d}), at([]byte{9}, 0x1d), at([]byte{9, 0x1d}), at([]byte{9}, 0x1d)})
	if _, ok, err := Identify(p, Addr); ok || err != nil {
		t.Errorf("a register that keeps nothing: %v, %v", ok, err)
	}
	// An empty bus is not written to.
	p = sensortest.NewPlayback([]sensortest.Transfer{data, at([]byte{9}, 0xff, 0xff, 0xff, 0xff, 0xff)})
	if _, ok, err := Identify(p, Addr); ok || err != nil || p.Left() != 0 {
		t.Errorf("all ones: %v, %v", ok, err)
	}
}

func TestRefusesOptions(t *testing.T) {
	p := sensortest.NewPlayback(nil)
	for _, o := range []Opts{{}, {4, 100, 512}, {2, 75, 512}, {2, 100, 500}} {
		p.Append(sensortest.Transfer{Addr: Addr, W: []byte{regData}, R: make([]byte, burst)},
			sensortest.Transfer{Addr: Addr, W: []byte{regControl1}, R: []byte{0, 0, 0, 0, 0xff}})
		if d, err := New(p, Addr, p, &o); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// recorded is a real QMC5883L at 2 G (see testdata/imu). Its values were made
// from whole counts of 1/12000 G, so that the registers follow from them.
const recorded = "../../testdata/imu/qmc5883l_raw/filtered_raw_data.csv.gz"

// TestRecording plays the registers of a real recording and expects its values
// back to the digits that were printed. It shows that real counts come through
// unchanged; whether 12000 counts are one gauss it cannot show, since the
// recording was converted with that same number.
func TestRecording(t *testing.T) {
	rows := sensortest.Columns(t, recorded, "mx", "my", "mz")
	p := sensortest.NewPlayback(nil)
	d := &Dev{Poller: sensors.NewPoller(p, Addr, "QMC5883L", p), opts: DefaultOpts()}
	if err := d.plan(); err != nil {
		t.Fatal(err)
	}
	for n, row := range rows {
		var b []byte
		for _, v := range row {
			b = binary.LittleEndian.AppendUint16(b, uint16(int16(math.Round(v*120))))
		}
		p.Append(sensortest.Transfer{Addr: Addr, W: []byte{regData}, R: append(b, ready)})
		p.Sleep(d.Fresh.Period)
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
	if len(rows) < 20000 {
		t.Errorf("%d rows", len(rows))
	}
}

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\xff\x7f\x00\x80\x01\x00\x07"))
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
		if n := r3.Norm(s.FieldUT); err == nil && !(n <= math.Sqrt(3)*32768*d.scale) {
			t.Errorf("% x: field %v", b, s.FieldUT)
		}
	})
}
