package sim

import (
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// startLIS configures a chip in the order of the maker's examples: ultra-high
// performance, the given range code and CTRL_REG1.
func startLIS(r rig, ctrl1, fs byte) {
	r.write(0x21, 0x04)
	r.wait(10 * time.Millisecond)
	r.write(0x24, 0x40)
	r.write(0x21, fs<<5)
	r.write(0x23, 0x0c)
	r.write(0x20, ctrl1)
	r.write(0x22, 0x00)
	r.wait(50 * time.Millisecond)
}

func lisField(r rig, lsbPerGauss float64) r3.Vec { return leVec(r.read(0x28|0x80, 6), 100/lsbPerGauss) }

func TestLISIdentityAndPointer(t *testing.T) {
	r := newRig(t, 0x1c, NewLIS3MDL(tilted, Settings{}))
	r.wantByte("identity", 0x0f, 0x3d)
	for reg, v := range map[byte]byte{0x20: 0x10, 0x21: 0, 0x22: 0x03, 0x23: 0, 0x24: 0, 0x27: 0} {
		r.wantByte("default", reg, v)
	}
	startLIS(r, 0xfc, 0)
	b, once := r.read(0x28|0x80, 6), r.read(0x28, 6)
	for i, v := range once {
		if v != b[0] {
			t.Errorf("without the top address bit byte %d is 0x%02x, want 0x%02x again", i, v, b[0])
		}
	}
	if le16(b) == le16(b[2:]) {
		t.Error("with the top address bit the pointer stays")
	}
	r.write(0x21, 0x04)
	r.wantByte("control after the reset", 0x20, 0x10)
}

func TestLISScaleAndSign(t *testing.T) {
	for fs, lsb := range [4]float64{6842, 3421, 2281, 1711} {
		r := newRig(t, 0x1c, NewLIS3MDL(tilted, Settings{}))
		startLIS(r, 0xfc, byte(fs))
		wantVec(t, "field", lisField(r, lsb), tilted.FieldUT, 51/lsb)
		want(t, "temperature", le16(r.read(0x2e|0x80, 2))/8+25, tilted.TempC, 0.07)
	}
	r := newRig(t, 0x1c, NewLIS3MDL(Still{FieldUT: r3.Vec{X: 600, Y: -600}}, Settings{}))
	startLIS(r, 0x7c, 0)
	if b := r.read(0x28|0x80, 6); le16(b) != 32767 || le16(b[2:]) != -32768 {
		t.Errorf("6 gauss at ±4: %v %v", le16(b), le16(b[2:]))
	}
	if b := r.read(0x2e|0x80, 2); le16(b) != 0 {
		t.Errorf("thermometer off, but reads %v", le16(b))
	}
}

func TestLISRatesAndModes(t *testing.T) {
	for _, c := range []struct {
		ctrl1 byte
		hz    float64
	}{{0x7c, 80}, {0x78, 40}, {0x70, 10}, {0x60, 0.625}, {0x7e, 155}, {0x5e, 300}, {0x3e, 560}, {0x1e, 1000}} {
		r := newRig(t, 0x1c, NewLIS3MDL(tilted, Settings{}))
		startLIS(r, c.ctrl1, 0)
		// Ten steps per sample, for 100 samples.
		n, step := 0, period(10*c.hz)
		for range 1000 {
			r.wait(step)
			if r.byte(0x27)&0x08 != 0 {
				n++
				r.read(0x28|0x80, 6)
			}
		}
		want(t, "samples", float64(n), 100, 1)
	}
	r := newRig(t, 0x1c, NewLIS3MDL(tilted, Settings{}))
	startLIS(r, 0x7c, 0)
	r.read(0x28|0x80, 6)
	r.write(0x22, 0x01)
	r.wantByte("single, at once", 0x27, 0)
	r.wait(7 * time.Millisecond)
	r.wantByte("single", 0x27, 0x0f)
	r.wantByte("mode after single", 0x22, 0x03)
	r.read(0x28|0x80, 6)
	r.wait(time.Second)
	r.wantByte("off", 0x27, 0)
}

func TestLISOverrun(t *testing.T) {
	r := newRig(t, 0x1c, NewLIS3MDL(tilted, Settings{}))
	startLIS(r, 0x7c, 0)
	r.read(0x28|0x80, 6)
	r.wait(13 * time.Millisecond)
	r.wantByte("one sample", 0x27, 0x0f)
	r.wait(13 * time.Millisecond)
	r.wantByte("two samples", 0x27, 0xff)
	r.read(0x28|0x80, 6)
	r.wantByte("read", 0x27, 0)
}

func TestLISNoise(t *testing.T) {
	set := Settings{Seed: 4, Mag: Triad{Noise: r3.Vec{X: 0.32, Y: 0.32, Z: 0.41}}}
	for _, c := range []struct {
		name     string
		om, omz  byte
		xy, zFac float64
	}{{"UHP", 3, 3, 1, 1}, {"HP, z UHP", 2, 3, 1.391, 1}, {"LP", 0, 0, 2.540, 2.540}} {
		r := newRig(t, 0x1c, NewLIS3MDL(tilted, set))
		startLIS(r, c.om<<5|0x1c, 0)
		r.write(0x23, c.omz<<2)
		var s series
		for range 10_000 {
			r.wait(period(80))
			s = append(s, lisField(r, 6842))
		}
		sd := s.sigma()
		wantRatio(t, c.name+" x", sd.X, 0.32*c.xy, 0.05)
		wantRatio(t, c.name+" y", sd.Y, 0.32*c.xy, 0.05)
		wantRatio(t, c.name+" z", sd.Z, 0.41*c.zFac, 0.05)
	}
}

func TestLISSelfTest(t *testing.T) {
	mean := func(r rig) r3.Vec {
		var s series
		for range 5 {
			r.wait(period(80))
			s = append(s, lisField(r, 2281))
		}
		return s.mean()
	}
	for seed := range uint64(20) {
		r := newRig(t, 0x1c, NewLIS3MDL(tilted, TypicalLIS3MDL(seed)))
		startLIS(r, 0x7c, 2)
		r.wait(20 * time.Millisecond)
		off := mean(r)
		r.write(0x20, 0x7d)
		r.wait(60 * time.Millisecond)
		lisField(r, 2281)
		d := r3.Scale(1.0/100, r3.Sub(mean(r), off))
		if d.X < 1 || d.X > 3 || d.Y < 1 || d.Y > 3 || d.Z < 0.1 || d.Z > 1 {
			t.Errorf("seed %d: response %v gauss", seed, d)
		}
	}
}
