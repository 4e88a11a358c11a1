// Package ak09916 drives the Asahi Kasei AK09916, the magnetometer inside the
// ICM-20948 (and on some boards alone). Inside an ICM-20948 it answers only while
// that chip's bypass is on.
//
// Register numbers, bits and scales: AK09916 data sheet 015007392-E-02, the Linux
// driver drivers/iio/magnetometer/ak8975.c and SparkFun's ICM-20948 library. In an
// ICM-20948 y and z point against those of accelerometer and gyroscope: the same
// library gives the motion processor the compass mounting matrix of +1, -1 and -1
// (CPASS_MTX_00, _11 and _22).
package ak09916

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
const Addr uint16 = 0x0C

const (
	regWhoAmI   = 0x00 // maker, then type
	regStatus1  = 0x10 // bit 0: data ready, bit 1: overrun
	regControl2 = 0x31 // bits 4..0: mode
	regControl3 = 0x32 // bit 0: reset

	idMaker    = 0x48
	idType     = 0x09
	dataReady  = 0x01
	overrun    = 0x02
	overflow   = 0x08 // in status 2
	modeOff    = 0x00
	softReset  = 0x01
	fullCounts = 32752 // data sheet: the range ends here
	utPerCount = 0.15  // adjusted in the chip
	// burst is status 1, six data bytes, one of no use, and status 2, which must
	// be read to release the next sample.
	burst   = 9
	status2 = 8
)

// resetTime follows a reset, modeTime a change of mode: 100 µs are required (Linux
// ak8975.c), both are generous.
const (
	resetTime = 10 * time.Millisecond
	modeTime  = time.Millisecond
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
	opts Opts
	mode byte
}

// Identify tells by both identity registers whether the chip answers at addr: an
// AK8963 shares the first. An error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	b, err := sensors.NewRegisters(bus, addr, "AK09916").Read("read identity", regWhoAmI, 2)
	if err != nil {
		return "AK09916", false, err
	}
	return "AK09916", b[0] == idMaker && b[1] == idType, nil
}

// New checks the identity, resets the chip and starts continuous measurement
// (nil opts: DefaultOpts). It takes 12 ms and a sample period on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	o := sensors.Or(opts, DefaultOpts())
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "AK09916", clock), opts: o}
	for i, want := range [...]byte{idMaker, idType} {
		if _, err := d.Identity(regWhoAmI+byte(i), want); err != nil {
			return nil, err
		}
	}
	code, ok := sensors.Code(o.RateHz, 10, 20, 50, 100)
	if !ok {
		return nil, d.Fail("set options", sensors.FaultSetting, "", fmt.Errorf("rate %d Hz: want 10, 20, 50 or 100", o.RateHz))
	}
	d.mode = (code + 1) << 1
	d.Fresh = sensors.Freshness{Period: time.Second / time.Duration(o.RateHz)}
	if err := d.start(); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regControl3, softReset); err != nil {
		return err
	}
	d.Clock.Sleep(resetTime)
	// The way to any mode leads through power-down.
	for _, mode := range [...]byte{modeOff, d.mode} {
		if err := d.SetChecked(op, regControl2, mode); err != nil {
			return err
		}
		d.Clock.Sleep(modeTime)
	}
	d.Clock.Sleep(d.Fresh.Period)
	return nil
}

// ReadMagnetic reads status, data and status 2 in one burst, in the axes of the
// accelerometer of the ICM-20948 around it: its y and z are this chip's reversed
// (see the package's head). At is the time just before the transfer; the measurement
// is at most one period older.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	return d.Magnetic(regStatus1, burst, split, decode, d)
}

func split(b []byte) sensors.Burst {
	return sensors.Burst{Data: b[1:7], Ready: b[0]&dataReady != 0, Overrun: b[0]&overrun != 0}
}

// decode turns a burst into units.
func decode(b []byte) sensors.MagneticSample {
	var raw [3]float64
	s := sensors.MagneticSample{TempC: math.NaN()}
	if b[status2]&overflow != 0 {
		s.Flags |= sensors.Clipped
	}
	for i := range raw {
		raw[i] = float64(int16(binary.LittleEndian.Uint16(b[1+2*i:])))
		if math.Abs(raw[i]) >= fullCounts {
			s.Flags |= sensors.Clipped
		}
	}
	s.FieldUT = r3.Scale(utPerCount, r3.Vec{X: raw[0], Y: -raw[1], Z: -raw[2]})
	return s
}

// CheckConfig reads identity and mode: after a brown-out the chip is powered
// down. Two short transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regWhoAmI, idMaker, regControl2, []byte{d.mode})
}

// Halt powers the chip down; a later New wakes it.
func (d *Dev) Halt() error { return d.Stop(regControl2, modeOff) }

// Spec states what is known of the chip: initial offset at most ±2000 counts
// (±300 µT, DS-000189 rev. 1.3), taken as 3 sigma; range ±4912 µT. No data sheet
// gives a noise figure: 0.3 µT is that of the AK8963, from memory. FloorUT is the
// quantisation. The drifts with temperature are common practice, no source.
func (d *Dev) Spec() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:        "AK09916",
		RateHz:      float64(d.opts.RateHz),
		NoiseUT:     0.3,
		FloorUT:     utPerCount / math.Sqrt(12),
		OffsetUT:    100,
		DriftUTPerC: 0.05,
		ScalePerC:   3e-4,
		RangeUT:     4912,
	}
}

var _ sensors.Magnetometer = (*Dev)(nil)
