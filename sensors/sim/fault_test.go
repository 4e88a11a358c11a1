package sim

import (
	"bytes"
	"errors"
	"syscall"
	"testing"
	"time"
)

// awake is an MPU-6050 with noise that samples at 100 Hz.
func awake(t *testing.T) rig {
	r := newRig(t, 0x68, NewMPU6050(tilted, TypicalMPU6050(1)))
	wakeMPU(r, 3)
	return r
}

func TestFaultNACK(t *testing.T) {
	r := awake(t)
	r.bus.Inject(Fault{Kind: NACK, Times: 3}, 0x68)
	for i := range 5 {
		err := r.bus.Tx(0x68, []byte{0x75}, make([]byte, 1))
		if (err != nil) != (i < 3) {
			t.Errorf("transfer %d: %v", i, err)
		}
		if i < 3 && !errors.Is(err, syscall.EREMOTEIO) {
			t.Errorf("%v, want EREMOTEIO", err)
		}
	}
	r.bus.Inject(Fault{Kind: NACK}) // the whole bus
	for range 100 {
		if r.bus.Tx(0x68, []byte{0x75}, make([]byte, 1)) == nil {
			t.Fatal("acknowledged")
		}
	}
	r.bus.Clear()
	r.wantByte("identity", 0x75, 0x68)
	r.wantByte("settings survive", 0x19, 9)
}

func TestFaultStuckBus(t *testing.T) {
	r := awake(t)
	for _, timeout := range []time.Duration{time.Second, 50 * time.Millisecond} {
		r.bus.adapter.Timeout = timeout
		r.bus.Inject(Fault{Kind: Stuck})
		before := r.clock.Now()
		err := r.bus.Tx(0x68, []byte{0x75}, make([]byte, 1))
		if !errors.Is(err, syscall.ETIMEDOUT) {
			t.Errorf("%v, want ETIMEDOUT", err)
		}
		if d := r.clock.Now() - before; d != timeout {
			t.Errorf("failed after %v, want %v", d, timeout)
		}
		r.bus.Clear()
		r.wantByte("identity", 0x75, 0x68)
	}
}

func TestFaultOnesAndZeros(t *testing.T) {
	r := awake(t)
	for kind, want := range map[Kind]byte{Ones: 0xff, Zeros: 0x00} {
		r.bus.Inject(Fault{Kind: kind}, 0x68)
		r.write(0x19, 0x42) // lost
		if b := r.read(0x3b, 14); !bytes.Equal(b, bytes.Repeat([]byte{want}, 14)) {
			t.Errorf("% x", b)
		}
		r.bus.Clear(0x68)
		r.wantByte("divider", 0x19, 9)
	}
}

func TestFaultFrozenStalledSaturated(t *testing.T) {
	r := awake(t)
	next := func() (ready byte, data []byte) {
		r.wait(10 * time.Millisecond)
		return r.byte(0x3a), r.read(0x3b, 14)
	}
	_, first := next()
	r.bus.Inject(Fault{Kind: Frozen}, 0x68)
	for range 10 {
		if ready, b := next(); ready != 1 || !bytes.Equal(b, first) {
			t.Errorf("frozen: ready %d, % x, want % x", ready, b, first)
		}
	}
	r.bus.Clear(0x68)
	if _, b := next(); bytes.Equal(b, first) {
		t.Error("still frozen")
	}
	r.bus.Inject(Fault{Kind: Stalled}, 0x68)
	r.byte(0x3a)
	for range 10 {
		if ready, _ := next(); ready != 0 {
			t.Error("stalled, but data ready")
		}
	}
	r.bus.Clear(0x68)
	if ready, _ := next(); ready != 1 {
		t.Error("still stalled")
	}
	r.bus.Inject(Fault{Kind: Saturated}, 0x68)
	_, b := next()
	for _, i := range []int{0, 2, 4, 8, 10, 12} {
		if be16(b[i:]) != 32767 {
			t.Errorf("saturated: % x", b)
		}
	}
}

