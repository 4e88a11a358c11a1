package sim

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/physic"
)

// startLSM resets and configures a chip in the order of the maker's examples,
// with the bytes of CTRL1_XL and CTRL2_G, and drops the first sample.
func startLSM(r rig, ctrl1, ctrl2 byte) {
	r.write(0x12, 0x01)
	for r.byte(0x12)&0x01 != 0 {
		r.wait(20 * time.Microsecond)
	}
	r.write(0x18, 0xe2)
	r.write(0x12, 0x44)
	r.write(0x10, ctrl1)
	r.write(0x11, ctrl2)
	r.wait(300 * time.Millisecond)
	r.read(0x20, 14)
}

func lsmSample(r rig, mgPerLSB, mdpsPerLSB float64) (temp float64, gyro, accel r3.Vec) {
	b := r.read(0x20, 14)
	return le16(b)/256 + 25, leVec(b[2:], mdpsPerLSB*1e-3*math.Pi/180), leVec(b[8:], mgPerLSB*1e-3*g0)
}

func TestLSMIdentityAndDefaults(t *testing.T) {
	for _, c := range []struct {
		chip Chip
		id   byte
	}{
		{NewLSM6DSO(nil, Settings{}), 0x6c},
		{NewLSM6DSOX(nil, Settings{}), 0x6c},
		{NewISM330DHCX(nil, Settings{}), 0x6b},
	} {
		t.Run(c.chip.String(), func(t *testing.T) {
			r := newRig(t, 0x6a, c.chip)
			check := func(when string) {
				r.wantByte("identity "+when, 0x0f, c.id)
				for reg, v := range map[byte]byte{0x10: 0, 0x11: 0, 0x12: 0x04, 0x14: 0, 0x15: 0, 0x16: 0, 0x1e: 0} {
					r.wantByte(when, reg, v)
				}
			}
			check("after power-up")
			r.write(0x10, 0x40)
			r.write(0x0f, 0)
			r.write(0x12, 0x45)
			if r.byte(0x12)&1 == 0 {
				t.Error("SW_RESET reads 0 at once")
			}
			r.wantByte("identity during the reset", 0x0f, 0)
			r.wait(time.Millisecond)
			check("after the reset")
			// Without IF_INC the pointer stays.
			r.write(0x12, 0x00)
			if b := r.read(0x0f, 3); b[0] != c.id || b[1] != c.id || b[2] != c.id {
				t.Errorf("IF_INC=0 reads % x", b)
			}
			r.bus.BrownOut(0x6a)
			r.wantByte("while booting", 0x0f, 0)
			r.wait(10 * time.Millisecond)
			check("after a brown-out")
		})
	}
}

func TestLSMScaleAndSign(t *testing.T) {
	accel := []struct {
		code byte
		mg   float64
	}{{0, 0.061}, {2, 0.122}, {3, 0.244}, {1, 0.488}}
	gyro := []struct {
		code byte
		mdps float64
	}{{1, 4.375}, {0, 8.75}, {2, 17.5}, {4, 35}, {6, 70}}
	for i, g := range gyro {
		a := accel[i%len(accel)]
		r := newRig(t, 0x6a, NewLSM6DSO(tilted, Settings{}))
		startLSM(r, 0x40|a.code<<2, 0x40|g.code<<1)
		temp, rate, force := lsmSample(r, a.mg, g.mdps)
		wantVec(t, "accel", force, tilted.Force, 0.51*a.mg*1e-3*g0)
		wantVec(t, "gyro", rate, tilted.Rate, 0.51*g.mdps*1e-3*math.Pi/180)
		want(t, "temperature", temp, tilted.TempC, 0.002)
	}
	r := newRig(t, 0x6a, NewISM330DHCX(tilted, Settings{}))
	startLSM(r, 0x40, 0x41)
	_, rate, _ := lsmSample(r, 0.061, 140)
	wantVec(t, "gyro at 4000 °/s", rate, tilted.Rate, 0.0013)
	r.write(0x17, 0x02) // XL_FS_MODE: code 1 is ±2 g
	r.write(0x10, 0x44)
	r.wait(30 * time.Millisecond)
	_, _, force := lsmSample(r, 0.061, 140)
	wantVec(t, "accel with XL_FS_MODE", force, tilted.Force, 0.001)
}

