package sim

import (
	"encoding/binary"
	"time"

	"plumbstar/sensors"
)

// ICM-20948. Sources: [V] SparkFun_ICM-20948_ArduinoLibrary 32cf061 (register
// map, filters by name); [D] TDK DS-000189 rev. 1.3, pages 12, 13, 22, 25, 37 and
// 78 read as text, 11 and 14 as quoted in a public repository; [M] from memory of
// [D].
const (
	icmBankSel = 0x7f // bits 5..4, in every bank [V]

	// Bank 0 [V].
	icmWhoAmI   = 0x00 // 0xEA
	icmUserCtrl = 0x03 // bit 5 I2C_MST_EN, bit 1 I2C_MST_RST
	icmPwr1     = 0x06 // bit 7 reset, 6 sleep, 2..0 clock; 0x41 after a reset
	icmPwr2     = 0x07 // bits 5..3 accelerometer off, 2..0 gyroscope off
	icmIntPin   = 0x0f // bit 1 BYPASS_EN
	icmStatus1  = 0x1a // bit 0 RAW_DATA_0_RDY
	icmOut      = 0x2d // accel, gyro, temperature: 7 words, high byte first
	icmOutEnd   = icmOut + 14

	// Bank 2 [V].
	icmGyroDiv  = 0x00
	icmGyroCfg  = 0x01 // bits 5..3 filter, 2..1 range, 0 filter on
	icmAccelDiv = 0x10 // 12 bits, high byte first
	icmAccelCfg = 0x14 // as icmGyroCfg

	icmBoot       = 11 * time.Millisecond // [M]
	icmResetTime  = 50 * time.Millisecond // [V]
	icmAccelStart = 20 * time.Millisecond // [D]
	icmGyroStart  = 35 * time.Millisecond // [M; so in PS-MPU-9250A-01]
	icmTempLSB    = 333.87                // per °C, zero at 21 °C [V]
)

// Filters by code [V, bandwidths in the names]; code 7 is wider than shown.
var (
	icmAccelBW = [8]float64{246, 246, 111.4, 50.4, 23.9, 11.5, 5.7, 473}
	icmGyroBW  = [8]float64{196.6, 151.8, 119.5, 51.2, 23.9, 11.6, 5.7, 361.4}
)

// icm20948 is one part. Accelerometer and gyroscope share the grid of the
// faster of the two; the filters' internal rate is 1125 Hz [D]. Without a filter
// (FCHOICE 0) the part is taken as unfiltered at the same rate.
type icm20948 struct {
	device
	reg                 [4][0x80]byte
	bank                byte
	accel, gyro         triad
	grid                grid
	out                 [14]byte
	ready               bool
	accelFrom, gyroFrom time.Duration
	aux                 Chip
}

// NewICM20948 makes an ICM-20948 (identity 0xEA at 0x68 or 0x69) with its AK09916
// magnetometer, which appears at 0x0C while bypass is on and the auxiliary master
// off.
func NewICM20948(w World, s Settings) Chip {
	c := &icm20948{}
	c.init("ICM-20948", icmBoot, w, s, c)
	c.accel = newTriad(s.Accel, s.Seed, channelAccel, c.dice)
	c.gyro = newTriad(s.Gyro, s.Seed, channelGyro, c.dice)
	c.aux = NewAK09916(w, s)
	return c
}

// TypicalICM20948 draws a plausible part.
func TypicalICM20948(seed uint64) Settings {
	// 230 µg/√Hz, ±50 mg on a board, ±0.80 mg/°C, ±0.026 %/°C, cross-axis 2 %
	// scale 0.5 %, 15 mdps/√Hz, ±5 °/s, ±0.05 °/s per °C, 1.5 % [D]; the rest as for
	// the MPU-6500 [P].
	accel, gyro := mpu6500Accel, mpu6500Gyro
	accel.noise, accel.offset, accel.offsetPerC = every(230*microG), every(50*mg), every(0.8*mg)
	accel.scale = 0.005
	gyro.noise, gyro.offsetPerC, gyro.scale = every(15*mdps), every(0.05*degree), 0.015
	s := drawMPU(seed, accel, gyro)
	s.Mag = ak09916Mag.draw(rolled(seed, 1))
	return s
}

func (c *icm20948) powerUp(at time.Duration) {
	c.device.powerUp(at)
	if c.aux != nil {
		c.aux.powerUp(at)
	}
}

