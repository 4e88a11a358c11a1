package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// QMC5883P. Sources: [V] adafruit/Adafruit_QMC5883P and reznikmm/qmc5883p
// (registers, scales); [D] feature list of QST's data sheet (pdf.elecfans.com,
// 11130551); [S] what is quoted of its sheet 13-52-19 rev. C in the linux-iio
// thread "add driver for QST QMC5883P" (2026), and measured there; [M] from memory.
const (
	qmpID       = 0x00 // 0x80 [V]
	qmpData     = 0x01 // X, Y, Z, low byte first [V]
	qmpStatus   = 0x09 // bit 0 DRDY, 1 OVFL [V]; reading it clears DRDY [S: 9.2.2]
	qmpControl1 = 0x0a // bits 7..6 OSR2, 5..4 OSR1, 3..2 ODR, 1..0 MODE [V]
	qmpControl2 = 0x0b // bit 7 SOFT_RST, 6 SELF_TEST, 3..2 RNG, 1..0 SET/RESET [V]

	qmpSigns = 0x29 // bits 2..0 reverse Z, Y, X [V: QMC6310 drivers]

	qmpIdentity = 0x80
	qmpReset    = 0x80
	qmpTest     = 0x40
	qmpEnd      = 30000 // counts at which OVFL comes [M]

	qmpBoot = time.Millisecond // [M]
	// qmpBusy is how long a reset takes; Adafruit's library waits 50 ms [V].
	qmpBusy = 10 * time.Millisecond
)

// qmpAxes: with register 0x29 at 0, as after a reset, y and z stand against the
// figure of the data sheet, which 0x06 restores [S].
var qmpAxes = matrix{1, 0, 0, 0, -1, 0, 0, 0, -1}

// Rates by ODR, Hz; sensitivity by RNG (30, 12, 8, 2 gauss), LSB per gauss [V].
var (
	qmpRate = [4]float64{10, 50, 100, 200}
	qmpLSB  = [4]float64{1000, 2500, 3750, 15000}
)

type qmc5883p struct {
	device
	control1, control2 byte
	signs              byte

	mag    triad
	bridge triad
	grid   grid
	single bool
	out    [6]byte
	ready  bool
	over   bool
}

// NewQMC5883P makes a QMC5883P (identity 0x80 at 0x2C). Settings.Mag.Noise is 1
// sigma of a sample at the strongest sampling down and over; Settings.Film acts
// while SET/RESET is not in the mode that pulses both ways. Settings.Axes are the
// axes of the data sheet's figure; Mag and Film have y and z reversed.
func NewQMC5883P(w World, s Settings) Chip {
	c := &qmc5883p{}
	c.init("QMC5883P", qmpBoot, w, s, c)
	c.axes = qmpAxes.times(&c.axes)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	c.bridge = newTriad(Triad{Offset: s.Film.BridgeUT, OffsetPerC: s.Film.BridgePerC}, s.Seed, channelPulse, c.dice)
	return c
}

func (c *qmc5883p) reset(t time.Duration) {
	c.control1, c.control2, c.signs = 0, 0, 0
	c.out, c.ready, c.over = [6]byte{}, false, false
	c.mag.wander.begin(t)
	c.grid.run(t, 0)
}

func (c *qmc5883p) readReg(reg byte) byte {
	switch {
	case reg == qmpID:
		return qmpIdentity
	case reg < qmpData+6:
		return c.out[reg-qmpData]
	case reg == qmpStatus:
		var v byte
		if c.ready {
			v |= 1
		}
		if c.over {
			v |= 2
		}
		c.ready = false
		return v
	case reg == qmpControl1:
		return c.control1
	case reg == qmpControl2:
		return c.control2
	}
	return 0
}

func (c *qmc5883p) writeReg(reg, v byte) {
	switch reg {
	case qmpControl1:
		old := c.control1
		c.control1 = v
		if old != v {
			c.configure()
		}
	case qmpControl2:
		if v&qmpReset != 0 {
			c.reset(c.now)
			c.live = c.now + qmpBusy
			return
		}
		c.control2 = v &^ qmpTest // clears by itself; the coil is not simulated
	case qmpSigns:
		c.signs = v & 7
	}
}

func (c *qmc5883p) configure() {
	hz := qmpRate[c.control1>>2&3]
	c.single = false
	switch c.control1 & 3 {
	case 0:
		hz = 0
	case 2:
		c.single = true
	}
	c.grid.run(c.now, c.rate(hz))
}

func (c *qmc5883p) advance(t time.Duration) {
	if c.grid.take(t) == 0 {
		return
	}
	if c.single {
		c.grid.taken = 1
		c.control1 &^= 3
		defer c.grid.run(t, 0)
	}
	if c.how.stalled {
		return
	}
	c.ready = true
	if c.how.frozen {
		return
	}
	n := c.grid.taken
	sc := c.sense(c.grid.time(n))
	// Half as many measurements in a sample, √2 of the noise: OSR1 is 8, 4, 2, 1 by
	// code, OSR2 1, 2, 4, 8 [V].
	lost := int(c.control1>>4&3) + 3 - int(c.control1>>6)
	c.mag.gain = math.Sqrt(float64(int(1) << lost))
	v := c.mag.read(sc, sc.FieldUT, &c.grid, n)
	if c.control2&3 != 0 {
		v = r3.Add(v, c.bridge.quiet(sc, r3.Vec{}))
	}
	c.over = false
	for i, k := range counts3(v, gauss/qmpLSB[c.control2>>2&3], -32768, 32767) {
		if c.how.saturated {
			k = 32767
		}
		if c.signs>>i&1 != 0 {
			k = min(-k, 32767)
		}
		c.over = c.over || k >= qmpEnd || k <= -qmpEnd
		c.out[2*i], c.out[2*i+1] = byte(k), byte(k>>8)
	}
}
