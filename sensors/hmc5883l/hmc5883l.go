// Package hmc5883l drives Honeywell's HMC5883L magnetometer. Boards sold under
// that name mostly carry another chip: see package qmc5883l, which answers at
// another address with other registers.
//
// Register numbers, bits and scales: Honeywell HMC5883L data sheet, form 900405,
// and the Linux driver drivers/iio/magnetometer/hmc5843_core.c.
package hmc5883l

import (
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the only address.
const Addr uint16 = 0x1E

const (
	regConfigA = 0x00 // bits 6..5 averaging, bits 4..2 rate
	// 0x01: bits 7..5 gain; 0x02: mode
	regMode     = 0x02
	regData     = 0x03
	regIdentity = 0x0A
	// regNone does not exist in this chip, which reads it as zero. The LSM303DLHC
	// has the same three identity bytes, but 0x3C here.
	regNone      = 0x0F
	idLSM303DLHC = 0x3C

	continuous = 0x00
	idleMode   = 0x02
	// outOfRange stands in the place of a value that the converter could not
	// represent (data sheet, Data Output Registers).
	outOfRange = -4096
	// burst is the six data bytes in the order X, Z, Y, high byte first. After
	// them the register pointer goes back to the first, not on to the status.
	burst = 6
)

const identity = "H43"

// Opts are the settings of the chip.
type Opts struct {
	RangeGauss float64 // 0.88, 1.3, 1.9, 2.5, 4, 4.7, 5.6 or 8.1 (1 G = 100 µT)
	RateHz     float64 // 0.75, 1.5, 3, 7.5, 15, 30 or 75
	Average    int     // 1, 2, 4 or 8 measurements in a sample
}

// DefaultOpts measure 1.3 G at 75 Hz, eight in a sample.
func DefaultOpts() Opts { return Opts{RangeGauss: 1.3, RateHz: 75, Average: 8} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	reg      *sensors.Registers
	clock    sensors.Clock
	opts     Opts
	settings [3]byte
	scale    float64 // µT per count
	fresh    sensors.Freshness
	halted   bool
}

// Identify tells by the three identity registers whether the chip answers at
// addr, and not an LSM303DLHC, whose scales differ. An error means that nothing
// answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	r := sensors.NewRegisters(bus, addr, "HMC5883L")
	got, err := readIdentity(r)
	return "HMC5883L", got == identity, err
}

// readIdentity is "H43" in an HMC5883L, and something else in any other chip.
func readIdentity(r *sensors.Registers) (string, error) {
	const op = "read identity"
	b, err := r.Read(op, regIdentity, len(identity))
	if err != nil {
		return "", err
	}
	got := string(b)
	none, err := r.Get(op, regNone)
	if err != nil {
		return "", err
	}
	if none == idLSM303DLHC {
		return got + " of an LSM303DLHC", nil
	}
	return got, nil
}

// New checks the identity, writes opts (nil: DefaultOpts), reads them back and
// starts continuous measurement. The chip has no reset: all three settings are
// written. It takes four sample periods on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	o := DefaultOpts()
	if opts != nil {
		o = *opts
	}
	d := &Dev{reg: sensors.NewRegisters(bus, addr, "HMC5883L"), clock: clock, opts: o}
	got, err := readIdentity(d.reg)
	if err != nil {
		return nil, err
	}
	if got != identity {
		return nil, d.reg.Fail("read identity", sensors.FaultIdentity, "check chip name and address; plumbstar scan lists what answers",
			fmt.Errorf("identity reads %q, want %q", got, identity))
	}
	if err := d.plan(); err != nil {
		return nil, d.reg.Fail("set options", sensors.FaultSetting, "", err)
	}
	if err := d.start(); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) plan() error {
	o := d.opts
	gain, ok := index(o.RangeGauss, 0.88, 1.3, 1.9, 2.5, 4, 4.7, 5.6, 8.1)
	if !ok {
		return fmt.Errorf("range %g G: want 0.88, 1.3, 1.9, 2.5, 4, 4.7, 5.6 or 8.1", o.RangeGauss)
	}
	rate, ok := index(o.RateHz, 0.75, 1.5, 3, 7.5, 15, 30, 75)
	if !ok {
		return fmt.Errorf("rate %g Hz: want 0.75, 1.5, 3, 7.5, 15, 30 or 75", o.RateHz)
	}
	average, ok := index(o.Average, 1, 2, 4, 8)
	if !ok {
		return fmt.Errorf("average of %d: want 1, 2, 4 or 8", o.Average)
	}
	d.settings = [3]byte{average<<5 | rate<<2, gain << 5, continuous}
	// Counts per gauss (data sheet, table 9).
	d.scale = 100 / [...]float64{1370, 1090, 820, 660, 440, 390, 330, 230}[gain]
	// The ready bit stays set until the next measurement begins, and in some
	// copies of the chip it does not work at all: it is not used.
	d.fresh = sensors.Freshness{Period: time.Duration(float64(time.Second) / o.RateHz), NoReady: true}
	return nil
}

