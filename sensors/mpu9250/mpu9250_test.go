package mpu9250

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"
	"time"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
)

func TestStartMPU6050(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/mpu6050_start.txt"))
	d, err := New(p, Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	p.Sleep(10 * time.Millisecond)
	s, err := d.ReadInertial()
	if err != nil {
		t.Fatal(err)
	}
	// 0x83 = 131 counts are 2 °/s at 65.5 counts per °/s.
	if s.Accel.Z != sensors.StandardGravity || math.Abs(s.Gyro.Y-2*math.Pi/180) > 1e-9 || math.Abs(s.TempC-26) > 0.01 || s.Flags != 0 {
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

func TestStartMPU9250(t *testing.T) {
	p := sensortest.NewPlayback(sensortest.Transcript(t, "testdata/mpu9250_start.txt"))
	d, err := New(p, AltAddr, p, &Opts{AccelRangeG: 16, GyroRangeDPS: 2000, RateHz: 200, FilterHz: 94, Bypass: true})
	if err != nil {
		t.Fatal(err)
	}
	p.Sleep(5 * time.Millisecond)
	s, err := d.ReadInertial()
	if err != nil {
		t.Fatal(err)
	}
	if s.Accel.X != -sensors.StandardGravity || s.TempC != 21 || s.Flags != sensors.Clipped {
		t.Errorf("%+v", s)
	}
	if err := d.CheckConfig(); err != nil {
		t.Error(err)
	}
	if p.Left() != 0 {
		t.Errorf("%d transfers missing", p.Left())
	}
}

func TestOptions(t *testing.T) {
	d := &Dev{Poller: sensors.NewPoller(nil, Addr, "MPU-6050", nil)}
	for hz, want := range map[float64]float64{1000: 1000, 100: 100, 104: 100, 96: 100, 4: 4, 30: 1000.0 / 33} {
		d.opts = DefaultOpts()
		d.opts.RateHz = hz
		if err := d.plan(); err != nil || math.Abs(d.opts.RateHz-want) > 1e-9 {
			t.Errorf("%g Hz: %g, %v, want %g", hz, d.opts.RateHz, err, want)
		}
	}
	p := sensortest.NewPlayback(nil)
	for _, o := range []Opts{{}, {2, 500, 3, 44, false}, {2, 500, math.NaN(), 44, false}, {2, 500, 100, 45, false}, {32, 500, 100, 44, false}, {2, 125, 100, 44, false}} {
		p.Append(sensortest.Transfer{Addr: Addr, W: []byte{regWhoAmI}, R: []byte{idMPU6050}})
		if d, err := New(p, Addr, p, &o); d != nil || sensors.FaultOf(err) != sensors.FaultSetting {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// recorded is a real MPU-6050 (see testdata/imu): what its registers held follows
// from the recorded values, since they are whole counts times the chip's scale.
const recorded = "../../testdata/imu/mpu6050_hmc5883l/set-2_full-sphere.csv.gz"

// TestRecording plays the registers of a real recording at ±2 g and ±250 °/s, as
// it was made, and expects its values back to the digits that were printed. It
// shows that scales, byte order and axis order fit a real chip's values; the
// order of bytes on the wire itself is the data sheet's, here and there.
func TestRecording(t *testing.T) {
	rows := sensortest.Columns(t, recorded, "ax", "ay", "az", "gx", "gy", "gz", "temp_C")
	p := sensortest.NewPlayback(nil)
	d := &Dev{Poller: sensors.NewPoller(p, Addr, "MPU-6050", p), opts: DefaultOpts()}
	d.variant, _ = variantOf(idMPU6050)
	d.opts.GyroRangeDPS = 250
	if err := d.plan(); err != nil {
		t.Fatal(err)
	}
	clipped := 0
	for n, row := range rows {
		b := []byte{0, 1, 0, 1} // interrupt settings and status
		want := sensors.Flags(0)
		for _, v := range [7]float64{row[0] / 9.80665 * 16384, row[1] / 9.80665 * 16384, row[2] / 9.80665 * 16384,
			(row[6] - 36.53) * 340, degrees(row[3]) * 131, degrees(row[4]) * 131, degrees(row[5]) * 131} {
			c := math.Round(v)
			// The recording turned signs, so that -32768 became 32768.
			if c >= 32767 || c <= -32767 {
				c = math.Copysign(32767, c)
				want = sensors.Clipped
			}
			b = binary.BigEndian.AppendUint16(b, uint16(int16(c)))
		}
		p.Append(sensortest.Transfer{Addr: Addr, W: []byte{regIntPin}, R: b})
		p.Sleep(10 * time.Millisecond)
		s, err := d.ReadInertial()
		if err != nil {
			t.Fatalf("row %d: %v", n, err)
		}
		if s.Flags != want {
			t.Errorf("row %d: flags %b, want %b", n, s.Flags, want)
		}
		if want == sensors.Clipped {
			clipped++
			continue
		}
		got := [7]float64{s.Accel.X, s.Accel.Y, s.Accel.Z, s.Gyro.X, s.Gyro.Y, s.Gyro.Z, s.TempC}
		printed := [7]float64{1e-4, 1e-4, 1e-4, 1e-5, 1e-5, 1e-5, 1e-2}
		for i := range got {
			if math.Abs(got[i]-row[i]) > 0.51*printed[i] {
				t.Fatalf("row %d, column %d: %.6f, recorded %.6f", n, i, got[i], row[i])
			}
		}
	}
	if len(rows) < 10000 || clipped == 0 {
		t.Errorf("%d rows, %d clipped", len(rows), clipped)
	}
}

func degrees(rad float64) float64 { return rad * 180 / math.Pi }

// FuzzSample gives the driver any bytes.
func FuzzSample(f *testing.F) {
	f.Add(make([]byte, burst))
	f.Add([]byte("\x00\x01\x00\x01\x80\x00\x7f\xff\x00\x00\x00\x00\x00\x00\x80\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < burst {
			return
		}
		for _, id := range identities() {
			p := sensortest.NewPlayback([]sensortest.Transfer{{Addr: Addr, W: []byte{regIntPin}, R: b[:burst]}})
			d := &Dev{Poller: sensors.NewPoller(p, Addr, "x", p), opts: DefaultOpts()}
			d.variant, _ = variantOf(id)
			if err := d.plan(); err != nil {
				t.Fatal(err)
			}
			s, err := d.ReadInertial()
			if err != nil {
				continue
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
		}
	})
}
