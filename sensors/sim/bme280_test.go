package sim

import (
	"testing"
	"time"
)

// The worked example of BST-BMP280-DS001, section 3.12 (from memory): raw 519888
// and 415148 are 25.08 °C and 100653.27 Pa.
func TestBMECompensation(t *testing.T) {
	temp, fine := bmeTemp(519888)
	want(t, "temperature", temp, 25.08, 0.005)
	want(t, "pressure", bmePressure(415148, fine), 1006.5327, 0.0003)
}

func TestBME280(t *testing.T) {
	r := newRig(t, 0x76, NewBME280(Still{TempC: 25.0825}, Settings{}, 1006.5327))
	r.wantByte("identity", 0xd0, 0x60)
	r.wantByte("T1", 0x88, 27504&0xff)
	r.write(0xf4, 0x25)
	r.wantByte("measuring", 0xf3, 0x08)
	r.wait(10 * time.Millisecond)
	r.wantByte("asleep", 0xf4, 0x24)
	b := r.read(0xf7, 6)
	raw := func(b []byte) float64 { return float64(uint32(b[0])<<12 | uint32(b[1])<<4 | uint32(b[2])>>4) }
	want(t, "raw pressure", raw(b), 415148, 3)
	want(t, "raw temperature", raw(b[3:]), 519888, 10)
}
