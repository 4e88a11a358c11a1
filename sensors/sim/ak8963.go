package sim

import (
	"encoding/binary"
	"math"
	"time"
)

// AK8963, the magnetometer in the MPU-9250, and AK09916, that in the ICM-20948.
// Sources: [D] AKM MS1356-E-02 and 015007392-E-02 (register tables and ranges read
// as text); [K] Linux 6.12 drivers/iio/magnetometer/ak8975.c; [V] SparkFun's
// ICM-20948 library 32cf061; [O] Linux inv_mpu6050/inv_mpu_magn.c (mounting
// matrix), kriswiner/MPU9250 issue 34; [M] from memory of the data sheets.
const (
	akAddress = 0x0c
	akWIA     = 0x00 // identity 0x48 [K]

	akIdentity = 0x48

	akPowerDown = 0x00
	akSingle    = 0x01
	akFuse      = 0x0f // AK8963 only
	ak16Bit     = 0x10 // AK8963 only

	// akSaturation is the sum of the three magnitudes at which HOFL comes [M].
	akSaturation = 4912.0 // µT

	akModeWait = 100 * time.Microsecond  // in power-down before another mode [K]
	akMeasure  = 7200 * time.Microsecond // one measurement, typical [M]
)

// akKind is in what the two chips differ.
type akKind struct {
	name     string
	identity byte // of register 0x01
	st1      byte // bit 0 DRDY, bit 1 DOR [D]
	data     byte // six bytes X, Y, Z, low byte first [D]
	st2      byte // bit 3 HOFL, bit 4 BITM; reading it releases the next sample [D]
	control  byte // mode [D]
	reset    byte // bit 0 [D]
	// fuse is the first of three sensitivity adjustments, readable in fuse mode;
	// 0: there are none, and all output has 16 bits.
	fuse   byte
	rates  map[byte]float64 // by mode, Hz
	limit  int32            // counts of 0.15 µT at which the range ends
	turned matrix           // its axes against the accelerometer's in the same package
}

// x and y exchanged, z reversed [O].
func akOf8963() akKind {
	return akKind{
		name: "AK8963", identity: 0x9a, // [M]
		st1: 0x02, data: 0x03, st2: 0x09, control: 0x0a, reset: 0x0b, fuse: 0x10,
		rates: map[byte]float64{2: 8, 6: 100}, limit: 32760,
		turned: matrix{0, 1, 0, 1, 0, 0, 0, 0, -1},
	}
}

// y and z reversed [V: compass mounting matrix +1, -1, -1 for the motion processor].
func akOf09916() akKind {
	return akKind{
		name: "AK09916", identity: 0x09, // [V]
		st1: 0x10, data: 0x11, st2: 0x18, control: 0x31, reset: 0x32,
		rates: map[byte]float64{2: 10, 4: 20, 6: 50, 8: 100}, limit: 32752,
		turned: matrix{1, 0, 0, 0, -1, 0, 0, 0, -1},
	}
}

// akMag is either chip.
type akMag struct {
	device
	kind    akKind
	mag     triad
	asa     [3]byte
	mode    byte
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

// NewAK09916 makes an AK09916 (identity 0x48, 0x09 at 0x0C) on a bus of its own.
// Settings.Axes are those of the accelerometer of the ICM-20948 that it would sit
// in; against it the chip's y and z are reversed. Settings.Mag.Noise is 1 sigma of
// a sample.
func NewAK09916(w World, s Settings) Chip { return newAK(akOf09916(), w, s) }

func newAK8963(w World, s Settings) *akMag { return newAK(akOf8963(), w, s) }

func newAK(kind akKind, w World, s Settings) *akMag {
	a := &akMag{kind: kind}
	a.init(kind.name, akModeWait, w, s, a)
	a.axes = kind.turned.times(&a.axes)
	a.mag = newTriad(s.Mag, s.Seed, channelMag, a.dice)
	r := a.dice.at(s.Seed, channelTrim, 1)
	for i := range a.asa {
		a.asa[i] = 128 // H = raw·step·(ASA+128)/256 [K]
		if kind.fuse != 0 {
			a.asa[i] = byte(128 + max(-60, min(60, math.Round(20*r.NormFloat64()))))
		}
	}
	return a
}

func (a *akMag) reset(t time.Duration) {
	a.mag.wander.begin(t)
	a.mode, a.downAt = akPowerDown, t
	a.out, a.st2 = [6]byte{}, 0
	a.ready, a.overrun, a.held, a.oneShot = false, false, false, false
	a.grid.run(t, 0)
}

func (a *akMag) readReg(reg byte) byte {
	k := &a.kind
	switch {
	case reg == akWIA:
		return akIdentity
	case reg == akWIA+1:
		return k.identity
	case reg == k.st1:
		var v byte
		if a.ready {
			v |= 1
		}
		if a.overrun {
			v |= 2
		}
		return v
	case reg >= k.data && reg < k.data+6:
		a.ready, a.overrun, a.held = false, false, true
		return a.out[reg-k.data]
	case reg == k.st2:
		a.ready, a.overrun, a.held = false, false, false
		return a.st2
	case reg == k.control:
		return a.mode
	case k.fuse != 0 && reg >= k.fuse && reg < k.fuse+3 && a.mode&0x0f == akFuse:
		return a.asa[reg-k.fuse]
	}
	return 0
}

func (a *akMag) writeReg(reg, v byte) {
	switch {
	case reg == a.kind.reset && v&1 != 0:
		a.reset(a.now)
		a.live = a.now + akModeWait
	case reg == a.kind.control && a.kind.fuse != 0:
		a.setMode(v & (0x0f | ak16Bit))
	case reg == a.kind.control:
		a.setMode(v & 0x0f) // the self-test is not simulated
	}
}

// setMode: from one mode to another the way leads through power-down, and
// takes akModeWait there; a chip that is not given it stays off.
func (a *akMag) setMode(v byte) {
	mode, old := v&0x0f, a.mode&0x0f
	if mode == akPowerDown || old != akPowerDown || a.now-a.downAt < akModeWait {
		if old != akPowerDown || mode == akPowerDown {
			a.downAt = a.now
		}
		a.mode = v &^ 0x0f
		a.grid.run(a.now, 0)
		return
	}
	a.mode, a.oneShot, a.fine = v, mode == akSingle, a.kind.fuse == 0 || v&ak16Bit != 0
	hz := a.kind.rates[mode]
	if a.oneShot {
		hz = 1 / akMeasure.Seconds()
	}
	a.grid.run(a.now, a.rate(hz))
}

func (a *akMag) advance(t time.Duration) {
	fresh := a.grid.take(t)
	if a.oneShot && fresh > 0 {
		a.grid.taken, fresh, a.oneShot = 1, 1, false
		a.mode &^= 0x0f
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
	step, limit := 0.15, a.kind.limit // µT, [D]
	a.st2 = 0
	switch {
	case !a.fine:
		step, limit = 0.6, limit/4
	case a.kind.fuse != 0:
		a.st2 = ak16Bit
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
