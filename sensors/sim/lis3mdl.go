package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// LIS3MDL. Sources: [V] STMicroelectronics lis3mdl-pid cedd91d (register map)
// and STMems_Standard_C_drivers 98b62f0 (self-test procedure and limits);
// [K] Linux 6.12 drivers/iio/magnetometer/st_magn_core.c; [M] from memory of
// ST DocID024204 rev. 4.
const (
	lisWhoAmI  = 0x0f // 0x3D [V]
	lisCtrl1   = 0x20 // bit 7 TEMP_EN, 6..5 OM, 4..2 DO, 1 FAST_ODR, 0 ST [V]
	lisCtrl2   = 0x21 // bits 6..5 range, 3 REBOOT, 2 SOFT_RST [V]
	lisCtrl3   = 0x22 // bit 5 LP, 1..0 mode: 0 continuous, 1 single, else off [V]
	lisCtrl4   = 0x23 // bits 3..2 OMZ [V]
	lisCtrl5   = 0x24 // bit 6 BDU [V]
	lisStatus  = 0x27 // bit 7 ZYXOR, 6..4 overrun Z,Y,X, 3 ZYXDA, 2..0 new Z,Y,X [V]
	lisOut     = 0x28 // X, Y, Z, temperature, low byte first [V]
	lisOutEnd  = lisOut + 8
	lisTempAt  = 6
	lisLastReg = 0x3f

	lisIdentity = 0x3d
	lisBDU      = 0x40
	lisTempOn   = 0x80
	lisFast     = 0x02
	lisTest     = 0x01
	lisReset    = 0x04
	lisReboot   = 0x08
	lisLowPower = 0x20

	lisBoot       = 10 * time.Millisecond // [M]
	lisTestSettle = 9 * time.Millisecond  // complete in the 60 ms of [V]
)

// Rates by DO, and with FAST_ODR by OM, Hz [V].
var (
	lisRate     = [8]float64{0.625, 1.25, 2.5, 5, 10, 20, 40, 80}
	lisFastRate = [4]float64{1000, 560, 300, 155}
)

// Sensitivity by range code (4, 8, 12, 16 gauss), LSB per gauss [V].
var lisLSB = [4]float64{6842, 3421, 2281, 1711}

const gauss = 100.0 // µT

type lis3mdl struct {
	device
	reg    [lisLastReg + 1]byte
	mag    triad
	grid   grid
	single bool // the grid holds one measurement
	out    stOutput
	status byte
	auto   bool // the pointer of this transfer moves on
	tested time.Duration
	test   r3.Vec // self-test field, µT
}

// NewLIS3MDL makes a LIS3MDL (identity 0x3D at 0x1C or 0x1E). Settings.Mag.Noise
// is 1 sigma of a sample in ultra-high-performance mode.
func NewLIS3MDL(w World, s Settings) Chip {
	c := &lis3mdl{}
	c.init("LIS3MDL", lisBoot, w, s, c)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	// Inside the limits 1.0..3.0 gauss for X and Y, 0.1..1.0 for Z [V].
	r := c.dice.at(s.Seed, channelTrim, 0)
	c.test = r3.Scale(gauss, r3.Vec{X: 1.4 + 1.2*r.Float64(), Y: 1.4 + 1.2*r.Float64(), Z: 0.3 + 0.4*r.Float64()})
	return c
}

func (c *lis3mdl) reset(t time.Duration) {
	c.reg = [len(c.reg)]byte{lisWhoAmI: lisIdentity, lisCtrl1: 0x10, lisCtrl3: 0x03} // [M]
	c.out, c.status = stOutput{}, 0
	c.mag.wander.begin(t)
	c.configure(t)
}

// point: on I²C the address moves on only when its top bit is set [K] [V].
func (c *lis3mdl) point(first byte) byte {
	c.auto = first&0x80 != 0
	return first & lisLastReg
}

func (c *lis3mdl) next(reg byte) byte {
	if !c.auto {
		return reg
	}
	return (reg + 1) & lisLastReg
}

func (c *lis3mdl) torn() bool { return c.reg[lisCtrl5]&lisBDU == 0 }

