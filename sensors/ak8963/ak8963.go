// Package ak8963 drives the Asahi Kasei AK8963, the magnetometer inside the
// MPU-9250 and MPU-9255 (and on some boards alone). Inside an MPU it answers
// only after mpu9250.EnableBypass.
//
// Register numbers, bits and scales: AK8963 data sheet MS1356-E-02 and the Linux
// driver drivers/iio/imu/inv_mpu6050/inv_mpu_magn.c.
package ak8963

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

// Addr is the address inside an MPU; a chip of its own may use up to 0x0F.
const Addr uint16 = 0x0C

const (
	regWhoAmI   = 0x00
	regStatus1  = 0x02 // bit 0: data ready, bit 1: overrun
	regControl1 = 0x0A // bits 3..0: mode, bit 4: 16 bit
	regControl2 = 0x0B // bit 0: reset
	regFuse     = 0x10 // sensitivity adjustment X, Y, Z

	id         = 0x48
	dataReady  = 0x01
	overrun    = 0x02
	overflow   = 0x08 // in status 2
	modeOff    = 0x00
	mode8Hz    = 0x12
	mode100Hz  = 0x16
	modeFuse   = 0x0F
	softReset  = 0x01
	fullCounts = 32760 // data sheet: the range ends here
	// utPerCount is the sensitivity in 16-bit mode, before adjustment.
	utPerCount = 0.15
	// burst is status 1, six data bytes and status 2, which must be read to
	// release the next sample.
	burst = 8
)

// resetTime follows a reset, modeTime a change of mode: 100 µs are required (Linux
// ak8975.c), both are generous.
const (
	resetTime = 10 * time.Millisecond
	modeTime  = time.Millisecond
)

// Opts are the settings of the chip.
type Opts struct {
	RateHz int // 8 or 100
}

// DefaultOpts measure at 100 Hz.
func DefaultOpts() Opts { return Opts{RateHz: 100} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts  Opts
	mode  byte
	scale r3.Vec // µT per count, chip axes
}

// Identify tells by the identity register whether an AK8963 answers at addr. An
// AK09916 has the same first byte and another in register 0x01, which is 0x9A in
// an AK8963 (from memory) and not required here. An error means that nothing
// answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	r := sensors.NewRegisters(bus, addr, "AK8963")
	b, err := r.Read("read identity", regWhoAmI, 2)
	if err != nil {
		return "", false, err
	}
	return "AK8963", b[0] == id && b[1] != idAK09916, nil
}

const idAK09916 = 0x09

// New checks the identity, resets the chip, reads its factory adjustment and
// starts continuous measurement (nil opts: DefaultOpts). It takes 15 ms and a
// sample period on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	o := sensors.Or(opts, DefaultOpts())
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "AK8963", clock), opts: o}
	if _, err := d.Identity(regWhoAmI, id); err != nil {
		return nil, err
	}
	if kind, err := d.Get("read identity", regWhoAmI+1); err != nil {
		return nil, err
	} else if kind == idAK09916 {
		return nil, d.Fail("read identity", sensors.FaultIdentity, "name that chip in the settings",
			errors.New("it is an AK09916"))
	}
	switch o.RateHz {
	case 8:
		d.mode = mode8Hz
	case 100:
		d.mode = mode100Hz
	default:
		return nil, d.Fail("set options", sensors.FaultSetting, "", fmt.Errorf("rate %d Hz: want 8 or 100", o.RateHz))
	}
	d.Fresh = sensors.Freshness{Period: time.Second / time.Duration(o.RateHz)}
	if err := d.start(); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regControl2, softReset); err != nil {
		return err
	}
	d.Clock.Sleep(resetTime)
	// Between any two modes the chip must pass through power-down.
	for _, mode := range [...]byte{modeOff, modeFuse} {
		if err := d.setMode(op, mode); err != nil {
			return err
		}
	}
	fuse, err := d.Read(op, regFuse, 3)
	if err != nil {
		return err
	}
	if sensors.Blank(fuse) {
		return d.Fail(op, sensors.FaultImplausible, "check the supply",
			fmt.Errorf("factory adjustment reads % x", fuse))
	}
	d.scale = r3.Vec{X: adjust(fuse[0]), Y: adjust(fuse[1]), Z: adjust(fuse[2])}
	for _, mode := range [...]byte{modeOff, d.mode} {
		if err := d.setMode(op, mode); err != nil {
			return err
		}
	}
	d.Clock.Sleep(d.Fresh.Period)
	return nil
}

// adjust is the data sheet's sensitivity adjustment, H·((ASA-128)·0.5/128 + 1),
// times the nominal sensitivity.
func adjust(asa byte) float64 { return utPerCount * (float64(asa) + 128) / 256 }

func (d *Dev) setMode(op string, mode byte) error {
	if err := d.SetChecked(op, regControl1, mode); err != nil {
		return err
	}
	d.Clock.Sleep(modeTime)
	return nil
}

// ReadMagnetic reads status, data and status 2 in one burst, in the axes of the
// accelerometer of the same MPU: its x is this chip's y, its y this chip's x, its
// z this chip's -z (inv_mpu_magn_set_orient of the Linux driver). At is the time
// just before the transfer; the measurement is at most one period older.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	return d.Magnetic(regStatus1, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst {
	return sensors.Burst{Data: b[1:7], Ready: b[0]&dataReady != 0, Overrun: b[0]&overrun != 0}
}

// decode turns a burst into units.
func (d *Dev) decode(b []byte) sensors.MagneticSample {
	b = b[1:]
	var raw [3]float64
	s := sensors.MagneticSample{TempC: math.NaN()}
	if b[6]&overflow != 0 {
		s.Flags |= sensors.Clipped
	}
	for i := range raw {
		raw[i] = float64(int16(binary.LittleEndian.Uint16(b[2*i:])))
		if math.Abs(raw[i]) >= fullCounts {
			s.Flags |= sensors.Clipped
		}
	}
	s.FieldUT = r3.Vec{X: raw[1] * d.scale.Y, Y: raw[0] * d.scale.X, Z: -raw[2] * d.scale.Z}
	return s
}

// CheckConfig reads identity and mode: after a brown-out the chip is powered
// down. Two short transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regWhoAmI, id, regControl1, []byte{d.mode})
}

// Halt powers the chip down; a later New wakes it.
func (d *Dev) Halt() error { return d.Stop(regControl1, modeOff) }

// Spec states what is known of the chip. The data sheet gives no noise figure:
// 0.3 µT is from memory of common boards, above the 0.04 µT of quantisation.
// FloorUT is the quantisation; the range is ±4912 µT. The offset is that of the
// sibling AK09916 (±300 µT at most, DS-000189 rev. 1.3), taken as 3 sigma.
// The drifts with temperature are common practice, no source.
func (d *Dev) Spec() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:        "AK8963",
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
