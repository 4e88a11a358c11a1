// Package qmc5883l drives QST's QMC5883L magnetometer, the chip on most boards
// sold as "HMC5883L". The QMC5883P is another chip with other registers.
//
// Register numbers, bits and scales: QST data sheet 13-52-04 as quoted by
// Tasmota's xsns_33, and the drivers mprograms/QMC5883LCompass and PX4's
// qmc5883l; counts per gauss and identity Linux drivers/iio/magnetometer/qmc5883l.c
// 67f8bc8, after data sheet rev. B, which says that the first revision had the
// identity register reserved: such an old part may not be known again.
package qmc5883l

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the only address.
const Addr uint16 = 0x0D

const (
	regData     = 0x00 // X, Y, Z, low byte first
	regStatus   = 0x06 // bit 0 ready, bit 1 overflow, bit 2 overrun
	regControl1 = 0x09 // bits 7..6 oversampling, 5..4 range, 3..2 rate, 1..0 mode
	regControl2 = 0x0A // bit 7 reset
	regPeriod   = 0x0B // of set and reset; must be written as 1
	regFixed    = 0x0C // not in the data sheet; ArduPilot and PX4 require 0x01
	regWhoAmI   = 0x0D

	id         = 0xFF
	fixed      = 0x01
	ready      = 0x01
	overflow   = 0x02
	overrun    = 0x04
	continuous = 0x01
	standby    = 0x00
	softReset  = 0x80
	setReset   = 0x01
	// burst is the six data bytes and the status.
	burst = 7
	// resetTime is what PX4 waits.
	resetTime = 100 * time.Millisecond
)

// Opts are the settings of the chip.
type Opts struct {
	RangeGauss   int // 2 or 8 (1 G = 100 µT)
	RateHz       int // 10, 50, 100 or 200
	Oversampling int // 64, 128, 256 or 512
}

// DefaultOpts measure 2 G at 100 Hz with the least noise.
func DefaultOpts() Opts { return Opts{RangeGauss: 2, RateHz: 100, Oversampling: 512} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts     Opts
	settings [3]byte // registers 0x09 to 0x0B
	scale    float64 // µT per count
	end      int     // counts at full scale
}

// Identify tells whether the chip answers at addr. Its identity register reads
// 0xFF, as an empty bus may: so the settings beside it must not, and register
// 0x09 must keep a bit that is written to it. That write is made only once the
// reads fit; it flips one oversampling bit and puts it back. An error means that
// nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	const chip = "QMC5883L"
	r := sensors.NewRegisters(bus, addr, chip)
	fits, err := looksRight(r)
	if err != nil || !fits {
		return chip, false, err
	}
	old, err := r.Get("read identity", regControl1)
	if err != nil {
		return chip, false, err
	}
	kept, err := keeps(r, old^0x40)
	if err != nil {
		return chip, false, err
	}
	restored, err := keeps(r, old)
	return chip, kept && restored, err
}

// looksRight reads what can be told of the identity without writing: registers
// 0x09 to 0x0D, of which the last is 0xFF and the others are not. Where 0x0C is not
// what known parts have, the unused bits of 0x0A and 0x0B (from memory) must be clear.
func looksRight(r *sensors.Registers) (bool, error) {
	const op = "read identity"
	if err := wake(r, op); err != nil {
		return false, err
	}
	b, err := r.Read(op, regControl1, 5)
	if err != nil {
		return false, err
	}
	return b[4] == id && (b[3] == fixed || b[1]&0x3E == 0 && b[2] <= setReset), nil
}

// wake reads the data away: before that, or a reset, the identity may read as
// something else (ArduPilot AP_Compass_QMC5883L.cpp and PX4's former qmc5883_i2c.cpp,
// not in the data sheet).
func wake(r *sensors.Registers, op string) error {
	_, err := r.Read(op, regData, burst)
	return err
}

func keeps(r *sensors.Registers, v byte) (bool, error) {
	const op = "try register 0x09"
	if err := r.Set(op, regControl1, v); err != nil {
		return false, err
	}
	got, err := r.Get(op, regControl1)
	return got == v, err
}

