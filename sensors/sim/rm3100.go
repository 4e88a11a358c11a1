package sim

import (
	"math"
	"time"
)

// RM3100. Sources: [D] PNI RM3100 and RM2100 user manual R14; [K] Linux 6.12
// drivers/iio/magnetometer/rm3100-core.c; [M] from memory.
const (
	rmPoll   = 0x00 // bits 6..4 Z, Y, X [D]
	rmCMM    = 0x01 // bits 6..4 Z, Y, X, 2 DRDM, 0 START; reading it stops [D]
	rmCC     = 0x04 // 0x04-0x09 cycle counts X, Y, Z, high byte first [D]
	rmTMRC   = 0x0b // 0x92 600 Hz to 0x9F; writing it stops [D]
	rmMX     = 0x24 // 0x24-0x2c X, Y, Z, three bytes each, high byte first [D]
	rmMEnd   = rmMX + 9
	rmBIST   = 0x33 // bit 7 STE, 6..4 Z, Y, X ok [D]
	rmStatus = 0x34 // bit 7 DRDY, the others mean nothing [D]
	rmShake  = 0x35 // bit 6 NACK2: results were asked for and not ready; 1..0 DRC [D]
	rmRevID  = 0x36 // 0x22 [M]

	rmRevision = 0x22
	rmStart    = 0x01
	rmAll      = 0x70
	rmNACK2    = 0x40
	rmSTE      = 0x80

	rmBoot = 5 * time.Millisecond // [M]
	// rmTop is the rate of TMRC 0x92, which each further step halves [D].
	rmTop = 600.0
)

// Gain by cycle count, counts per µT [D]; straight lines between.
var rmGain = [...]struct{ cycles, gain float64 }{{0, 1.5}, {50, 20}, {100, 38}, {200, 75}, {400, 149}}

type rm3100 struct {
	device
	cmm, tmrc, bist, shake byte
	cycles                 [6]byte

	mag   triad
	grid  grid
	poll  grid // a single measurement
	out   [9]byte
	ready bool
	stray uint64
}

// NewRM3100 makes an RM3100 (revision 0x22 at 0x20 to 0x23). Settings.Mag.Noise is
// 1 sigma of a sample at 200 cycles. Results that are not ready are not
// acknowledged.
func NewRM3100(w World, s Settings) Chip {
	c := &rm3100{}
	c.init("RM3100", rmBoot, w, s, c)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	return c
}

func (c *rm3100) reset(t time.Duration) {
	c.cmm, c.tmrc, c.bist, c.shake = 0, 0x96, 0, 0x1b // [D], shake [M]
	c.cycles = [6]byte{0, 200, 0, 200, 0, 200}        // [D]
	c.out, c.ready = [9]byte{}, false
	c.mag.wander.begin(t)
	c.grid.run(t, 0)
	c.poll.run(t, 0)
}

// transfer refuses results that are not ready.
func (c *rm3100) transfer(x exchange) bool {
	if len(x.r) > 0 && len(x.w) == 1 && x.w[0] >= rmMX && x.w[0] < rmMEnd {
		c.how, c.now = x.how, max(c.now, x.now)
		if c.now >= c.live {
			c.advance(c.now)
		}
		if !c.ready {
			c.shake |= rmNACK2
			return false
		}
	}
	return c.device.transfer(x)
}

func (c *rm3100) readReg(reg byte) byte {
	switch {
	case reg == rmCMM:
		v := c.cmm
		c.stop()
		return v
	case reg >= rmCC && reg < rmCC+6:
		return c.cycles[reg-rmCC]
	case reg == rmTMRC:
		return c.tmrc
	case reg >= rmMX && reg < rmMEnd:
		c.ready = false // cleared with the first byte [D]
		return c.out[reg-rmMX]
	case reg == rmBIST:
		return c.bist
	case reg == rmStatus:
		c.stray++
		v := byte(mix(c.set.Seed+channelStray<<32+c.stray)) &^ 0x80
		if c.ready {
			v |= 0x80
		}
		return v
	case reg == rmShake:
		return c.shake
	case reg == rmRevID:
		return rmRevision
	}
	return 0
}

func (c *rm3100) stop() {
	c.cmm &^= rmStart
	c.grid.run(c.now, 0)
}

func (c *rm3100) writeReg(reg, v byte) {
	c.ready = c.ready && c.shake&1 == 0 // any write clears it [D]
	switch {
	case reg == rmPoll:
		if c.cmm&rmStart == 0 && v&rmAll != 0 {
			c.poll.run(c.now, c.fastest())
		}
	case reg == rmCMM:
		c.cmm = v
		hz := 0.0
		if v&rmStart != 0 && v&rmAll == rmAll && c.tmrc >= 0x92 && c.tmrc <= 0x9f {
			hz = min(rmTop/float64(int(1)<<(c.tmrc-0x92)), c.fastest())
		}
		c.grid.run(c.now, c.rate(hz))
	case reg >= rmCC && reg < rmCC+6:
		c.cycles[reg-rmCC] = v
	case reg == rmTMRC:
		c.tmrc = v
		c.stop()
	case reg == rmBIST:
		c.bist = v
	case reg == rmShake:
		c.shake = c.shake&0x70 | v&^0x70
	}
}

func (c *rm3100) cycleCount(axis int) float64 {
	return float64(int(c.cycles[2*axis])<<8 | int(c.cycles[2*axis+1]))
}

// fastest is the rate that the cycle counts allow: 430 Hz at 200 [D].
func (c *rm3100) fastest() float64 { return 430 * 200 / max(1, c.cycleCount(0)) }

// perUT is the gain at a cycle count.
func rmPerUT(cycles float64) float64 {
	for i := 1; ; i++ {
		a, b := rmGain[i-1], rmGain[i]
		if cycles <= b.cycles || i == len(rmGain)-1 {
			return a.gain + (b.gain-a.gain)*(cycles-a.cycles)/(b.cycles-a.cycles)
		}
	}
}

func (c *rm3100) advance(t time.Duration) {
	if c.grid.take(t) > 0 {
		c.sample(&c.grid)
	}
	if c.poll.take(t) > 0 {
		c.poll.taken = 1
		if c.bist&rmSTE != 0 {
			c.bist |= 0x70
		}
		c.sample(&c.poll)
		c.poll.run(t, 0)
	}
}

func (c *rm3100) sample(g *grid) {
	if c.how.stalled {
		return
	}
	c.ready = true
	if c.how.frozen {
		return
	}
	n := g.taken
	sc := c.sense(g.time(n))
	// 30, 20 and 15 nT at 50, 100 and 200 cycles [D]: about the root.
	c.mag.gain = math.Sqrt(200 / max(1, c.cycleCount(0)))
	v := c.mag.read(sc, sc.FieldUT, g, n)
	for i, h := range [3]float64{v.X, v.Y, v.Z} {
		k := counts(h, 1/rmPerUT(c.cycleCount(i)), -1<<23, 1<<23-1)
		if c.how.saturated {
			k = 1<<23 - 1
		}
		c.out[3*i], c.out[3*i+1], c.out[3*i+2] = byte(k>>16), byte(k>>8), byte(k)
	}
}
