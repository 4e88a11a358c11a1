package sim

import (
	"encoding/binary"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// HMC5883L, and the magnetometer of the LSM303DLHC. Source: [D] Honeywell HMC5883L
// data sheet 900405 rev. E, pages 11 to 19 (registers, status, self-test, output
// order read as text); [S] ST LSM303DLHC data sheet DocID018771, from memory, its
// gains and pointer as in QEMU's hw/sensor/lsm303dlhc_mag.c; [K] Linux 6.12
// drivers/iio/magnetometer/hmc5843_core.c (gains) and st_magn_core.c (identity of
// the LSM303DLHC); [M] from memory of [D].
const (
	hmcConfigA  = 0x00 // bits 6..5 averages, 4..2 rate, 1..0 bias [D]
	hmcConfigB  = 0x01 // bits 7..5 gain [D]
	hmcMode     = 0x02 // bits 1..0: 0 continuous, 1 single, else idle [D]
	hmcData     = 0x03 // X, Z, Y, high byte first [D]
	hmcStatus   = 0x09 // bit 1 LOCK, bit 0 RDY [D]
	hmcIdentity = 0x0a // 0x0a-0x0c "H43" [D]
	hmcLast     = 0x0c
	dlhcWhoAmI  = 0x0f // 0x3C in an LSM303DLHC only [K]
	dlhcTemp    = 0x31 // and 0x32: 12 bits at the top, high byte first, 8 LSB/°C [S]
	dlhcTempOn  = 0x80 // in configuration A [S]
	dlhcZeroC   = 20.0 // what users found (electronics.stackexchange.com, 219032)

	hmcOverflow = -4096 // [D]

	hmcBoot    = 200 * time.Microsecond // supply to I²C ready [M]
	hmcMeasure = 6 * time.Millisecond   // one measurement [D]
	// hmcNotReady is how long RDY stays low around a new sample [D].
	hmcNotReady = 250 * time.Microsecond
	hmcAllRead  = 0x3f
)

// Rates by code, Hz; code 7 is reserved in an HMC5883L [D] [S].
var (
	hmcRate  = [8]float64{0.75, 1.5, 3, 7.5, 15, 30, 75, 0}
	dlhcRate = [8]float64{0.75, 1.5, 3, 7.5, 15, 30, 75, 220}
)

// Gains by code, LSB per gauss; those of the LSM303DLHC differ on Z [K] [S]. Its
// code 0 is not defined and taken as 1.
var (
	hmcGain   = [8]float64{1370, 1090, 820, 660, 440, 390, 330, 230}
	dlhcGain  = [8]float64{1100, 1100, 855, 670, 450, 400, 330, 230}
	dlhcGainZ = [8]float64{980, 980, 760, 600, 400, 355, 295, 205}
)

// hmcBias is the self-test field in gauss; about 1.1 [D, page 19].
var hmcBias = r3.Vec{X: 1.16, Y: 1.16, Z: 1.08}

type hmc5883l struct {
	device
	reg      [3]byte
	mag      triad
	grid     grid
	single   bool
	gain     byte // code of the next sample: a change acts one sample later [D]
	dlhc     bool
	temp     [2]byte
	out      [6]byte
	measured bool
	newestAt time.Duration
	read     byte // which of the six bytes were read
	locked   bool
}

// NewHMC5883L makes an HMC5883L (identity "H43" at 0x1E). Settings.Mag.Noise is
// 1 sigma of a sample without averaging. The part pulses its set/reset strap by
// itself, so Settings.Film does not count.
func NewHMC5883L(w World, s Settings) Chip { return newHMC("HMC5883L", false, w, s) }

// NewLSM303DLHC makes the magnetometer of an LSM303DLHC (identity "H43" at 0x1E,
// and 0x3C in register 0x0F), without its accelerometer at 0x19. Settings as for
// NewHMC5883L.
func NewLSM303DLHC(w World, s Settings) Chip { return newHMC("LSM303DLHC", true, w, s) }

func newHMC(name string, dlhc bool, w World, s Settings) Chip {
	c := &hmc5883l{dlhc: dlhc}
	c.init(name, hmcBoot, w, s, c)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	return c
}

func (c *hmc5883l) reset(t time.Duration) {
	c.reg = [3]byte{0x10, 0x20, 0x01} // [D]
	c.out, c.measured, c.read, c.locked = [6]byte{}, false, 0, false
	c.gain, c.temp = 1, [2]byte{}
	c.mag.wander.begin(t)
	c.configure(t) // the default single mode makes one measurement [D]
}

// next: after the last data byte the pointer is at the first again [D].
func (c *hmc5883l) next(reg byte) byte {
	switch {
	case reg == hmcStatus-1:
		return hmcData
	case reg >= hmcLast:
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
	case c.dlhc && reg == dlhcWhoAmI:
		return 0x3c
	case c.dlhc && (reg == dlhcTemp || reg == dlhcTemp+1):
		return c.temp[reg-dlhcTemp]
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
		if c.dlhc {
			hz = dlhcRate[c.reg[hmcConfigA]>>2&7]
		}
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
	c.gain = c.reg[hmcConfigB] >> 5
	if fresh > 1 { // only the first sample after a change has the old one
		gain = c.gain
	}
	if c.how.frozen {
		return
	}
	sc := c.sense(c.newestAt)
	field := sc.FieldUT
	bias := c.reg[hmcConfigA] & 3
	if c.dlhc {
		bias = 0 // these bits must be clear [S]
	}
	switch bias {
	case 1: // the measurement without bias is subtracted from that with it [D]
		field = r3.Scale(gauss, hmcBias)
	case 2:
		field = r3.Scale(-gauss, hmcBias)
	}
	c.mag.gain = 1
	if !c.dlhc {
		c.mag.gain /= math.Sqrt(float64(int(1) << (c.reg[hmcConfigA] >> 5 & 3)))
	}
	v := c.mag.read(sc, field, &c.grid, n)
	if bias == 1 || bias == 2 {
		v = r3.Sub(v, c.mag.quiet(sc, r3.Vec{})) // the offset goes with the difference
	}
	per := [3]float64{hmcGain[gain], hmcGain[gain], hmcGain[gain]} // X, Z, Y
	if c.dlhc {
		per = [3]float64{dlhcGain[gain], dlhcGainZ[gain], dlhcGain[gain]}
		k := int32(0)
		if c.reg[hmcConfigA]&dlhcTempOn != 0 {
			k = counts(c.thermometer(sc)-dlhcZeroC, 1.0/8, -2048, 2047) << 4
		}
		binary.BigEndian.PutUint16(c.temp[:], uint16(k))
	}
	for i, h := range [3]float64{v.X, v.Z, v.Y} {
		k := counts(h, gauss/per[i], -2049, 2048)
		if k < -2048 || k > 2047 || c.how.saturated {
			k = hmcOverflow
		}
		binary.BigEndian.PutUint16(c.out[2*i:], uint16(k))
	}
}
