package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// LIS2MDL, and the magnetometer of the LSM303AGR. Sources: [V] ST's lis2mdl-pid
// and STMems_Standard_C_drivers 98b62f0 (register map, self-test procedure and
// limits); [K] Linux 6.12 drivers/iio/magnetometer/st_magn_core.c; [D] DS12144
// rev. 6, tables 2, 9 and 11, as quoted in public drivers, not read; [M] from
// memory.
const (
	l2mWhoAmI  = 0x4f // 0x40 [V]
	l2mCfgA    = 0x60 // bit 7 COMP_TEMP_EN, 6 REBOOT, 5 SOFT_RST, 4 LP, 3..2 ODR, 1..0 MD [V]
	l2mCfgB    = 0x61 // bit 1 OFF_CANC, 0 LPF [V]
	l2mCfgC    = 0x62 // bit 4 BDU, 1 self-test [V]
	l2mStatus  = 0x67 // bit 7 Zyxor, 6..4 overrun Z,Y,X, 3 Zyxda, 2..0 new Z,Y,X [V]
	l2mOut     = 0x68 // X, Y, Z, temperature, low byte first [V]
	l2mOutEnd  = l2mOut + 8
	l2mLastReg = 0x6f

	l2mIdentity = 0x40
	l2mReset    = 0x20
	l2mCancel   = 0x02
	l2mLowPass  = 0x01
	l2mBDU      = 0x10
	l2mTest     = 0x02

	l2mLSB  = 0.15                  // µT [K]
	l2mBoot = 20 * time.Millisecond // the LSM303AGR's boot; 9.4 ms and 1/ODR to turn on [D]
	// l2mWide is the noise without the low-pass against that with it [D: 4.5 and
	// 3 mG].
	l2mWide = 1.5
)

// l2mAxes: the output is left-handed, its y against that of a right-handed frame
// on the package (figure 2 of the data sheet, as told in phoenix-rtos-devices
// pull request 398; codal-core LSM303Magnetometer.cpp and
// LSM303Accelerometer.cpp for the LSM303AGR, whose accelerometer has the other y).
var l2mAxes = matrix{1, 0, 0, 0, -1, 0, 0, 0, 1}

// Rates by ODR, Hz [V].
var l2mRate = [4]float64{10, 20, 50, 100}

type lis2mdl struct {
	device
	reg    [l2mLastReg + 1]byte
	mag    triad
	bridge triad
	grid   grid
	single bool
	out    stOutput
	status byte
	test   r3.Vec // self-test field, µT
}

// NewLIS2MDL makes a LIS2MDL (identity 0x40 at 0x1E). Settings.Mag.Noise is 1
// sigma of a sample with the low-pass; Settings.Film acts while the offset is not
// cancelled. What the temperature compensation does is not simulated. The axes of
// Settings.Axes are those of the accelerometer in an LSM303AGR; output, Mag and Film
// have y turned round.
func NewLIS2MDL(w World, s Settings) Chip {
	c := &lis2mdl{}
	c.init("LIS2MDL", l2mBoot, w, s, c)
	c.axes = l2mAxes.times(&c.axes)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	c.bridge = newTriad(Triad{Offset: s.Film.BridgeUT, OffsetPerC: s.Film.BridgePerC}, s.Seed, channelPulse, c.dice)
	// Inside the limits 15..500 mG [V].
	r := c.dice.at(s.Seed, channelTrim, 0)
	c.test = r3.Scale(gauss, r3.Vec{X: 0.1 + 0.2*r.Float64(), Y: 0.1 + 0.2*r.Float64(), Z: 0.1 + 0.2*r.Float64()})
	return c
}

func (c *lis2mdl) reset(t time.Duration) {
	c.reg = [len(c.reg)]byte{l2mWhoAmI: l2mIdentity, l2mCfgA: 0x03} // idle [M]
	c.out, c.status = stOutput{}, 0
	c.mag.wander.begin(t)
	c.configure(t)
}

func (c *lis2mdl) torn() bool { return c.reg[l2mCfgC]&l2mBDU == 0 }

func (c *lis2mdl) readReg(reg byte) byte {
	switch {
	case reg > l2mLastReg:
		return 0
	case reg == l2mStatus:
		return c.status
	case reg >= l2mOut:
		i := int(reg - l2mOut)
		v := c.out.read(i, !c.torn())
		if i%2 == 1 && i < 6 {
			axis := byte(1) << (i / 2)
			c.status &^= axis | axis<<4 | 0x88 // as in the LIS3MDL [M]
		}
		return v
	}
	return c.reg[reg]
}

func (c *lis2mdl) writeReg(reg, v byte) {
	if reg < l2mCfgA || reg > l2mCfgC {
		return
	}
	if reg == l2mCfgA && v&l2mReset != 0 {
		c.reset(c.now)
		return
	}
	old := c.reg[reg]
	c.reg[reg] = v
	if reg == l2mCfgA && v != old {
		c.configure(c.now)
	}
}

func (c *lis2mdl) configure(t time.Duration) {
	hz := l2mRate[c.reg[l2mCfgA]>>2&3]
	c.single = false
	switch c.reg[l2mCfgA] & 3 {
	case 0:
	case 1:
		hz, c.single = l2mRate[3], true
	default:
		hz = 0
	}
	c.grid.run(t, c.rate(hz))
}

func (c *lis2mdl) advance(t time.Duration) {
	fresh := c.grid.take(t)
	if fresh == 0 {
		return
	}
	if c.single {
		c.grid.taken, fresh = 1, 1
		c.reg[l2mCfgA] |= 3
		defer c.grid.run(t, 0)
	}
	if c.how.stalled {
		return
	}
	c.status = lisFlags(c.status, fresh)
	if c.how.frozen {
		return
	}
	n := c.grid.taken
	sc := c.sense(c.grid.time(n))
	c.mag.gain = 1
	if c.reg[l2mCfgB]&l2mLowPass == 0 {
		c.mag.gain = l2mWide
	}
	v := c.mag.read(sc, sc.FieldUT, &c.grid, n)
	if c.reg[l2mCfgB]&l2mCancel == 0 {
		v = r3.Add(v, c.bridge.quiet(sc, r3.Vec{}))
	}
	if c.reg[l2mCfgC]&l2mTest != 0 {
		v = r3.Add(v, c.test)
	}
	for i, k := range counts3(v, l2mLSB, math.MinInt16, math.MaxInt16) {
		if c.how.saturated {
			k = math.MaxInt16
		}
		c.out.put(2*i, k)
	}
	// 8 LSB per °C, zero at 25 °C [V].
	c.out.put(6, counts(c.thermometer(sc)-25, 1.0/8, -2048, 2047))
}