func (c *icm20948) behind(addr uint16) Chip {
	if addr != 0x0c || c.reg[0][icmIntPin]&0x02 == 0 || c.reg[0][icmUserCtrl]&0x20 != 0 {
		return nil
	}
	return c.aux
}

func (c *icm20948) reset(t time.Duration) {
	c.reg = [4][0x80]byte{
		0: {icmWhoAmI: 0xea, icmPwr1: 0x41, 0x05: 0x40},
		2: {icmGyroCfg: 0x01, icmAccelCfg: 0x01}, // [M]
	}
	c.bank, c.out, c.ready = 0, [14]byte{}, false
	c.accel.wander.begin(t)
	c.gyro.wander.begin(t)
	c.configure(t)
}

func (c *icm20948) busy(reg byte) byte {
	if reg == icmPwr1 {
		return 0xc1
	}
	return 0
}

func (c *icm20948) point(first byte) byte { return first & 0x7f }
func (c *icm20948) next(reg byte) byte    { return (reg + 1) & 0x7f }

func (c *icm20948) readReg(reg byte) byte {
	switch {
	case reg == icmBankSel:
		return c.bank << 4
	case c.bank == 0 && reg == icmStatus1:
		v := byte(0)
		if c.ready {
			v = 1
		}
		c.ready = false
		return v
	case c.bank == 0 && reg >= icmOut && reg < icmOutEnd:
		return c.out[reg-icmOut]
	}
	return c.reg[c.bank][reg]
}

func (c *icm20948) writeReg(reg, v byte) {
	switch {
	case reg == icmBankSel:
		c.bank = v >> 4 & 3
		return
	case c.bank == 0 && reg == icmPwr1 && v&0x80 != 0:
		c.reset(c.now)
		c.live = c.now + icmResetTime
		return
	case c.bank == 0 && (reg == icmWhoAmI || reg == icmStatus1 || reg >= icmOut && reg < icmOutEnd):
		return
	case c.bank == 0 && reg == icmUserCtrl:
		v &^= 0x02 // the reset of the master ends by itself
	}
	old := c.reg[c.bank][reg]
	c.reg[c.bank][reg] = v
	if v == old {
		return
	}
	if c.bank == 0 && (reg == icmPwr1 || reg == icmPwr2) {
		c.accelFrom, c.gyroFrom = c.now+icmAccelStart, c.now+icmGyroStart
	}
	if c.bank == 0 && reg == icmPwr1 || c.bank == 2 {
		c.configure(c.now)
	}
}

// configure applies power, rates and filters from t on.
func (c *icm20948) configure(t time.Duration) {
	if c.reg[0][icmPwr1]&0x40 != 0 {
		c.grid.run(t, 0)
		return
	}
	r := &c.reg[2]
	gyro := 1125 / (1 + float64(r[icmGyroDiv]))
	accel := 1125 / (1 + float64(int(r[icmAccelDiv]&0x0f)<<8|int(r[icmAccelDiv+1])))
	hz := max(gyro, accel)
	c.accel.filter(icmAccelBW[r[icmAccelCfg]>>3&7], 1125, hz)
	c.gyro.filter(icmGyroBW[r[icmGyroCfg]>>3&7], 1125, hz)
	c.grid.run(t, c.rate(hz))
}

func (c *icm20948) advance(t time.Duration) {
	if c.grid.take(t) == 0 || c.how.stalled {
		return
	}
	c.ready = true
	if c.how.frozen {
		return
	}
	n := c.grid.taken
	at := c.grid.time(n)
	sc := c.sense(at)
	if c.reg[0][icmPwr2]&0x38 == 0 && at >= c.accelFrom {
		lsb := sensors.StandardGravity / float64(int(16384)>>(c.reg[2][icmAccelCfg]>>1&3))
		c.put(0, counts3(c.accel.read(sc, sc.Force, &c.grid, n), lsb, -32768, 32767))
	}
	if c.reg[0][icmPwr2]&0x07 == 0 && at >= c.gyroFrom {
		lsb := degree / mpuGyroLSB[c.reg[2][icmGyroCfg]>>1&3]
		c.put(6, counts3(c.gyro.read(sc, sc.Rate, &c.grid, n), lsb, -32768, 32767))
	}
	raw := counts(c.thermometer(sc)-21, 1/icmTempLSB, -32768, 32767)
	binary.BigEndian.PutUint16(c.out[12:], uint16(raw))
}

func (c *icm20948) put(at int, v [3]int32) {
	for i, n := range v {
		if c.how.saturated {
			n = 32767
		}
		binary.BigEndian.PutUint16(c.out[at+2*i:], uint16(n))
	}
}
