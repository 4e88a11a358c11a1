package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// LSM6DSV16X. Sources: [V] STMicroelectronics lsm6dsv16x_reg.h as shipped in
// sparkfun/SparkFun_LSM6DSV16X_Arduino_Library 2989647; [D] ST DS13510 rev. 4,
// tables 3, 4 and 6 (pages 11 to 15 read as text); [M] from memory of it and of the
// application note.
const (
	lsvWhoAmI = 0x0f // 0x70 [V]
	lsvCtrl1  = 0x10 // accelerometer: bits 6..4 mode, 3..0 rate [V]
	lsvCtrl2  = 0x11 // gyroscope: the same [V]
	lsvCtrl3  = 0x12 // bit 7 BOOT, 6 BDU, 2 IF_INC, 0 SW_RESET [V]
	lsvCtrl6  = 0x15 // bits 3..0 gyroscope range [V]
	lsvCtrl8  = 0x17 // bits 7..5 low-pass 2, 1..0 accelerometer range [V]
	lsvCtrl9  = 0x18 // bit 3 low-pass 2 on [V]
	lsvStatus = 0x1e // bit 0 XLDA, 1 GDA, 2 TDA [V]
	lsvOut    = 0x20 // temperature, gyro X,Y,Z, accel X,Y,Z; low byte first [V]
	lsvOutEnd = lsvOut + 14
	lsvDefCtl = 0x44 // CTRL3 after a reset: BDU and IF_INC are on [M]

	lsvBoot      = 10 * time.Millisecond // [V: wait of the examples]
	lsvResetTime = 50 * time.Microsecond // [M]
	lsvGyroStart = 70 * time.Millisecond // from power-down, longest [M]; typically 30 ms [D]
	lsvTempHz    = 60                    // the thermometer's highest rate [D]
)

var (
	// Rates by code, Hz [V].
	lsvRate = [16]float64{0, 1.875, 7.5, 15, 30, 60, 120, 240, 480, 960, 1920, 3840, 7680}
	// mg per LSB by range code: 2, 4, 8, 16 g, in order [V].
	lsvAccelMg = [4]float64{0.061, 0.122, 0.244, 0.488}
	// m°/s per LSB by range code: 125 to 2000 °/s [V]; code 12 is 4000 °/s [M].
	lsvGyroMdps = [16]float64{4.375, 8.75, 17.5, 35, 70, 12: 140}
	// Divisors of the rate that give the low-pass 2 bandwidth, as public drivers have
	// them.
	lsvLPF2 = [8]float64{4, 10, 20, 45, 100, 200, 400, 800}
)

// lsm6dsv is one part: three sensors with grids of their own. Only the high
// performance mode measures; in others the part stays silent.
type lsm6dsv struct {
	device
	reg                           [0x80]byte
	accel, gyro                   triad
	accelGrid, gyroGrid, tempGrid grid
	out                           stOutput
	status                        byte
	gyroFrom                      time.Duration
}

// NewLSM6DSV16X makes an LSM6DSV16X (identity 0x70 at 0x6A or 0x6B).
func NewLSM6DSV16X(w World, s Settings) Chip {
	c := &lsm6dsv{}
	c.init("LSM6DSV16X", lsvBoot, w, s, c)
	c.accel = newTriad(s.Accel, s.Seed, channelAccel, c.dice)
	c.gyro = newTriad(s.Gyro, s.Seed, channelGyro, c.dice)
	return c
}

// TypicalLSM6DSV16X draws a plausible part.
func TypicalLSM6DSV16X(seed uint64) Settings {
	// 60 µg/√Hz, ±12 mg, ±0.07 mg/°C; 2.8 mdps/√Hz, ±1 °/s, ±6 mdps/°C, ±0.3 %,
	// ±0.007 %/°C [D]; the rest as for the LSM6DSO.
	accel, gyro := lsm6dsoAccel, lsm6dsoGyro
	accel.noise, accel.offset, accel.offsetPerC = every(60*microG), every(12*mg), every(0.07*mg)
	gyro.noise, gyro.offsetPerC, gyro.scale = every(2.8*mdps), every(6*mdps), 0.003
	return drawLSM(seed, accel, gyro)
}

func (c *lsm6dsv) reset(t time.Duration) {
	c.reg = [len(c.reg)]byte{lsvWhoAmI: 0x70, lsvCtrl3: lsvDefCtl}
	c.out, c.status = stOutput{}, 0
	c.accel.wander.begin(t)
	c.gyro.wander.begin(t)
	c.configure(t)
}

func (c *lsm6dsv) next(reg byte) byte {
	if c.reg[lsvCtrl3]&0x04 == 0 && c.now >= c.live {
		return reg
	}
	return (reg + 1) & 0x7f
}

