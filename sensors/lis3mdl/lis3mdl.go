// Package lis3mdl drives STMicroelectronics' LIS3MDL magnetometer, and the
// magnetometer of the LSM9DS1, which has the same registers and identity.
//
// Register numbers, bits and scales: ST DocID024204 rev. 4, ST's lis3mdl-pid and
// the Linux driver drivers/iio/magnetometer/st_magn_core.c.
package lis3mdl

import (
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the address with pin SA1 low, AltAddr that with SA1 high.
const (
	Addr    uint16 = 0x1C
	AltAddr uint16 = 0x1E
)

const (
	regWhoAmI   = 0x0F
	regControl1 = 0x20 // bit 7 temperature, bits 6..5 XY mode, bits 4..1 rate
	regControl2 = 0x21 // bits 6..5 range, bit 2 reset
	controls    = 5    // CTRL_REG1 to CTRL_REG5
	regStatus   = 0x27 // bit 3: X, Y and Z ready, bit 7: overrun
	regTemp     = 0x2E
	// increment must be set in the register number for a read of several bytes.
	increment = 0x80

	id          = 0x3D
	softReset   = 0x04
	ready       = 0x08
	overrun     = 0x80
	tempEnable  = 0x80
	ultraHighXY = 0x60
	ultraHighZ  = 0x0C
	continuous  = 0x00
	powerDown   = 0x03
	blockUpdate = 0x40
	fastRate    = 0x02
	resetLimit  = 100 * time.Millisecond
	// burst is the status and six data bytes.
	burst = 7
)

// Opts are the settings of the chip. It always runs in its mode of least noise.
type Opts struct {
	RangeGauss int     // 4, 8, 12 or 16 (1 G = 100 µT)
	RateHz     float64 // 0.625, 1.25, 2.5, 5, 10, 20, 40, 80 or 155
}

// DefaultOpts measure 4 G at 80 Hz.
func DefaultOpts() Opts { return Opts{RangeGauss: 4, RateHz: 80} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts     Opts
	settings [controls]byte
	scale    float64 // µT per count
	end      int     // counts at full scale
	temp     sensors.Thermometer
}

// Identify tells by the identity register whether the chip answers at addr. An
// error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	r := sensors.NewRegisters(bus, addr, "LIS3MDL")
	got, err := r.Get("read identity", regWhoAmI)
	if err != nil {
		return "", false, err
	}
	return "LIS3MDL", got == id, nil
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts),
// reads them back and starts measuring. It takes two sample periods on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "LIS3MDL", clock), opts: sensors.Or(opts, DefaultOpts())}
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
	// Counts per gauss (data sheet, table 3).
	perGauss := map[int]float64{4: 6842, 8: 3421, 12: 2281, 16: 1711}[o.RangeGauss]
	if perGauss == 0 {
		return fmt.Errorf("range %d G: want 4, 8, 12 or 16", o.RangeGauss)
	}
	rate := byte(fastRate)
	if o.RateHz != 155 {
		code := math.Log2(o.RateHz / 0.625)
		if !(code >= 0 && code <= 7) || code != math.Trunc(code) {
			return fmt.Errorf("rate %g Hz: want 0.625, 1.25, 2.5, 5, 10, 20, 40, 80 or 155", o.RateHz)
		}
		rate = byte(code) << 2
	}
	d.settings = [controls]byte{
		tempEnable | ultraHighXY | rate,
		byte(o.RangeGauss/4-1) << 5,
		continuous,
		ultraHighZ,
		blockUpdate,
	}
	d.scale = 100 / perGauss
	d.end = min(math.MaxInt16, int(float64(o.RangeGauss)*perGauss))
	d.temp = sensors.Thermometer{Reg: regTemp | increment, Convert: celsius}
	d.Fresh = sensors.Freshness{Period: time.Duration(float64(time.Second) / o.RateHz)}
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regControl2, softReset); err != nil {
		return err
	}
	if err := d.AwaitClear(op, regControl2, softReset, d.Clock, time.Millisecond, resetLimit); err != nil {
		return err
	}
	// Continuous measurement starts with the third register: it comes last.
	for _, i := range [...]byte{0, 1, 3, 4, 2} {
		if err := d.SetChecked(op, regControl1+i, d.settings[i]); err != nil {
			return err
		}
	}
	d.Clock.Sleep(2 * d.Fresh.Period)
	if _, err := d.Read(op, regStatus|increment, burst); err != nil {
		return err
	}
	return d.temp.Update(&d.Poller)
}

// celsius: 8 counts per °C, zero is 25 °C.
func celsius(b []byte) float64 { return 25 + float64(int16(binary.LittleEndian.Uint16(b)))/8 }

// ReadMagnetic reads status and data in one burst. At is the time just before
// the transfer; the measurement is at most one period older. The temperature is
// read apart, once a second: a burst does not go beyond the last data register
// but starts again at the first (ST's support forum, "LIS3MDL temperature
// reading issues").
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	if err := d.temp.Update(&d.Poller); err != nil {
		return sensors.MagneticSample{}, err
	}
	return d.Magnetic(regStatus|increment, burst, split, d.decode, d)
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
		v := int(int16(binary.LittleEndian.Uint16(b[2*i:])))
		if v >= d.end || v <= -d.end {
			s.Flags |= sensors.Clipped
		}
		raw[i] = float64(v)
	}
	s.FieldUT = r3.Scale(d.scale, r3.Vec{X: raw[0], Y: raw[1], Z: raw[2]})
	return s
}

// CheckConfig reads identity and control registers and compares them with what
// was written: after a brown-out the chip is powered down. Two short
// transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regWhoAmI, id, regControl1|increment, d.settings[:])
}

// Halt powers the chip down; a later New wakes it.
func (d *Dev) Halt() error { return d.Stop(regControl1+2, powerDown) }

// Spec states the data sheet's figures (DocID024204 rev. 4, table 3, as three
// public drivers quote them): noise 3.2 mG on X and Y and 4.1 mG on Z at 12 G (3.5 mG
// taken), zero field typically ±1 G. There is no set/reset coil, and the sheet says
// nothing of how the offset goes with temperature: one part moved by 0.54, 0.42 and
// 0.28 µT/°C between 21 and 61 °C, evenly and back again (djmcmath/dpv-nav, heat
// test), of which the root mean square is taken. FloorUT is unknown; the change of
// the scale, which the chip compensates (AN4602), is common practice, no source.
func (d *Dev) Spec() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:        "LIS3MDL",
		RateHz:      d.opts.RateHz,
		NoiseUT:     0.35,
		OffsetUT:    100,
		DriftUTPerC: 0.43,
		ScalePerC:   5e-4,
		RangeUT:     100 * float64(d.opts.RangeGauss),
	}
}

var _ sensors.Magnetometer = (*Dev)(nil)
