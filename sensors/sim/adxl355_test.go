package sim

import (
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

func adxlSample(r rig, lsbPerG float64) (force r3.Vec, tempC float64) {
	b := r.read(0x06, 11)
	axis := func(i int) float64 {
		v := int32(b[i])<<24 | int32(b[i+1])<<16 | int32(b[i+2])<<8
		return float64(v>>12) / lsbPerG * g0
	}
	raw := float64(b[0]&0x0f)*256 + float64(b[1])
	return r3.Vec{X: axis(2), Y: axis(5), Z: axis(8)}, 25 - (raw-1885)/9.05
}

func startADXL(r rig, rng, filter byte) {
	r.write(0x2f, 0x52)
	r.wait(5 * time.Millisecond)
	r.write(0x2c, rng)
	r.write(0x28, filter)
	r.write(0x2d, 0)
	r.wait(100 * time.Millisecond)
	r.read(0x04, 1)
}

func TestADXL355(t *testing.T) {
	r := newRig(t, 0x1d, NewADXL355(tilted, Settings{}))
	for reg, v := range map[byte]byte{0x00: 0xad, 0x01: 0x1d, 0x02: 0xed, 0x04: 0, 0x28: 0, 0x29: 0x60, 0x2c: 0x81, 0x2d: 0x01} {
		r.wantByte("after power-up", reg, v)
	}
	r.wait(time.Second)
	r.wantByte("status in standby", 0x04, 0)
	trim := string(r.read(0x50, 5))
	for code, lsb := range []float64{256000, 128000, 64000} {
		startADXL(r, byte(0x81+code), 5)
		force, temp := adxlSample(r, lsb)
		wantVec(t, "accel", force, tilted.Force, 0.51*g0/lsb)
		want(t, "temperature", temp, tilted.TempC, 0.06)
	}
	if got := string(r.read(0x50, 5)); got != trim {
		t.Errorf("trim % x, before the resets % x", got, trim)
	}
	// A range written while it measures is lost.
	r.write(0x2c, 0x81)
	r.wantByte("range while measuring", 0x2c, 0x83)
	ready := 0
	for range 2000 {
		r.wait(500 * time.Microsecond)
		ready += int(r.byte(0x04) & 1)
	}
	want(t, "samples a second", float64(ready), 125, 1)
	if r.byte(0x04)&0x06 != 0x06 {
		t.Error("a FIFO that nobody empties is not full")
	}
}

func TestADXL355Noise(t *testing.T) {
	const density = 22.5e-6 * g0
	r := newRig(t, 0x1d, NewADXL355(tilted, Settings{Seed: 5, Accel: Triad{Noise: every(density)}}))
	startADXL(r, 0x81, 5)
	var accel series
	for range 30_000 {
		r.wait(period(125))
		a, _ := adxlSample(r, 256000)
		accel = append(accel, a)
	}
	wantRatio(t, "density", pooled(accel.density(125, 125)), density, 0.1)
}
