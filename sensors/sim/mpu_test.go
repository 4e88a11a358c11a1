package sim

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// wakeMPU resets and starts a chip in the order of the Linux driver,
// at 100 Hz and the given filter code.
func wakeMPU(r rig, filter byte) {
	r.write(0x6b, 0x80)
	r.wait(100 * time.Millisecond)
	r.write(0x6b, 0x01)
	r.write(0x6c, 0x00)
	r.write(0x19, 9)
	r.write(0x1a, filter)
	r.write(0x1d, filter)
	r.wait(100 * time.Millisecond)
}

func mpuSample(r rig, accelLSB, gyroLSB float64) (accel, gyro r3.Vec) {
	b := r.read(0x3b, 14)
	return beVec(b, g0/accelLSB), beVec(b[8:], math.Pi/180/gyroLSB)
}

func TestMPUIdentityAndDefaults(t *testing.T) {
	for _, c := range []struct {
		chip      Chip
		id, power byte
	}{
		{NewMPU6050(nil, Settings{}), 0x68, 0x40},
		{NewMPU6500(nil, Settings{}), 0x70, 0x01},
		{NewMPU9250(nil, Settings{}), 0x71, 0x01},
	} {
		t.Run(c.chip.String(), func(t *testing.T) {
			r := newRig(t, 0x68, c.chip)
			r.wantByte("identity", 0x75, c.id)
			r.wantByte("power management", 0x6b, c.power)
			for _, reg := range []byte{0x19, 0x1a, 0x1b, 0x1c, 0x23, 0x37, 0x38, 0x6a, 0x6c} {
				r.wantByte("default", reg, 0)
			}
			// What is written stays, is gone after a reset, and the identity
			// cannot be written.
			r.write(0x19, 0x55)
			r.write(0x75, 0x12)
			r.wantByte("divider", 0x19, 0x55)
			r.wantByte("identity", 0x75, c.id)
			r.write(0x6b, 0x80)
			if r.byte(0x6b)&0x80 == 0 {
				t.Error("reset bit reads 0 during the reset")
			}
			r.write(0x19, 0x11)
			r.wantByte("identity during the reset", 0x75, 0)
			r.wait(100 * time.Millisecond)
			r.wantByte("identity after the reset", 0x75, c.id)
			r.wantByte("power management after the reset", 0x6b, c.power)
			r.wantByte("a write during the reset is lost", 0x19, 0)
		})
	}
}

func TestMPUScaleAndSign(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(World, Settings) Chip
		temp func(raw float64) float64
	}{
		{"6050", NewMPU6050, func(raw float64) float64 { return raw/340 + 36.53 }},
		{"6500", NewMPU6500, func(raw float64) float64 { return raw/333.87 + 21 }},
		{"9250", NewMPU9250, func(raw float64) float64 { return raw/333.87 + 21 }},
	} {
		for code := range 4 {
			r := newRig(t, 0x68, c.make(tilted, Settings{}))
			wakeMPU(r, 3)
			r.write(0x1b, byte(code<<3))
			r.write(0x1c, byte(code<<3))
			r.wait(20 * time.Millisecond)
			accelLSB := [4]float64{16384, 8192, 4096, 2048}[code]
			gyroLSB := [4]float64{131, 65.5, 32.8, 16.4}[code]
			accel, gyro := mpuSample(r, accelLSB, gyroLSB)
			wantVec(t, c.name+" accel", accel, tilted.Force, 0.51*g0/accelLSB)
			wantVec(t, c.name+" gyro", gyro, tilted.Rate, 0.51*math.Pi/180/gyroLSB)
			want(t, c.name+" temperature", c.temp(be16(r.read(0x41, 2))), tilted.TempC, 0.003)
		}
	}
}

func TestMPUAxes(t *testing.T) {
	// The chip's x is the board's y, its y the board's -x.
	axes := r3.NewMat([]float64{0, 1, 0, -1, 0, 0, 0, 0, 1})
	r := newRig(t, 0x68, NewMPU6050(tilted, Settings{Axes: axes}))
	wakeMPU(r, 3)
	accel, gyro := mpuSample(r, 16384, 131)
	wantVec(t, "accel", accel, r3.Vec{X: -4, Y: -3, Z: 8}, 0.001)
	wantVec(t, "gyro", gyro, r3.Vec{X: -1, Y: -0.5, Z: 0.25}, 0.001)
}

