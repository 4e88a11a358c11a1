package sim

import (
	"time"

	"plumbstar/sensors"
)

// ADXL355. Sources: [K] Linux 6.12 drivers/iio/accel/adxl355_core.c; [V] Analog
// Devices no-OS drivers/accel/adxl355/adxl355.h (reset values); [M] from memory
// of the data sheet.
const (
	adxlID       = 0x00 // 0xAD, 0x1D, 0xED, revision [K]
	adxlStatus   = 0x04 // bit 0 DATA_RDY, 1 FIFO_FULL, 2 FIFO_OVR, 4 NVM_BUSY [V]
	adxlEntries  = 0x05
	adxlTemp     = 0x06 // 12 bits, high byte first [K]
	adxlOut      = 0x08 // X, Y, Z: 20 bits in the upper part of 3 bytes [K]
	adxlOutEnd   = adxlOut + 9
	adxlFilter   = 0x28 // bits 6..4 high-pass, 3..0 rate [K]
	adxlFifoSize = 0x29 // 0x60 after a reset [V]
	adxlRange    = 0x2c // bits 1..0: 1, 2, 3 for 2, 4, 8 g; 0x81 after a reset [V]
	adxlPower    = 0x2d // bit 0 standby, 1 temperature off; 0x01 after a reset [V]
	adxlReset    = 0x2f // 0x52 resets [K]
	adxlShadow   = 0x50 // 5 bytes of trim [K]

	adxlBoot  = 5 * time.Millisecond // [K: wait after a reset]
	adxlStart = 10 * time.Millisecond
	adxlRate  = 4000.0 // Hz at rate code 0, halved with each [K]
	adxlLSB   = 256000 // per g at 2 g [K]
)

type adxl355 struct {
	device
	reg    [0x60]byte
	accel  triad
	grid   grid
	from   time.Duration
	status byte
	unread int // samples in the FIFO, three entries each
}

// NewADXL355 makes an ADXL355 (identity 0xAD 0x1D 0xED at 0x1D or 0x53). The
// high-pass filter is not simulated.
func NewADXL355(w World, s Settings) Chip {
	c := &adxl355{}
	c.init("ADXL355", adxlBoot, w, s, c)
	c.accel = newTriad(s.Accel, s.Seed, channelAccel, c.dice)
	return c
}

// TypicalADXL355 draws a plausible part: 22.5 µg/√Hz, offset ±25 mg [M], 0.15 mg/°C
// at most, scale 8 % at most and 0.01 %/°C [M], cross-axis 1 % [M]; wander [P].
func TypicalADXL355(seed uint64) Settings {
	d := rolled(seed, 0)
	accel := spread{
		noise: every(22.5 * microG), offset: every(25 * mg), scale: 0.027, cross: 0.01,
		offsetPerC: every(0.05 * mg), scalePerC: 1e-4, warmUp: every(0.1 * mg), warmUpTime: 60 * time.Second,
		wander: 0.01 * mg, wanderTime: 300 * time.Second,
	}
	return Settings{
		Seed: seed, Accel: accel.draw(d), RateError: bounded(d.r, 0.005),
		SelfHeatC: 0.5 + 0.5*d.r.Float64(), SelfHeatTime: 90 * time.Second,
		TempOffsetC: 3 * d.r.NormFloat64(), TempNoiseC: 0.1,
	}
}

func (c *adxl355) reset(t time.Duration) {
	c.reg = [len(c.reg)]byte{
		adxlID: 0xad, 0x01: 0x1d, 0x02: 0xed, 0x03: 0x01, 0x27: 0x01, adxlFifoSize: 0x60,
		adxlRange: 0x81, adxlPower: 0x01,
	}
	r := c.dice.at(c.set.Seed, channelTrim, 0)
	for i := range 5 {
		c.reg[adxlShadow+i] = byte(r.IntN(256))
	}
	c.status, c.unread = 0, 0
	c.accel.wander.begin(t)
	c.configure(t)
}

func (c *adxl355) point(first byte) byte { return first & 0x7f }

func (c *adxl355) readReg(reg byte) byte {
	if int(reg) >= len(c.reg) {
		return 0
	}
	switch reg {
	case adxlStatus:
		v := c.status
		c.status &^= 1 // falls when it is read [M]
		return v
	case adxlEntries:
		return byte(min(3*c.unread, 96))
	case adxlReset:
		return 0
	}
	return c.reg[reg]
}

func (c *adxl355) writeReg(reg, v byte) {
	switch {
	case reg == adxlReset && v == 0x52:
		c.reset(c.now)
		c.live = c.now + adxlBoot/2
	case reg < 0x1e || reg >= adxlReset:
	case reg != adxlPower && c.reg[adxlPower]&1 == 0:
		// Settings are not to be changed while it measures [M]; here that is lost.
	default:
		old := c.reg[reg]
		c.reg[reg] = v
		if v != old {
			if reg == adxlPower {
				c.from = c.now + adxlStart
			}
			c.configure(c.now)
		}
	}
}

func (c *adxl355) configure(t time.Duration) {
	if c.reg[adxlPower]&1 != 0 {
		c.grid.run(t, 0)
		return
	}
	hz := adxlRate / float64(int(1)<<min(c.reg[adxlFilter]&0x0f, 10))
	c.accel.filter(hz/4, hz, hz)
	c.grid.run(t, c.rate(hz))
}

func (c *adxl355) advance(t time.Duration) {
	fresh := c.grid.take(t)
	if fresh == 0 || c.how.stalled || c.grid.time(c.grid.taken) < c.from {
		return
	}
	c.status |= 1
	if c.unread += int(fresh); c.unread >= 32 {
		c.status |= 0x06
	}
	if c.how.frozen {
		return
	}
	n := c.grid.taken
	sc := c.sense(c.grid.time(n))
	lsb := sensors.StandardGravity / adxlLSB * float64(int(1)<<max(c.reg[adxlRange]&3, 1)) / 2
	for i, v := range counts3(c.accel.read(sc, sc.Force, &c.grid, n), lsb, -1<<19, 1<<19-1) {
		if c.how.saturated {
			v = 1<<19 - 1
		}
		u := uint32(v) << 12
		copy(c.reg[adxlOut+3*i:], []byte{byte(u >> 24), byte(u >> 16), byte(u >> 8)})
	}
	if c.reg[adxlPower]&2 == 0 {
		// 1885 at 25 °C, -9.05 per °C [K].
		u := counts(1885-9.05*(c.thermometer(sc)-25), 1, 0, 4095)
		c.reg[adxlTemp], c.reg[adxlTemp+1] = byte(u>>8), byte(u)
	}
}
