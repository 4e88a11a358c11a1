// Package lis2mdl drives STMicroelectronics' LIS2MDL magnetometer, and the
// magnetometer half of the LSM303AGR, which is the same part.
//
// Register numbers, bits and scales: ST's lis2mdl-pid (register header) and the
// Linux driver drivers/iio/magnetometer/st_magn_core.c; soft reset, low-pass bit
// and temperature scale as in ST's examples. Noise and zero field: data sheet
// DS12144 rev. 6, tables 2 and 9, as quoted beside a public driver (SlimeVR
// tracker firmware, LIS2MDL.c); the sheet itself was not read.
//
// The chip's axes are left-handed (data sheet, section 1.2, figure 2, as said in
// phoenix-rtos-devices pull request 398; PX4 iis2mdc.cpp 3b0a712, ArduPilot
// AP_Compass_LIS2MDL.cpp 07cb050 and betaflight compass_lis2mdl.c turn one axis
// as well). Samples are given with y turned round: then they are right-handed, as
// everywhere here, and in an LSM303AGR the accelerometer's axes (codal-core
// LSM303Magnetometer.cpp 3ecb9e5 and LSM303Accelerometer.cpp 111fc68 place both on
// one board; the Rust book discovery-mb2, chapter 12, agrees). No mount setting
// could mend it: a mount only turns.
package lis2mdl

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
	regWhoAmI   = 0x4F
	regConfigA  = 0x60 // bit 7 temperature compensation, 5 reset, 3..2 rate, 1..0 mode
	regConfigB  = 0x61 // bit 1 offset cancellation, bit 0 low-pass
	regConfigC  = 0x62 // bit 4 block update
	regStatus   = 0x67 // bit 3: X, Y and Z ready, bit 7: overrun
	regTemp     = 0x6E
	settingsLen = 3

	id          = 0x40
	softReset   = 0x20
	compensate  = 0x80
	continuous  = 0x00
	idle        = 0x03
	cancel      = 0x02 // set and reset pulses in turn: the bridge offset drops out
	lowPass     = 0x01
	blockUpdate = 0x10
	ready       = 0x08
	overrun     = 0x80
	resetLimit  = 100 * time.Millisecond
	// burst is the status and six data bytes.
	burst = 7
	// utPerCount: 1.5 mG.
	utPerCount = 0.15

	// The accelerometer half of an LSM303AGR (identity: LSM303AGR_ID_XL in ST's
	// lsm303agr-pid).
	addrAccel   = 0x19
	regWhoAmIXL = 0x0F
	idXL        = 0x33
)

// Opts are the settings of the chip. There is one range.
type Opts struct {
	RateHz int // 10, 20, 50 or 100
}

// DefaultOpts measure at 100 Hz.
func DefaultOpts() Opts { return Opts{RateHz: 100} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts     Opts
	settings [settingsLen]byte
	temp     sensors.Thermometer
}

// Identify tells by the identity register whether the chip answers at addr, and
// calls it LSM303AGR when that chip's accelerometer answers beside it. An error
// means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	got, err := sensors.NewRegisters(bus, addr, "LIS2MDL").Get("read identity", regWhoAmI)
	if err != nil || got != id {
		return "LIS2MDL", false, err
	}
	xl, err := sensors.NewRegisters(bus, addrAccel, "LSM303AGR").Get("read identity", regWhoAmIXL)
	if err == nil && xl == idXL {
		return "LSM303AGR", true, nil
	}
	return "LIS2MDL", true, nil
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts),
// reads them back and starts measuring. It takes two sample periods on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "LIS2MDL", clock), opts: sensors.Or(opts, DefaultOpts())}
	if _, err := d.Identity(regWhoAmI, id); err != nil {
		return nil, err
	}
	if err := d.Begin(d.plan, d.start); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) plan() error {
	rate, ok := sensors.Code(d.opts.RateHz, 10, 20, 50, 100)
	if !ok {
		return fmt.Errorf("rate %d Hz: want 10, 20, 50 or 100", d.opts.RateHz)
	}
	d.settings = [settingsLen]byte{compensate | rate<<2 | continuous, cancel | lowPass, blockUpdate}
	d.temp = sensors.Thermometer{Reg: regTemp, Convert: celsius}
	d.Fresh = sensors.Freshness{Period: time.Second / time.Duration(d.opts.RateHz)}
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regConfigA, softReset); err != nil {
		return err
	}
	if err := d.AwaitClear(op, regConfigA, softReset, d.Clock, time.Millisecond, resetLimit); err != nil {
		return err
	}
	// Continuous measurement starts with the first register: it comes last.
	for i := settingsLen - 1; i >= 0; i-- {
		if err := d.SetChecked(op, regConfigA+byte(i), d.settings[i]); err != nil {
			return err
		}
	}
	d.Clock.Sleep(2 * d.Fresh.Period)
	if _, err := d.Read(op, regStatus, burst); err != nil {
		return err
	}
	return d.temp.Update(&d.Poller)
}

// celsius: 8 counts per °C, zero is 25 °C.
func celsius(b []byte) float64 { return 25 + float64(int16(binary.LittleEndian.Uint16(b)))/8 }

// ReadMagnetic reads status and data in one burst. At is the time just before
// the transfer; the measurement is at most one period older, and with the offset
// cancelled it is the mean of the two last. The temperature is read apart, once
// a second.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	if err := d.temp.Update(&d.Poller); err != nil {
		return sensors.MagneticSample{}, err
	}
	return d.Magnetic(regStatus, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst {
	return sensors.Burst{Data: b[1:], Ready: b[0]&ready != 0, Overrun: b[0]&overrun != 0}
}

// decode turns a burst into units.
func (d *Dev) decode(b []byte) sensors.MagneticSample {
	b = b[1:]
	var raw [3]float64
	s := sensors.MagneticSample{TempC: d.temp.TempC}
	for i := range raw {
		v := int16(binary.LittleEndian.Uint16(b[2*i:]))
		if v == math.MaxInt16 || v == math.MinInt16 {
			s.Flags |= sensors.Clipped
		}
		raw[i] = float64(v)
	}
	s.FieldUT = r3.Scale(utPerCount, r3.Vec{X: raw[0], Y: -raw[1], Z: raw[2]})
	return s
}

// CheckConfig reads identity and settings and compares them with what was
// written: after a brown-out the chip is idle. Two short transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regWhoAmI, id, regConfigA, d.settings[:])
}

// Halt stops measuring; a later New starts it.
func (d *Dev) Halt() error { return d.Stop(regConfigA, compensate|idle) }

// Spec states the data sheet's figures: 3 mG of noise with the low-pass (table 9),
// ±60 mG of zero field with the offset cancelled (table 2) taken as 3 sigma; from
// memory ±0.3 mG/°C and ±0.03 %/°C of scale; ±49.152 G. What averaging leaves is
// not stated: the quantisation is taken.
func (d *Dev) Spec() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:        "LIS2MDL",
		RateHz:      float64(d.opts.RateHz),
		NoiseUT:     0.3,
		FloorUT:     utPerCount / math.Sqrt(12),
		OffsetUT:    2,
		DriftUTPerC: 0.03,
		ScalePerC:   3e-4,
		RangeUT:     4915.2,
	}
}

var _ sensors.Magnetometer = (*Dev)(nil)
