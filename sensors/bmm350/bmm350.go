// Package bmm350 drives Bosch's BMM350 magnetometer. Its output means nothing
// before it is corrected with the coefficients that the maker stored in the chip.
//
// Register numbers, bits, waits and the correction: Bosch's BMM350_SensorAPI and
// the summary of data sheet BST-BMM350-DS001; the words and bits of the
// coefficients agree in the drivers of PX4 and Zephyr. Users report some 25 µT of
// offset even after the correction: a compass calibration is needed. The data sheet
// (5.10.5) is said to want 0x00 after the reset command 0xB6 (BMM350_SensorAPI issue
// 5); Bosch, ArduPilot, PX4, betaflight and Zephyr do without, as here. The axes are
// right-handed: none of those drivers turns one.
package bmm350

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the address with pin ADSEL low, AltAddr that with ADSEL high.
const (
	Addr    uint16 = 0x14
	AltAddr uint16 = 0x15
)

// Two bytes of no use come before the first of every read.
const (
	dummy = 2

	regWhoAmI    = 0x00
	regAggregate = 0x04 // bits 5..4 average, 3..0 rate; then 0x05, axes
	regPower     = 0x06 // commands to the power unit
	regInterrupt = 0x2E // bit 7: data ready shows in regStatus
	regStatus    = 0x30 // bit 2: data ready; then X, Y, Z, temperature
	regOTP       = 0x50
	regOTPStatus = 0x55 // bit 0 done, bits 7..5 error
	regOTPData   = 0x52 // high byte, low byte
	regCommand   = 0x7E

	id         = 0x33
	softReset  = 0xB6
	otpRead    = 0x20
	otpOff     = 0x80
	otpDone    = 0x01
	otpError   = 0xE0
	bitReset   = 0x07 // magnetise the flux guide one way
	fluxReset  = 0x05 // and the other
	update     = 0x02
	normal     = 0x01
	suspend    = 0x00
	allAxes    = 0x07
	readyBit   = 0x04
	showReady  = 0x80
	ratePlace  = 2 // code of 400 Hz
	dataAt     = 1
	burst      = 1 + 4*3
	saturated  = 1<<20 - 1 // of the converter's 21 bits
	endUT      = 2000
	otpPatient = 100 * time.Millisecond
)

// Waits of Bosch's driver.
const (
	resetTime     = 24 * time.Millisecond
	bitResetTime  = 14 * time.Millisecond
	fluxResetTime = 18 * time.Millisecond
	updateTime    = time.Millisecond
	normalTime    = 38 * time.Millisecond
)

// Opts are the settings of the chip. There is one range.
type Opts struct {
	RateHz int // 25, 50, 100, 200 or 400; as many measurements go into a sample as there is time for
}

// DefaultOpts measure at 100 Hz.
func DefaultOpts() Opts { return Opts{RateHz: 100} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts     Opts
	settings [2]byte
	average  byte // power of two
	trim     trim
}

// Identify tells by the identity register whether the chip answers at addr. An
// error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	r := registers(bus, addr)
	got, err := r.Get("read identity", regWhoAmI)
	return "BMM350", err == nil && got == id, err
}

func registers(bus i2c.Bus, addr uint16) *sensors.Registers {
	r := sensors.NewRegisters(bus, addr, "BMM350")
	r.Dummy = dummy
	return r
}

// New checks the identity, resets the chip, reads its coefficients, magnetises it
// anew, writes opts (nil: DefaultOpts) and starts measuring. It takes 0.1 s and two
// sample periods on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.Poller{Registers: registers(bus, addr), Clock: clock}, opts: sensors.Or(opts, DefaultOpts())}
	if _, err := d.Identity(regWhoAmI, id); err != nil {
		return nil, err
	}
	if err := d.Begin(d.plan, d.start); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) plan() error {
	rate, ok := sensors.Code(d.opts.RateHz, 400, 200, 100, 50, 25)
	if !ok {
		return fmt.Errorf("rate %d Hz: want 25, 50, 100, 200 or 400", d.opts.RateHz)
	}
	// 400 Hz leaves time for one measurement, 200 Hz for two, and so on to eight.
	d.average = min(rate, 3)
	d.settings = [2]byte{d.average<<4 | (rate + ratePlace), allAxes}
	d.Fresh = sensors.Freshness{Period: time.Second / time.Duration(d.opts.RateHz)}
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.step(op, regCommand, softReset, resetTime); err != nil {
		return err
	}
	if _, err := d.Identity(regWhoAmI, id); err != nil {
		return err
	}
	if err := d.readTrim(); err != nil {
		return err
	}
	for _, s := range [...]struct {
		reg, value byte
		wait       time.Duration
	}{
		{regPower, bitReset, bitResetTime},
		{regPower, fluxReset, fluxResetTime},
		{regAggregate, d.settings[0], 0},
		{regPower, update, updateTime},
		{regAggregate + 1, d.settings[1], 0},
		{regInterrupt, showReady, 0},
		{regPower, normal, normalTime},
	} {
		if err := d.step(op, s.reg, s.value, s.wait); err != nil {
			return err
		}
	}
	if err := d.Matches(op, regAggregate, d.settings[:]); err != nil {
		return err
	}
	d.Clock.Sleep(2 * d.Fresh.Period)
	_, err := d.Read(op, regStatus, burst)
	return err
}

