// Package qmc5883p drives QST's QMC5883P magnetometer, the successor of the
// QMC5883L on boards sold as "HMC5883L" or "GY-271". It has another address and
// other registers than the QMC5883L (package qmc5883l).
//
// Register numbers, bits and scales: the drivers Adafruit_QMC5883P and
// reznikmm/qmc5883p, which follow QST's data sheet (13-52-19 rev. C); the feature
// list of that sheet. The chip has no thermometer that can be read.
//
// Register 0x29 is not in the sheet's register map, but every set-up example in it
// (sections 7.1 to 7.3) begins with 0x06 there, "sign for X Y and Z axis": without
// it y and z come out against the sheet's figure (linux-iio, "add driver for QST
// QMC5883P" v3, H. Phalet, May 2026, measured; bits 0 to 2 are x to z in QMC6310
// drivers). The axes are right-handed either way (betaflight compass_qmc5883p.c
// 1eb5a38), but the field would seem to point out of the ground.
package qmc5883p

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
const Addr uint16 = 0x2C

const (
	regWhoAmI   = 0x00
	dataAt      = 0x01 // X, Y, Z, low byte first
	regStatus   = 0x09 // bit 0 ready, bit 1 overflow
	regControl1 = 0x0A // bits 7..6 down-sampling, 5..4 oversampling, 3..2 rate, 1..0 mode
	regControl2 = 0x0B // bit 7 reset, bits 3..2 range, bits 1..0 set and reset
	regSigns    = 0x29 // bits 2..0: Z, Y and X reversed

	id           = 0x80
	ready        = 0x01
	overflow     = 0x02
	normal       = 0x01
	suspended    = 0x00
	most         = 0xC0 // eight-fold down-sampling and oversampling: the least noise
	softReset    = 0x80
	signs        = 0x06 // as in the data sheet's examples
	setAndReset  = 0x00
	setOnly      = 0x01
	settingsFrom = regControl1
	// burst is identity, data, two registers of no use, and the status.
	burst = 10
	// endCounts is where the range ends in all ranges, as the scales have it.
	endCounts = 30000
	// resetTime is what Adafruit's library waits.
	resetTime = 50 * time.Millisecond
)

// Opts are the settings of the chip.
type Opts struct {
	RangeGauss int // 2, 8, 12 or 30 (1 G = 100 µT)
	RateHz     int // 10, 50, 100 or 200
	// SetOnly leaves out the reset pulses. With both, the default, the bridge
	// offset and most of its drift with temperature drop out.
	SetOnly bool
}

// DefaultOpts measure 2 G at 100 Hz.
func DefaultOpts() Opts { return Opts{RangeGauss: 2, RateHz: 100} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts     Opts
	settings [2]byte
	scale    float64 // µT per count
}

// Identify tells by the identity register whether the chip answers at addr. An
// error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	got, err := sensors.NewRegisters(bus, addr, "QMC5883P").Get("read identity", regWhoAmI)
	return "QMC5883P", err == nil && got == id, err
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts),
// reads them back and starts measuring. It takes 50 ms and two sample periods on
// clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "QMC5883P", clock), opts: sensors.Or(opts, DefaultOpts())}
	if _, err := d.Identity(regWhoAmI, id); err != nil {
		return nil, err
	}
	if err := d.Begin(d.plan, d.start); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) plan() error {
	o := d.opts
	full, ok := sensors.Code(o.RangeGauss, 30, 12, 8, 2)
	if !ok {
		return fmt.Errorf("range %d G: want 2, 8, 12 or 30", o.RangeGauss)
	}
	rate, ok := sensors.Code(o.RateHz, 10, 50, 100, 200)
	if !ok {
		return fmt.Errorf("rate %d Hz: want 10, 50, 100 or 200", o.RateHz)
	}
	pulses := byte(setAndReset)
	if o.SetOnly {
		pulses = setOnly
	}
	d.settings = [2]byte{most | rate<<2 | normal, full<<2 | pulses}
	d.scale = 100 / [...]float64{1000, 2500, 3750, 15000}[full]
	// Reading the status clears the ready bit (data sheet, 9.2.2), and the status
	// comes after the data in a burst: it is a help where it is set, no more.
	d.Fresh = sensors.Freshness{Period: time.Second / time.Duration(o.RateHz), NoReady: true}
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regControl2, softReset); err != nil {
		return err
	}
	d.Clock.Sleep(resetTime)
	// Whether this register can be read is not stated.
	if err := d.Set(op, regSigns, signs); err != nil {
		return err
	}
	// The reset bit may stay until it is written over. Measuring starts with the
	// first register: it comes last.
	for i := len(d.settings) - 1; i >= 0; i-- {
		if err := d.SetChecked(op, settingsFrom+byte(i), d.settings[i]); err != nil {
			return err
		}
	}
	d.Clock.Sleep(2 * d.Fresh.Period)
	_, err := d.Read(op, regWhoAmI, burst)
	return err
}

// ReadMagnetic reads identity, data and status in one burst. At is the time just
// before the transfer; the measurement is at most one period older. Where the
// chip does not say whether a sample is new, the same bits count as old until one
// and a half periods have passed. It has no overrun bit: more than two periods
// between samples are an overrun.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	return d.Magnetic(regWhoAmI, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst {
	return sensors.Burst{Data: b[dataAt : dataAt+6], Ready: b[regStatus]&ready != 0}
}

// decode turns a burst into units.
func (d *Dev) decode(b []byte) sensors.MagneticSample {
	var raw [3]float64
	s := sensors.MagneticSample{TempC: math.NaN()}
	if b[regStatus]&overflow != 0 {
		s.Flags |= sensors.Clipped
	}
	for i := range raw {
		raw[i] = float64(int16(binary.LittleEndian.Uint16(b[dataAt+2*i:])))
		if math.Abs(raw[i]) >= endCounts {
			s.Flags |= sensors.Clipped
		}
	}
	s.FieldUT = r3.Scale(d.scale, r3.Vec{X: raw[0], Y: raw[1], Z: raw[2]})
	return s
}

// CheckConfig reads identity and settings and compares them with what was
// written: after a brown-out the chip is suspended. Two short transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regWhoAmI, id, settingsFrom, d.settings[:])
}

// Halt suspends the chip; a later New starts it.
func (d *Dev) Halt() error { return d.Stop(regControl1, suspended) }

// Spec: the data sheet's features give 2 mG of field resolution, taken as the
// noise of one sample. What set and reset leave is not stated, FloorUT unknown;
// offset and drift are common practice, no source, and larger without the reset
// pulse.
func (d *Dev) Spec() sensors.MagneticSpec {
	s := sensors.MagneticSpec{
		Chip:        "QMC5883P",
		RateHz:      float64(d.opts.RateHz),
		NoiseUT:     0.2,
		OffsetUT:    1,
		DriftUTPerC: 0.02,
		RangeUT:     100 * float64(d.opts.RangeGauss),
	}
	if d.opts.SetOnly {
		s.OffsetUT, s.DriftUTPerC = 30, 0.1
	}
	return s
}

var _ sensors.Magnetometer = (*Dev)(nil)
