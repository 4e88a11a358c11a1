package sim

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// startQMC configures a chip in the order of common drivers.
func startQMC(r rig, control1 byte) {
	r.write(0x0a, 0x80)
	r.wait(time.Millisecond)
	r.write(0x0b, 0x01)
	r.write(0x09, control1)
	r.wait(150 * time.Millisecond)
}

func TestQMCIdentityAndDefaults(t *testing.T) {
	r := newRig(t, 0x0d, NewQMC5883L(tilted, Settings{}))
	r.wantByte("identity before data were read", 0x0d, 0x00)
	r.read(0x00, 1)
	r.wantByte("identity", 0x0d, 0xff)
	r.wantByte("register without a name", 0x0c, 0x01)
	r.bus.BrownOut(0x0d)
	r.wait(time.Millisecond)
	r.wantByte("identity after a brown-out", 0x0d, 0x00)
	r.write(0x0a, 0x80)
	r.wantByte("identity after a reset", 0x0d, 0xff)
	r.wantByte("control", 0x09, 0)
	r.write(0x09, 0x1d)
	r.wantByte("control keeps what is written", 0x09, 0x1d)
	r.write(0x0a, 0x80)
	r.wantByte("control after the reset", 0x09, 0)
	r.wait(time.Second)
	r.wantByte("standby", 0x06, 0)
}

func TestQMCScaleAndSign(t *testing.T) {
	for control1, lsb := range map[byte]float64{0x05: 12000, 0x15: 3000} {
		r := newRig(t, 0x0d, NewQMC5883L(tilted, Settings{}))
		startQMC(r, control1)
		wantVec(t, "field", leVec(r.read(0x00, 6), 100/lsb), tilted.FieldUT, 51/lsb)
		cold := le16(r.read(0x07, 2))
		warm := tilted
		warm.TempC += 10
		r = newRig(t, 0x0d, NewQMC5883L(warm, Settings{}))
		startQMC(r, control1)
		want(t, "10 °C", le16(r.read(0x07, 2))-cold, 1000, 1)
	}
	r := newRig(t, 0x0d, NewQMC5883L(Still{FieldUT: r3.Vec{X: 300, Y: -300}}, Settings{}))
	startQMC(r, 0x05)
	if s, b := r.byte(0x06), r.read(0x00, 4); s&0x02 == 0 || le16(b) != 32767 || le16(b[2:]) != -32768 {
		t.Errorf("3 gauss at ±2: status 0x%02x, % x", s, b)
	}
}

func TestQMCRatesAndStatus(t *testing.T) {
	for odr, hz := range [4]int{10, 50, 100, 200} {
		r := newRig(t, 0x0d, NewQMC5883L(tilted, Settings{}))
		startQMC(r, byte(odr<<2)|0x01)
		r.read(0x00, 6)
		n := 0
		for range 10_000 { // 10 s
			r.wait(time.Millisecond)
			s := r.byte(0x06)
			if s&0x04 != 0 {
				t.Fatal("overrun although every sample was read")
			}
			if s&0x01 != 0 {
				n++
				r.read(0x00, 6)
			}
		}
		if n != 10*hz {
			t.Errorf("%d samples in 10 s, want %d", n, 10*hz)
		}
		r.wait(time.Second)
		if s := r.byte(0x06); s != 0x05 {
			t.Errorf("status 0x%02x after skipped samples, want 0x05", s)
		}
		r.read(0x04, 1)
		r.wantByte("status after any data byte", 0x06, 0)
	}
	r := newRig(t, 0x0d, NewQMC5883L(tilted, Settings{}))
	startQMC(r, 0x05)
	r.write(0x0a, 0x40) // roll-over
	if b := r.read(0x00, 9); b[7] != b[0] || b[8] != b[1] {
		t.Errorf("pointer does not roll from 0x06 to 0x00: % x", b)
	}
}

func TestQMCSetResetPeriodMatters(t *testing.T) {
	bridge := r3.Vec{X: 20, Y: 30, Z: -40}
	r := newRig(t, 0x0d, NewQMC5883L(tilted, Settings{Film: Film{BridgeUT: bridge}}))
	r.write(0x09, 0x05)
	r.wait(50 * time.Millisecond)
	wantVec(t, "without the period", leVec(r.read(0, 6), 100.0/12000), r3.Add(tilted.FieldUT, bridge), 0.005)
	r.write(0x0b, 0x01)
	r.wait(50 * time.Millisecond)
	wantVec(t, "with the period", leVec(r.read(0, 6), 100.0/12000), tilted.FieldUT, 0.005)
}

func TestQMCNoise(t *testing.T) {
	for osr, ratio := range [4]float64{512, 256, 128, 64} {
		r := newRig(t, 0x0d, NewQMC5883L(tilted, Settings{Seed: 2, Mag: Triad{Noise: every(0.2)}}))
		startQMC(r, byte(osr<<6)|0x05)
		var s series
		for range 10_000 {
			r.wait(20 * time.Millisecond)
			s = append(s, leVec(r.read(0, 6), 100.0/12000))
		}
		wantRatio(t, "sigma", pooled(s.sigma()), 0.2*math.Sqrt(512/ratio), 0.03)
	}
}