// index is the place of v in list.
func index[T comparable](v T, list ...T) (byte, bool) {
	for i, x := range list {
		if x == v {
			return byte(i), true
		}
	}
	return 0, false
}

func (d *Dev) start() error {
	const op = "start"
	for i, v := range d.settings {
		if err := d.reg.SetChecked(op, byte(i), v); err != nil {
			return err
		}
	}
	// The first sample comes after two periods and still has the gain set before
	// (data sheet, Configuration Register B). Reading the mode register back
	// locked the data registers until they are read.
	d.clock.Sleep(d.fresh.Period / 4)
	if _, err := d.reg.Read(op, regData, burst); err != nil {
		return err
	}
	d.clock.Sleep(4 * d.fresh.Period)
	return nil
}

// ReadMagnetic reads the data in one burst. At is the time just before the
// transfer; the measurement is at most one period older. The chip does not say
// whether a sample is new: the same bits count as old until one and a half
// periods have passed. Where a value was out of range the sample is flagged
// Clipped and that component is meaningless.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	const op = "read sample"
	if d.halted {
		return sensors.MagneticSample{}, d.reg.Halted(op)
	}
	at := d.clock.Now()
	b, err := d.reg.Read(op, regData, burst)
	if err != nil {
		return sensors.MagneticSample{}, err
	}
	if sensors.Blank(b) {
		return sensors.MagneticSample{}, d.reg.Diagnose(op, sensors.FaultImplausible, d.CheckConfig)
	}
	flags, verdict := d.fresh.Judge(at, false, false, b)
	switch verdict {
	case sensors.Stale:
		return sensors.MagneticSample{}, sensors.ErrNoNewData
	case sensors.Stuck:
		return sensors.MagneticSample{}, d.reg.Diagnose(op, sensors.FaultFrozen, d.CheckConfig)
	}
	s := d.decode(b)
	s.At = at
	s.Flags |= flags
	return s, nil
}

// decode turns the six data bytes into units.
func (d *Dev) decode(b []byte) sensors.MagneticSample {
	var raw [3]float64
	s := sensors.MagneticSample{TempC: math.NaN()}
	for i := range raw {
		v := int16(binary.BigEndian.Uint16(b[2*i:]))
		if v == outOfRange || v >= 2047 || v <= -2048 {
			s.Flags |= sensors.Clipped
		}
		raw[i] = float64(v)
	}
	s.FieldUT = r3.Scale(d.scale, r3.Vec{X: raw[0], Y: raw[2], Z: raw[1]})
	return s
}

// CheckConfig reads identity and settings and compares them with what was
// written: after a brown-out the chip sleeps. Two short transactions; the data
// registers stay locked until the next read, which then gives an older sample.
func (d *Dev) CheckConfig() error {
	const op = "check settings"
	if d.halted {
		return d.reg.Halted(op)
	}
	if err := d.reg.StillThere(regIdentity, identity[0]); err != nil {
		return err
	}
	return d.reg.Matches(op, regConfigA, d.settings[:])
}

// Halt stops measuring; a later New starts it.
func (d *Dev) Halt() error {
	d.halted = true
	return d.reg.Set("halt", regMode, idleMode)
}

// String names the chip, its address and bus.
func (d *Dev) String() string { return d.reg.String() }

// Spec: the data sheet gives 2 mG of field resolution, taken as the noise of one
// sample. Every measurement is a set/reset pair, so the chip has no offset of
// its own to speak of; its repeatability is not stated, the drift common practice,
// no source.
func (d *Dev) Spec() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:        "HMC5883L",
		RateHz:      d.opts.RateHz,
		NoiseUT:     0.2,
		DriftUTPerC: 0.02,
		RangeUT:     100 * d.opts.RangeGauss,
	}
}

var _ sensors.Magnetometer = (*Dev)(nil)
