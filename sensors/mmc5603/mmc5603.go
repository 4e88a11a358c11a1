// Package mmc5603 drives MEMSIC's MMC5603 magnetometer. It measures with
// automatic set and reset pulses, which take its bridge offset out of every
// sample.
//
// Register numbers and bits: Adafruit's MMC56x3 libraries, MEMSIC's driver
// sensor_geomagnetism_mmc5603 (bits of Control 0 and 1) and Linux
// drivers/iio/magnetometer/mmc5633.c 42d3b66, which serves this chip as well
// (identity, scale, 1 ms after a pulse). The data sheet was not read; its noise and
// range are quoted from its feature list in frankcohen/ReflectionsOS. ESPHome made
// the automatic pulses the default because they greatly lower the drift with
// temperature (esphome.io issue 5803).
//
// Whether the axes are right-handed after SET was not found: those of the
// MMC5983MA are not. They are given as the chip has them; where that is a mirror,
// compass calibration refuses the fit and says so. The arrows X and Y on Adafruit's
// board are said to be wrong (Adafruit_MMC56x3 issue 4).
package mmc5603

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the only address, shared with the MMC5983MA.
const Addr uint16 = 0x30

// The control registers can only be written.
const (
	regData     = 0x00
	regRate     = 0x1A // Hz
	regControl0 = 0x1B // bit 3 SET, 4 RESET, 5 automatic pulses, 7 take over the rate
	regControl1 = 0x1C // bits 1..0 bandwidth, bit 7 reset
	regControl2 = 0x1D // bit 4 continuous
	regProduct  = 0x39

	// The product register of parts that have none (Adafruit_MMC56x3 issue 3); that of
	// an MMC5983MA, which has the same address; and the status, in which a chip that
	// is awake has a bit (betaflight compass_mmc5603.c 3a1acd2).
	unmarked     = 0x00
	regOther     = 0x2F
	productOther = 0x30
	regStatus    = 0x18
	trimRead     = 0x10

	product    = 0x10
	setPulse   = 0x08
	resetPulse = 0x10
	autoPulses = 0x20
	takeRate   = 0x80
	softReset  = 0x80
	narrow     = 0x00 // the longest measurement, 6.6 ms, with the least noise
	continuous = 0x10

	// burst is X, Y and Z with 16 bits each, then a byte with four more of each.
	burst     = 9
	zero      = 1 << 19
	fullScale = 1<<20 - 1
	// utPerCount: 0.0625 mG.
	utPerCount = 0.00625
	// endUT is where the range of ±30 G ends.
	endUT = 3000
	// maxRateHz is what automatic pulses and the narrow bandwidth leave time for
	// (SlimeVR-Tracker-nRF MMC5603NJ.c dcf5f67, after data sheet rev. B).
	maxRateHz = 75
)

const (
	resetTime = 20 * time.Millisecond
	pulseTime = time.Millisecond
)

// Opts are the settings of the chip. There is one range.
type Opts struct {
	RateHz int // 1 to 75
}

// DefaultOpts measure at 75 Hz.
func DefaultOpts() Opts { return Opts{RateHz: maxRateHz} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts    Opts
	product byte // as read
}

// Identify tells by the product register whether the chip answers at addr. Some
// parts read 0x00 there, as other chips may: those are not found, but New takes
// them. An error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	got, err := sensors.NewRegisters(bus, addr, "MMC5603").Get("read identity", regProduct)
	return "MMC5603", err == nil && got == product, err
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts) and
// starts measuring. A part without a product number must be awake, no MMC5983MA, and
// measure. It takes 22 ms and two sample periods on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "MMC5603", clock), opts: sensors.Or(opts, DefaultOpts())}
	if err := d.identify(); err != nil {
		return nil, err
	}
	if err := d.Begin(d.plan, d.start); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) identify() error {
	got, err := d.Identity(regProduct, product, unmarked)
	d.product = got
	if err != nil || got == product {
		return err
	}
	other, err := d.Get("read identity", regOther)
	if err != nil {
		return err
	}
	status, err := d.Get("read identity", regStatus)
	if err == nil && (other == productOther || status&trimRead == 0 || status == 0xFF) {
		err = d.unknown(fmt.Sprintf("0x%02x and 0x%02x read 0x%02x and 0x%02x", regOther, regStatus, other, status))
	}
	return err
}

