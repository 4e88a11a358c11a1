package sim

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

const g0 = 9.80665 // m/s²

// rig is one chip on a bus. Register numbers in the tests are written as
// numbers, from the sources named beside each chip, so that a slip in a constant
// of the package shows.
type rig struct {
	t     *testing.T
	bus   *Bus
	clock *Clock
	addr  uint16
}

func newRig(t *testing.T, addr uint16, c Chip) rig {
	t.Helper()
	clock := &Clock{}
	bus := NewBus("i2c-sim", clock, Adapter{})
	if err := bus.Attach(addr, c); err != nil {
		t.Fatal(err)
	}
	return rig{t: t, bus: bus, clock: clock, addr: addr}
}

// at is the same rig talking to another address.
func (r rig) at(addr uint16) rig { r.addr = addr; return r }

func (r rig) write(reg byte, v ...byte) {
	r.t.Helper()
	if err := r.bus.Tx(r.addr, append([]byte{reg}, v...), nil); err != nil {
		r.t.Fatal(err)
	}
}

func (r rig) read(reg byte, n int) []byte {
	r.t.Helper()
	b := make([]byte, n)
	if err := r.bus.Tx(r.addr, []byte{reg}, b); err != nil {
		r.t.Fatal(err)
	}
	return b
}

// try reads n bytes; a chip may refuse.
func (r rig) try(reg byte, n int) { _ = r.bus.Tx(r.addr, []byte{reg}, make([]byte, n)) }

func (r rig) byte(reg byte) byte { r.t.Helper(); return r.read(reg, 1)[0] }

func (r rig) wait(d time.Duration) { r.clock.Sleep(d) }

func (r rig) wantByte(what string, reg, want byte) {
	r.t.Helper()
	if got := r.byte(reg); got != want {
		r.t.Errorf("%s: register 0x%02x is 0x%02x, want 0x%02x", what, reg, got, want)
	}
}

func be16(b []byte) float64 { return float64(int16(binary.BigEndian.Uint16(b))) }
func le16(b []byte) float64 { return float64(int16(binary.LittleEndian.Uint16(b))) }

func beVec(b []byte, scale float64) r3.Vec {
	return r3.Scale(scale, r3.Vec{X: be16(b), Y: be16(b[2:]), Z: be16(b[4:])})
}

func leVec(b []byte, scale float64) r3.Vec {
	return r3.Scale(scale, r3.Vec{X: le16(b), Y: le16(b[2:]), Z: le16(b[4:])})
}

func wantVec(t *testing.T, what string, got, want r3.Vec, tol float64) {
	t.Helper()
	if d := r3.Sub(got, want); math.Abs(d.X) > tol || math.Abs(d.Y) > tol || math.Abs(d.Z) > tol {
		t.Errorf("%s: %v, want %v to %g", what, got, want, tol)
	}
}

func want(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %g, want %g to %g", what, got, want, tol)
	}
}

// wantRatio checks got/want to a relative tolerance.
func wantRatio(t *testing.T, what string, got, ref, tol float64) {
	t.Helper()
	want(t, what+" (ratio)", got/ref, 1, tol)
}

// series collects vectors and tells their statistics.
type series []r3.Vec

func (s series) mean() r3.Vec {
	var m r3.Vec
	for _, v := range s {
		m = r3.Add(m, v)
	}
	return r3.Scale(1/float64(len(s)), m)
}

// sigma is the standard deviation per axis.
func (s series) sigma() r3.Vec {
	m := s.mean()
	var q r3.Vec
	for _, v := range s {
		d := r3.Sub(v, m)
		q = r3.Add(q, product(d, d))
	}
	q = r3.Scale(1/float64(len(s)-1), q)
	return r3.Vec{X: math.Sqrt(q.X), Y: math.Sqrt(q.Y), Z: math.Sqrt(q.Z)}
}

// density is the noise density at low frequency: the mean over a time T of
// white noise with one-sided density d has the variance d²/(2T).
func (s series) density(rate float64, block int) r3.Vec {
	var means series
	for i := 0; i+block <= len(s); i += block {
		means = append(means, s[i:i+block].mean())
	}
	return r3.Scale(math.Sqrt(2*float64(block)/rate), means.sigma())
}

// pooled is the root mean square of the axes.
func pooled(v r3.Vec) float64 { return r3.Norm(v) / math.Sqrt(3) }

func period(hz float64) time.Duration { return time.Duration(math.Round(1e9 / hz)) }

// tilted is a still board at an odd attitude in an odd field.
var tilted = Still{
	Force:   r3.Vec{X: 3, Y: -4, Z: 8},
	Rate:    r3.Vec{X: 0.5, Y: -1, Z: 0.25},
	FieldUT: r3.Vec{X: 20, Y: -10, Z: 45},
	TempC:   15,
}
