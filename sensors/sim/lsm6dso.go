package sim

import (
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// LSM6DSO, LSM6DSOX and ISM330DHCX. Sources: [V] STMicroelectronics
// lsm6dsox-pid 1574b4e (register map), STMems_Standard_C_drivers 98b62f0
// (self-test procedure); [D] ST DS12140 rev. 2 (LSM6DSO, pages 10, 11, 16 read
// as text), DS13012 rev. 7 (ISM330DHCX); [S] ST DocID032891 (LSM6DSO32, its sister)
// and the LSM6DSM's data sheet, read as text; [M] from memory of these data sheets and
// AN5192.
const (
	lsmWhoAmI  = 0x0f // [V]
	lsmCtrl1XL = 0x10 // bits 7..4 rate, 3..2 range, 1 LPF2 on [V]
	lsmCtrl2G  = 0x11 // bits 7..4 rate, 3..1 range, 0 ±4000 °/s (ISM330DHCX) [V]
	lsmCtrl3C  = 0x12 // bit 7 BOOT, 6 BDU, 2 IF_INC, 0 SW_RESET [V]
	lsmCtrl4C  = 0x13 // bit 1 LPF1_SEL_G [M]
	lsmCtrl5C  = 0x14 // bits 3..2 ST_G, 1..0 ST_XL [V]
	lsmCtrl6C  = 0x15 // bit 4 XL_HM_MODE, 2..0 FTYPE [V] [M]
	lsmCtrl7G  = 0x16 // bit 7 G_HM_MODE [V]
	lsmCtrl8XL = 0x17 // bits 7..5 HPCF_XL, 1 XL_FS_MODE [M] [V]
	lsmCtrl9XL = 0x18 // bit 1 I3C_DISABLE [V]
	lsmStatus  = 0x1e // bit 0 XLDA, 1 GDA, 2 TDA [D, DS13012 table 74]
	lsmOut     = 0x20 // temperature, gyro X,Y,Z, accel X,Y,Z; low byte first [V]
	lsmOutEnd  = lsmOut + 14

	lsmBDU     = 0x40
	lsmIfInc   = 0x04
	lsmSwReset = 0x01
	lsmReboot  = 0x80

	lsmBoot       = 10 * time.Millisecond // after power-up and BOOT [D]
	lsmResetTime  = 50 * time.Microsecond // SW_RESET reads 1 so long [M]
	lsmGyroStart  = 70 * time.Millisecond // from power-down, longest [M]; typically 35 ms [S]
	lsmTestSettle = 15 * time.Millisecond // complete in the 100 ms of [V]
	lsmTempHz     = 52                    // the thermometer's highest rate [S]
)

// Rates by code, Hz [V]; code 11 of the accelerometer is 1.6 Hz in low-power
// mode and 12.5 Hz in high-performance mode [M].
var lsmRate = [16]float64{0, 12.5, 26, 52, 104, 208, 417, 833, 1667, 3333, 6667}

const (
	lsmSlowCode = 11
	lsmSlowHz   = 1.6
	// Up to this code the HM_MODE bits choose low power; above, they do nothing [M].
	lsmLowPowerCodes = 5
)

// Sensitivities [D]: mg per LSB by range code 0..3 (2, 16, 4, 8 g), mdps per
// LSB by CTRL2_G bits 3..1.
var (
	lsmAccelMg  = [4]float64{0.061, 0.488, 0.122, 0.244}
	lsmGyroMdps = [8]float64{8.75, 4.375, 17.5, 17.5, 35, 35, 70, 70}
)

const lsmGyro4000Mdps = 140

// Divisors of the rate that give the LPF2 bandwidth, by HPCF_XL [V: the names of the
// codes].
var lsmLPF2 = [8]float64{4, 10, 20, 45, 100, 200, 400, 800}

// Gyroscope bandwidth in Hz with LPF1 on, by FTYPE and rate code 1..10 [M,
// DS12140 table of CTRL6_C]; the last entries of four types are not specified
// there and repeat the one before.
var lsmGyroLPF1 = [8][10]float64{
	{4.3, 8.3, 16.7, 33, 67, 133, 222, 274, 292, 297},
	{4.3, 8.3, 16.7, 33, 67, 128, 186, 212, 220, 223},
	{4.3, 8.3, 16.7, 33, 67, 112, 140, 150, 153, 154},
	{4.3, 8.3, 16.7, 33, 67, 134, 260, 390, 451, 470},
	{4.3, 8.3, 16.7, 34, 62, 86, 96, 99, 99, 99},
	{4.3, 8.3, 16.9, 31, 43, 48, 49, 50, 50, 50},
	{4.3, 8.3, 13.4, 19, 23, 24.6, 25, 25, 25, 25},
	{4.3, 8.3, 9.8, 11.6, 12.2, 12.4, 12.6, 12.6, 12.6, 12.6},
}

// lsmGyroPart is the bandwidth of the gyroscope's own filter as a part of the
// rate: the table above at low rates.
const lsmGyroPart = 3.1

// In the low-power modes the noise is stated as rms of a sample, whatever the
// rate: 1.8, 2.0, 2.4, 3.0 mg at 2, 4, 8, 16 g [D] where the density of the
// other mode is 70 µg/√Hz; 75 mdps where it is 3.8 mdps/√Hz [S]. Here by range
// code, as a factor on the density, √Hz.
var (
	lsmAccelLowPower = [4]float64{1800.0 / 70, 3000.0 / 70, 2000.0 / 70, 2400.0 / 70}
	lsmGyroLowPower  = 75 / 3.8
)

// lsm6dso is the state of one part. Accelerometer, gyroscope and thermometer
// have grids of their own.
type lsm6dso struct {
	device
	whoAmI    byte
	wide      bool // has ±4000 °/s
	reg       [0x80]byte
	accel     triad
	gyro      triad
	accelGrid grid
	gyroGrid  grid
	tempGrid  grid
	out       stOutput
	status    byte
	// raw is the first sample after a change that the filter has not settled on.
	raw      int64
	gyroFrom time.Duration
	tested   [2]time.Duration // accel, gyro: last change of the self-test bits
	// Responses to the self-test: m/s², and rad/s per rad/s of full scale.
	accelTest, gyroTest r3.Vec
}

// NewLSM6DSO makes an LSM6DSO (identity 0x6C at 0x6A or 0x6B). The first
// accelerometer sample after a change of rate, range or filter is bad, as the
// maker's procedures take for granted. Without block data update a sample can
// be replaced while it is read, at the speed of the bus.
func NewLSM6DSO(w World, s Settings) Chip { return newLSM("LSM6DSO", 0x6c, false, w, s) }

// NewLSM6DSOX makes an LSM6DSOX (identity 0x6C too).
func NewLSM6DSOX(w World, s Settings) Chip { return newLSM("LSM6DSOX", 0x6c, false, w, s) }

// NewISM330DHCX makes an ISM330DHCX (identity 0x6B at 0x6A or 0x6B).
func NewISM330DHCX(w World, s Settings) Chip { return newLSM("ISM330DHCX", 0x6b, true, w, s) }

func newLSM(name string, id byte, wide bool, w World, s Settings) *lsm6dso {
	c := &lsm6dso{whoAmI: id, wide: wide}
	c.init(name, lsmBoot, w, s, c)
	c.accel = newTriad(s.Accel, s.Seed, channelAccel, c.dice)
	c.gyro = newTriad(s.Gyro, s.Seed, channelGyro, c.dice)
	// Responses well inside 90..1700 mg and 150..700 °/s at ±2000 °/s, 20..80 at
	// ±250 [D, page 10], invented per part.
	r := c.dice.at(s.Seed, channelTrim, 0)
	draw := func(lo, hi float64) r3.Vec {
		return r3.Vec{X: lo + (hi-lo)*r.Float64(), Y: lo + (hi-lo)*r.Float64(), Z: lo + (hi-lo)*r.Float64()}
	}
	c.accelTest = r3.Scale(sensors.StandardGravity, draw(0.2, 0.9))
	c.gyroTest = draw(0.12, 0.28)
	return c
}

func (c *lsm6dso) reset(t time.Duration) {
	// Power-on values that are not zero [V] [M].
	c.reg = [len(c.reg)]byte{0x02: 0x3f, lsmWhoAmI: c.whoAmI, lsmCtrl3C: lsmIfInc, lsmCtrl9XL: 0xe0}
	c.out, c.status = stOutput{}, 0
	c.accel.wander.begin(t)
	c.gyro.wander.begin(t)
	c.accelGrid.run(t, 0)
	c.gyroGrid.run(t, 0)
	c.tempGrid.run(t, 0)
}

func (c *lsm6dso) next(reg byte) byte {
	if c.reg[lsmCtrl3C]&lsmIfInc == 0 && c.now >= c.live {
		return reg
	}
	return (reg + 1) & 0x7f
}

func (c *lsm6dso) busy(reg byte) byte {
	if reg == lsmCtrl3C {
		return lsmIfInc | lsmSwReset
	}
	return 0
}

func (c *lsm6dso) bdu() bool  { return c.reg[lsmCtrl3C]&lsmBDU != 0 }
func (c *lsm6dso) torn() bool { return !c.bdu() }

func (c *lsm6dso) readReg(reg byte) byte {
	switch {
	case reg == lsmStatus:
		return c.status
	case reg >= lsmOut && reg < lsmOutEnd:
		i := int(reg - lsmOut)
		v := c.out.read(i, c.bdu())
		// A flag falls when a high byte of its block is read [M].
		if i%2 == 1 {
			switch {
			case i < 2:
				c.status &^= 4
			case i < 8:
				c.status &^= 2
			default:
				c.status &^= 1
			}
		}
		return v
	}
	return c.reg[reg&0x7f]
}

func (c *lsm6dso) writeReg(reg, v byte) {
	reg &= 0x7f
	old := c.reg[reg]
	switch {
	case reg == lsmWhoAmI, reg == lsmStatus, reg >= lsmOut && reg < lsmOutEnd:
		return
	case reg == lsmCtrl3C && v&lsmSwReset != 0:
		c.reset(c.now)
		c.live = c.now + lsmResetTime
		return
	case reg == lsmCtrl3C && v&lsmReboot != 0:
		c.reset(c.now)
		c.live = c.now + lsmBoot
		return
	}
	c.reg[reg] = v
	changed := v ^ old
	if changed == 0 {
		return
	}
	switch reg {
	case lsmCtrl1XL, lsmCtrl8XL:
		c.setAccel(reg == lsmCtrl1XL && changed&0xf0 != 0)
	case lsmCtrl2G, lsmCtrl4C, lsmCtrl7G:
		c.setGyro(reg == lsmCtrl2G && changed&0xf0 != 0)
	case lsmCtrl6C:
		if changed&0x10 != 0 {
			c.setAccel(true)
		}
		c.setGyro(false)
	case lsmCtrl5C:
		if changed&0x03 != 0 {
			c.tested[0] = c.now
		}
		if changed&0x0c != 0 {
			c.tested[1] = c.now
		}
	}
}

// startGrid runs g at code's rate. Two sensors at one rate sample together.
func (c *lsm6dso) startGrid(g, other *grid, hz float64) {
	start := c.now
	if other.running() && other.period == 1e9/c.rate(hz) {
		start = other.time(other.due(c.now))
	}
	g.run(start, c.rate(hz))
	temp := min(lsmTempHz, max(c.nominal(lsmCtrl1XL), c.nominal(lsmCtrl2G)))
	c.tempGrid.run(c.now, c.rate(temp))
}

// nominal is the rate that a control register asks for.
func (c *lsm6dso) nominal(reg byte) float64 {
	code := c.reg[reg] >> 4
	if reg == lsmCtrl1XL && code == lsmSlowCode {
		if c.reg[lsmCtrl6C]&0x10 != 0 {
			return lsmSlowHz
		}
		return lsmRate[1]
	}
	return lsmRate[code]
}

// setAccel applies the accelerometer's registers; restart: the rate changed.
func (c *lsm6dso) setAccel(restart bool) {
	hz := c.nominal(lsmCtrl1XL)
	if restart {
		c.startGrid(&c.accelGrid, &c.gyroGrid, hz)
	}
	c.raw = c.accelGrid.taken + 1
	if hz == 0 {
		return
	}
	code, low := c.reg[lsmCtrl1XL]>>4, c.reg[lsmCtrl6C]&0x10 != 0
	if low && (code <= lsmLowPowerCodes || code == lsmSlowCode) {
		c.accel.gain = lsmAccelLowPower[c.accelRange()]
		c.accel.hiss.shape(0)
		return
	}
	// Half the rate without LPF2: the decimation filter's band is then the
	// whole one [D, note 10: bandwidth ODR/2], so the noise is white.
	bw := hz * 1e3
	if c.reg[lsmCtrl1XL]&2 != 0 {
		bw = hz / lsmLPF2[c.reg[lsmCtrl8XL]>>5]
	}
	c.accel.filter(bw, hz, hz)
}

// accelRange is the range code that counts: with XL_FS_MODE code 1 is ±2 g [V].
func (c *lsm6dso) accelRange() byte {
	fs := c.reg[lsmCtrl1XL] >> 2 & 3
	if fs == 1 && c.reg[lsmCtrl8XL]&2 != 0 {
		return 0
	}
	return fs
}

// setGyro applies the gyroscope's registers; restart: the rate changed.
func (c *lsm6dso) setGyro(restart bool) {
	hz := c.nominal(lsmCtrl2G)
	if restart {
		if !c.gyroGrid.running() {
			c.gyroFrom = c.now + lsmGyroStart
		}
		c.startGrid(&c.gyroGrid, &c.accelGrid, hz)
	}
	if hz == 0 {
		return
	}
	code := c.reg[lsmCtrl2G] >> 4
	if c.reg[lsmCtrl7G]&0x80 != 0 && code <= lsmLowPowerCodes {
		c.gyro.gain = lsmGyroLowPower
		c.gyro.hiss.shape(0)
		return
	}
	bw := hz / lsmGyroPart
	if c.reg[lsmCtrl4C]&2 != 0 {
		bw = lsmGyroLPF1[c.reg[lsmCtrl6C]&7][code-1]
	}
	c.gyro.filter(bw, hz, hz)
}

func (c *lsm6dso) gyroLSB() float64 {
	if c.wide && c.reg[lsmCtrl2G]&1 != 0 {
		return lsmGyro4000Mdps * 1e-3 * degree
	}
	return lsmGyroMdps[c.reg[lsmCtrl2G]>>1&7] * 1e-3 * degree
}