func (c *lis3mdl) readReg(reg byte) byte {
	switch {
	case reg == lisStatus:
		return c.status
	case reg >= lisOut && reg < lisOutEnd:
		i := int(reg - lisOut)
		v := c.out.read(i, !c.torn())
		if i%2 == 1 && i < lisTempAt {
			// Each axis' flags fall with its high byte, the common ones with
			// the first [M].
			axis := byte(1) << (i / 2)
			c.status &^= axis | axis<<4 | 0x88
		}
		return v
	}
	return c.reg[reg]
}

func (c *lis3mdl) writeReg(reg, v byte) {
	old := c.reg[reg]
	switch {
	case reg == lisWhoAmI, reg >= lisStatus && reg < lisOutEnd:
		return
	case reg == lisCtrl2 && v&lisReset != 0:
		c.reset(c.now)
		return
	case reg == lisCtrl2 && v&lisReboot != 0:
		c.live = c.now + lisBoot // trim is loaded again; settings stay [M]
		v &^= lisReboot
	case reg == lisCtrl1 && (v^old)&lisTest != 0:
		c.tested = c.now
	}
	c.reg[reg] = v
	switch {
	case reg == lisCtrl3:
		// Writing the single mode starts a measurement even from single mode.
		c.configure(c.now)
	case reg == lisCtrl1 && (v^old)&^lisTest != 0, reg == lisCtrl4 && v != old:
		c.configure(c.now)
	}
}

// configure applies rate and power registers from t on.
func (c *lis3mdl) configure(t time.Duration) {
	om := c.reg[lisCtrl1] >> 5 & 3
	hz := lisRate[c.reg[lisCtrl1]>>2&7]
	if c.reg[lisCtrl1]&lisFast != 0 {
		hz = lisFastRate[om]
	}
	if c.reg[lisCtrl3]&lisLowPower != 0 {
		hz = lisRate[0]
	}
	c.single = false
	switch c.reg[lisCtrl3] & 3 {
	case 0:
	case 1:
		hz, c.single = lisFastRate[om], true // the time of one conversion
	default:
		hz = 0
	}
	c.grid.run(t, c.rate(hz))
}

// quiet is the noise of a performance mode against ultra-high performance:
// the root of the ratio of conversion times [M gives the latter only].
func lisQuiet(mode byte) float64 { return math.Sqrt(lisFastRate[mode] / lisFastRate[3]) }

// lisFlags is the status register of a LIS magnetometer once so many samples have
// come: ready bits of axes and all, and overrun bits where some were not read.
func lisFlags(status byte, fresh int64) byte {
	if unread := status & 7; fresh > 1 {
		status |= 0xf0
	} else if unread != 0 {
		status |= unread<<4 | 0x80
	}
	return status | 0x0f
}

func (c *lis3mdl) advance(t time.Duration) {
	fresh := c.grid.take(t)
	if fresh == 0 {
		return
	}
	if c.single {
		c.grid.taken, fresh = 1, 1
	}
	n := c.grid.taken
	at := c.grid.time(n)
	if c.single {
		c.reg[lisCtrl3] |= 3 // back to power-down
		defer c.grid.run(t, 0)
	}
	if c.how.stalled {
		return
	}
	c.status = lisFlags(c.status, fresh)
	if c.how.frozen {
		return
	}
	sc := c.sense(at)
	om, omz := c.reg[lisCtrl1]>>5&3, c.reg[lisCtrl4]>>2&3
	if c.reg[lisCtrl3]&lisLowPower != 0 {
		om, omz = 0, 0
	}
	v := c.mag.quiet(sc, sc.FieldUT)
	hiss := product(c.mag.conf.Noise, c.mag.hiss.at(&c.grid, n))
	v = r3.Add(v, product(hiss, r3.Vec{X: lisQuiet(om), Y: lisQuiet(om), Z: lisQuiet(omz)}))
	if c.reg[lisCtrl1]&lisTest != 0 {
		v = r3.Add(v, r3.Scale(settled(at, c.tested, lisTestSettle), c.test))
	}
	lsb := gauss / lisLSB[c.reg[lisCtrl2]>>5&3]
	for i, k := range counts3(v, lsb, -32768, 32767) {
		if c.how.saturated {
			k = 32767
		}
		c.out.put(2*i, k)
	}
	if c.reg[lisCtrl1]&lisTempOn != 0 {
		// 8 LSB per °C, zero at 25 °C [V].
		c.out.put(lisTempAt, counts(c.thermometer(sc)-25, 1.0/8, -2048, 2047))
	}
}
