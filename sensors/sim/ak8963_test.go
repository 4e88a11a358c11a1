package sim

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// bypassed is an MPU-9250 with its magnetometer on the bus, and the way to it.
func bypassed(t *testing.T, w World, s Settings) (mpu, ak rig) {
	r := newRig(t, 0x68, NewMPU9250(w, s))
	wakeMPU(r, 3)
	r.write(0x6a, 0x00)
	r.write(0x37, 0x02)
	return r, r.at(0x0c)
}

// startAK reads the adjustment and starts a mode, through power-down as the
// data sheet wants. It gives µT per LSB.
func startAK(r rig, mode byte) (scale [3]float64) {
	r.write(0x0b, 0x01)
	r.wait(time.Millisecond)
	r.write(0x0a, 0x0f)
	asa := r.read(0x10, 3)
	r.write(0x0a, 0x00)
	r.wait(time.Millisecond)
	r.write(0x0a, mode)
	for i := range scale {
		scale[i] = 0.15 * (float64(asa[i]) + 128) / 256
	}
	return scale
}

func akField(b []byte, scale [3]float64) r3.Vec {
	return product(leVec(b, 1), r3.Vec{X: scale[0], Y: scale[1], Z: scale[2]})
}

func TestAK8963ReachableOnlyThroughBypass(t *testing.T) {
	r := newRig(t, 0x68, NewMPU9250(tilted, Settings{}))
	answers := func() bool { return r.bus.Tx(0x0c, []byte{0x00}, make([]byte, 1)) == nil }
	if answers() {
		t.Error("answers after power-up")
	}
	r.write(0x37, 0x02)
	if !answers() {
		t.Error("silent with bypass on and master off")
	}
	r.at(0x0c).wantByte("identity", 0x00, 0x48)
	r.write(0x6a, 0x20)
	if answers() {
		t.Error("answers with the master on")
	}
	r.write(0x6a, 0x00)
	r.write(0x37, 0x00)
	if answers() {
		t.Error("answers with bypass off")
	}
	r.write(0x37, 0x02)
	r.bus.Unplug(0x68)
	if answers() {
		t.Error("answers with the MPU unplugged")
	}
	r.bus.Replug(0x68)
	r.wait(time.Second)
	if answers() {
		t.Error("answers after replugging, before bypass is set again")
	}
	for _, c := range []Chip{NewMPU6050(nil, Settings{}), NewMPU6500(nil, Settings{})} {
		r := newRig(t, 0x68, c)
		r.write(0x6a, 0)
		r.write(0x37, 2)
		if r.bus.Tx(0x0c, []byte{0}, make([]byte, 1)) == nil {
			t.Errorf("%s has a magnetometer", c)
		}
	}
}

func TestAK8963ScaleAxesAndRate(t *testing.T) {
	for _, c := range []struct {
		mode byte
		hz   int
	}{{0x16, 100}, {0x12, 8}} {
		_, r := bypassed(t, tilted, Settings{Seed: 9})
		scale := startAK(r, c.mode)
		n := 0
		var b []byte
		for range 2000 {
			r.wait(time.Millisecond)
			if r.byte(0x02)&1 != 0 {
				n++
				b = r.read(0x03, 7)
			}
		}
		if n != 2*c.hz {
			t.Errorf("mode 0x%02x: %d samples in 2 s, want %d", c.mode, n, 2*c.hz)
		}
		if b[6] != 0x10 {
			t.Errorf("ST2 0x%02x, want 0x10", b[6])
		}
		// Mag x = accel y, mag y = accel x, mag z = -accel z.
		wantVec(t, "field", akField(b, scale), r3.Vec{X: -10, Y: 20, Z: -45}, 0.1)
	}
}

func TestAK8963ST2ReleasesNextSample(t *testing.T) {
	field := tilted
	w := WorldFunc(func(at time.Duration) Environment {
		e := Environment(field)
		e.FieldUT.Z = -at.Seconds() * 10 // mag z grows with time
		return e
	})
	_, r := bypassed(t, w, Settings{})
	startAK(r, 0x16)
	r.wait(15 * time.Millisecond)
	first := r.read(0x03, 6) // without ST2
	r.wait(time.Second)
	if again := r.read(0x03, 6); string(again) != string(first) {
		t.Errorf("data replaced although ST2 was not read: % x, % x", first, again)
	}
	r.byte(0x09)
	r.wait(20 * time.Millisecond)
	if st1 := r.byte(0x02); st1 != 3 {
		t.Errorf("ST1 0x%02x, want data ready and overrun", st1)
	}
	if again := r.read(0x03, 7); string(again[:6]) == string(first) {
		t.Error("data not replaced after ST2 was read")
	}
	r.wait(11 * time.Millisecond)
	if st1 := r.byte(0x02); st1 != 1 {
		t.Errorf("ST1 0x%02x, want data ready alone", st1)
	}
}

func TestAK8963Modes(t *testing.T) {
	_, r := bypassed(t, tilted, Settings{Seed: 2})
	r.write(0x0a, 0x0f)
	asa := r.read(0x10, 3)
	r.write(0x0a, 0x16) // straight from fuse mode: not taken
	r.wait(50 * time.Millisecond)
	r.wantByte("data ready after a jump between modes", 0x02, 0)
	r.write(0x0a, 0x00)
	r.write(0x0a, 0x16) // without the wait in power-down
	r.wait(50 * time.Millisecond)
	r.wantByte("data ready without the wait", 0x02, 0)
	r.write(0x0a, 0x16) // by now it has been in power-down long enough
	r.wait(50 * time.Millisecond)
	if r.byte(0x02)&1 == 0 {
		t.Error("no data in continuous mode")
	}
	if b := r.read(0x10, 3); b[0] != 0 || asa[0] == 0 {
		t.Errorf("adjustment reads % x outside fuse mode, % x inside", b, asa)
	}
	r.write(0x0a, 0x00)
	r.wait(time.Millisecond)
	r.read(0x03, 7)
	r.write(0x0a, 0x11) // single
	r.wait(5 * time.Millisecond)
	r.wantByte("single, too early", 0x02, 0)
	r.wait(5 * time.Millisecond)
	r.wantByte("single", 0x02, 1)
	r.wantByte("mode after single", 0x0a, 0x10)
	r.read(0x03, 7)
	r.wait(time.Second)
	r.wantByte("nothing more after single", 0x02, 0)
}

func TestAK8963Overflow(t *testing.T) {
	_, r := bypassed(t, Still{FieldUT: r3.Vec{X: 3000, Y: 2000}}, Settings{})
	startAK(r, 0x16)
	r.wait(20 * time.Millisecond)
	if st2 := r.read(0x03, 7)[6]; st2&0x08 == 0 {
		t.Errorf("ST2 0x%02x without overflow at |X|+|Y| = 5000 µT", st2)
	}
}

func TestAK8963Noise(t *testing.T) {
	_, r := bypassed(t, tilted, Settings{Seed: 5, Mag: Triad{Noise: every(0.5)}})
	scale := startAK(r, 0x16)
	var s series
	for range 10_000 {
		r.wait(10 * time.Millisecond)
		s = append(s, akField(r.read(0x03, 7), scale))
	}
	wantRatio(t, "sigma", pooled(s.sigma()), math.Hypot(0.5, 0.15/math.Sqrt(12)), 0.05)
}
