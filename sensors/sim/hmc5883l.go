package sim

import (
	"encoding/binary"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// HMC5883L. Source: [D] Honeywell HMC5883L data sheet 900405 rev. E, pages 11
// to 19 (registers, status, self-test, output order read as text); [K] Linux
// 6.12 drivers/iio/magnetometer/hmc5843_core.c (gains); [M] from memory of [D].
const (
	hmcConfigA  = 0x00 // bits 6..5 averages, 4..2 rate, 1..0 bias [D]
	hmcConfigB  = 0x01 // bits 7..5 gain [D]
	hmcMode     = 0x02 // bits 1..0: 0 continuous, 1 single, else idle [D]
	hmcData     = 0x03 // X, Z, Y, high byte first [D]
	hmcStatus   = 0x09 // bit 1 LOCK, bit 0 RDY [D]
	hmcIdentity = 0x0a // 0x0a-0x0c "H43" [D]
	hmcLast     = 0x0c

	hmcOverflow = -4096 // [D]

	hmcBoot    = 200 * time.Microsecond // supply to I²C ready [M]
	hmcMeasure = 6 * time.Millisecond   // one measurement [D]
	// hmcNotReady is how long RDY stays low around a new sample [D].
	hmcNotReady = 250 * time.Microsecond
	hmcAllRead  = 0x3f
)

// Rates by code, Hz; code 7 is reserved [D].
var hmcRate = [8]float64{0.75, 1.5, 3, 7.5, 15, 30, 75, 0}

// Gains by code, LSB per gauss [K].
var hmcGain = [8]float64{1370, 1090, 820, 660, 440, 390, 330, 230}

// hmcBias is the self-test field in gauss; about 1.1 [D, page 19].
var hmcBias = r3.Vec{X: 1.16, Y: 1.16, Z: 1.08}

type hmc5883l struct {
	device
	reg      [3]byte
	mag      triad
	grid     grid
	single   bool
	gain     float64 // of the next sample: a change acts one sample later [D]
	out      [6]byte
	measured bool
	newestAt time.Duration
	read     byte // which of the six bytes were read
	locked   bool
}

// NewHMC5883L makes an HMC5883L (identity "H43" at 0x1E). Settings.Mag.Noise is
// 1 sigma of a sample without averaging. The part pulses its set/reset strap by
// itself, so Settings.Film does not count.
func NewHMC5883L(w World, s Settings) Chip {
	c := &hmc5883l{}
	c.init("HMC5883L", hmcBoot, w, s, c)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	return c
}

func (c *hmc5883l) reset(t time.Duration) {
	c.reg = [3]byte{0x10, 0x20, 0x01} // [D]
	c.out, c.measured, c.read, c.locked = [6]byte{}, false, 0, false
	c.gain = hmcGain[1]
	c.mag.wander.begin(t)
	c.configure(t) // the default single mode makes one measurement [D]
}

// next: after the last data byte the pointer is at the first again [D].
func (c *hmc5883l) next(reg byte) byte {
	switch reg {
	case hmcStatus - 1:
		return hmcData
	case hmcLast:
		return 0
	}
	return reg + 1
}

func (c *hmc5883l) readReg(reg byte) byte {
	switch {
	case reg < hmcMode:
		return c.reg[reg]
	case reg == hmcMode:
		c.locked = true // reading the mode locks the output [D]
		return c.reg[reg]
	case reg < hmcStatus:
		c.read |= 1 << (reg - hmcData)
		c.locked = c.read != hmcAllRead
		if !c.locked {
			c.read = 0
		}
		return c.out[reg-hmcData]
	case reg == hmcStatus:
		var v byte
		if c.measured && c.now-c.newestAt >= hmcNotReady {
			v |= 1
		}
		if c.locked {
			v |= 2
		}
		return v
	case reg <= hmcLast:
		return "H43"[reg-hmcIdentity]
	}
	return 0
}

func (c *hmc5883l) writeReg(reg, v byte) {
	if reg > hmcMode {
		return
	}
	c.reg[reg] = v
	switch reg {
	case hmcConfigA:
		c.unlock()
		if c.reg[hmcMode]&3 == 0 {
			c.configure(c.now)
		}
	case hmcMode:
		c.unlock()
		c.configure(c.now)
	}
}

func (c *hmc5883l) unlock() { c.locked, c.read = false, 0 }

func (c *hmc5883l) configure(t time.Duration) {
	hz := 0.0
	c.single = false
	switch c.reg[hmcMode] & 3 {
	case 0:
		hz = hmcRate[c.reg[hmcConfigA]>>2&7]
	case 1:
		hz, c.single = 1/hmcMeasure.Seconds(), true
		c.measured = false // RDY falls when the measurement starts [D]
	}
	c.grid.run(t, c.rate(hz))
}

func (c *hmc5883l) advance(t time.Duration) {
	fresh := c.grid.take(t)
	if fresh == 0 {
		return
	}
	if c.single {
		c.grid.taken = 1
		c.reg[hmcMode] |= 3 // idle again [D]
		defer c.grid.run(t, 0)
	}
	if c.how.stalled || c.locked {
		return
	}
	n := c.grid.taken
	c.measured, c.newestAt = true, c.grid.time(n)
	gain := c.gain
	c.gain = hmcGain[c.reg[hmcConfigB]>>5]
	if fresh > 1 { // only the first sample after a change has the old one
		gain = c.gain
	}
	if c.how.frozen {
		return
	}
	sc := c.sense(c.newestAt)
	field := sc.FieldUT
	switch c.reg[hmcConfigA] & 3 {
	case 1: // the measurement without bias is subtracted from that with it [D]
		field = r3.Scale(gauss, hmcBias)
	case 2:
		field = r3.Scale(-gauss, hmcBias)
	}
	c.mag.gain = 1 / math.Sqrt(float64(int(1)<<(c.reg[hmcConfigA]>>5&3)))
	v := c.mag.read(sc, field, &c.grid, n)
	if b := c.reg[hmcConfigA] & 3; b == 1 || b == 2 {
		v = r3.Sub(v, c.mag.quiet(sc, r3.Vec{})) // the offset goes with the difference
	}
	for i, h := range [3]float64{v.X, v.Z, v.Y} {
		k := counts(h, gauss/gain, -2049, 2048)
		if k < -2048 || k > 2047 || c.how.saturated {
			k = hmcOverflow
		}
		binary.BigEndian.PutUint16(c.out[2*i:], uint16(k))
	}
}
