// Package mmc5983ma drives MEMSIC's MMC5983MA magnetometer. Its bridge offset
// moves with temperature; pairs of measurements after a SET and a RESET pulse,
// which turn the sign of the field but not of the offset, find it again.
//
// Register numbers, bits and figures: MEMSIC MMC5983MA data sheet rev. A
// (3 April 2019) and SparkFun's MMC5983MA library.
//
// After SET the output is left-handed: x and y as printed, z into the board.
// Samples are given with z turned round, out of the top of the package, which is
// right-handed as everywhere here; no mount setting could mend it, since a mount
// only turns. Measured by crengineering/AurixTricore (of all 48 ways to name the
// axes only a mirrored one kept the angle between field and gravity in three
// recordings of six positions); rrainey/tempo-bt maps by a mirror as well; PX4
// (mmc5983ma.cpp 07f538f) and ArduPilot (AP_Compass_MMC5xx3.cpp 0a4dc47) turn all
// three signs round, which is a mirror too. Against it stands one sketch
// (kriswiner/MMC5983MA c80b223). On a chip that is right-handed after all, compass
// calibration refuses the fit as a mirror.
package mmc5983ma

import (
	"errors"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the only address.
const Addr uint16 = 0x30

// The control registers can only be written: reading them gives stray bits.
const (
	regData     = 0x00
	regControl0 = 0x09
	regControl1 = 0x0A // bits 1..0 bandwidth, bit 7 reset
	regControl2 = 0x0B // bits 2..0 rate, bit 3 continuous
	regProduct  = 0x2F

	product    = 0x30
	measure    = 0x01
	setPulse   = 0x08
	resetPulse = 0x10
	softReset  = 0x80
	continuous = 0x08
	measured   = 0x01 // in the status, the last byte of a burst

	// burst is seven data bytes, temperature and status.
	burst     = 9
	dataBytes = 7
	zero      = 131072
	fullScale = 1<<18 - 1
	// utPerCount: 16384 counts per gauss.
	utPerCount = 100.0 / 16384
)

// resetTime is what SparkFun's library waits (the data sheet asks for 10 ms);
// pulseTime follows a SET or RESET pulse.
const (
	resetTime = 15 * time.Millisecond
	pulseTime = time.Millisecond
)

// Opts are the settings of the chip.
type Opts struct {
	RateHz      int // 1, 10, 20, 50, 100, 200 or 1000
	BandwidthHz int // 100, 200, 400 or 800; 200 Hz needs 200, 1000 Hz needs 800
	// PairEvery is the longest time between measurements of the bridge offset,
	// and PairDeltaC the change of temperature that asks for one (see
	// NoteTemperature). Zero: a minute and 1.5 °C.
	PairEvery  time.Duration
	PairDeltaC float64
}

// DefaultOpts measure at 100 Hz with the least noise.
func DefaultOpts() Opts { return Opts{RateHz: 100, BandwidthHz: 100} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts    Opts
	control [2]byte // shadows of control registers 1 and 2
	takes   time.Duration
	noiseUT float64
	pair    pair
}

// Identify tells by the product register whether the chip answers at addr. An
// error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	r := sensors.NewRegisters(bus, addr, "MMC5983MA")
	got, err := r.Get("read identity", regProduct)
	return "MMC5983MA", err == nil && got == product, err
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts),
// measures the bridge offset and starts continuous measurement. It takes 50 ms
// on clock, up to 0.1 s when the chip is being turned.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.Poller{Registers: sensors.NewRegisters(bus, addr, "MMC5983MA"), Clock: clock}, opts: sensors.Or(opts, DefaultOpts())}
	if _, err := d.Identity(regProduct, product); err != nil {
		return nil, err
	}
	if err := d.Begin(d.plan, d.start); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) plan() error {
	o := &d.opts
	// Measurement time and noise by bandwidth (data sheet, table of Control 1).
	modes := map[int]struct {
		code  byte
		takes time.Duration
		noise float64
	}{
		100: {0, 8 * time.Millisecond, 0.04},
		200: {1, 4 * time.Millisecond, 0.06},
		400: {2, 2 * time.Millisecond, 0.08},
		800: {3, time.Millisecond / 2, 0.12},
	}
	mode, ok := modes[o.BandwidthHz]
	if !ok {
		return fmt.Errorf("bandwidth %d Hz: want 100, 200, 400 or 800", o.BandwidthHz)
	}
	rates := map[int]byte{1: 1, 10: 2, 20: 3, 50: 4, 100: 5, 200: 6, 1000: 7}
	rate, ok := rates[o.RateHz]
	if !ok {
		return fmt.Errorf("rate %d Hz: want 1, 10, 20, 50, 100, 200 or 1000", o.RateHz)
	}
	if o.RateHz == 1000 && o.BandwidthHz < 800 || o.RateHz == 200 && o.BandwidthHz < 200 {
		return fmt.Errorf("rate %d Hz needs more bandwidth than %d Hz", o.RateHz, o.BandwidthHz)
	}
	if o.PairEvery <= 0 {
		o.PairEvery = time.Minute
	}
	if !(o.PairDeltaC > 0) {
		o.PairDeltaC = 1.5
	}
	d.control = [2]byte{mode.code, continuous | rate}
	d.takes, d.noiseUT = mode.takes, mode.noise
	// The chip marks the end of a measurement until the next begins, whether it
	// was read or not: new samples are told by their bits and by time.
	d.Fresh = sensors.Freshness{Period: time.Second / time.Duration(o.RateHz), NoReady: true}
	d.pair.tempC, d.pair.nowC = math.NaN(), math.NaN()
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regControl1, softReset); err != nil {
		return err
	}
	d.Clock.Sleep(resetTime)
	if err := d.Set(op, regControl1, d.control[0]); err != nil {
		return err
	}
	// The first offset: the steps of a pair without anything in between, again
	// when the chip was moved meanwhile, but not for ever.
	for range 3 {
		d.pair.step = pairStop
		for d.pair.step != pairOff {
			d.Clock.Sleep(max(d.pair.next-d.Clock.Now(), pulseTime))
			if _, err := d.stepPair(d.Clock.Now()); err != nil && !errors.Is(err, sensors.ErrNoNewData) {
				return err
			}
		}
		if d.pair.good {
			break
		}
	}
	d.Clock.Sleep(d.Fresh.Period)
	return nil
}

