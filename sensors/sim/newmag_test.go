package sim

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// The chips here come from recipes whose registers are few; each test writes them
// as numbers, in the order of the drivers and data sheets named beside the chip.

func TestLIS2MDLRegisters(t *testing.T) {
	bridge := r3.Vec{X: 20, Y: 30, Z: -40}
	r := newRig(t, 0x1e, NewLIS2MDL(tilted, Settings{Film: Film{BridgeUT: bridge}}))
	// The output is left-handed: y the other way.
	field := r3.Vec{X: tilted.FieldUT.X, Y: -tilted.FieldUT.Y, Z: tilted.FieldUT.Z}
	r.wantByte("identity", 0x4f, 0x40)
	r.wantByte("idle after power-up", 0x60, 0x03)
	r.write(0x62, 0x10)
	r.write(0x60, 0x8c) // 100 Hz, continuous
	r.wait(25 * time.Millisecond)
	r.wantByte("two samples unread", 0x67, 0xff)
	wantVec(t, "offset not cancelled", leVec(r.read(0x68, 6), 0.15), r3.Add(field, bridge), 0.08)
	r.wantByte("read", 0x67, 0)
	want(t, "temperature", le16(r.read(0x6e, 2))/8+25, tilted.TempC, 0.07)
	r.write(0x61, 0x03)
	r.wait(10 * time.Millisecond)
	r.wantByte("one sample", 0x67, 0x0f)
	off := leVec(r.read(0x68, 6), 0.15)
	wantVec(t, "offset cancelled", off, field, 0.08)
	r.write(0x62, 0x12) // self-test: 15..500 mG
	r.wait(10 * time.Millisecond)
	if d := r3.Sub(leVec(r.read(0x68, 6), 0.15), off); d.X < 1.5 || d.X > 50 || d.Y < 1.5 || d.Y > 50 || d.Z < 1.5 || d.Z > 50 {
		t.Errorf("self-test moves by %v µT", d)
	}
	for code, hz := range [4]int{10, 20, 50, 100} {
		r.write(0x60, byte(code<<2))
		wantSamples(t, r, hz, func() bool { return r.byte(0x67)&8 != 0 }, func() { r.read(0x68, 6) })
	}
	r.write(0x60, 0x20)
	r.wantByte("after the reset", 0x60, 0x03)
	r.wantByte("after the reset", 0x61, 0)
}

// wantSamples counts new samples over two seconds.
func wantSamples(t *testing.T, r rig, hz int, ready func() bool, read func()) {
	t.Helper()
	n := 0
	for range 2000 {
		r.wait(time.Millisecond)
		if ready() {
			n++
			read()
		}
	}
	if n != 2*hz {
		t.Errorf("%d samples in 2 s, want %d", n, 2*hz)
	}
}

func TestLSM303DLHCRegisters(t *testing.T) {
	r := newRig(t, 0x1e, NewLSM303DLHC(tilted, Settings{}))
	if id := r.read(0x0a, 3); string(id) != "H43" {
		t.Errorf("identity %q", id)
	}
	r.wantByte("own identity", 0x0f, 0x3c)
	r.write(0x00, 0x98, 0x20, 0x00) // thermometer, 75 Hz, 1.3 G, continuous
	r.wait(time.Second)
	// X, Z, Y, and another gain for Z.
	b := r.read(0x03, 6)
	wantVec(t, "field", r3.Vec{X: be16(b) / 11, Y: be16(b[4:]) / 11, Z: be16(b[2:]) / 9.8}, tilted.FieldUT, 0.06)
	// Twelve bits at the top of two bytes, which only single reads give: behind
	// 0x0C the pointer goes back to 0.
	temp := []byte{r.byte(0x31), r.byte(0x32)}
	want(t, "temperature", be16(temp)/16/8+20, tilted.TempC, 0.07)
	if b := r.read(0x31, 2); b[1] != 0x98 {
		t.Errorf("behind 0x31 comes 0x%02x, want register 0", b[1])
	}
	r.write(0x00, 0x18)
	r.wait(time.Second)
	if r.byte(0x31) != 0 || r.byte(0x32) != 0 {
		t.Error("thermometer off, but it reads")
	}
	for code, gain := range [8][2]float64{1: {1100, 980}, {855, 760}, {670, 600}, {450, 400}, {400, 355}, {330, 295}, {230, 205}} {
		if code == 0 {
			continue
		}
		r.write(0x01, byte(code<<5))
		r.wait(time.Second)
		b := r.read(0x03, 6)
		v := r3.Vec{X: 100 * be16(b) / gain[0], Y: 100 * be16(b[4:]) / gain[0], Z: 100 * be16(b[2:]) / gain[1]}
		wantVec(t, "field", v, tilted.FieldUT, 51/gain[1])
	}
	// The HMC5883L has none of this.
	r = newRig(t, 0x1e, NewHMC5883L(tilted, Settings{}))
	r.wantByte("no own identity", 0x0f, 0)
	r.wantByte("no thermometer", 0x31, 0)
}

