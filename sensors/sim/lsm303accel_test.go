package sim

import (
	"testing"
	"time"
)

func start303(r rig, ctrl1, ctrl4 byte) {
	r.write(0x20, ctrl1)
	r.write(0x23, ctrl4)
	r.write(0x1f, 0xc0)
	r.wait(100 * time.Millisecond)
	r.read(0xa7, 7)
}

func TestLSM303Accel(t *testing.T) {
	for _, c := range []struct {
		chip Chip
		mg   [4]float64
		agr  bool
	}{
		{NewLSM303AGRAccel(tilted, Settings{}), [4]float64{0.98, 1.95, 3.9, 11.72}, true},
		{NewLSM303DLHCAccel(tilted, Settings{}), [4]float64{1, 2, 4, 12}, false},
	} {
		t.Run(c.chip.String(), func(t *testing.T) {
			r := newRig(t, 0x19, c.chip)
			r.wantByte("identity", 0x0f, 0x33)
			r.wantByte("CTRL_REG1", 0x20, 0x07)
			for code, mg := range c.mg {
				start303(r, 0x57, byte(0x88|code<<4))
				r.wait(10 * time.Millisecond)
				b := r.read(0xa7, 7)
				if b[0]&0x08 == 0 {
					t.Errorf("status 0x%02x", b[0])
				}
				wantVec(t, "accel", leVec(b[1:], mg*1e-3*g0/16), tilted.Force, 0.51*mg*1e-3*g0)
			}
			if temp := le16(r.read(0x8c, 2))/256 + 25; c.agr {
				want(t, "temperature", temp, tilted.TempC, 0.003)
			} else {
				want(t, "registers of no thermometer", temp, 25, 0)
			}
			// Without the top bit the pointer stays.
			if b := r.read(0x0f, 2); b[1] != 0x33 {
				t.Errorf("reads % x", b)
			}
			ready := 0
			for range 2000 {
				r.wait(500 * time.Microsecond)
				if r.byte(0x27)&8 != 0 {
					ready++
					r.read(0xa8, 6)
				}
			}
			want(t, "samples a second", float64(ready), 100, 1)
			r.wait(25 * time.Millisecond)
			if s := r.byte(0x27); s&0x80 == 0 {
				t.Errorf("status 0x%02x after two samples unread", s)
			}
			r.bus.BrownOut(0x19)
			r.wait(time.Second)
			r.wantByte("off after a brown-out", 0x20, 0x07)
			r.wantByte("off after a brown-out", 0x27, 0)
		})
	}
}

func TestLSM303AccelNoise(t *testing.T) {
	const density = 220e-6 * g0
	r := newRig(t, 0x19, NewLSM303AGRAccel(tilted, Settings{Seed: 5, Accel: Triad{Noise: every(density)}}))
	start303(r, 0x57, 0x88)
	var accel series
	for range 30_000 {
		r.wait(period(100))
		accel = append(accel, leVec(r.read(0xa8, 6), 0.98e-3*g0/16))
	}
	// The step of 0.98 mg adds its own noise, 0.28 mg rms, white at 100 Hz.
	wantRatio(t, "density", pooled(accel.density(100, 100)), density*1.02, 0.1)
}
