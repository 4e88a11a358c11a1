package sim

import (
	"math"
	"testing"
	"time"
)

// startICM wakes the chip with filter 3, 1125/11 Hz and a range code.
func startICM(r rig, fs byte) {
	r.write(0x7f, 0)
	r.write(0x06, 0x80)
	r.wait(100 * time.Millisecond)
	r.write(0x06, 0x01)
	r.write(0x7f, 0x20)
	r.write(0x00, 10)
	r.write(0x01, 0x19|fs<<1)
	r.write(0x10, 0, 10)
	r.write(0x14, 0x19|fs<<1)
	r.write(0x7f, 0)
	r.wait(100 * time.Millisecond)
}

func TestICM20948(t *testing.T) {
	r := newRig(t, 0x69, NewICM20948(tilted, Settings{}))
	r.wantByte("identity", 0x00, 0xea)
	r.wantByte("asleep", 0x06, 0x41)
	r.write(0x7f, 0x20)
	r.wantByte("bank", 0x7f, 0x20)
	r.wantByte("the divider, not the identity", 0x00, 0)
	for code := range 4 {
		startICM(r, byte(code))
		b := r.read(0x2d, 14)
		accelLSB := [4]float64{16384, 8192, 4096, 2048}[code]
		gyroLSB := [4]float64{131, 65.5, 32.8, 16.4}[code]
		wantVec(t, "accel", beVec(b, g0/accelLSB), tilted.Force, 0.51*g0/accelLSB)
		wantVec(t, "gyro", beVec(b[6:], math.Pi/180/gyroLSB), tilted.Rate, 0.51*math.Pi/180/gyroLSB)
		want(t, "temperature", be16(b[12:])/333.87+21, tilted.TempC, 0.003)
	}
	ready := 0
	for range 2000 {
		r.wait(500 * time.Microsecond)
		ready += int(r.byte(0x1a) & 1)
	}
	want(t, "samples a second", float64(ready), 1125.0/11, 1)
	r.write(0x06, 0x41)
	r.byte(0x1a)
	r.wait(time.Second)
	r.wantByte("ready asleep", 0x1a, 0)
	r.bus.BrownOut(0x69)
	r.wait(time.Second)
	r.wantByte("asleep after a brown-out", 0x06, 0x41)
}

func TestICM20948Noise(t *testing.T) {
	const accelDensity, gyroDensity = 230e-6 * g0, 15e-3 * math.Pi / 180
	set := Settings{Seed: 3, Accel: Triad{Noise: every(accelDensity)}, Gyro: Triad{Noise: every(gyroDensity)}}
	r := newRig(t, 0x69, NewICM20948(tilted, set))
	startICM(r, 0)
	r.write(0x7f, 0x20)
	r.write(0x01, 0x31) // filter 6: 5.7 Hz, nothing folds back
	r.write(0x14, 0x31)
	r.write(0x7f, 0)
	r.wait(time.Second)
	var accel, gyro series
	for range 60_000 {
		r.wait(period(1125.0 / 11))
		b := r.read(0x2d, 14)
		accel, gyro = append(accel, beVec(b, g0/16384)), append(gyro, beVec(b[6:], math.Pi/180/131))
	}
	wantRatio(t, "accel density", pooled(accel.density(1125.0/11, 102)), accelDensity, 0.1)
	wantRatio(t, "gyro density", pooled(gyro.density(1125.0/11, 102)), gyroDensity, 0.1)
}