func TestQMC5883PRegisters(t *testing.T) {
	r := newRig(t, 0x2c, NewQMC5883P(tilted, Settings{Seed: 2, Mag: Triad{Noise: every(0.1)}}))
	r.wantByte("identity", 0x00, 0x80)
	// As it wakes up, y and z stand against the data sheet's figure.
	r.write(0x0b, 0x0c)
	r.write(0x0a, 0xcd)
	r.wait(20 * time.Millisecond)
	f := tilted.FieldUT
	wantVec(t, "field without the signs", leVec(r.read(0x01, 6), 100.0/15000), r3.Vec{X: f.X, Y: -f.Y, Z: -f.Z}, 0.6)
	r.write(0x0a, 0x00)
	r.write(0x29, 0x06)
	for code, lsb := range [4]float64{1000, 2500, 3750, 15000} {
		r.write(0x0b, byte(code<<2))
		r.write(0x0a, 0xcd) // 200 Hz
		r.wait(20 * time.Millisecond)
		wantVec(t, "field", leVec(r.read(0x01, 6), 100/lsb), tilted.FieldUT, 0.6)
	}
	for code, hz := range [4]int{10, 50, 100, 200} {
		r.write(0x0a, 0xc1|byte(code<<2))
		r.byte(0x09)
		wantSamples(t, r, hz, func() bool { return r.byte(0x09)&1 != 0 }, func() { r.read(0x01, 6) })
	}
	// A third of the sampling gone twice: √(2·2) of the noise.
	sigma := func(control byte) float64 {
		r.write(0x0a, control)
		var s series
		for range 4000 {
			r.wait(5 * time.Millisecond)
			s = append(s, leVec(r.read(0x01, 6), 100.0/15000))
		}
		return pooled(s.sigma())
	}
	wantRatio(t, "noise", sigma(0xcd), 0.1, 0.05)
	wantRatio(t, "noise with half of both", sigma(0x9d), 0.2, 0.05)
	r.write(0x0b, 0x80)
	r.wait(50 * time.Millisecond)
	r.wantByte("after the reset", 0x0a, 0)
	r = newRig(t, 0x2c, NewQMC5883P(Still{FieldUT: r3.Vec{X: 210}}, Settings{}))
	r.write(0x0b, 0x0c)
	r.write(0x0a, 0xcd)
	r.wait(20 * time.Millisecond)
	r.wantByte("2.1 gauss at ±2", 0x09, 0x03)
}

// mmsField reads the nine data bytes.
func mmsField(r rig) r3.Vec {
	b := r.read(0x00, 9)
	v := func(i int) float64 {
		return 0.00625 * (float64(int(b[2*i])<<12|int(b[2*i+1])<<4|int(b[6+i])>>4) - 524288)
	}
	return r3.Vec{X: v(0), Y: v(1), Z: v(2)}
}

