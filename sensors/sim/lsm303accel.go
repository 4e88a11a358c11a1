package sim

import (
	"time"

	"plumbstar/sensors"
)

// Accelerometer of the LSM303AGR and LSM303DLHC. Sources: [V] STMicroelectronics
// lsm303agr_reg.h and .c; [K] Linux 6.12 drivers/iio/accel/st_accel_core.c; [M]
// from memory of ST DocID027765 (LSM303AGR) and DocID018771 (LSM303DLHC).
const (
	l3aTemp    = 0x0c // low byte first; LSM303AGR [V]
	l3aWhoAmI  = 0x0f // 0x33 [K]
	l3aTempCfg = 0x1f // bits 7..6 thermometer on; LSM303AGR [V]
	l3aCtrl1   = 0x20 // bits 7..4 rate, 3 low power, 2..0 Z, Y, X on; 0x07 at first [V]
	l3aCtrl4   = 0x23 // bit 7 BDU, 6 big endian, 5..4 range, 3 high resolution [V]
	l3aCtrl5   = 0x24 // bit 7 BOOT [V]
	l3aStatus  = 0x27 // bit 7 ZYXOR, 6..4 overrun Z,Y,X, 3 ZYXDA, 2..0 new Z,Y,X [V]
	l3aOut     = 0x28 // X, Y, Z, low byte first, left-justified [V]
	l3aOutEnd  = l3aOut + 6

	l3aBoot = 5 * time.Millisecond // [M]
)

var (
	// Rates by code, Hz [V]; 8 and 9 are for low power.
	l3aRate = [16]float64{0, 1, 10, 25, 50, 100, 200, 400, 1620, 1344}
	// mg per LSB of 12 bits in high resolution, by range code [V] [K].
	l3aMgAGR  = [4]float64{0.98, 1.95, 3.9, 11.72}
	l3aMgDLHC = [4]float64{1, 2, 4, 12}
)

type lsm303accel struct {
	device
	agr    bool
	reg    [0x40]byte
	accel  triad
	grid   grid
	out    stOutput
	temp   [2]byte
	status byte
	auto   bool
}

// NewLSM303AGRAccel makes the accelerometer of an LSM303AGR (identity 0x33 at
// 0x19). The magnetometer in the same package, by which a driver knows it, is a
// LIS2MDL at 0x1E and not part of it.
func NewLSM303AGRAccel(w World, s Settings) Chip { return newLSM303("LSM303AGR", true, w, s) }

// NewLSM303DLHCAccel makes that of an LSM303DLHC (identity 0x33 at 0x19), without
// its magnetometer.
func NewLSM303DLHCAccel(w World, s Settings) Chip { return newLSM303("LSM303DLHC", false, w, s) }

func newLSM303(name string, agr bool, w World, s Settings) *lsm303accel {
	c := &lsm303accel{agr: agr}
	c.init(name, l3aBoot, w, s, c)
	c.accel = newTriad(s.Accel, s.Seed, channelAccel, c.dice)
	return c
}

// TypicalLSM303Accel draws a plausible accelerometer of an LSM303: 220 µg/√Hz,
// ±60 mg, ±0.5 mg/°C, 0.01 %/°C [M]; scale and cross-axis 2 %, wander [P].
func TypicalLSM303Accel(seed uint64) Settings {
	d := rolled(seed, 0)
	accel := spread{
		noise: every(220 * microG), offset: every(60 * mg), scale: 0.02, cross: 0.02,
		offsetPerC: every(0.5 * mg), scalePerC: 1e-4, warmUp: every(0.5 * mg), warmUpTime: 60 * time.Second,
		wander: 0.05 * mg, wanderTime: 200 * time.Second,
	}
	return Settings{
		Seed: seed, Accel: accel.draw(d), RateError: bounded(d.r, 0.01),
		TempOffsetC: 5 * d.r.NormFloat64(), TempNoiseC: 0.2,
	}
}

func (c *lsm303accel) reset(t time.Duration) {
	c.reg = [len(c.reg)]byte{l3aWhoAmI: 0x33, l3aCtrl1: 0x07}
	c.out, c.status, c.temp = stOutput{}, 0, [2]byte{}
	c.accel.wander.begin(t)
	c.configure(t)
}

func (c *lsm303accel) point(first byte) byte {
	c.auto = first&0x80 != 0
	return first & 0x3f
}

func (c *lsm303accel) next(reg byte) byte {
	if !c.auto {
		return reg
	}
	return (reg + 1) & 0x3f
}

func (c *lsm303accel) torn() bool { return c.reg[l3aCtrl4]&0x80 == 0 }

func (c *lsm303accel) readReg(reg byte) byte {
	switch {
	case reg == l3aStatus:
		return c.status
	case c.agr && (reg == l3aTemp || reg == l3aTemp+1):
		return c.temp[reg-l3aTemp]
	case reg >= l3aOut && reg < l3aOutEnd:
		i := int(reg - l3aOut)
		v := c.out.read(i, !c.torn())
		if i%2 == 1 {
			axis := byte(1) << (i / 2)
			c.status &^= axis | axis<<4
			if i == 5 { // the common flags fall with the last axis [M]
				c.status &^= 0x88
			}
		}
		return v
	}
	return c.reg[reg]
}

func (c *lsm303accel) writeReg(reg, v byte) {
	if reg < 0x1e || reg >= l3aStatus && reg < l3aOutEnd || !c.agr && reg == l3aTempCfg {
		return
	}
	old := c.reg[reg]
	if reg == l3aCtrl5 && v&0x80 != 0 {
		// Trim is loaded again; settings stay [M].
		c.live = c.now + l3aBoot
		v &^= 0x80
	}
	c.reg[reg] = v
	if v != old && (reg == l3aCtrl1 || reg == l3aCtrl4) {
		c.configure(c.now)
	}
}

func (c *lsm303accel) configure(t time.Duration) {
	hz := l3aRate[c.reg[l3aCtrl1]>>4]
	if c.reg[l3aCtrl1]&7 == 0 {
		hz = 0
	}
	if hz > 0 {
		c.accel.filter(hz/9, hz, hz) // in high resolution [M]
	}
	c.grid.run(t, c.rate(hz))
}

func (c *lsm303accel) advance(t time.Duration) {
	fresh := c.grid.take(t)
	if fresh == 0 || c.how.stalled {
		return
	}
	if fresh > 1 || c.status&0x08 != 0 {
		c.status |= 0xf0
	}
	c.status |= 0x0f
	if c.how.frozen {
		return
	}
	n := c.grid.taken
	sc := c.sense(c.grid.time(n))
	// 12 bits in high resolution, 10 without, 8 in low power; left-justified.
	drop := 6
	if c.reg[l3aCtrl1]&0x08 != 0 {
		drop = 8
	} else if c.reg[l3aCtrl4]&0x08 != 0 {
		drop = 4
	}
	mg := l3aMgDLHC
	if c.agr {
		mg = l3aMgAGR
	}
	lsb := mg[c.reg[l3aCtrl4]>>4&3] * 1e-3 * sensors.StandardGravity / 16
	for i, v := range counts3(c.accel.read(sc, sc.Force, &c.grid, n), lsb*float64(int(1)<<drop), -32768>>drop, 32767>>drop) {
		if c.how.saturated {
			v = 32767 >> drop
		}
		c.out.put(2*i, v<<drop)
	}
	if c.agr && c.reg[l3aTempCfg]&0xc0 == 0xc0 {
		u := counts(c.thermometer(sc)-25, 1.0/256, -32768, 32767)
		c.temp = [2]byte{byte(u), byte(u >> 8)}
	}
}
