package sim

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

func startLSV(r rig, ctrl1, ctrl2, ctrl6, ctrl8, ctrl9 byte) {
	r.write(0x12, 0x01)
	r.wait(time.Millisecond)
	r.write(0x15, ctrl6)
	r.write(0x17, ctrl8)
	r.write(0x18, ctrl9)
	r.write(0x10, ctrl1)
	r.write(0x11, ctrl2)
	r.wait(300 * time.Millisecond)
	r.read(0x20, 14)
}

func TestLSM6DSV16X(t *testing.T) {
	r := newRig(t, 0x6a, NewLSM6DSV16X(tilted, Settings{}))
	r.wantByte("identity", 0x0f, 0x70)
	r.wantByte("CTRL3", 0x12, 0x44)
	r.write(0x12, 0x45)
	if r.byte(0x12)&1 == 0 {
		t.Error("SW_RESET reads 0 at once")
	}
	for code, mdps := range []float64{4.375, 8.75, 17.5, 35, 70} {
		accel := code % 4
		mg := []float64{0.061, 0.122, 0.244, 0.488}[accel]
		startLSV(r, 0x06, 0x06, byte(code), byte(accel), 0)
		temp, rate, force := lsmSample(r, mg, mdps)
		wantVec(t, "accel", force, tilted.Force, 0.51*mg*1e-3*g0)
		wantVec(t, "gyro", rate, tilted.Rate, 0.51*mdps*1e-3*math.Pi/180)
		want(t, "temperature", temp, tilted.TempC, 0.002)
	}
	// Ready once in a period, of both; none in power-down.
	startLSV(r, 0x06, 0x06, 2, 0, 0)
	accel, gyro := 0, 0
	for range 2000 {
		r.wait(500 * time.Microsecond)
		if s := r.byte(0x1e); s&3 != 0 {
			accel, gyro = accel+int(s&1), gyro+int(s>>1&1)
			r.read(0x22, 12)
		}
	}
	want(t, "accel rate", float64(accel), 120, 1)
	want(t, "gyro rate", float64(gyro), 120, 1)
	r.write(0x10, 0)
	r.write(0x11, 0)
	r.read(0x20, 14)
	r.wait(time.Second)
	r.wantByte("both off", 0x1e, 0)
}

func TestLSM6DSV16XNoise(t *testing.T) {
	const accelDensity, gyroDensity = 60e-6 * g0, 2.8e-3 * math.Pi / 180
	set := Settings{Seed: 8, Accel: Triad{Noise: every(accelDensity)}, Gyro: Triad{Noise: every(gyroDensity)}}
	for _, ctrl9 := range []byte{0, 0x08} {
		r := newRig(t, 0x6a, NewLSM6DSV16X(tilted, set))
		startLSV(r, 0x06, 0x06, 1, 0x40, ctrl9)
		var accel, gyro series
		for range 30_000 {
			r.wait(period(120))
			_, g, a := lsmSample(r, 0.061, 8.75)
			accel, gyro = append(accel, a), append(gyro, g)
		}
		wantRatio(t, "accel density", pooled(accel.density(120, 120)), accelDensity, 0.1)
		wantRatio(t, "gyro density", pooled(gyro.density(120, 120)), gyroDensity, 0.1)
	}
}

func TestLSM6DSV16XSaturation(t *testing.T) {
	r := newRig(t, 0x6a, NewLSM6DSV16X(Still{Force: r3.Vec{X: 2.1 * g0, Y: -2.1 * g0}, Rate: r3.Vec{X: 6, Y: -6}}, Settings{}))
	startLSV(r, 0x06, 0x06, 1, 0, 0)
	b := r.read(0x20, 14)
	for at, v := range map[int]float64{8: 32767, 10: -32768, 2: 32767, 4: -32768} {
		if got := le16(b[at:]); got != v {
			t.Errorf("word %d: %v, want %v", at/2, got, v)
		}
	}
}
