package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// BMM350. Sources: [V] boschsensortec/BMM350_SensorAPI 3daf377 (registers, waits,
// words and units of the coefficients) and Zephyr's bmm350 driver 01fb246; [M] from
// memory.
const (
	bmChipID   = 0x00 // 0x33 [V]
	bmAggr     = 0x04 // bits 5..4 average, 3..0 rate [V]
	bmAxisEn   = 0x05 // bits 2..0 Z, Y, X [V]
	bmPMU      = 0x06 // 0 suspend, 1 normal, 2 update, 5 FGR, 7 BR [V]
	bmPMUState = 0x07 // bit 3 normal mode [V]
	bmIntCtrl  = 0x2e // bit 7 data ready shows in the status [V]
	bmIntState = 0x30 // bit 2 data ready [V]
	bmData     = 0x31 // X, Y, Z, temperature: three bytes each, low first [V]
	bmDataEnd  = bmData + 12
	bmOTPCmd   = 0x50 // 0x20 | word reads, 0x80 off [V]
	bmOTPHigh  = 0x52
	bmOTPLow   = 0x53
	bmOTPState = 0x55 // bit 0 done, 7..5 error [V]
	bmCmd      = 0x7e // 0xB6 reset [V]

	bmIdentity = 0x33
	bmDummies  = 2 // bytes before the first of every read [V]

	bmBoot      = 3 * time.Millisecond  // [V]
	bmResetTime = 24 * time.Millisecond // [V]
	// bmOTPTime is how long a word takes [M].
	bmOTPTime = 300 * time.Microsecond
	bmFull    = 1<<20 - 1 // 21 bits with sign [V]
)

// Rates by code, Hz; 0: no such code [V].
var bmRate = [16]float64{2: 400, 3: 200, 4: 100, 5: 50, 6: 25, 7: 12.5, 8: 6.25, 9: 3.125, 10: 1.5625}

// Units per count of X and Y, of Z (µT) and of the thermometer (°C), and its base:
// products of the gains in [V], in digits.
const (
	bmPerXY   = 0.0070699787
	bmPerZ    = 0.0071749641
	bmPerC    = 0.00098128185
	bmBaseC   = 25.49
	bmSensY   = 0.01   // added to that coefficient in all parts [V]
	bmTCSZ    = 0.0001 // taken off that one [V]
	bmOTPSize = 32
)

// bmTrim are the errors of a part as its maker measured them.
type bmTrim struct {
	offset, sens, tco, tcs [3]float64
	tOffset, tSens, t0     float64
	xy, yx, zx, zy         float64
}

type bmm350 struct {
	device
	aggr, axes3, intCtrl byte
	active               byte // what update took over from aggr
	normal               bool
	otp                  [bmOTPSize]uint16
	otpAt                time.Duration // since when a word is on its way
	word                 byte
	trim                 bmTrim

	mag   triad
	grid  grid
	out   [12]byte
	ready bool
	stray uint64
}

// NewBMM350 makes a BMM350 (identity 0x33 at 0x14 or 0x15). Settings.Mag.Noise is 1
// sigma of a sample of two measurements, after the correction; the other errors of
// Settings.Mag are what the correction leaves. The coefficients are drawn from the
// seed. What a magnetic reset does is not simulated.
func NewBMM350(w World, s Settings) Chip {
	c := &bmm350{}
	c.init("BMM350", bmBoot, w, s, c)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	c.drawTrim()
	return c
}

// drawTrim draws the words of the memory, and reads from them what they mean.
func (c *bmm350) drawTrim() {
	r := c.dice.at(c.set.Seed, channelTrim, 2)
	small := func(limit int) int { return r.IntN(2*limit+1) - limit }
	byteOf := func(v int) uint16 { return uint16(uint8(int8(v))) }
	pair := func(hi, lo int) uint16 { return byteOf(hi)<<8 | byteOf(lo) }
	off := [3]int{small(60), small(60), small(60)} // µT
	sens := [3]int{small(25), small(25), small(25)}
	tco := [3]int{small(20), small(20), small(20)}
	tcs := [3]int{small(10), small(10), small(10)}
	cross := [4]int{small(20), small(20), small(20), small(20)}
	tOff, tSens, t0 := small(20), small(10), small(500)

	u := func(i int) uint16 { return uint16(off[i]) & 0xfff }
	c.otp[0x0d] = pair(tSens, tOff)
	c.otp[0x0e] = u(0) | u(1)>>8<<12
	c.otp[0x0f] = u(1)&0xff | u(2)>>8<<8
	c.otp[0x10] = u(2)&0xff | byteOf(sens[0])<<8
	c.otp[0x11] = pair(sens[2], sens[1])
	for i := range 3 {
		c.otp[0x12+i] = pair(tcs[i], tco[i])
	}
	c.otp[0x15] = pair(cross[1], cross[0])
	c.otp[0x16] = pair(cross[3], cross[2])
	c.otp[0x18] = uint16(int16(t0))

	t := bmTrim{
		tOffset: float64(tOff) / 5, tSens: float64(tSens) / 512, t0: 23 + float64(t0)/512,
		xy: float64(cross[0]) / 800, yx: float64(cross[1]) / 800,
		zx: float64(cross[2]) / 800, zy: float64(cross[3]) / 800,
	}
	for i := range 3 {
		t.offset[i], t.sens[i] = float64(off[i]), float64(sens[i])/256
		t.tco[i], t.tcs[i] = float64(tco[i])/32, float64(tcs[i])/16384
	}
	t.sens[1] += bmSensY
	t.tcs[2] -= bmTCSZ
	c.trim = t
}