func TestFaultSaturatedFlags(t *testing.T) {
	_, ak := bypassed(t, tilted, Settings{})
	startAK(ak, 0x16)
	ak.bus.Inject(Fault{Kind: Saturated}, 0x0c)
	ak.wait(20 * time.Millisecond)
	if b := ak.read(0x03, 7); le16(b) != 32760 || b[6]&0x08 == 0 {
		t.Errorf("AK8963: % x", b)
	}
	q := newRig(t, 0x0d, NewQMC5883L(tilted, Settings{}))
	q.bus.Inject(Fault{Kind: Saturated}, 0x0d)
	startQMC(q, 0x05)
	if s := q.byte(0x06); s&0x02 == 0 {
		t.Errorf("QMC5883L: status 0x%02x", s)
	}
	h := newRig(t, 0x1e, NewHMC5883L(tilted, Settings{}))
	h.bus.Inject(Fault{Kind: Saturated}, 0x1e)
	h.write(0x00, 0x18, 0x20, 0x00)
	h.wait(time.Second)
	if b := h.read(0x03, 6); be16(b) != -4096 {
		t.Errorf("HMC5883L: % x", b)
	}
	m := newRig(t, 0x30, NewMMC5983MA(tilted, Settings{}))
	m.bus.Inject(Fault{Kind: Saturated}, 0x30)
	if v := oneShot(m); v.X < 799 {
		t.Errorf("MMC5983MA: %v", v)
	}
	l := newRig(t, 0x1c, NewLIS3MDL(tilted, Settings{}))
	l.bus.Inject(Fault{Kind: Saturated}, 0x1c)
	startLIS(l, 0x7c, 0)
	if b := l.read(0xa8, 2); le16(b) != 32767 {
		t.Errorf("LIS3MDL: % x", b)
	}
	s := newRig(t, 0x6a, NewLSM6DSO(tilted, Settings{}))
	s.bus.Inject(Fault{Kind: Saturated}, 0x6a)
	startLSM(s, 0x40, 0x40)
	if b := s.read(0x28, 2); le16(b) != 32767 {
		t.Errorf("LSM6DSO: % x", b)
	}
}

func TestFaultBrownOutUnplugReplug(t *testing.T) {
	r := awake(t)
	r.bus.BrownOut(0x68)
	r.wantByte("identity while starting", 0x75, 0)
	r.wait(100 * time.Millisecond)
	r.wantByte("identity", 0x75, 0x68)
	r.wantByte("divider after a brown-out", 0x19, 0)
	r.wantByte("asleep after a brown-out", 0x6b, 0x40)

	wakeMPU(r, 3)
	r.bus.Unplug(0x68)
	if r.bus.Tx(0x68, []byte{0x75}, make([]byte, 1)) == nil {
		t.Error("answers unplugged")
	}
	r.wait(time.Second)
	r.bus.BrownOut() // nothing to do to what is not there
	r.bus.Clear()    // does not plug in
	if r.bus.Tx(0x68, []byte{0x75}, make([]byte, 1)) == nil {
		t.Error("answers unplugged after Clear")
	}
	r.bus.Replug(0x68)
	r.wantByte("identity just after replugging", 0x75, 0)
	r.wait(100 * time.Millisecond)
	r.wantByte("identity", 0x75, 0x68)
	r.wantByte("divider after replugging", 0x19, 0)
	wakeMPU(r, 3)
	r.wait(20 * time.Millisecond)
	r.wantByte("data ready", 0x3a, 1)
}

func TestFaultBitFlips(t *testing.T) {
	r := awake(t)
	r.bus.Inject(Fault{Kind: BitFlips, Chance: 0.25}, 0x68)
	flips := 0
	for range 4000 {
		switch v := r.byte(0x75); v {
		case 0x68:
		case 0xe8:
			flips++
		default:
			t.Fatalf("0x%02x: not the top bit", v)
		}
	}
	want(t, "flipped", float64(flips), 1000, 110) // 4 sigma of the binomial
}
