package sim

import (
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// MMC5983MA. Sources: [D] MEMSIC MMC5983MA rev. A, 4/3/2019; [V] SparkFun
// MMC5983MA library 8b22bc4 (constants, order of clearing the status); [A]
// crengineering/AurixTricore, which measured the axes of a part; [M] from memory or
// assumed where none says.
const (
	mmcOut      = 0x00 // X, Y, Z bits 17..2, high byte first; 0x06 the low bits [D]
	mmcLowBits  = 0x06 // X 7..6, Y 5..4, Z 3..2 [D]
	mmcTemp     = 0x07 // -75 °C + 0.8 °C per LSB [D]
	mmcStatus   = 0x08 // bit 0 Meas_M_Done, 1 Meas_T_Done, 4 OTP_Rd_Done; write 1 clears 0 and 1 [D] [V]
	mmcControl0 = 0x09 // bit 0 TM_M, 1 TM_T, 3 SET, 4 RESET, 5 Auto_SR_en, 6 OTP read [D]
	mmcControl1 = 0x0a // bits 1..0 BW, 7 SW_RST; 2 X off, 4..3 Y and Z off [D] [V]
	mmcControl2 = 0x0b // bits 2..0 CM_FREQ, 3 CMM_EN, 6..4 PRD_SET, 7 EN_PRD_SET [D]
	mmcControl3 = 0x0c // bit 1 St_enp, 2 St_enm [D]
	mmcID       = 0x2f // 0x30 [D]

	mmcIdentity = 0x30
	mmcZero     = 131072 // counts at no field [D]
	mmcPerGauss = 16384  // counts [D]
	mmcFull     = 1<<18 - 1

	mmcMeasM   = 0x01
	mmcMeasT   = 0x02
	mmcSet     = 0x08
	mmcReset   = 0x10
	mmcAutoSR  = 0x20
	mmcOTP     = 0x10 // in the status
	mmcSWReset = 0x80
	mmcCMM     = 0x08
	mmcPrdSet  = 0x80

	mmcBoot = 10 * time.Millisecond // power-on and software reset [D]
	// mmcPulseWait is how long after a SET or RESET pulse no command is taken;
	// [D] asks to wait 1 ms.
	mmcPulseWait = time.Millisecond
	// mmcTempTime is a temperature measurement [M].
	mmcTempTime = 5 * time.Millisecond
)

// Measurement time and noise (as a factor on that of the smallest bandwidth)
// by BW: 0.4, 0.6, 0.8, 1.2 mG rms [D].
var (
	mmcTime  = [4]time.Duration{8 * time.Millisecond, 4 * time.Millisecond, 2 * time.Millisecond, 500 * time.Microsecond}
	mmcNoise = [4]float64{1, 1.5, 2, 3}
)

// Continuous rates by CM_FREQ, Hz; 0 is off [D].
var mmcRate = [8]float64{0, 1, 10, 20, 50, 100, 200, 1000}

// Samples between automatic SET pulses by PRD_SET [D].
var mmcPeriod = [8]int64{1, 25, 75, 100, 250, 500, 1000, 2000}

// mmcAxes: after SET the output is left-handed, x and y as printed and z into the
// board [A]; here against x, y and z out of the top of the package.
var mmcAxes = matrix{1, 0, 0, 0, 1, 0, 0, 0, -1}

// mmcCoil is the field of the saturation test per axis [M].
const mmcCoil = 1.0 * gauss

type mmc5983ma struct {
	device
	control [4]byte
	mag     triad
	bridge  triad

	// The film: sign of the last pulse, the offset that it left, and until
	// when the pulse keeps the chip busy. It survives the supply.
	sign      float64
	left      r3.Vec
	pulseOver time.Duration

	grid         grid // continuous measurements
	field, therm grid // one-shot measurements
	out          [8]byte
	done         byte
	stray        uint64
}

// NewMMC5983MA makes an MMC5983MA (identity 0x30 at 0x30). Settings.Mag.Noise
// is 1 sigma of a sample at 100 Hz bandwidth, Settings.Film the bridge. An
// automatic set/reset (Auto_SR_en) is taken to be a SET pulse before the
// measurement, or before every PRD_SET-th sample; it takes no offset out. Output,
// Mag and Film have z turned round against Settings.Axes.
func NewMMC5983MA(w World, s Settings) Chip {
	c := &mmc5983ma{sign: 1}
	if s.Film.Reversed {
		c.sign = -1
	}
	c.init("MMC5983MA", mmcBoot, w, s, c)
	c.axes = mmcAxes.times(&c.axes)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	c.bridge = newTriad(Triad{Offset: s.Film.BridgeUT, OffsetPerC: s.Film.BridgePerC}, s.Seed, channelPulse, c.dice)
	return c
}

func (c *mmc5983ma) reset(t time.Duration) {
	c.control, c.out, c.done = [4]byte{}, [8]byte{}, mmcOTP
	c.mag.wander.begin(t)
	c.grid.run(t, 0)
	c.field.run(t, 0)
	c.therm.run(t, 0)
}

func (c *mmc5983ma) readReg(reg byte) byte {
	switch {
	case reg <= mmcTemp:
		return c.out[reg]
	case reg == mmcStatus:
		return c.done
	case reg <= mmcControl3:
		// Write-only: what comes back has nothing to do with what was written.
		c.stray++
		return byte(mix(c.set.Seed + channelStray<<32 + c.stray))
	case reg == mmcID:
		return mmcIdentity
	}
	return 0
}

func (c *mmc5983ma) writeReg(reg, v byte) {
	switch reg {
	case mmcStatus:
		c.done &^= v & (mmcMeasM | mmcMeasT)
	case mmcControl0:
		c.command(v)
	case mmcControl1:
		if v&mmcSWReset != 0 {
			c.reset(c.now)
			c.live = c.now + mmcBoot
			return
		}
		c.control[1] = v
		c.configure()
	case mmcControl2:
		if c.control[2] != v {
			c.control[2] = v
			c.configure()
		}
	case mmcControl3:
		c.control[3] = v
	}
}

// command is a write to control 0, whose action bits clear by themselves.
func (c *mmc5983ma) command(v byte) {
	c.control[0] = v & mmcAutoSR
	if c.now < c.pulseOver {
		return
	}
	switch {
	case v&mmcSet != 0 && v&mmcReset == 0:
		c.pulse(1, c.now)
		c.pulseOver = c.now + mmcPulseWait
	case v&mmcReset != 0 && v&mmcSet == 0:
		c.pulse(-1, c.now)
		c.pulseOver = c.now + mmcPulseWait
	}
	switch v & (mmcMeasM | mmcMeasT) { // both at once are forbidden [D]
	case mmcMeasM:
		c.done &^= mmcMeasM
		if c.now >= c.pulseOver {
			c.field.run(c.now, 1/c.measureTime().Seconds())
		}
	case mmcMeasT:
		c.done &^= mmcMeasT
		c.therm.run(c.now, 1/mmcTempTime.Seconds())
	}
}

// pulse magnetises the film at t.
func (c *mmc5983ma) pulse(sign float64, t time.Duration) {
	c.sign = sign
	c.dice.at(c.set.Seed, channelPulse, t)
	c.left = r3.Scale(c.set.Film.RepeatUT, c.dice.norm3())
}

func (c *mmc5983ma) measureTime() time.Duration { return mmcTime[c.control[1]&3] }

// configure applies the continuous mode. A rate that leaves no time for the
// measurement (200 Hz needs BW 01, 1000 Hz BW 11 [D]) gives no samples.
func (c *mmc5983ma) configure() {
	hz := mmcRate[c.control[2]&7]
	if c.control[2]&mmcCMM == 0 || hz*c.measureTime().Seconds() > 1 {
		hz = 0
	}
	c.grid.run(c.now, c.rate(hz))
}

func (c *mmc5983ma) advance(t time.Duration) {
	if c.grid.take(t) > 0 {
		c.autoSet(c.grid.taken, c.grid.time(c.grid.taken))
		c.sample(&c.grid)
	}
	if c.field.take(t) > 0 {
		c.field.taken = 1
		if c.control[0]&mmcAutoSR != 0 {
			c.pulse(1, c.field.time(1))
		}
		c.sample(&c.field)
		c.field.run(t, 0)
	}
	if c.therm.take(t) > 0 {
		at := c.therm.time(1)
		c.therm.run(t, 0)
		if !c.how.stalled {
			c.done |= mmcMeasT
			c.out[mmcTemp] = byte(counts(c.thermometer(c.sense(at))+75, 0.8, 0, 255))
		}
	}
}

// autoSet pulses the film before sample n of the continuous mode when the
// automatic set says so.
func (c *mmc5983ma) autoSet(n int64, t time.Duration) {
	if c.control[0]&mmcAutoSR == 0 {
		return
	}
	every := int64(1)
	if c.control[2]&mmcPrdSet != 0 {
		every = mmcPeriod[c.control[2]>>4&7]
	}
	// The pulse of the newest multiple holds, also when samples were skipped.
	last := (n - 1) / every * every
	if at := c.grid.time(last); at >= c.pulseOver-mmcPulseWait {
		c.pulse(1, at)
	}
}

func (c *mmc5983ma) sample(g *grid) {
	if c.how.stalled {
		return
	}
	c.done |= mmcMeasM
	if c.how.frozen {
		return
	}
	n := g.taken
	sc := c.sense(g.time(n))
	// The field acts with the sign of the film; what the bridge is off by and
	// what the last pulse left do not.
	c.mag.gain = mmcNoise[c.control[1]&3]
	field := r3.Add(c.mag.read(sc, sc.FieldUT, g, n), every(c.coil()))
	v := r3.Add(r3.Scale(c.sign, field), r3.Add(c.bridge.quiet(sc, r3.Vec{}), c.left))
	off := c.control[1] >> 2 & 7
	low := c.out[mmcLowBits]
	for i, k := range counts3(v, gauss/mmcPerGauss, -mmcZero, mmcFull-mmcZero) {
		u := uint32(k + mmcZero)
		if c.how.saturated {
			u = mmcFull
		}
		if off>>i&1 != 0 {
			continue
		}
		c.out[2*i], c.out[2*i+1] = byte(u>>10), byte(u>>2)
		low = low&^(3<<(6-2*i)) | byte(u&3)<<(6-2*i)
	}
	c.out[mmcLowBits] = low
}

// coil is the field of the saturation test, µT; both bits at once cancel.
func (c *mmc5983ma) coil() float64 {
	v := 0.0
	if c.control[3]&2 != 0 {
		v += mmcCoil
	}
	if c.control[3]&4 != 0 {
		v -= mmcCoil
	}
	return v
}