func TestMPUSaturation(t *testing.T) {
	w := Still{Force: r3.Vec{X: 3 * g0, Y: -3 * g0}, Rate: r3.Vec{X: 5, Y: -5, Z: 4}}
	r := newRig(t, 0x68, NewMPU6050(w, Settings{}))
	wakeMPU(r, 3)
	b := r.read(0x3b, 14)
	for i, wantRaw := range map[int]float64{0: 32767, 2: -32768, 4: 0, 8: 32767, 10: -32768} {
		if got := be16(b[i:]); got != wantRaw {
			t.Errorf("word at %d: %v, want %v", i, got, wantRaw)
		}
	}
	want(t, "4 rad/s", be16(b[12:])/131, 4*180/math.Pi, 0.01)
}

func TestMPUDataReadyAndRate(t *testing.T) {
	r := newRig(t, 0x68, NewMPU6050(tilted, Settings{}))
	wakeMPU(r, 3)
	r.byte(0x3a)
	ready := 0
	for range 1000 { // 1 s in ms steps at 100 Hz
		r.wait(time.Millisecond)
		ready += int(r.byte(0x3a) & 1)
	}
	if ready != 100 {
		t.Errorf("%d samples in a second at 100 Hz", ready)
	}
	r.write(0x6b, 0x41) // sleep
	r.wait(time.Second)
	r.byte(0x3a)
	r.wait(time.Second)
	r.wantByte("data ready asleep", 0x3a, 0)
	r.write(0x37, 0x10) // any read clears
	r.write(0x6b, 0x01)
	r.wait(100 * time.Millisecond)
	r.byte(0x75)
	r.wantByte("data ready after any read", 0x3a, 0)
}

func TestMPUStartUp(t *testing.T) {
	r := newRig(t, 0x68, NewMPU6050(tilted, Settings{}))
	r.wantByte("asleep", 0x3a, 0)
	r.write(0x6b, 0x01)
	r.wait(15 * time.Millisecond)
	accel, _ := mpuSample(r, 16384, 131)
	wantVec(t, "accel after 15 ms", accel, r3.Vec{}, 0)
	r.wait(20 * time.Millisecond)
	accel, gyro := mpuSample(r, 16384, 131)
	wantVec(t, "accel after 35 ms", accel, tilted.Force, 0.001)
	wantVec(t, "gyro after 35 ms", gyro, r3.Vec{}, 0)
	r.wait(30 * time.Millisecond)
	_, gyro = mpuSample(r, 16384, 131)
	wantVec(t, "gyro after 65 ms", gyro, tilted.Rate, 0.001)
}

func TestMPUAxisStandby(t *testing.T) {
	world := tilted
	f := WorldFunc(func(at time.Duration) Environment {
		e := Environment(world)
		if at > time.Second {
			e.Force, e.Rate = r3.Scale(-1, e.Force), r3.Scale(-1, e.Rate)
		}
		return e
	})
	r := newRig(t, 0x68, NewMPU6050(f, Settings{}))
	wakeMPU(r, 3)
	r.write(0x6c, 0x20|0x01) // X accelerometer and Z gyroscope off
	r.wait(2 * time.Second)
	accel, gyro := mpuSample(r, 16384, 131)
	wantVec(t, "accel with x off", accel, r3.Vec{X: 3, Y: 4, Z: -8}, 0.001)
	wantVec(t, "gyro with z off", gyro, r3.Vec{X: -0.5, Y: 1, Z: 0.25}, 0.001)
	r.write(0x6c, 0)
	r.wait(100 * time.Millisecond)
	accel, _ = mpuSample(r, 16384, 131)
	wantVec(t, "accel with x on again", accel, r3.Vec{X: -3, Y: 4, Z: -8}, 0.001)
}

