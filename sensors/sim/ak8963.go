package sim

import (
	"encoding/binary"
	"math"
	"time"
)

// AK8963, the magnetometer in the MPU-9250. Sources: [D] AKM MS1356-E-02
// (register tables and ranges read as text); [K] Linux 6.12
// drivers/iio/magnetometer/ak8975.c; [M] from memory of the data sheet.
const (
	akAddress = 0x0c
	akWIA     = 0x00 // identity 0x48 [K]
	akST1     = 0x02 // bit 0 DRDY, bit 1 DOR [D]
	akData    = 0x03 // 0x03-0x08 X, Y, Z, low byte first [D]
	akST2     = 0x09 // bit 3 HOFL, bit 4 BITM; reading it releases the next sample [D]
	akCNTL1   = 0x0a // bits 3..0 mode, bit 4 16-bit output [D]
	akCNTL2   = 0x0b // bit 0 reset [D]
	akASA     = 0x10 // 0x10-0x12 sensitivity adjustment, readable in fuse mode [D]
	akLast    = 0x12

	akIdentity = 0x48

	akPowerDown = 0x00
	akSingle    = 0x01
	akSlow      = 0x02 // 8 Hz
	akFast      = 0x06 // 100 Hz
	akFuse      = 0x0f
	ak16Bit     = 0x10

	// akSaturation is the sum of the three magnitudes at which HOFL comes [M].
	akSaturation = 4912.0 // µT

	akModeWait = 100 * time.Microsecond  // in power-down before another mode [M]
	akMeasure  = 7200 * time.Microsecond // one measurement, typical [M]
)

type ak8963 struct {
	device
	mag     triad
	asa     [3]byte
	cntl1   byte
	downAt  time.Duration // since when in power-down
	grid    grid
	out     [6]byte
	st2     byte
	ready   bool
	overrun bool
	held    bool // being read: not replaced until ST2 is read
	oneShot bool
	fine    bool // 16-bit output
}

func newAK8963(w World, s Settings) *ak8963 {
	a := &ak8963{}
	a.init("AK8963", akModeWait, w, s, a)
	// Against the accelerometer: x and y exchanged, z reversed [M].
	turned := matrix{0, 1, 0, 1, 0, 0, 0, 0, -1}
	a.axes = turned.times(&a.axes)
	a.mag = newTriad(s.Mag, s.Seed, channelMag, a.dice)
	r := a.dice.at(s.Seed, channelTrim, 1)
	for i := range a.asa {
		a.asa[i] = byte(128 + max(-60, min(60, math.Round(20*r.NormFloat64()))))
	}
	return a
}

func (a *ak8963) reset(t time.Duration) {
	a.mag.wander.begin(t)
	a.cntl1, a.downAt = akPowerDown, t
	a.out, a.st2 = [6]byte{}, 0
	a.ready, a.overrun, a.held, a.oneShot = false, false, false, false
	a.grid.run(t, 0)
}

func (a *ak8963) readReg(reg byte) byte {
	switch {
	case reg == akWIA:
		return akIdentity
	case reg == akST1:
		var v byte
		if a.ready {
			v |= 1
		}
		if a.overrun {
			v |= 2
		}
		return v
	case reg >= akData && reg < akST2:
		a.ready, a.overrun, a.held = false, false, true
		return a.out[reg-akData]
	case reg == akST2:
		a.ready, a.overrun, a.held = false, false, false
		return a.st2
	case reg == akCNTL1:
		return a.cntl1
	case reg >= akASA && reg <= akLast && a.cntl1&0x0f == akFuse:
		return a.asa[reg-akASA]
	}
	return 0
}

func (a *ak8963) writeReg(reg, v byte) {
	switch {
	case reg == akCNTL2 && v&1 != 0:
		a.reset(a.now)
		a.live = a.now + akModeWait
	case reg == akCNTL1:
		a.setMode(v & (0x0f | ak16Bit))
	}
}

// setMode: from one mode to another the way leads through power-down, and
// takes akModeWait there; a chip that is not given it stays off.
func (a *ak8963) setMode(v byte) {
	mode, old := v&0x0f, a.cntl1&0x0f
	if mode == akPowerDown || old != akPowerDown || a.now-a.downAt < akModeWait {
		if old != akPowerDown || mode == akPowerDown {
			a.downAt = a.now
		}
		a.cntl1 = v &^ 0x0f
		a.grid.run(a.now, 0)
		return
	}
	a.cntl1, a.oneShot, a.fine = v, mode == akSingle, v&ak16Bit != 0
	hz := map[byte]float64{akSlow: 8, akFast: 100}[mode]
	if a.oneShot {
		hz = 1 / akMeasure.Seconds()
	}
	a.grid.run(a.now, a.rate(hz))
}

func (a *ak8963) advance(t time.Duration) {
	fresh := a.grid.take(t)
	if a.oneShot && fresh > 0 {
		a.grid.taken, fresh, a.oneShot = 1, 1, false
		a.cntl1 &^= 0x0f
		a.downAt = a.grid.time(1)
		defer a.grid.run(t, 0)
	}
	if fresh == 0 || a.how.stalled {
		return
	}
	a.overrun = a.overrun || a.ready || fresh > 1 || a.held
	if a.held {
		return
	}
	a.ready = true
	if a.how.frozen {
		return
	}
	n := a.grid.taken
	sc := a.sense(a.grid.time(n))
	h := a.mag.read(sc, sc.FieldUT, &a.grid, n)
	step, limit := 0.15, int32(32760) // µT, [D]
	a.st2 = ak16Bit
	if !a.fine {
		step, limit, a.st2 = 0.6, 8190, 0
	}
	field := [3]float64{h.X, h.Y, h.Z}
	if math.Abs(h.X)+math.Abs(h.Y)+math.Abs(h.Z) >= akSaturation || a.how.saturated {
		a.st2 |= 8
	}
	for i, v := range field {
		// H = raw·step·(ASA+128)/256 [K].
		c := counts(v, step*float64(int(a.asa[i])+128)/256, -limit, limit)
		if a.how.saturated {
			c = limit
		}
		binary.LittleEndian.PutUint16(a.out[2*i:], uint16(c))
	}
}
