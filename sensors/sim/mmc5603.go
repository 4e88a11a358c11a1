package sim

import (
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// MMC5603. Sources: [V] adafruit/Adafruit_CircuitPython_MMC56x3 (registers, scale,
// waits) and MEMSIC's sensor_geomagnetism_mmc5603 (bits); [K] Linux
// drivers/iio/magnetometer/mmc5633.c 42d3b66; [M] from memory or assumed: the data
// sheet was not read.
const (
	mmsOut      = 0x00 // X, Y, Z: 16 bits each, high byte first; 0x06-0x08 four more at the top [V]
	mmsTemp     = 0x09 // -75 °C + 0.8 °C per LSB, one-shot only [V]
	mmsStatus   = 0x18 // bit 6 M_DONE, 7 T_DONE [V]
	mmsODR      = 0x1a // Hz [V]
	mmsControl0 = 0x1b // bit 0 TM_M, 1 TM_T, 3 SET, 4 RESET, 5 Auto_SR_en, 7 Cmm_freq_en [V]
	mmsControl1 = 0x1c // bits 1..0 BW, 7 SW_RST [V]
	mmsControl2 = 0x1d // bit 4 CMM_EN, 7 hpower [V]
	mmsID       = 0x39 // 0x10 [V]

	mmsIdentity = 0x10
	mmsZero     = 1 << 19
	mmsFull     = 1<<20 - 1
	mmsLSB      = 0.00625 // µT [V]

	mmsDoneM   = 0x40
	mmsDoneT   = 0x80
	mmsSet     = 0x08
	mmsReset   = 0x10
	mmsAutoSR  = 0x20
	mmsFreqEn  = 0x80
	mmsSWReset = 0x80
	mmsCMM     = 0x10

	mmsBoot     = 20 * time.Millisecond // [V]
	mmsTempTime = 5 * time.Millisecond  // [M]
)

// Time of one measurement by BW [V]; the automatic set/reset needs two.
var mmsTime = [4]time.Duration{6600 * time.Microsecond, 3500 * time.Microsecond, 2 * time.Millisecond, 1200 * time.Microsecond}

// Noise by BW as a factor on the narrowest: the root of the time [M].
var mmsNoise = [4]float64{1, 1.37, 1.82, 2.35}

type mmc5603 struct {
	device
	odr     byte
	control [3]byte
	freq    byte // what Cmm_freq_en took over
	mag     triad
	bridge  triad

	sign float64
	left r3.Vec

	grid         grid
	field, therm grid
	out          [10]byte
	done         byte
	stray        uint64
}

// NewMMC5603 makes an MMC5603 (identity 0x10 at 0x30). Settings.Mag.Noise is 1
// sigma of a sample at the narrowest bandwidth, Settings.Film the bridge. With the
// automatic set/reset a sample is half the difference of a measurement after SET
// and one after RESET [M], so that the bridge does not show.
func NewMMC5603(w World, s Settings) Chip {
	c := &mmc5603{sign: 1}
	if s.Film.Reversed {
		c.sign = -1
	}
	c.init("MMC5603", mmsBoot, w, s, c)
	c.mag = newTriad(s.Mag, s.Seed, channelMag, c.dice)
	c.bridge = newTriad(Triad{Offset: s.Film.BridgeUT, OffsetPerC: s.Film.BridgePerC}, s.Seed, channelPulse, c.dice)
	return c
}

func (c *mmc5603) reset(t time.Duration) {
	c.odr, c.freq, c.control, c.out, c.done = 0, 0, [3]byte{}, [10]byte{}, 0
	c.mag.wander.begin(t)
	for _, g := range []*grid{&c.grid, &c.field, &c.therm} {
		g.run(t, 0)
	}
}

func (c *mmc5603) readReg(reg byte) byte {
	switch {
	case reg <= mmsTemp:
		return c.out[reg]
	case reg == mmsStatus:
		return c.done
	case reg >= mmsODR && reg <= mmsControl2:
		// Write-only: what comes back has nothing to do with what was written.
		c.stray++
		return byte(mix(c.set.Seed + channelStray<<32 + c.stray))
	case reg == mmsID:
		return mmsIdentity
	}
	return 0
}

func (c *mmc5603) writeReg(reg, v byte) {
	switch reg {
	case mmsODR:
		c.odr = v
	case mmsControl0:
		c.command(v)
	case mmsControl1:
		if v&mmsSWReset != 0 {
			c.reset(c.now)
			c.live = c.now + mmsBoot
			return
		}
		c.control[1] = v
		c.configure()
	case mmsControl2:
		c.control[2] = v
		c.configure()
	}
}

// command is a write to control 0, whose action bits clear by themselves.
func (c *mmc5603) command(v byte) {
	c.control[0] = v & mmsAutoSR
	switch v & (mmsSet | mmsReset) {
	case mmsSet:
		c.pulse(1)
	case mmsReset:
		c.pulse(-1)
	}
	if v&mmsFreqEn != 0 {
		c.freq = c.odr
	}
	switch v & 3 {
	case 1:
		c.done &^= mmsDoneM
		c.field.run(c.now, 1/c.takes().Seconds())
	case 2:
		c.done &^= mmsDoneT
		c.therm.run(c.now, 1/mmsTempTime.Seconds())
	}
	c.configure()
}

func (c *mmc5603) pulse(sign float64) {
	c.sign = sign
	c.dice.at(c.set.Seed, channelPulse, c.now)
	c.left = r3.Scale(c.set.Film.RepeatUT, c.dice.norm3())
}

func (c *mmc5603) takes() time.Duration {
	d := mmsTime[c.control[1]&3]
	if c.control[0]&mmsAutoSR != 0 {
		d *= 2
	}
	return d
}

// configure applies the continuous mode. A rate that leaves no time for the
// measurement gives no samples.
func (c *mmc5603) configure() {
	hz := float64(c.freq)
	if c.control[2]&mmsCMM == 0 || hz*c.takes().Seconds() > 1 {
		hz = 0
	}
	c.grid.run(c.now, c.rate(hz))
}

func (c *mmc5603) advance(t time.Duration) {
	if c.grid.take(t) > 0 {
		c.sample(&c.grid)
	}
	if c.field.take(t) > 0 {
		c.field.taken = 1
		c.sample(&c.field)
		c.field.run(t, 0)
	}
	if c.therm.take(t) > 0 {
		at := c.therm.time(1)
		c.therm.run(t, 0)
		if !c.how.stalled {
			c.done |= mmsDoneT
			c.out[mmsTemp] = byte(counts(c.thermometer(c.sense(at))+75, 0.8, 0, 255))
		}
	}
}

func (c *mmc5603) sample(g *grid) {
	if c.how.stalled {
		return
	}
	c.done |= mmsDoneM
	if c.how.frozen {
		return
	}
	n := g.taken
	sc := c.sense(g.time(n))
	c.mag.gain = mmsNoise[c.control[1]&3]
	v := c.mag.read(sc, sc.FieldUT, g, n)
	if c.control[0]&mmsAutoSR == 0 {
		v = r3.Add(r3.Scale(c.sign, v), r3.Add(c.bridge.quiet(sc, r3.Vec{}), c.left))
	}
	for i, k := range counts3(v, mmsLSB, -mmsZero, mmsFull-mmsZero) {
		u := uint32(k + mmsZero)
		if c.how.saturated {
			u = mmsFull
		}
		c.out[2*i], c.out[2*i+1], c.out[6+i] = byte(u>>12), byte(u>>4), byte(u<<4)
	}
}