func TestMPUNoise(t *testing.T) {
	const accelDensity, gyroDensity = 400e-6 * g0, 5e-3 * math.Pi / 180
	set := Settings{Seed: 3, Accel: Triad{Noise: every(accelDensity)}, Gyro: Triad{Noise: every(gyroDensity)}}
	collect := func(filter byte, n int) (accel, gyro series) {
		r := newRig(t, 0x68, NewMPU6050(tilted, set))
		wakeMPU(r, filter)
		for range n {
			r.wait(10 * time.Millisecond)
			a, g := mpuSample(r, 16384, 131)
			accel, gyro = append(accel, a), append(gyro, g)
		}
		return accel, gyro
	}
	// 5 Hz bandwidth at 100 Hz: nothing folds back, so the density at low
	// frequency is the data sheet's.
	accel, gyro := collect(6, 60_000)
	wantRatio(t, "accel density", pooled(accel.density(100, 100)), accelDensity, 0.1)
	wantRatio(t, "gyro density", pooled(gyro.density(100, 100)), gyroDensity, 0.1)
	// One first-order pole at 5 Hz passes the noise of π/2·5 Hz.
	wantRatio(t, "accel sigma at 5 Hz", pooled(accel.sigma()), accelDensity*math.Sqrt(math.Pi/2*5), 0.1)
	// Wider filters: more noise per sample, and above 50 Hz it folds back.
	wide, _ := collect(0, 10_000)
	wantRatio(t, "accel sigma at 260 Hz", pooled(wide.sigma()), accelDensity*math.Sqrt(math.Pi/2*260), 0.3)
	if d := pooled(wide.density(100, 100)); d < 2*accelDensity {
		t.Errorf("260 Hz read at 100 Hz does not fold back: %g", d)
	}
}

func TestMPUSelfTest(t *testing.T) {
	change := func(r rig, accelCfg, gyroCfg byte, accelLSB, gyroLSB float64) (accel, gyro r3.Vec) {
		wakeMPU(r, 2)
		r.write(0x1c, accelCfg)
		r.write(0x1b, gyroCfg)
		r.wait(50 * time.Millisecond)
		a0, g0 := mpuSample(r, accelLSB, gyroLSB)
		r.write(0x1c, accelCfg|0xe0)
		r.write(0x1b, gyroCfg|0xe0)
		r.wait(25 * time.Millisecond)
		a1, g1 := mpuSample(r, accelLSB, gyroLSB)
		return r3.Sub(a1, a0), r3.Sub(g1, g0)
	}
	within := func(what string, got, trim float64) {
		t.Helper()
		if e := got/trim - 1; math.Abs(e) > 0.14 || math.IsNaN(e) {
			t.Errorf("%s: response %g is %.0f%% off the trim %g", what, got, 100*e, trim)
		}
	}
	for seed := range uint64(20) {
		s := TypicalMPU6050(seed)
		s.Accel.Noise, s.Gyro.Noise = r3.Vec{}, r3.Vec{}
		s.Accel.Offset, s.Gyro.Offset = r3.Vec{}, r3.Vec{}
		r := newRig(t, 0x68, NewMPU6050(Still{Force: r3.Vec{Z: g0}}, s))
		// 8 g, 250 °/s; formulas of RM-MPU-6000A-00, from memory.
		accel, gyro := change(r, 0x10, 0x00, 4096, 131)
		b := r.read(0x0d, 4)
		for i, v := range [3]float64{accel.X, accel.Y, accel.Z} {
			code := float64(b[i]>>5<<2 | b[3]>>(4-2*i)&3)
			within("6050 accel", v/g0, 0.34*math.Pow(0.92/0.34, (code-1)/30))
		}
		for i, v := range [3]float64{gyro.X, -gyro.Y, gyro.Z} {
			code := float64(b[i] & 0x1f)
			within("6050 gyro", v*180/math.Pi, 25*math.Pow(1.046, code-1))
		}

		r = newRig(t, 0x68, NewMPU9250(Still{}, Settings{Seed: seed}))
		accel, gyro = change(r, 0x00, 0x00, 16384, 131)
		at, gt := r.read(0x0d, 3), r.read(0x00, 3)
		for i, v := range [3]float64{accel.X, accel.Y, accel.Z} {
			within("9250 accel", v/g0*16384, 2620*math.Pow(1.01, float64(at[i])-1))
		}
		for i, v := range [3]float64{gyro.X, gyro.Y, gyro.Z} {
			within("9250 gyro", v*180/math.Pi*131, 2620*math.Pow(1.01, float64(gt[i])-1))
		}
	}
}