func (c *bmm350) reset(t time.Duration) {
	c.aggr, c.axes3, c.intCtrl = 0x14, 0x07, 0 // [M]
	c.active, c.normal = c.aggr, false
	c.out, c.ready, c.word, c.otpAt = [12]byte{}, false, 0, t
	c.mag.wander.begin(t)
	c.grid.run(t, 0)
}

// transfer sends two bytes of no use before the first that counts.
func (c *bmm350) transfer(x exchange) bool {
	n := min(bmDummies, len(x.r))
	for i := range n {
		c.stray++
		x.r[i] = byte(mix(c.set.Seed + channelStray<<32 + c.stray))
	}
	x.r = x.r[n:]
	return c.device.transfer(x)
}

func (c *bmm350) readReg(reg byte) byte {
	switch {
	case reg == bmChipID:
		return bmIdentity
	case reg == bmAggr:
		return c.aggr
	case reg == bmAxisEn:
		return c.axes3
	case reg == bmPMUState:
		if c.normal {
			return 8
		}
	case reg == bmIntCtrl:
		return c.intCtrl
	case reg == bmIntState:
		if c.ready && c.intCtrl&0x80 != 0 {
			c.ready = false // cleared by reading [M]
			return 4
		}
	case reg >= bmData && reg < bmDataEnd:
		return c.out[reg-bmData]
	case reg == bmOTPState:
		if c.now-c.otpAt >= bmOTPTime {
			return 1
		}
	case reg == bmOTPHigh:
		return byte(c.otp[c.word] >> 8)
	case reg == bmOTPLow:
		return byte(c.otp[c.word])
	}
	return 0
}

func (c *bmm350) writeReg(reg, v byte) {
	switch reg {
	case bmAggr:
		c.aggr = v
	case bmAxisEn:
		c.axes3 = v & 7
	case bmIntCtrl:
		c.intCtrl = v
	case bmOTPCmd:
		if v&0xe0 == 0x20 {
			c.word, c.otpAt = v&0x1f, c.now
		}
	case bmPMU:
		c.power(v)
	case bmCmd:
		if v == 0xb6 {
			c.reset(c.now)
			c.live = c.now + bmResetTime
		}
	}
}

func (c *bmm350) power(v byte) {
	switch v {
	case 0:
		c.normal = false
	case 1:
		c.normal = true
	case 2:
		c.active = c.aggr
	default:
		return // magnetic resets
	}
	hz := 0.0
	if c.normal && c.axes3 == 7 {
		hz = bmRate[c.active&0xf]
	}
	c.grid.run(c.now, c.rate(hz))
}

func (c *bmm350) advance(t time.Duration) {
	if c.grid.take(t) == 0 || c.how.stalled {
		return
	}
	c.ready = true
	if c.how.frozen {
		return
	}
	n := c.grid.taken
	sc := c.sense(c.grid.time(n))
	c.mag.gain = math.Sqrt(2 / float64(int(1)<<(c.active>>4&3)))
	v := c.uncorrected(c.mag.read(sc, sc.FieldUT, &c.grid, n), sc.chipC)
	k := counts3(r3.Vec{X: v.X / bmPerXY, Y: v.Y / bmPerXY, Z: v.Z / bmPerZ}, 1, -bmFull-1, bmFull)
	if c.how.saturated {
		k = [3]int32{bmFull, bmFull, bmFull}
	}
	tempC := (c.thermometer(sc)-c.trim.tOffset)/(1+c.trim.tSens) + bmBaseC
	for i, u := range [4]int32{k[0], k[1], k[2], counts(tempC, bmPerC, -bmFull-1, bmFull)} {
		c.out[3*i], c.out[3*i+1], c.out[3*i+2] = byte(u), byte(u>>8), byte(u>>16)
	}
}

// uncorrected is what the converter sees of a field, µT.
func (c *bmm350) uncorrected(h r3.Vec, tempC float64) r3.Vec {
	t := &c.trim
	v := [3]float64{h.X + t.xy*h.Y, h.Y + t.yx*h.X, h.Z + t.zx*h.X + t.zy*h.Y}
	dt := tempC - t.t0
	for i := range v {
		v[i] = (v[i]*(1+t.tcs[i]*dt) - t.tco[i]*dt - t.offset[i]) / (1 + t.sens[i])
	}
	return r3.Vec{X: v[0], Y: v[1], Z: v[2]}
}