// ReadMagnetic reads data and status in one burst. At is the time just before
// the transfer; the measurement is at most one period older. The chip does not
// say whether a sample was read before: the same bits count as old until one and
// a half periods have passed. There is no temperature, since the chip's does not
// work in practice (PX4 pull request 22895).
//
// While a pair is measured, for about eight calls every minute, the calls carry
// out its steps: they return ErrNoNewData and, from the last, a sample.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	if err := d.InUse("read sample"); err != nil {
		return sensors.MagneticSample{}, err
	}
	at := d.Clock.Now()
	if d.pairDue(at) {
		d.pair.step = pairStop
	}
	if d.pair.step != pairOff {
		return d.stepPair(at)
	}
	return d.Magnetic(regData, burst, split, d.sample, d)
}

func split(b []byte) sensors.Burst { return sensors.Burst{Data: b[:dataBytes]} }

// sample is the field of a burst that was measured after SET.
func (d *Dev) sample(b []byte) sensors.MagneticSample {
	raw, clipped := decode(b)
	v := r3.Sub(raw, d.pair.offset)
	v.Z = -v.Z
	s := sensors.MagneticSample{FieldUT: v, TempC: math.NaN()}
	if clipped {
		s.Flags |= sensors.Clipped
	}
	return s
}

// decode gives the three 18-bit values in µT, in the axes of the data registers and
// bridge offset included: bits 17 to 10 and 9 to 2 of X, Y and Z, then one byte with
// two bits of each.
func decode(b []byte) (raw r3.Vec, clipped bool) {
	var v [3]float64
	for i := range v {
		c := int(b[2*i])<<10 | int(b[2*i+1])<<2 | int(b[6])>>(6-2*i)&3
		clipped = clipped || c == 0 || c == fullScale
		v[i] = float64(c-zero) * utPerCount
	}
	return r3.Vec{X: v[0], Y: v[1], Z: v[2]}, clipped
}

// CheckConfig reads the identity and looks whether the chip still measures (see
// Poller.MovesAgain): the control registers cannot be read. Usually the identity
// is all that is read; otherwise it sleeps for a few periods.
func (d *Dev) CheckConfig() error {
	const op = "check settings"
	if err := d.InUse(op); err != nil {
		return err
	}
	if err := d.StillThere(regProduct, product); err != nil {
		return err
	}
	if d.pair.step != pairOff {
		return nil
	}
	return d.MovesAgain(op, regData, dataBytes, func() error {
		for i, v := range d.control {
			if err := d.Set(op, regControl1+byte(i), v); err != nil {
				return err
			}
		}
		return nil
	})
}

// Halt stops measuring; a later New starts it.
func (d *Dev) Halt() error { return d.Stop(regControl2, 0) }

// Spec states the data sheet's figures: noise by bandwidth, repeatability of
// SET and RESET 1 mG, zero field after a pair ±3 mG over temperature (-40 to
// 105 °C, taken as even), ±8 G. The drift of the scale is common practice, no
// source.
func (d *Dev) Spec() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:        "MMC5983MA",
		RateHz:      float64(d.opts.RateHz),
		NoiseUT:     d.noiseUT,
		FloorUT:     0.1,
		OffsetUT:    0.3,
		DriftUTPerC: 0.3 / 145,
		ScalePerC:   3e-4,
		RangeUT:     800,
	}
}

var _ sensors.Magnetometer = (*Dev)(nil)
