package sim

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// hmcField reads X, Z, Y, high byte first.
func hmcField(b []byte, gain float64) r3.Vec {
	return r3.Scale(100/gain, r3.Vec{X: be16(b), Y: be16(b[4:]), Z: be16(b[2:])})
}

func TestHMCIdentityAndPointer(t *testing.T) {
	r := newRig(t, 0x1e, NewHMC5883L(tilted, Settings{}))
	if id := r.read(0x0a, 3); string(id) != "H43" {
		t.Errorf("identity %q", id)
	}
	if b := r.read(0x00, 2); b[0] != 0x10 || b[1] != 0x20 {
		t.Errorf("defaults % x", b)
	}
	r.write(0x0a, 'X') // read-only
	r.wantByte("identity", 0x0a, 'H')
	r.write(0x02, 0x00)
	r.wait(100 * time.Millisecond)
	b := r.read(0x03, 8)
	if b[6] != b[0] || b[7] != b[1] {
		t.Errorf("after the sixth data byte the pointer is not back at 0x03: % x", b)
	}
}

func TestHMCScaleAndOverflow(t *testing.T) {
	for code, gain := range [8]float64{1370, 1090, 820, 660, 440, 390, 330, 230} {
		r := newRig(t, 0x1e, NewHMC5883L(tilted, Settings{}))
		r.write(0x00, 0x18, byte(code<<5), 0x00)
		r.wait(time.Second)
		wantVec(t, "field", hmcField(r.read(0x03, 6), gain), tilted.FieldUT, 51/gain)
	}
	r := newRig(t, 0x1e, NewHMC5883L(Still{FieldUT: r3.Vec{X: 200, Y: 50, Z: -200}}, Settings{}))
	r.write(0x00, 0x18, 0x20, 0x00)
	r.wait(time.Second)
	if b := r.read(0x03, 6); be16(b) != -4096 || be16(b[2:]) != -4096 || be16(b[4:]) != 545 {
		t.Errorf("2 gauss at gain 1: % x", b)
	}
}

func TestHMCGainActsOneSampleLate(t *testing.T) {
	r := newRig(t, 0x1e, NewHMC5883L(tilted, Settings{}))
	r.write(0x00, 0x18, 0x20, 0x00) // 75 Hz
	r.wait(1001 * time.Millisecond)
	r.read(0x03, 6)
	r.write(0x01, 0xe0)
	r.wait(period(75))
	wantVec(t, "first sample after the change", hmcField(r.read(0x03, 6), 1090), tilted.FieldUT, 0.05)
	r.wait(period(75))
	wantVec(t, "second sample", hmcField(r.read(0x03, 6), 230), tilted.FieldUT, 0.3)
}

func TestHMCRatesAndReady(t *testing.T) {
	w := WorldFunc(func(at time.Duration) Environment {
		// Another value in each ms, so that every sample differs.
		return Environment{FieldUT: r3.Vec{X: 0.1 * float64(at/time.Millisecond%1000)}}
	})
	for code, hz := range map[byte]float64{0: 0.75, 1: 1.5, 2: 3, 3: 7.5, 4: 15, 5: 30, 6: 75, 7: 0} {
		r := newRig(t, 0x1e, NewHMC5883L(w, Settings{}))
		r.write(0x00, code<<2, 0x20, 0x00)
		samples := 0
		var last [6]byte
		for range 4000 { // 8 s; the mode is never read, that would lock
			r.wait(2 * time.Millisecond)
			if b := [6]byte(r.read(0x03, 6)); b != last {
				samples, last = samples+1, b
			}
		}
		want(t, "rate", float64(samples)/8, hz, 0.3)
	}
	// RDY falls for 250 µs around each new sample; reading does not clear it.
	r := newRig(t, 0x1e, NewHMC5883L(w, Settings{}))
	r.write(0x00, 0x18, 0x20, 0x00)
	r.wait(time.Second)
	low := 0
	for range 10_000 { // 1 s
		r.wait(100 * time.Microsecond)
		low += int(1 - r.byte(0x09)&1)
		r.read(0x03, 6)
	}
	want(t, "time without RDY (0.1 ms)", float64(low), 2.5*75, 40)
}

func TestHMCLockAndModes(t *testing.T) {
	w := WorldFunc(func(at time.Duration) Environment {
		return Environment{FieldUT: every(at.Seconds())}
	})
	r := newRig(t, 0x1e, NewHMC5883L(w, Settings{}))
	r.write(0x00, 0x18, 0x20, 0x00)
	r.wait(1001 * time.Millisecond)
	part := r.read(0x03, 2)
	r.wantByte("status after two bytes", 0x09, 0x03)
	r.wait(time.Second)
	if again := r.read(0x03, 2); string(again) != string(part) {
		t.Error("data replaced while locked")
	}
	r.read(0x05, 4)
	r.wait(time.Second)
	if again := r.read(0x03, 6); string(again[:2]) == string(part) {
		t.Error("data not replaced after all six bytes were read")
	}
	r.byte(0x02) // reading the mode locks too
	r.wantByte("status after reading the mode", 0x09, 0x03)
	r.write(0x02, 0x01)
	r.wantByte("single, at once", 0x09, 0x00)
	r.wait(7 * time.Millisecond)
	r.wantByte("single", 0x09, 0x01)
	before := r.read(0x03, 6)
	r.wantByte("mode after single", 0x02, 0x03)
	r.write(0x02, 0x03)
	r.wait(time.Second)
	if after := r.read(0x03, 6); string(after) != string(before) {
		t.Error("idle, but the data change")
	}
}

func TestHMCSelfTestAndNoise(t *testing.T) {
	// Limits 243..575 at gain 5 (data sheet, from memory); about 452, 452, 421.
	r := newRig(t, 0x1e, NewHMC5883L(tilted, TypicalHMC5883L(3)))
	for bits, sign := range map[byte]float64{1: 1, 2: -1} {
		r.write(0x00, 0x78|bits, 0xa0, 0x00)
		r.wait(time.Second)
		b := r.read(0x03, 6)
		for i := 0; i < 6; i += 2 {
			if v := sign * be16(b[i:]); v < 243 || v > 575 {
				t.Errorf("bias %d: word %d is %v", bits, i/2, v)
			}
		}
	}
	for ma, n := range [4]float64{1, 2, 4, 8} {
		r := newRig(t, 0x1e, NewHMC5883L(tilted, Settings{Seed: 2, Mag: Triad{Noise: every(0.5)}}))
		r.write(0x00, byte(ma<<5)|0x18, 0x00, 0x00)
		r.wait(time.Second)
		var s series
		for range 10_000 {
			r.wait(period(75))
			s = append(s, hmcField(r.read(0x03, 6), 1370))
		}
		lsb := 100.0 / 1370
		wantRatio(t, "sigma", pooled(s.sigma()), math.Hypot(0.5/math.Sqrt(n), lsb/math.Sqrt(12)), 0.05)
	}
}
