package sim

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// mmcTilted is the field of tilted as the data registers have it after SET: x and y
// as printed on a board, z into it.
var mmcTilted = r3.Vec{X: tilted.FieldUT.X, Y: tilted.FieldUT.Y, Z: -tilted.FieldUT.Z}

func mmcField(b []byte) r3.Vec {
	axis := func(i int) float64 {
		u := uint32(b[2*i])<<10 | uint32(b[2*i+1])<<2 | uint32(b[6]>>(6-2*i)&3)
		return (float64(u) - 131072) / 16384 * 100
	}
	return r3.Vec{X: axis(0), Y: axis(1), Z: axis(2)}
}

// oneShot starts a measurement, waits for Meas_M_Done and reads.
func oneShot(r rig) r3.Vec {
	r.t.Helper()
	r.write(0x09, 0x01)
	for range 20 {
		r.wait(time.Millisecond)
		if r.byte(0x08)&1 != 0 {
			return mmcField(r.read(0x00, 7))
		}
	}
	r.t.Fatal("measurement never done")
	return r3.Vec{}
}

func pulse(r rig, bit byte) {
	r.write(0x09, bit)
	r.wait(time.Millisecond)
}

func TestMMCIdentityAndStrayControl(t *testing.T) {
	r := newRig(t, 0x30, NewMMC5983MA(nil, Settings{Seed: 1}))
	r.wantByte("identity", 0x2f, 0x30)
	r.wantByte("status", 0x08, 0x10)
	for reg := byte(0x09); reg <= 0x0c; reg++ {
		seen := map[byte]bool{}
		for range 50 {
			r.write(reg, 0x00)
			seen[r.byte(reg)] = true
		}
		if len(seen) < 10 {
			t.Errorf("register 0x%02x reads back only %d values: it is write-only", reg, len(seen))
		}
	}
	r.write(0x0a, 0x80)
	r.wantByte("identity during the reset", 0x2f, 0)
	r.write(0x09, 0x01)
	r.wait(10 * time.Millisecond)
	r.wantByte("identity after the reset", 0x2f, 0x30)
	r.wait(10 * time.Millisecond)
	r.wantByte("a command during the reset is lost", 0x08, 0x10)
}

func TestMMCSetReset(t *testing.T) {
	bridge := r3.Vec{X: 15, Y: -25, Z: 5}
	for _, reversed := range []bool{false, true} {
		r := newRig(t, 0x30, NewMMC5983MA(tilted, Settings{Film: Film{BridgeUT: bridge, Reversed: reversed}}))
		sign := 1.0
		if reversed {
			sign = -1
		}
		wantVec(t, "before any pulse", oneShot(r), r3.Add(r3.Scale(sign, mmcTilted), bridge), 0.004)
		pulse(r, 0x08)
		m1 := oneShot(r)
		pulse(r, 0x10)
		m2 := oneShot(r)
		wantVec(t, "after SET", m1, r3.Add(mmcTilted, bridge), 0.004)
		wantVec(t, "after RESET", m2, r3.Sub(bridge, mmcTilted), 0.004)
		wantVec(t, "field of a pair", r3.Scale(0.5, r3.Sub(m1, m2)), mmcTilted, 0.004)
		// The film keeps its state through a brown-out, and the automatic set
		// brings it back.
		r.bus.BrownOut(0x30)
		r.wait(10 * time.Millisecond)
		wantVec(t, "after a brown-out", oneShot(r), m2, 0.004)
		r.write(0x09, 0x21)
		r.wait(10 * time.Millisecond)
		wantVec(t, "with automatic set", mmcField(r.read(0, 7)), m1, 0.004)
		// A command in the millisecond after a pulse is lost.
		r.write(0x08, 0x01)
		r.write(0x09, 0x10)
		r.write(0x09, 0x01)
		r.wait(20 * time.Millisecond)
		r.wantByte("measuring at once after a pulse", 0x08, 0x10)
		r.write(0x09, 0x03)
		r.wait(20 * time.Millisecond)
		r.wantByte("field and temperature at once", 0x08, 0x10)
	}
}

func TestMMCRepeatability(t *testing.T) {
	r := newRig(t, 0x30, NewMMC5983MA(tilted, Settings{Seed: 6, Film: Film{RepeatUT: 0.1}}))
	var set series
	for range 2000 {
		pulse(r, 0x08)
		first := oneShot(r)
		if second := oneShot(r); second != first {
			t.Fatalf("changes without a pulse: %v, %v", first, second)
		}
		set = append(set, first)
	}
	wantRatio(t, "repeatability", pooled(set.sigma()), 0.1, 0.05)
}

