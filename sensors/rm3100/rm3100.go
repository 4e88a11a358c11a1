// Package rm3100 drives PNI's RM3100 magnetometer: three coils whose oscillation
// the field detunes. It has less noise than the others here, and no bridge offset
// to drift.
//
// Register numbers, bits and figures: PNI RM3100 and RM2100 user manual R14, and
// the Linux driver drivers/iio/magnetometer/rm3100-core.c. The coils are parts of
// their own, set at right angles by whoever made the board: a compass calibration
// with its full matrix is needed.
package rm3100

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the address with both address pins low; each of SA0 and SA1 adds a bit.
const Addr uint16 = 0x20

// MaxAddr is the address with both pins high.
const MaxAddr uint16 = 0x23

// While the chip measures by itself the register regContinuous must not be read
// nor regRate written: either ends that (manual, note in section 5.2).
const (
	regPoll       = 0x00
	regContinuous = 0x01 // bits 6..4 Z, Y, X; bit 0 start
	regCycles     = 0x04 // X, Y and Z, two bytes each, high byte first
	regRate       = 0x0B // 0x92 (600 Hz) to 0x9F, halving
	regData       = 0x24 // X, Y, Z, three bytes each, high byte first
	regSelfTest   = 0x33
	regStatus     = 0x34 // bit 7: data ready; the rest means nothing
	regRevision   = 0x36

	// revision is what known parts have (PX4 rm3100.h: RM3100_REVID).
	revision  = 0x22
	ready     = 0x80
	allAxes   = 0x70
	start     = 0x71
	stop      = 0x00
	topRate   = 0x92 // 600 Hz
	resetRate = 0x96 // after power-up
	// testAll runs the oscillators for four periods each, with the longest time
	// to wait for them; testPassed are the bits of the three axes.
	testAll    = 0x8F
	testPassed = 0x70
	testTime   = 15 * time.Millisecond // manual: 10 ms

	cycleBytes = 6
	// statusBytes reach from the status over the handshake register to the
	// revision, so that empty bytes do not look like "no new sample".
	statusBytes = 3
	burst       = 9
	// endUT is where the range ends.
	endUT = 800
)

// Opts are the settings of the chip.
type Opts struct {
	// RateHz is 9.375, 18.75, 37.5, 75, 150 or 300; the chip's own clock keeps it
	// to 7 % (1 sigma).
	RateHz float64
	// Cycles is how many oscillations one measurement counts, 30 to 400: more have
	// less noise and take longer.
	Cycles int
}

// DefaultOpts measure 200 cycles at 75 Hz.
func DefaultOpts() Opts { return Opts{RateHz: 75, Cycles: 200} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts   Opts
	cycles [cycleBytes]byte
	rate   byte
	scale  float64 // µT per count
	last   [burst]byte
}

// Identify tells by the revision register whether the chip answers at addr; it
// has no other identity. An error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	got, err := sensors.NewRegisters(bus, addr, "RM3100").Get("read identity", regRevision)
	return "RM3100", err == nil && got == revision, err
}

// New checks the identity, stops the chip, writes opts (nil: DefaultOpts), reads
// them back, runs the self-test of the coils and starts measuring. The chip has no
// reset: all settings are written. It takes 15 ms and two sample periods on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "RM3100", clock), opts: sensors.Or(opts, DefaultOpts())}
	if _, err := d.Identity(regRevision, revision); err != nil {
		return nil, err
	}
	if err := d.Begin(d.plan, d.start); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) plan() error {
	o := &d.opts
	halvings, ok := sensors.Code(o.RateHz, 600, 300, 150, 75, 37.5, 18.75, 9.375)
	if !ok || halvings == 0 {
		return fmt.Errorf("rate %g Hz: want 9.375, 18.75, 37.5, 75, 150 or 300", o.RateHz)
	}
	if o.Cycles < 30 || o.Cycles > 400 {
		return fmt.Errorf("%d cycles: want 30 to 400", o.Cycles)
	}
	d.rate = topRate + halvings
	if o.Cycles == 200 && d.rate == resetRate {
		// These are the values after power-up: a brown-out would not show.
		o.Cycles++
	}
	for i := 0; i < cycleBytes; i += 2 {
		d.cycles[i], d.cycles[i+1] = byte(o.Cycles>>8), byte(o.Cycles)
	}
	d.scale = 1 / gain(o.Cycles)
	d.Fresh = sensors.Freshness{Period: time.Duration(float64(time.Second) / o.RateHz)}
	return nil
}