func (c *lsm6dsv) busy(reg byte) byte {
	if reg == lsvCtrl3 {
		return lsvDefCtl | 0x01
	}
	return 0
}

func (c *lsm6dsv) torn() bool { return c.reg[lsvCtrl3]&0x40 == 0 }

func (c *lsm6dsv) readReg(reg byte) byte {
	switch {
	case reg == lsvStatus:
		return c.status
	case reg >= lsvOut && reg < lsvOutEnd:
		i := int(reg - lsvOut)
		if i%2 == 1 {
			// A flag falls with a high byte of its block [M].
			switch {
			case i < 2:
				c.status &^= 4
			case i < 8:
				c.status &^= 2
			default:
				c.status &^= 1
			}
		}
		return c.out.read(i, !c.torn())
	}
	return c.reg[reg&0x7f]
}

func (c *lsm6dsv) writeReg(reg, v byte) {
	reg &= 0x7f
	switch {
	case reg == lsvWhoAmI, reg == lsvStatus, reg >= lsvOut && reg < lsvOutEnd:
		return
	case reg == lsvCtrl3 && v&0x81 != 0:
		c.reset(c.now)
		c.live = c.now + lsvResetTime
		if v&0x80 != 0 {
			c.live = c.now + lsvBoot
		}
		return
	}
	old := c.reg[reg]
	c.reg[reg] = v
	if v != old && (reg == lsvCtrl1 || reg == lsvCtrl2 || reg == lsvCtrl8 || reg == lsvCtrl9) {
		if reg == lsvCtrl2 && old&0x0f == 0 {
			c.gyroFrom = c.now + lsvGyroStart
		}
		c.configure(c.now)
	}
}

// nominal is the rate that a control register asks for.
func (c *lsm6dsv) nominal(reg byte) float64 {
	if c.reg[reg]&0x70 != 0 {
		return 0 // a low-power mode
	}
	return lsvRate[c.reg[reg]&0x0f]
}

// configure applies rates and filters from t on; sensors at one rate sample
// together.
func (c *lsm6dsv) configure(t time.Duration) {
	accel, gyro := c.nominal(lsvCtrl1), c.nominal(lsvCtrl2)
	c.accelGrid.run(t, c.rate(accel))
	c.gyroGrid.run(t, c.rate(gyro))
	c.tempGrid.run(t, c.rate(min(lsvTempHz, max(accel, gyro))))
	if accel > 0 {
		bw := accel * 1e3 // half the rate: white
		if c.reg[lsvCtrl9]&0x08 != 0 {
			bw = accel / lsvLPF2[c.reg[lsvCtrl8]>>5]
		}
		c.accel.filter(bw, accel, accel)
	}
	if gyro > 0 {
		c.gyro.filter(gyro/lsmGyroPart, gyro, gyro)
	}
}

func (c *lsm6dsv) advance(t time.Duration) {
	const never = time.Duration(math.MaxInt64)
	at := [3]time.Duration{never, never, never}
	for i, g := range [3]*grid{&c.accelGrid, &c.gyroGrid, &c.tempGrid} {
		if g.take(t) > 0 && !c.how.stalled {
			at[i] = g.time(g.taken)
		}
	}
	for {
		now := min(at[0], at[1], at[2])
		if now == never {
			return
		}
		sc := c.sense(now)
		for i, sample := range [3]func(scene){c.sampleAccel, c.sampleGyro, c.sampleTemp} {
			if at[i] == now {
				sample(sc)
				at[i] = never
			}
		}
	}
}

func (c *lsm6dsv) sampleAccel(sc scene) {
	c.status |= 1
	if !c.how.frozen {
		c.put(8, c.accel.read(sc, sc.Force, &c.accelGrid, c.accelGrid.taken),
			lsvAccelMg[c.reg[lsvCtrl8]&3]*1e-3*sensors.StandardGravity)
	}
}

func (c *lsm6dsv) sampleGyro(sc scene) {
	lsb := lsvGyroMdps[c.reg[lsvCtrl6]&0x0f] * 1e-3 * degree
	if sc.at < c.gyroFrom || lsb == 0 {
		return
	}
	c.status |= 2
	if !c.how.frozen {
		c.put(2, c.gyro.read(sc, sc.Rate, &c.gyroGrid, c.gyroGrid.taken), lsb)
	}
}

// sampleTemp: 256 LSB per °C, zero at 25 °C [V].
func (c *lsm6dsv) sampleTemp(sc scene) {
	c.status |= 4
	if !c.how.frozen {
		c.out.put(0, counts(c.thermometer(sc)-25, 1.0/256, -32768, 32767))
	}
}

func (c *lsm6dsv) put(at int, v r3.Vec, lsb float64) {
	for i, n := range counts3(v, lsb, -32768, 32767) {
		if c.how.saturated {
			n = 32767
		}
		c.out.put(at+2*i, n)
	}
}
