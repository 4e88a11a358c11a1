package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// QMC5883L. Sources: [D] QST data sheet 1.0, section 9 (registers and status,
// read as quoted in the Tasmota project's xsns_33_qmc5883l.ino); [V]
// mprograms/QMC5883LCompass; [K] Linux drivers/iio/magnetometer/qmc5883l.c 67f8bc8;
// [A] ArduPilot AP_Compass_QMC5883L.cpp and PX4's former qmc5883_i2c.cpp; [M] from
// memory or assumed.
const (
	qmcData     = 0x00 // X, Y, Z, low byte first [D]
	qmcStatus   = 0x06 // bit 0 DRDY, 1 OVL, 2 DOR [D]
	qmcTemp     = 0x07 // low byte first, 100 LSB/°C, zero not trimmed [D]
	qmcControl1 = 0x09 // bits 7..6 OSR, 5..4 RNG, 3..2 ODR, 1..0 MODE [D]
	qmcControl2 = 0x0a // bit 7 SOFT_RST, 6 ROL_PNT [D]
	qmcPeriod   = 0x0b // SET/RESET period, must be 1 [D] [V]
	qmcFixed    = 0x0c // 0x01 [A]
	qmcID       = 0x0d // 0xFF [K], once data were read or after a reset [A]; 0 before: [M]
	qmcLast     = 0x0d

	qmcReset    = 0x80
	qmcRollOver = 0x40
	qmcTempLSB  = 100 // per °C [D]

	qmcBoot = 350 * time.Microsecond // supply to I²C ready [K]
)

// Rates by ODR, Hz [D]; sensitivity by RNG, LSB per gauss [K], 0 = reserved.
var (
	qmcRate = [4]float64{10, 50, 100, 200}
	qmcLSB  = [4]float64{12000, 3000}
)

type qmc5883l struct {
	device
	control1, control2, period byte

	mag    triad
	bridge triad // what remains when the film is not pulsed
	grid   grid
	out    [9]byte
	ready  bool
	over   bool
	missed bool
	known  bool // the identity can be read
}

// NewQMC5883L makes a QMC5883L (identity 0xFF at 0x0D). Settings.Mag.Noise is
// 1 sigma of a sample at oversampling 512; Settings.Film acts while the
// set/reset period register is not 1.
func NewQMC5883L(w World, s Settings) Chip {
	c := &qmc5883l{}
	c.init("QMC5883L", qmcBoot, w, s, c)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	c.bridge = newTriad(Triad{Offset: s.Film.BridgeUT, OffsetPerC: s.Film.BridgePerC}, s.Seed, channelPulse, c.dice)
	return c
}

func (c *qmc5883l) reset(t time.Duration) {
	c.control1, c.control2, c.period, c.known = 0, 0, 0, false
	c.out, c.ready, c.over, c.missed = [9]byte{}, false, false, false
	c.mag.wander.begin(t)
	c.grid.run(t, 0)
}

func (c *qmc5883l) next(reg byte) byte {
	if reg == qmcStatus && c.control2&qmcRollOver != 0 {
		return qmcData
	}
	return reg + 1
}

func (c *qmc5883l) readReg(reg byte) byte {
	switch {
	case reg < qmcStatus:
		c.ready, c.missed = false, false // any data byte clears both [D]
		c.known = true
		return c.out[reg]
	case reg == qmcStatus:
		var v byte
		if c.ready {
			v |= 1
		}
		if c.over {
			v |= 2
		}
		if c.missed {
			v |= 4
		}
		return v
	case reg < qmcControl1:
		return c.out[reg]
	case reg == qmcControl1:
		return c.control1
	case reg == qmcControl2:
		return c.control2
	case reg == qmcPeriod:
		return c.period
	case reg == qmcFixed:
		return 0x01
	case reg == qmcID && c.known:
		return 0xff
	}
	return 0
}

func (c *qmc5883l) writeReg(reg, v byte) {
	switch reg {
	case qmcControl1:
		old := c.control1
		c.control1 = v
		if old != v {
			hz := 0.0
			if v&3 == 1 {
				hz = qmcRate[v>>2&3]
			}
			c.grid.run(c.now, c.rate(hz))
		}
	case qmcControl2:
		if v&qmcReset != 0 {
			c.reset(c.now)
			c.known = true
			return
		}
		c.control2 = v
	case qmcPeriod:
		c.period = v
	}
}

func (c *qmc5883l) advance(t time.Duration) {
	fresh := c.grid.take(t)
	lsb := qmcLSB[c.control1>>4&3]
	if fresh == 0 || c.how.stalled || lsb == 0 {
		return
	}
	c.missed = c.missed || c.ready || fresh > 1
	c.ready = true
	if c.how.frozen {
		return
	}
	n := c.grid.taken
	sc := c.sense(c.grid.time(n))
	// Less oversampling, more noise: as the root [D: "less in-band noise"].
	c.mag.gain = math.Sqrt(float64(int(1) << (c.control1 >> 6)))
	v := c.mag.read(sc, sc.FieldUT, &c.grid, n)
	if c.period != 1 {
		v = r3.Add(v, c.bridge.quiet(sc, r3.Vec{}))
	}
	c.over = false
	for i, k := range counts3(v, gauss/lsb, -32768, 32767) {
		if c.how.saturated {
			k = 32767
		}
		c.over = c.over || k == 32767 || k == -32768
		c.out[2*i], c.out[2*i+1] = byte(k), byte(k>>8)
	}
	k := counts(c.thermometer(sc), 1.0/qmcTempLSB, -32768, 32767)
	c.out[qmcTemp], c.out[qmcTemp+1] = byte(k), byte(k>>8)
}