// gain is how many counts are 1 µT: straight lines through the manual's 20, 38 and
// 75 at 50, 100 and 200 cycles (table 3-1), which are rounded, and on beyond them.
func gain(cycles int) float64 {
	n := float64(cycles)
	if n < 100 {
		return 38 + (n-100)*(38-20)/50
	}
	return 75 + (n-200)*(75-38)/100
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regContinuous, stop); err != nil {
		return err
	}
	for i, v := range d.cycles {
		if err := d.SetChecked(op, regCycles+byte(i), v); err != nil {
			return err
		}
	}
	if err := d.SetChecked(op, regRate, d.rate); err != nil {
		return err
	}
	if err := d.selfTest(); err != nil {
		return err
	}
	if err := d.Set(op, regContinuous, start); err != nil {
		return err
	}
	d.Clock.Sleep(2 * d.Fresh.Period)
	return nil
}

// selfTest asks the chip whether all three coils oscillate.
func (d *Dev) selfTest() error {
	const op = "self-test"
	if err := d.Set(op, regSelfTest, testAll); err != nil {
		return err
	}
	if err := d.Set(op, regPoll, allAxes); err != nil {
		return err
	}
	d.Clock.Sleep(testTime)
	got, err := d.Get(op, regSelfTest)
	if err != nil {
		return err
	}
	if err := d.Set(op, regSelfTest, 0); err != nil {
		return err
	}
	if got&testPassed != testPassed {
		return d.Fail(op, sensors.FaultFrozen, "a coil or its solder joint is broken: replace the board",
			fmt.Errorf("register 0x%02x reads 0x%02x: bits 4 to 6 tell which of X, Y and Z work", regSelfTest, got))
	}
	return nil
}

// ReadMagnetic reads the status and, once the chip is ready, the data in one
// burst: two transactions, since the chip refuses to give data that are not new.
// At is the time just before them; the measurement is at most one period older.
// There is no overrun bit: more than two periods between samples are an overrun.
// There is no thermometer.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	const op = "read sample"
	if err := d.InUse(op); err != nil {
		return sensors.MagneticSample{}, err
	}
	at := d.Clock.Now()
	b, err := d.Read(op, regStatus, statusBytes)
	if err != nil {
		return sensors.MagneticSample{}, err
	}
	if sensors.Blank(b) {
		return sensors.MagneticSample{}, d.Diagnose(op, sensors.FaultImplausible, d.CheckConfig)
	}
	isNew := b[0]&ready != 0
	if isNew {
		if b, err = d.Read(op, regData, burst); err != nil {
			return sensors.MagneticSample{}, err
		}
		if sensors.Blank(b) {
			return sensors.MagneticSample{}, d.Diagnose(op, sensors.FaultImplausible, d.CheckConfig)
		}
		copy(d.last[:], b)
	}
	flags, err := d.Judge(at, sensors.Burst{Data: d.last[:], Ready: isNew}, d)
	if err != nil {
		return sensors.MagneticSample{}, err
	}
	s := d.decode(d.last[:])
	s.At = at
	s.Flags |= flags
	return s, nil
}

// decode turns the nine data bytes into units.
func (d *Dev) decode(b []byte) sensors.MagneticSample {
	var v [3]float64
	s := sensors.MagneticSample{TempC: math.NaN()}
	for i := range v {
		c := int32(b[3*i])<<24 | int32(b[3*i+1])<<16 | int32(b[3*i+2])<<8
		v[i] = float64(c>>8) * d.scale
		if math.Abs(v[i]) >= endUT {
			s.Flags |= sensors.Clipped
		}
	}
	s.FieldUT = r3.Vec{X: v[0], Y: v[1], Z: v[2]}
	return s
}

// CheckConfig reads revision, cycles and rate and compares them with what was
// written: after a brown-out they are the chip's own. Three short transactions.
func (d *Dev) CheckConfig() error {
	const op = "check settings"
	if err := d.InUse(op); err != nil {
		return err
	}
	if err := d.StillThere(regRevision, revision); err != nil {
		return err
	}
	if err := d.Matches(op, regCycles, d.cycles[:]); err != nil {
		return err
	}
	return d.Matches(op, regRate, []byte{d.rate})
}

// Halt stops measuring; a later New starts it.
func (d *Dev) Halt() error { return d.Stop(regContinuous, stop) }

// Spec states the manual's figures: noise 30, 20 and 15 nT at 50, 100 and 200
// cycles (that of the next lower count is taken), hysteresis 15 nT, ±800 µT, "free
// from offset drift". It puts no figure to the offset nor to what temperature does:
// those are common practice, no source.
func (d *Dev) Spec() sensors.MagneticSpec {
	s := sensors.MagneticSpec{
		Chip:        "RM3100",
		RateHz:      d.opts.RateHz,
		NoiseUT:     0.04,
		FloorUT:     0.015,
		OffsetUT:    0.5,
		DriftUTPerC: 0.005,
		ScalePerC:   3e-4,
		RangeUT:     endUT,
	}
	switch {
	case d.opts.Cycles >= 200:
		s.NoiseUT = 0.015
	case d.opts.Cycles >= 100:
		s.NoiseUT = 0.02
	case d.opts.Cycles >= 50:
		s.NoiseUT = 0.03
	}
	return s
}

var _ sensors.Magnetometer = (*Dev)(nil)