// New checks the identity as far as reading can, resets the chip, writes opts
// (nil: DefaultOpts) and reads them back, which proves the identity, and starts
// measuring. It takes 0.1 s and two sample periods on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "QMC5883L", clock), opts: sensors.Or(opts, DefaultOpts())}
	fits, err := looksRight(d.Registers)
	if err != nil {
		return nil, err
	}
	if !fits {
		return nil, d.Fail("read identity", sensors.FaultIdentity, "check chip name and address; plumbstar scan lists what answers",
			errors.New("registers 0x09 to 0x0d are not this chip's"))
	}
	if err := d.Begin(d.plan, d.start); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) plan() error {
	o := d.opts
	full, perGauss := byte(0), 12000.0
	switch o.RangeGauss {
	case 2:
	case 8:
		full, perGauss = 1, 3000
	default:
		return fmt.Errorf("range %d G: want 2 or 8", o.RangeGauss)
	}
	rate, ok := sensors.Code(o.RateHz, 10, 50, 100, 200)
	if !ok {
		return fmt.Errorf("rate %d Hz: want 10, 50, 100 or 200", o.RateHz)
	}
	over, ok := sensors.Code(o.Oversampling, 512, 256, 128, 64)
	if !ok {
		return fmt.Errorf("oversampling %d: want 64, 128, 256 or 512", o.Oversampling)
	}
	d.settings = [3]byte{over<<6 | full<<4 | rate<<2 | continuous, 0, setReset}
	d.scale = 100 / perGauss
	d.end = o.RangeGauss * int(perGauss)
	// The ready bit is cleared by reading data, and the status comes after the
	// data in a burst: it is a help where it is set, no more.
	d.Fresh = sensors.Freshness{Period: time.Second / time.Duration(o.RateHz), NoReady: true}
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regControl2, softReset); err != nil {
		return err
	}
	d.Clock.Sleep(resetTime)
	// Measuring starts with the first register: it comes last.
	for i := len(d.settings) - 1; i >= 0; i-- {
		if err := d.SetChecked(op, regControl1+byte(i), d.settings[i]); err != nil {
			return err
		}
	}
	d.Clock.Sleep(2 * d.Fresh.Period)
	_, err := d.Read(op, regData, burst)
	return err
}

// ReadMagnetic reads data and status in one burst. At is the time just before
// the transfer; the measurement is at most one period older. Where the chip does
// not say whether a sample is new, the same bits count as old until one and a
// half periods have passed. There is no temperature: the chip's has no known
// zero.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	return d.Magnetic(regData, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst {
	status := b[regStatus]
	return sensors.Burst{Data: b[:regStatus], Ready: status&ready != 0, Overrun: status&overrun != 0}
}

// decode turns the six data bytes and the status into units.
func (d *Dev) decode(b []byte) sensors.MagneticSample {
	var raw [3]float64
	s := sensors.MagneticSample{TempC: math.NaN()}
	if b[regStatus]&overflow != 0 {
		s.Flags |= sensors.Clipped
	}
	for i := range raw {
		v := int(int16(binary.LittleEndian.Uint16(b[2*i:])))
		if v >= d.end || v <= -d.end {
			s.Flags |= sensors.Clipped
		}
		raw[i] = float64(v)
	}
	s.FieldUT = r3.Scale(d.scale, r3.Vec{X: raw[0], Y: raw[1], Z: raw[2]})
	return s
}

// CheckConfig reads identity and settings and compares them with what was
// written: after a brown-out the chip stands by. Three short transactions.
func (d *Dev) CheckConfig() error {
	const op = "check settings"
	if err := d.InUse(op); err != nil {
		return err
	}
	if err := wake(d.Registers, op); err != nil {
		return err
	}
	return d.Kept(regWhoAmI, id, regControl1, d.settings[:])
}

// Halt stops measuring; a later New starts it.
func (d *Dev) Halt() error { return d.Stop(regControl1, standby) }

// Spec: the data sheet gives 2 mG of field resolution, taken as the noise of one
// sample. The chip makes set/reset pulses itself; their repeatability and its
// zero offset are not stated, the drift is common practice, no source. Scale
// against temperature: ±0.05 %/°C (data sheet rev. B, table 2, as quoted), its sign from
// memory.
func (d *Dev) Spec() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:        "QMC5883L",
		RateHz:      float64(d.opts.RateHz),
		NoiseUT:     0.2,
		DriftUTPerC: 0.02,
		CommonPerC:  -5e-4,
		RangeUT:     100 * float64(d.opts.RangeGauss),
	}
}

var _ sensors.Magnetometer = (*Dev)(nil)