func (d *Dev) unknown(why string) error {
	return d.Fail("read identity", sensors.FaultIdentity, "check chip name and address; plumbstar scan lists what answers",
		fmt.Errorf("identity register 0x%02x reads 0x%02x, and %s", regProduct, d.product, why))
}

func (d *Dev) plan() error {
	if hz := d.opts.RateHz; hz < 1 || hz > maxRateHz {
		return fmt.Errorf("rate %d Hz: want 1 to %d", hz, maxRateHz)
	}
	// When the chip clears its bit for a finished measurement is not known: new
	// samples are told by their bits and by time.
	d.Fresh = sensors.Freshness{Period: time.Second / time.Duration(d.opts.RateHz), NoReady: true}
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	for _, step := range [...]struct {
		reg, value byte
		wait       time.Duration
	}{
		{regControl1, softReset, resetTime},
		{regControl0, resetPulse, pulseTime},
		{regControl0, setPulse, pulseTime},
	} {
		if err := d.Set(op, step.reg, step.value); err != nil {
			return err
		}
		d.Clock.Sleep(step.wait)
	}
	if err := d.configure(op); err != nil {
		return err
	}
	d.Clock.Sleep(2 * d.Fresh.Period)
	b, err := d.Read(op, regData, burst)
	if err == nil && d.product == unmarked && sensors.Blank(b) {
		err = d.unknown("nothing was measured")
	}
	return err
}

// configure writes the settings; the last starts continuous measurement.
func (d *Dev) configure(op string) error {
	for _, w := range [...][2]byte{
		{regControl1, narrow},
		{regRate, byte(d.opts.RateHz)},
		{regControl0, takeRate | autoPulses},
		{regControl2, continuous},
	} {
		if err := d.Set(op, w[0], w[1]); err != nil {
			return err
		}
	}
	return nil
}

// ReadMagnetic reads the data in one burst. At is the time just before the
// transfer; the measurement is at most one period older. The chip does not say
// whether a sample was read before: the same bits count as old until one and a
// half periods have passed. There is no temperature while it measures by itself.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	return d.Magnetic(regData, burst, split, decode, d)
}

func split(b []byte) sensors.Burst { return sensors.Burst{Data: b} }

// decode turns the nine data bytes into units.
func decode(b []byte) sensors.MagneticSample {
	var v [3]float64
	s := sensors.MagneticSample{TempC: math.NaN()}
	for i := range v {
		c := int(b[2*i])<<12 | int(b[2*i+1])<<4 | int(b[6+i])>>4
		v[i] = float64(c-zero) * utPerCount
		if c == 0 || c == fullScale || math.Abs(v[i]) >= endUT {
			s.Flags |= sensors.Clipped
		}
	}
	s.FieldUT = r3.Vec{X: v[0], Y: v[1], Z: v[2]}
	return s
}

// CheckConfig reads the identity and looks whether the chip still measures (see
// Poller.MovesAgain): the control registers cannot be read. Usually the identity
// is all that is read; otherwise it sleeps for a few periods.
func (d *Dev) CheckConfig() error {
	const op = "check settings"
	if err := d.InUse(op); err != nil {
		return err
	}
	if err := d.StillThere(regProduct, d.product); err != nil {
		return err
	}
	return d.MovesAgain(op, regData, burst, func() error { return d.configure(op) })
}

// Halt stops measuring; a later New starts it.
func (d *Dev) Halt() error { return d.Stop(regControl2, 0) }

// Spec: 2 mG of noise and a range of ±30 G are the data sheet's features. What set
// and reset leave is not known: offset, floor and drifts are common
// practice, no source.
func (d *Dev) Spec() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:        "MMC5603",
		RateHz:      float64(d.opts.RateHz),
		NoiseUT:     0.2,
		FloorUT:     0.1,
		OffsetUT:    2,
		DriftUTPerC: 0.02,
		ScalePerC:   3e-4,
		RangeUT:     endUT,
	}
}

var _ sensors.Magnetometer = (*Dev)(nil)