func TestMMC5603Registers(t *testing.T) {
	bridge := r3.Vec{X: 20, Y: 30, Z: -40}
	r := newRig(t, 0x30, NewMMC5603(tilted, Settings{Film: Film{BridgeUT: bridge}}))
	r.wantByte("identity", 0x39, 0x10)
	r.write(0x1b, 0x08) // SET
	r.wait(time.Millisecond)
	r.write(0x1b, 0x01) // one measurement
	r.wait(8 * time.Millisecond)
	r.wantByte("done", 0x18, 0x40)
	wantVec(t, "after SET", mmsField(r), r3.Add(tilted.FieldUT, bridge), 0.01)
	r.write(0x1b, 0x10) // RESET
	r.wait(time.Millisecond)
	r.write(0x1b, 0x01)
	r.wait(8 * time.Millisecond)
	wantVec(t, "after RESET", mmsField(r), r3.Sub(bridge, tilted.FieldUT), 0.01)
	r.write(0x1b, 0x21) // with automatic pulses
	r.wait(8 * time.Millisecond)
	r.wantByte("not yet", 0x18, 0)
	r.wait(8 * time.Millisecond)
	wantVec(t, "automatic", mmsField(r), tilted.FieldUT, 0.01)
	r.write(0x1b, 0x02)
	r.wait(8 * time.Millisecond)
	want(t, "temperature", -75+0.8*float64(r.byte(0x09)), tilted.TempC, 0.41)
	// Continuous at a rate that the pulses leave time for, and one that they do not.
	w := WorldFunc(func(at time.Duration) Environment {
		return Environment{FieldUT: r3.Vec{X: at.Seconds()}}
	})
	for odr, hz := range map[byte]float64{75: 75, 50: 50, 100: 0} {
		r := newRig(t, 0x30, NewMMC5603(w, Settings{}))
		r.write(0x1a, odr)
		r.write(0x1b, 0xa0)
		r.write(0x1d, 0x10)
		n, last := 0.0, mmsField(r)
		for range 2000 {
			r.wait(time.Millisecond)
			if v := mmsField(r); v != last {
				n, last = n+1, v
			}
		}
		want(t, "samples in 2 s", n, 2*hz, 1)
	}
}

func TestRM3100Registers(t *testing.T) {
	r := newRig(t, 0x20, NewRM3100(tilted, Settings{}))
	r.wantByte("revision", 0x36, 0x22)
	r.wantByte("rate after power-up", 0x0b, 0x96)
	if b := r.read(0x04, 6); string(b) != "\x00\xc8\x00\xc8\x00\xc8" {
		t.Errorf("cycles after power-up % x", b)
	}
	field := func() r3.Vec {
		b := r.read(0x24, 9)
		v := func(i int) float64 { return float64(int32(b[i])<<24|int32(b[i+1])<<16|int32(b[i+2])<<8) / 256 }
		return r3.Vec{X: v(0), Y: v(3), Z: v(6)}
	}
	if err := r.bus.Tx(0x20, []byte{0x24}, make([]byte, 9)); err == nil {
		t.Error("results before the first measurement are acknowledged")
	}
	for cycles, gain := range map[byte]float64{50: 20, 100: 38, 200: 75} {
		r.write(0x04, 0, cycles, 0, cycles, 0, cycles)
		r.write(0x0b, 0x94)
		r.write(0x01, 0x71)
		wantSamples(t, r, 150, func() bool { return r.byte(0x34)&0x80 != 0 }, func() {
			wantVec(t, "field", r3.Scale(1/gain, field()), tilted.FieldUT, 0.51/gain)
		})
	}
	r.byte(0x01) // reading it ends the continuous mode
	r.wait(time.Second)
	if r.byte(0x34)&0x80 != 0 {
		field()
	}
	r.wait(time.Second)
	if r.byte(0x34)&0x80 != 0 {
		t.Error("still measuring after the mode was read")
	}
	r.write(0x33, 0x8f)
	r.write(0x00, 0x70)
	r.wait(10 * time.Millisecond)
	r.wantByte("self-test", 0x33, 0xff)
}