func TestLSMSaturation(t *testing.T) {
	r := newRig(t, 0x6a, NewLSM6DSO(Still{Force: r3.Vec{X: 2.1 * g0, Y: -2.1 * g0, Z: g0}, Rate: r3.Vec{X: 6, Y: -6}}, Settings{}))
	startLSM(r, 0x40, 0x40)
	b := r.read(0x20, 14)
	for at, v := range map[int]float64{8: 32767, 10: -32768, 2: 32767, 4: -32768} {
		if got := le16(b[at:]); got != v {
			t.Errorf("word %d: %v, want %v", at/2, got, v)
		}
	}
}

func TestLSMRates(t *testing.T) {
	for code, hz := range map[byte]float64{1: 12.5, 2: 26, 3: 52, 4: 104, 5: 208, 6: 417} {
		r := newRig(t, 0x6a, NewLSM6DSO(tilted, Settings{}))
		startLSM(r, code<<4, code<<4)
		accel, gyro, temp := 0, 0, 0
		for range 8000 { // 4 s
			r.wait(500 * time.Microsecond)
			s := r.byte(0x1e)
			if s&1 != 0 {
				accel++
				r.read(0x28, 6)
			}
			if s&2 != 0 {
				gyro++
				r.read(0x22, 6)
			}
			if s&4 != 0 {
				temp++
				r.read(0x20, 2)
			}
		}
		want(t, "accel rate", float64(accel)/4, hz, 0.26)
		want(t, "gyro rate", float64(gyro)/4, hz, 0.26)
		want(t, "temperature rate", float64(temp)/4, min(hz, 52), 0.26)
	}
	r := newRig(t, 0x6a, NewLSM6DSO(tilted, Settings{}))
	startLSM(r, 0x40, 0x00)
	r.wait(time.Second)
	if s := r.byte(0x1e); s&2 != 0 {
		t.Errorf("gyroscope off, status 0x%02x", s)
	}
	r.write(0x10, 0)
	r.read(0x20, 14)
	r.wait(time.Second)
	if s := r.byte(0x1e); s != 0 {
		t.Errorf("both off, status 0x%02x", s)
	}
	r.write(0x11, 0x40)
	r.wait(60 * time.Millisecond)
	if s := r.byte(0x1e); s&2 != 0 {
		t.Error("gyroscope ready 60 ms after power-down")
	}
	r.wait(30 * time.Millisecond)
	if s := r.byte(0x1e); s&2 == 0 {
		t.Error("gyroscope not ready 90 ms after power-down")
	}
}

func TestLSMFirstSampleIsToDrop(t *testing.T) {
	r := newRig(t, 0x6a, NewLSM6DSO(tilted, Settings{}))
	startLSM(r, 0x40, 0x40)
	r.write(0x10, 0x48) // ±4 g
	r.wait(period(104))
	_, _, first := lsmSample(r, 0.122, 8.75)
	r.wait(period(104))
	_, _, second := lsmSample(r, 0.122, 8.75)
	if r3.Norm(r3.Sub(first, tilted.Force)) < 1 {
		t.Error("the first sample after a change of range is as good as any")
	}
	wantVec(t, "second sample", second, tilted.Force, 0.001)
}

func TestLSMBlockDataUpdate(t *testing.T) {
	// The force jumps from all bits set to none with each sample.
	lsb := 0.061e-3 * g0
	w := WorldFunc(func(at time.Duration) Environment {
		e := Environment{TempC: 25}
		if int(at/period(104))%2 == 0 {
			e.Force = every(255 * lsb) // 0x00ff
		} else {
			e.Force = every(256 * lsb) // 0x0100
		}
		return e
	})
	torn := func(v uint16) bool { return v != 0x00ff && v != 0x0100 }
	count := func(ctrl3 byte, halves bool) (n int) {
		r := newRig(t, 0x6a, NewLSM6DSO(w, Settings{}))
		if err := r.bus.SetSpeed(100 * physic.KiloHertz); err != nil {
			t.Fatal(err)
		}
		startLSM(r, 0x40, 0x00)
		r.write(0x12, ctrl3)
		for range 2000 {
			r.wait(1234 * time.Microsecond)
			if !halves {
				b := r.read(0x28, 6)
				for i := 0; i < 6; i += 2 {
					if torn(binary.LittleEndian.Uint16(b[i:])) {
						n++
					}
				}
				continue
			}
			low := r.byte(0x28)
			r.wait(5 * time.Millisecond)
			if torn(uint16(low) | uint16(r.byte(0x29))<<8) {
				n++
			}
		}
		return n
	}
	if n := count(0x44, false); n != 0 {
		t.Errorf("with BDU %d of 6000 words of a burst are torn", n)
	}
	// A word takes 90 µs between its halves, a sample 9.6 ms: about 1 %.
	if n := count(0x04, false); n < 20 || n > 150 {
		t.Errorf("without BDU %d of 6000 words of a burst are torn, expected about 56", n)
	}
	if n := count(0x44, true); n != 0 {
		t.Errorf("with BDU %d of 2000 words read in halves are torn", n)
	}
	if n := count(0x04, true); n < 500 {
		t.Errorf("without BDU only %d of 2000 words read in halves are torn", n)
	}
}