func TestMMCContinuous(t *testing.T) {
	for _, c := range []struct {
		bw, freq byte
		hz       float64
	}{{0, 1, 1}, {0, 2, 10}, {0, 3, 20}, {0, 4, 50}, {0, 5, 100}, {0, 6, 0}, {1, 6, 200}, {1, 7, 0}, {3, 7, 1000}} {
		r := newRig(t, 0x30, NewMMC5983MA(tilted, Settings{}))
		r.write(0x0a, c.bw)
		r.write(0x0b, 0x08|c.freq)
		n := 0
		for range 20_000 { // 10 s
			r.wait(500 * time.Microsecond)
			if r.byte(0x08)&1 != 0 {
				n++
				r.write(0x08, 0x01) // only this clears it
			}
		}
		want(t, "rate", float64(n)/10, c.hz, 0.1)
	}
	// Reading does not clear Meas_M_Done; power-off ends the samples.
	r := newRig(t, 0x30, NewMMC5983MA(tilted, Settings{}))
	r.write(0x0b, 0x0c)
	r.wait(21 * time.Millisecond)
	r.read(0x00, 7)
	r.wantByte("done after reading", 0x08, 0x11)
	r.write(0x08, 0xff)
	r.wantByte("done after clearing all", 0x08, 0x10) // OTP_Rd_Done is none of them
	r.write(0x0b, 0x00)
	r.write(0x08, 0x03)
	r.wait(time.Second)
	r.wantByte("done after the end", 0x08, 0x10)
}

func TestMMCPeriodicSet(t *testing.T) {
	r := newRig(t, 0x30, NewMMC5983MA(tilted, Settings{Seed: 2, Film: Film{RepeatUT: 0.5}}))
	r.write(0x09, 0x20)      // Auto_SR_en
	r.write(0x0b, 0x98|0x04) // every 25 samples, 50 Hz, continuous
	changes := 0
	var last r3.Vec
	for i := range 1000 {
		r.wait(20 * time.Millisecond)
		v := mmcField(r.read(0, 7))
		if i > 0 && v != last {
			changes++
		}
		last = v
	}
	if changes != 39 {
		t.Errorf("offset changed %d times in 1000 samples, want 39 (every 25)", changes)
	}
	r.write(0x09, 0x30) // RESET by hand, automatic set still on
	r.wait(600 * time.Millisecond)
	wantVec(t, "after the next automatic set", mmcField(r.read(0, 7)), mmcTilted, 2.5)
}

func TestMMCNoiseAndRange(t *testing.T) {
	for bw, mG := range [4]float64{0.4, 0.6, 0.8, 1.2} {
		r := newRig(t, 0x30, NewMMC5983MA(tilted, Settings{Seed: 7, Mag: Triad{Noise: every(0.04)}}))
		r.write(0x0a, byte(bw))
		r.write(0x0b, 0x0c)
		var s series
		for range 10_000 {
			r.wait(20 * time.Millisecond)
			s = append(s, mmcField(r.read(0, 7)))
		}
		wantRatio(t, "sigma", pooled(s.sigma()), mG/10, 0.03)
	}
	r := newRig(t, 0x30, NewMMC5983MA(Still{FieldUT: r3.Vec{X: 900, Y: -900}}, Settings{}))
	if b := oneShot(r); b.X != (262143-131072)/163.84 || b.Y != -800 {
		t.Errorf("9 gauss reads %v", b)
	}
}

func TestMMCTemperatureAndCoil(t *testing.T) {
	r := newRig(t, 0x30, NewMMC5983MA(tilted, Settings{}))
	r.write(0x09, 0x02)
	r.wait(10 * time.Millisecond)
	r.wantByte("temperature done", 0x08, 0x12)
	want(t, "temperature", -75+0.8*float64(r.byte(0x07)), tilted.TempC, 0.41)
	plain := oneShot(r)
	r.write(0x0c, 0x02)
	plus := oneShot(r)
	r.write(0x0c, 0x04)
	minus := oneShot(r)
	if d, e := r3.Sub(plus, plain), r3.Sub(minus, plain); d.X < 1 || e.X > -1 || math.Abs(d.Z+e.Z) > 0.1 {
		t.Errorf("coil moves the reading by %v and %v", d, e)
	}
}