func TestBMM350Registers(t *testing.T) {
	// Two bytes of no use before the first of every read.
	read := func(r rig, reg byte, n int) []byte { return r.read(reg, n+2)[2:] }
	r := newRig(t, 0x14, NewBMM350(tilted, Settings{Seed: 7}))
	if id := read(r, 0x00, 1)[0]; id != 0x33 {
		t.Errorf("identity 0x%02x", id)
	}
	var otp [32]uint16
	for i := range otp {
		r.write(0x50, 0x20|byte(i))
		if s := read(r, 0x55, 1)[0]; s != 0 {
			t.Errorf("word %d there at once", i)
		}
		r.wait(time.Millisecond)
		if s := read(r, 0x55, 1)[0]; s != 1 {
			t.Errorf("word %d: status 0x%02x", i, s)
		}
		b := read(r, 0x52, 2)
		otp[i] = uint16(b[0])<<8 | uint16(b[1])
	}
	r.write(0x04, 0x24)
	r.write(0x06, 0x02)
	r.write(0x2e, 0x80)
	r.write(0x06, 0x01)
	if s := read(r, 0x07, 1)[0]; s != 8 {
		t.Errorf("power state 0x%02x", s)
	}
	wantSamples(t, r, 100, func() bool { return read(r, 0x30, 1)[0]&4 != 0 }, func() {})
	b := read(r, 0x31, 12)
	raw := func(i int) float64 { return float64(int32(b[i])<<8|int32(b[i+1])<<16|int32(b[i+2])<<24) / 256 }
	// The temperature alone, with figures rounded as in Zephyr's driver (10 in
	// 10000), and X's share, to see that words and registers fit together.
	low, high := func(w uint16) float64 { return float64(int8(w)) }, func(w uint16) float64 { return float64(int8(w >> 8)) }
	temp := (raw(9)/1019.08-25.49)*(1+high(otp[0x0d])/512) + low(otp[0x0d])/5
	want(t, "temperature", temp, tilted.TempC, 0.05)
	x := raw(0)*0.00707*(1+high(otp[0x10])/256) + float64(int16(otp[0x0e]<<4)>>4)
	dt := temp - (23 + float64(int16(otp[0x18]))/512)
	x = (x + low(otp[0x12])/32*dt) / (1 + high(otp[0x12])/16384*dt)
	want(t, "x without y's share", x, tilted.FieldUT.X+low(otp[0x15])/800*tilted.FieldUT.Y, 0.02)
	r.write(0x7e, 0xb6)
	r.wait(24 * time.Millisecond)
	if s := read(r, 0x2e, 1)[0]; s != 0 {
		t.Errorf("interrupt control after the reset 0x%02x", s)
	}
	if v := NewBMM350(nil, Settings{Seed: 8}).(*bmm350).otp; v == otp {
		t.Error("two parts with the same coefficients")
	}
}

func TestAK09916Registers(t *testing.T) {
	r := newRig(t, 0x0c, NewAK09916(tilted, Settings{}))
	if b := r.read(0x00, 2); b[0] != 0x48 || b[1] != 0x09 {
		t.Errorf("identity % x", b)
	}
	for mode, hz := range map[byte]int{0x02: 10, 0x04: 20, 0x06: 50, 0x08: 100} {
		r.write(0x31, 0)
		r.wait(time.Millisecond)
		r.write(0x31, mode)
		r.wantByte("mode", 0x31, mode)
		wantSamples(t, r, hz, func() bool { return r.byte(0x10)&1 != 0 }, func() { r.read(0x11, 8) })
	}
	r.wait(time.Second)
	b := r.read(0x10, 9)
	if b[0] != 3 || b[7] != 0 || b[8] != 0 {
		t.Errorf("status after skipped samples: % x", b)
	}
	// y and z reversed.
	f := tilted.FieldUT
	wantVec(t, "field", leVec(b[1:], 0.15), r3.Vec{X: f.X, Y: -f.Y, Z: -f.Z}, 0.076)
	r.write(0x32, 0x01)
	r.wait(time.Millisecond)
	r.wantByte("mode after the reset", 0x31, 0)
	r = newRig(t, 0x0c, NewAK09916(Still{FieldUT: r3.Vec{X: 4000, Y: 2000}}, Settings{}))
	r.wait(time.Millisecond)
	r.write(0x31, 0x08)
	r.wait(20 * time.Millisecond)
	if b := r.read(0x10, 9); b[8] != 8 || math.Abs(le16(b[1:]))*0.15 < 3900 {
		t.Errorf("overflow: % x", b)
	}
}