func TestLSMNoise(t *testing.T) {
	const accelDensity, gyroDensity = 60e-6 * g0, 5e-3 * math.Pi / 180
	set := Settings{Seed: 8, Accel: Triad{Noise: every(accelDensity)}, Gyro: Triad{Noise: every(gyroDensity)}}
	collect := func(ctrl1, ctrl6, ctrl7, ctrl8 byte, n int) (accel, gyro series) {
		r := newRig(t, 0x6a, NewISM330DHCX(tilted, set))
		startLSM(r, ctrl1, 0x40)
		r.write(0x15, ctrl6)
		r.write(0x16, ctrl7)
		r.write(0x17, ctrl8)
		r.wait(time.Second)
		for range n {
			r.wait(period(104))
			_, g, a := lsmSample(r, 0.061, 8.75)
			accel, gyro = append(accel, a), append(gyro, g)
		}
		return accel, gyro
	}
	accel, gyro := collect(0x40, 0, 0, 0, 30_000)
	wantRatio(t, "accel density", pooled(accel.density(104, 52)), accelDensity, 0.1)
	wantRatio(t, "gyro density", pooled(gyro.density(104, 52)), gyroDensity, 0.1)
	wantRatio(t, "accel sigma in half the rate", pooled(accel.sigma()), accelDensity*math.Sqrt(52), 0.1)
	// LPF2 at rate/20: the same density, less noise per sample.
	accel, _ = collect(0x42, 0, 0, 0x40, 60_000)
	wantRatio(t, "accel density with LPF2", pooled(accel.density(104, 104)), accelDensity, 0.1)
	want(t, "accel sigma with LPF2 (LSB 0.6 mm/s2)", pooled(accel.sigma()), accelDensity*math.Sqrt(math.Pi/2*104/20), 2e-4)
	// Low power: 1.8 mg rms at ±2 g for a part of 70 µg/√Hz.
	accel, gyro = collect(0x40, 0x10, 0x80, 0, 10_000)
	wantRatio(t, "accel sigma in low power", pooled(accel.sigma()), 1.8e-3*g0*60/70, 0.05)
	wantRatio(t, "gyro sigma in low power", pooled(gyro.sigma()), 75e-3*math.Pi/180*5/3.8, 0.05)
}

func TestLSMSelfTest(t *testing.T) {
	mean := func(r rig, hz, mgPerLSB, mdpsPerLSB float64) (gyro, accel r3.Vec) {
		r.wait(100 * time.Millisecond)
		var gs, as series
		lsmSample(r, mgPerLSB, mdpsPerLSB)
		for range 5 {
			r.wait(period(hz))
			_, g, a := lsmSample(r, mgPerLSB, mdpsPerLSB)
			gs, as = append(gs, g), append(as, a)
		}
		return gs.mean(), as.mean()
	}
	axes := func(v r3.Vec) []float64 { return []float64{v.X, v.Y, v.Z} }
	for seed := range uint64(20) {
		r := newRig(t, 0x6a, NewISM330DHCX(tilted, TypicalISM330DHCX(seed)))
		startLSM(r, 0x38, 0x00)
		_, off := mean(r, 52, 0.122, 1)
		for _, c := range []struct {
			bits byte
			sign float64
		}{{1, 1}, {2, -1}} {
			r.write(0x14, c.bits)
			_, on := mean(r, 52, 0.122, 1)
			for _, d := range axes(r3.Scale(c.sign/g0*1e3, r3.Sub(on, off))) {
				if d < 90 || d > 1700 {
					t.Errorf("seed %d: accelerometer responds with %.0f mg", seed, d)
				}
			}
		}
		startLSM(r, 0x00, 0x5c)
		off, _ = mean(r, 208, 1, 70)
		r.write(0x14, 0x04)
		on, _ := mean(r, 208, 1, 70)
		for _, d := range axes(r3.Scale(180/math.Pi, r3.Sub(on, off))) {
			if d < 150 || d > 700 {
				t.Errorf("seed %d: gyroscope responds with %.0f °/s", seed, d)
			}
		}
	}
}
