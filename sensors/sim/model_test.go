package sim

import (
	"bytes"
	"math"
	"sync"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

func TestModelScaleCrossOffsetTemperature(t *testing.T) {
	m := r3.NewMat([]float64{1.02, 0.01, -0.02, 0.005, 0.97, 0.015, -0.01, 0.02, 1.01})
	s := Settings{Accel: Triad{
		Matrix: m, Offset: r3.Vec{X: 0.3, Y: -0.2, Z: 0.1},
		OffsetPerC: r3.Vec{X: 0.01, Y: 0.02, Z: -0.03}, ScalePerC: r3.Vec{X: 1e-3, Y: -1e-3, Z: 2e-3},
	}, TempOffsetC: 3}
	w := tilted
	for _, temp := range []float64{-10, 25, 40} {
		w.TempC = temp
		r := newRig(t, 0x68, NewMPU6050(w, s))
		wakeMPU(r, 3)
		accel, _ := mpuSample(r, 16384, 131)
		lin := m.MulVec(w.Force)
		d := temp - 25
		expect := r3.Vec{
			X: lin.X*(1+1e-3*d) + 0.3 + 0.01*d,
			Y: lin.Y*(1-1e-3*d) - 0.2 + 0.02*d,
			Z: lin.Z*(1+2e-3*d) + 0.1 - 0.03*d,
		}
		wantVec(t, "accel", accel, expect, 0.0004)
		want(t, "thermometer", be16(r.read(0x41, 2))/340+36.53, temp+3, 0.002)
	}
}

func TestModelWarmUpAndSelfHeat(t *testing.T) {
	s := Settings{
		Accel:     Triad{WarmUp: r3.Vec{Z: 0.5}, WarmUpTime: 60 * time.Second},
		SelfHeatC: 4, SelfHeatTime: 100 * time.Second,
	}
	r := newRig(t, 0x68, NewMPU6050(tilted, s))
	r.bus.BrownOut(0x68)
	r.wait(100 * time.Millisecond)
	wakeMPU(r, 3)
	for r.clock.Now() < 300*time.Second {
		r.wait(10 * time.Second)
		on := r.clock.Now().Seconds()
		accel, _ := mpuSample(r, 16384, 131)
		want(t, "warm-up", accel.Z, 8+0.5*math.Exp(-on/60), 0.0005)
		want(t, "self-heating", be16(r.read(0x41, 2))/340+36.53, 15+4*(1-math.Exp(-on/100)), 0.003)
	}
}

func TestModelRateError(t *testing.T) {
	r := newRig(t, 0x68, NewMPU6050(tilted, Settings{RateError: 0.02}))
	wakeMPU(r, 3)
	r.byte(0x3a)
	n := 0
	for range 10_000 {
		r.wait(time.Millisecond)
		n += int(r.byte(0x3a))
	}
	want(t, "samples in 10 s", float64(n), 1020, 1)
}

// wanders gives the offset of many parts at t.
func wanders(c Triad, parts int, at ...time.Duration) []series {
	out := make([]series, len(at))
	d := newDice()
	for seed := range parts {
		w := newWander(c, uint64(seed), channelGyro, d)
		w.begin(0)
		for i, t := range at {
			out[i] = append(out[i], w.at(t))
		}
	}
	return out
}

func TestModelWander(t *testing.T) {
	const parts = 2000 // 0.9 % on a pooled sigma
	s := wanders(Triad{Wander: every(2), WanderTime: 20 * time.Second}, parts, 0, 20*time.Second, 100*time.Second)
	for i := range s {
		wantRatio(t, "wander sigma", pooled(s[i].sigma()), 2, 0.04)
	}
	var c float64
	for i := range parts {
		c += r3.Dot(s[0][i], s[1][i]) / 3 / 4 / parts
	}
	want(t, "correlation after one time constant", c, math.Exp(-1), 0.05)
	s = wanders(Triad{Walk: every(0.1)}, parts, 0, 25*time.Second, 100*time.Second)
	want(t, "walk at the start", pooled(s[0].sigma()), 0, 0)
	wantRatio(t, "walk after 25 s", pooled(s[1].sigma()), 0.5, 0.04)
	wantRatio(t, "walk after 100 s", pooled(s[2].sigma()), 1, 0.04)
}

func TestModelNoiseIsWhiteAndGaussian(t *testing.T) {
	r := newRig(t, 0x6a, NewLSM6DSO(Still{}, Settings{Accel: Triad{Noise: every(1e-3 * g0)}}))
	startLSM(r, 0x40, 0)
	var s series
	for range 20_000 {
		r.wait(period(104))
		_, _, a := lsmSample(r, 0.061, 1)
		s = append(s, a)
	}
	m, sd := s.mean(), s.sigma()
	var lag, cross, kurt float64
	for i := 1; i < len(s); i++ {
		a, b := r3.Sub(s[i-1], m), r3.Sub(s[i], m)
		lag += r3.Dot(a, b)
		cross += a.X * a.Y
		kurt += math.Pow(a.X/sd.X, 4)
	}
	n := float64(len(s))
	want(t, "correlation of neighbours", lag/n/r3.Dot(sd, sd), 0, 0.017)
	want(t, "correlation of axes", cross/n/sd.X/sd.Y, 0, 0.03)
	want(t, "kurtosis", kurt/n, 3, 0.15)
}

// run reads a fresh chip every step for ten seconds and keeps the bytes of whole
// seconds.
func run(t *testing.T, seed uint64, filter byte, step time.Duration) (out []byte) {
	s := TypicalMPU6050(seed)
	r := newRig(t, 0x68, NewMPU6050(tilted, s))
	wakeMPU(r, filter)
	r.write(0x19, 0) // 1 kHz, so that a 5 Hz filter has a long memory
	base := r.clock.Now()
	for r.clock.Now()-base < 10*time.Second {
		r.wait(step)
		b := r.read(0x3b, 14)
		if (r.clock.Now()-base)%time.Second == 0 {
			out = append(out, b...)
		}
	}
	return out
}

func TestDeterminism(t *testing.T) {
	for _, filter := range []byte{0, 6} {
		ref := run(t, 1, filter, 10*time.Millisecond)
		if again := run(t, 1, filter, 10*time.Millisecond); !bytes.Equal(ref, again) {
			t.Error("the same run gives other bytes")
		}
		// However often it is read, the sample at a moment is the same.
		for _, step := range []time.Duration{time.Millisecond, 250 * time.Millisecond, time.Second} {
			if again := run(t, 1, filter, step); !bytes.Equal(ref, again) {
				t.Errorf("filter %d: read every %v the samples differ", filter, step)
			}
		}
		if other := run(t, 2, filter, 10*time.Millisecond); bytes.Equal(ref, other) {
			t.Error("another seed gives the same bytes")
		}
	}
}

func TestNoisePastDoesNotMatterToRestart(t *testing.T) {
	// Two chips that were read differently before a new rate is set give the
	// same samples after it.
	trace := func(reads int) []byte {
		r := newRig(t, 0x68, NewMPU6050(tilted, TypicalMPU6050(4)))
		wakeMPU(r, 5)
		for range reads {
			r.wait(2 * time.Second / time.Duration(reads))
			r.read(0x3b, 14)
		}
		r.write(0x19, 4)
		var out []byte
		for range 50 {
			r.wait(5 * time.Millisecond)
			out = append(out, r.read(0x3b, 14)...)
		}
		return out
	}
	if !bytes.Equal(trace(1), trace(200)) {
		t.Error("samples depend on what was read before")
	}
}

func TestTypicalPartsAreSpreadAsStated(t *testing.T) {
	const parts = 1500
	var offset, tempco, scale series
	cross := 0.0
	for seed := range uint64(parts) {
		a := TypicalMPU6050(seed).Accel
		offset = append(offset, a.Offset)
		tempco = append(tempco, a.OffsetPerC)
		scale = append(scale, r3.Vec{X: a.Matrix.At(0, 0), Y: a.Matrix.At(1, 1), Z: a.Matrix.At(2, 2)})
		cross += a.Matrix.At(0, 1) * a.Matrix.At(0, 1) / parts
	}
	const tol = 0.07 // 4 sigma of a sigma from 1500 draws
	wantRatio(t, "zero-g x", offset.sigma().X, 0.050*g0, tol)
	wantRatio(t, "zero-g z", offset.sigma().Z, 0.080*g0, tol)
	wantRatio(t, "drift y", tempco.sigma().Y, 0.5e-3*g0, tol)
	wantRatio(t, "drift z", tempco.sigma().Z, 0.86e-3*g0, tol)
	wantRatio(t, "gain", pooled(scale.sigma()), 0.03, tol)
	wantRatio(t, "cross-axis", math.Sqrt(cross), 0.02, tol)
	if TypicalMPU6050(5).Accel.Offset != TypicalMPU6050(5).Accel.Offset {
		t.Error("the same seed draws another part")
	}
	for name, s := range map[string]Settings{
		"MPU-6500": TypicalMPU6500(1), "MPU-9250": TypicalMPU9250(1), "LSM6DSO": TypicalLSM6DSO(1),
		"ISM330DHCX": TypicalISM330DHCX(1),
	} {
		if s.Accel.Noise.X <= 0 || s.Gyro.Noise.X <= 0 || s.Accel.Matrix == nil || s.Gyro.Offset == (r3.Vec{}) {
			t.Errorf("%s: incomplete %+v", name, s)
		}
	}
	for name, s := range map[string]Settings{
		"AK8963": TypicalMPU9250(1), "LIS3MDL": TypicalLIS3MDL(1), "MMC5983MA": TypicalMMC5983MA(1),
		"HMC5883L": TypicalHMC5883L(1), "QMC5883L": TypicalQMC5883L(1), "LSM303DLHC": TypicalLSM303DLHC(1),
		"QMC5883P": TypicalQMC5883P(1), "MMC5603": TypicalMMC5603(1), "RM3100": TypicalRM3100(1),
		"LIS2MDL": TypicalLIS2MDL(1), "BMM350": TypicalBMM350(1), "AK09916": TypicalAK09916(1),
	} {
		if s.Mag.Noise.X <= 0 || s.Mag.Matrix == nil {
			t.Errorf("%s: incomplete %+v", name, s)
		}
	}
}

func TestWildWorldsGiveBytes(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	w := Still{Force: r3.Vec{X: nan, Y: inf, Z: -inf}, Rate: every(nan), FieldUT: every(-inf), TempC: inf}
	for _, c := range allChips(w, 1) {
		r := newRig(t, 0x68, c)
		r.write(0x6b, 1)
		for reg := range 256 {
			r.write(byte(reg), 0x0c)
			r.wait(time.Millisecond)
			r.try(byte(reg), 20)
		}
	}
}

func allChips(w World, seed uint64) []Chip {
	return []Chip{
		NewMPU6050(w, TypicalMPU6050(seed)), NewMPU6500(w, TypicalMPU6500(seed)), NewMPU9250(w, TypicalMPU9250(seed)),
		NewLSM6DSO(w, TypicalLSM6DSO(seed)), NewLSM6DSOX(w, TypicalLSM6DSO(seed)), NewISM330DHCX(w, TypicalISM330DHCX(seed)),
		NewLIS3MDL(w, TypicalLIS3MDL(seed)), NewMMC5983MA(w, TypicalMMC5983MA(seed)),
		NewHMC5883L(w, TypicalHMC5883L(seed)), NewQMC5883L(w, TypicalQMC5883L(seed)),
		NewLSM303DLHC(w, TypicalLSM303DLHC(seed)), NewQMC5883P(w, TypicalQMC5883P(seed)), NewMMC5603(w, TypicalMMC5603(seed)),
		NewRM3100(w, TypicalRM3100(seed)), NewLIS2MDL(w, TypicalLIS2MDL(seed)), NewBMM350(w, TypicalBMM350(seed)),
		NewAK09916(w, TypicalAK09916(seed)),
	}
}

// FuzzRegisters: no byte written to any chip may stop it from answering.
func FuzzRegisters(f *testing.F) {
	f.Add(uint8(0), []byte{0x6b, 0x01, 0x1a, 0x06, 0x3b, 0x00})
	f.Add(uint8(3), []byte{0x10, 0x42, 0x17, 0xe0, 0x11, 0xff})
	f.Add(uint8(7), []byte{0x09, 0x21, 0x0b, 0xff, 0x0a, 0x1f})
	f.Fuzz(func(t *testing.T, which uint8, script []byte) {
		chips := allChips(tilted, 1)
		r := newRig(t, 0x68, chips[int(which)%len(chips)])
		for i := 0; i+1 < len(script); i += 2 {
			r.write(script[i], script[i+1])
			r.wait(time.Duration(script[i+1]) * time.Millisecond)
			r.try(script[i], 9)
		}
	})
}

func TestConcurrentUse(t *testing.T) {
	clock := &Clock{}
	bus := NewBus("i2c-sim", clock, Adapter{Timeout: time.Millisecond})
	addrs := []uint16{0x68, 0x6a, 0x1c, 0x30, 0x0d, 0x1e}
	for i, c := range []Chip{
		NewMPU9250(tilted, TypicalMPU9250(1)), NewLSM6DSO(tilted, TypicalLSM6DSO(1)), NewLIS3MDL(tilted, TypicalLIS3MDL(1)),
		NewMMC5983MA(tilted, TypicalMMC5983MA(1)), NewQMC5883L(tilted, TypicalQMC5883L(1)), NewHMC5883L(tilted, TypicalHMC5883L(1)),
	} {
		if err := bus.Attach(addrs[i], c); err != nil {
			t.Fatal(err)
		}
	}
	var wg sync.WaitGroup
	for i, a := range addrs {
		wg.Go(func() {
			buf := make([]byte, 14)
			for n := range 500 {
				_ = bus.Tx(a, []byte{byte(n)}, buf)
				clock.Sleep(100 * time.Microsecond)
				switch n % 50 {
				case 10:
					bus.Inject(Fault{Kind: Kind(1 + i%8), Times: 3}, a)
				case 20:
					bus.Unplug(a)
				case 30:
					bus.Replug(a)
				case 40:
					bus.BrownOut(a)
					bus.Clear(a)
				}
				bus.Count()
			}
		})
	}
	wg.Wait()
	if n := bus.Count().Transfers; n != 3000 {
		t.Errorf("%d transfers counted, want 3000", n)
	}
}