func (d *Dev) step(op string, reg, value byte, wait time.Duration) error {
	if err := d.Set(op, reg, value); err != nil {
		return err
	}
	d.Clock.Sleep(wait)
	return nil
}

// readTrim reads the 32 words of the chip's memory and switches it off.
func (d *Dev) readTrim() error {
	const op = "read coefficients"
	var words [otpWords]uint16
	for i := range words {
		if err := d.Set(op, regOTP, otpRead|byte(i)); err != nil {
			return err
		}
		if err := d.awaitOTP(op); err != nil {
			return err
		}
		b, err := d.Read(op, regOTPData, 2)
		if err != nil {
			return err
		}
		words[i] = binary.BigEndian.Uint16(b)
	}
	if err := d.Set(op, regOTP, otpOff); err != nil {
		return err
	}
	if words == [otpWords]uint16{} {
		return d.Fail(op, sensors.FaultImplausible, "check the supply", errors.New("all are zero"))
	}
	d.trim = parseTrim(&words)
	return nil
}

func (d *Dev) awaitOTP(op string) error {
	for end := d.Clock.Now() + otpPatient; ; d.Clock.Sleep(time.Millisecond / 2) {
		v, err := d.Get(op, regOTPStatus)
		if err != nil {
			return err
		}
		if v&otpError != 0 {
			return d.Fail(op, sensors.FaultFrozen, "unplug and replug the board", fmt.Errorf("memory error, status 0x%02x", v))
		}
		if v&otpDone != 0 {
			return nil
		}
		if d.Clock.Now() >= end {
			return d.Fail(op, sensors.FaultFrozen, "check the supply", fmt.Errorf("memory not ready after %v", otpPatient))
		}
	}
}

// ReadMagnetic reads status, field and temperature in one burst and corrects
// them. At is the time just before the transfer; the measurement is at most one
// period older. There is no overrun bit: more than two periods between samples are
// an overrun.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	return d.Magnetic(regStatus, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst {
	return sensors.Burst{Data: b[dataAt:], Ready: b[0]&readyBit != 0}
}

// decode turns a burst into corrected units.
func (d *Dev) decode(b []byte) sensors.MagneticSample {
	b = b[dataAt:]
	var raw [4]float64
	var s sensors.MagneticSample
	for i := range raw {
		v := int32(b[3*i])<<8 | int32(b[3*i+1])<<16 | int32(b[3*i+2])<<24
		v >>= 8
		if i < 3 && (v >= saturated || v <= -saturated) {
			s.Flags |= sensors.Clipped
		}
		raw[i] = float64(v)
	}
	s.FieldUT, s.TempC = d.trim.correct(raw)
	for _, v := range [...]float64{s.FieldUT.X, s.FieldUT.Y, s.FieldUT.Z} {
		if math.Abs(v) >= endUT {
			s.Flags |= sensors.Clipped
		}
	}
	return s
}

// CheckConfig reads identity and settings and compares them with what was
// written: after a brown-out the chip sleeps and hides its data-ready bit. Three
// short transactions.
func (d *Dev) CheckConfig() error {
	const op = "check settings"
	if err := d.InUse(op); err != nil {
		return err
	}
	if err := d.StillThere(regWhoAmI, id); err != nil {
		return err
	}
	if err := d.Matches(op, regInterrupt, []byte{showReady}); err != nil {
		return err
	}
	return d.Matches(op, regAggregate, d.settings[:])
}

// Halt puts the chip to sleep; a later New wakes it.
func (d *Dev) Halt() error { return d.Stop(regPower, suspend) }

// Spec states the data sheet's figures: noise 190 nT on X and Y and 450 nT on Z
// with two measurements in a sample (their root mean square; one alone has √2 of
// that, and more than two are not counted), range ±2000 µT. The offset is what
// users report after the correction; the drifts are common practice, no source.
func (d *Dev) Spec() sensors.MagneticSpec {
	noise := math.Sqrt((2*0.19*0.19 + 0.45*0.45) / 3)
	if d.average == 0 {
		noise *= math.Sqrt2
	}
	return sensors.MagneticSpec{
		Chip:        "BMM350",
		RateHz:      float64(d.opts.RateHz),
		NoiseUT:     noise,
		OffsetUT:    25,
		DriftUTPerC: 0.05,
		ScalePerC:   3e-4,
		RangeUT:     endUT,
	}
}

var _ sensors.Magnetometer = (*Dev)(nil)
