// Package hmc5883l drives Honeywell's HMC5883L magnetometer, and the magnetometer
// half of STMicroelectronics' LSM303DLHC, which has the same registers with other
// scales and a thermometer. Boards sold as HMC5883L mostly carry another chip: see
// packages qmc5883l and qmc5883p, which answer at other addresses. The first revision
// of the QMC5883L (marked DA 5883) is said to answer here as well, with this chip's
// identity, and to keep nothing that is written (betaflight issue 4531).
//
// Register numbers, bits and scales: Honeywell HMC5883L data sheet, form 900405;
// ST LSM303DLHC data sheet DocID018771, table 75 (its scales as in ST's lsm303dlhc.h,
// LSM303DLHC_M_SENSITIVITY_XY_1_3Ga and the like, and in the emulated chip of QEMU) and
// table 90 (from memory); the Linux drivers drivers/iio/magnetometer/hmc5843_core.c and
// st_magn_core.c. The axes are right-handed (PX4 issue 7929).
package hmc5883l

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
const Addr uint16 = 0x1E

const (
	regConfigA = 0x00 // bits 6..5 averaging, bits 4..2 rate
	// 0x01: bits 7..5 gain; 0x02: mode
	regMode     = 0x02
	regData     = 0x03
	regIdentity = 0x0A
	// regNone does not exist in an HMC5883L, which reads it as zero. The LSM303DLHC
	// has the same three identity bytes, but 0x3C here (st_magn_core.c).
	regNone      = 0x0F
	idLSM303DLHC = 0x3C
	// The accelerometer half of an LSM303DLHC, and its identity (of the LIS3DH,
	// which is that accelerometer alone).
	addrAccel   = 0x19
	regWhoAmIXL = 0x0F
	idXL        = 0x33
	// The thermometer of the LSM303DLHC: 12 bits at the top of two bytes, high byte
	// first. Behind register 0x0C the pointer goes back to 0.
	regTemp = 0x31
	tempOn  = 0x80

	continuous = 0x00
	idleMode   = 0x02
	// outOfRange stands in the place of a value that the converter could not
	// represent (data sheet, Data Output Registers).
	outOfRange = -4096
	// burst is the six data bytes in the order X, Z, Y, high byte first. After
	// them the register pointer goes back to the first, not on to the status.
	burst = 6
)

const identity = "H43"

// Opts are the settings of the chip.
type Opts struct {
	RangeGauss float64 // 0.88 (HMC5883L only), 1.3, 1.9, 2.5, 4, 4.7, 5.6 or 8.1 (1 G = 100 µT)
	RateHz     float64 // 0.75, 1.5, 3, 7.5, 15, 30, 75 or 220 (LSM303DLHC only)
	Average    int     // 1, 2, 4 or 8 measurements in a sample; the LSM303DLHC has 1
}

// DefaultOpts measure 1.3 G at 75 Hz, eight in a sample.
func DefaultOpts() Opts { return Opts{RangeGauss: 1.3, RateHz: 75, Average: 8} }

// DefaultLSM303DLHC measures 1.3 G at 75 Hz.
func DefaultLSM303DLHC() Opts { return Opts{RangeGauss: 1.3, RateHz: 75, Average: 1} }

// variant is in what the two chips differ.
type variant struct {
	chip string
	// ranges by gain code, in gauss, with the counts per gauss of X and Y, and of
	// Z; zero: no such code.
	ranges, xy, z [8]float64
	rates         []float64 // by code
	averages      []int     // by code
	thermometer   bool
	spec          sensors.MagneticSpec
}

// hmc: gains of the data sheet, table 9. It gives 2 mG of field resolution, taken
// as the noise of one sample. Every measurement is a set/reset pair, so the chip
// has no offset of its own to speak of; its repeatability is not stated, the drift
// common practice, no source; the scale against temperature is from memory.
func hmc() variant {
	gains := [8]float64{1370, 1090, 820, 660, 440, 390, 330, 230}
	return variant{
		chip:   "HMC5883L",
		ranges: [8]float64{0.88, 1.3, 1.9, 2.5, 4, 4.7, 5.6, 8.1},
		xy:     gains, z: gains,
		rates:    []float64{0.75, 1.5, 3, 7.5, 15, 30, 75},
		averages: []int{1, 2, 4, 8},
		spec:     sensors.MagneticSpec{NoiseUT: 0.2, DriftUTPerC: 0.02, CommonPerC: -3e-3},
	}
}

// dlhc: gains of the data sheet, table 75. Its resolution of 2 mG (from memory) is
// taken as the noise; the rest is as for the HMC5883L.
func dlhc() variant {
	return variant{
		chip:        "LSM303DLHC",
		ranges:      [8]float64{0, 1.3, 1.9, 2.5, 4, 4.7, 5.6, 8.1},
		xy:          [8]float64{0, 1100, 855, 670, 450, 400, 330, 230},
		z:           [8]float64{0, 980, 760, 600, 400, 355, 295, 205},
		rates:       []float64{0.75, 1.5, 3, 7.5, 15, 30, 75, 220},
		averages:    []int{1},
		thermometer: true,
		spec:        sensors.MagneticSpec{NoiseUT: 0.2, OffsetUT: 1, DriftUTPerC: 0.02, CommonPerC: -3e-3},
	}
}

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	kind     variant
	opts     Opts
	settings [3]byte
	scale    r3.Vec // µT per count
	temp     sensors.Thermometer
}

// Identify tells by the three identity registers whether the chip answers at
// addr, and not an LSM303DLHC, whose scales differ. An error means that nothing
// answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	name, err = which(bus, addr)
	return "HMC5883L", name == "HMC5883L", err
}

// IdentifyLSM303DLHC is Identify for an LSM303DLHC: the same three registers, and
// either a fourth that only this chip has, or its accelerometer beside it. An
// HMC5883L on a board with a LIS3DH at 0x19 looks the same to the second test: name
// the chip in the settings then.
func IdentifyLSM303DLHC(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	name, err = which(bus, addr)
	return "LSM303DLHC", name == "LSM303DLHC", err
}

// which is the chip at addr, or "" when it is neither.
func which(bus i2c.Bus, addr uint16) (string, error) {
	r := sensors.NewRegisters(bus, addr, "HMC5883L")
	got, err := readIdentity(r)
	if err != nil || got != identity {
		return "", err
	}
	dlhc, err := saysDLHC(r)
	if err != nil {
		return "", err
	}
	xl, err := sensors.NewRegisters(bus, addrAccel, "LSM303DLHC").Get("read identity", regWhoAmIXL)
	if dlhc || err == nil && xl == idXL {
		return "LSM303DLHC", nil
	}
	return "HMC5883L", nil
}

func readIdentity(r *sensors.Registers) (string, error) {
	b, err := r.Read("read identity", regIdentity, len(identity))
	return string(b), err
}

// saysDLHC reports whether the chip has the register that an HMC5883L has not.
func saysDLHC(r *sensors.Registers) (bool, error) {
	none, err := r.Get("read identity", regNone)
	return none == idLSM303DLHC, err
}

// New checks the identity, writes opts (nil: DefaultOpts), reads them back and
// starts continuous measurement. The chip has no reset: all three settings are
// written. It takes four sample periods on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	o := sensors.Or(opts, DefaultOpts())
	return open(bus, addr, clock, hmc(), o)
}

// NewLSM303DLHC is New for the magnetometer of an LSM303DLHC (nil opts:
// DefaultLSM303DLHC). The three identity bytes are enough for it.
func NewLSM303DLHC(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	o := sensors.Or(opts, DefaultLSM303DLHC())
	return open(bus, addr, clock, dlhc(), o)
}

func open(bus i2c.Bus, addr uint16, clock sensors.Clock, kind variant, o Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, kind.chip, clock), kind: kind, opts: o}
	got, err := readIdentity(d.Registers)
	if err != nil {
		return nil, err
	}
	if got == identity && !kind.thermometer {
		other, err := saysDLHC(d.Registers)
		if err != nil {
			return nil, err
		}
		if other {
			got += " of an LSM303DLHC"
		}
	}
	if got != identity {
		return nil, d.Fail("read identity", sensors.FaultIdentity, "check chip name and address; plumbstar scan lists what answers",
			fmt.Errorf("identity reads %q, want %q", got, identity))
	}
	if err := d.Begin(d.plan, d.start); err != nil {
		var e *sensors.Error
		if !kind.thermometer && errors.As(err, &e) && e.Fault == sensors.FaultReset {
			e.Hint += "; an early QMC5883L answers here too: try that chip at 0x0d"
		}
		return nil, err
	}
	return d, nil
}

func (d *Dev) plan() error {
	o, k := d.opts, &d.kind
	gain, ok := sensors.Code(o.RangeGauss, k.ranges[:]...)
	if !ok || o.RangeGauss == 0 {
		return fmt.Errorf("range %g G: want one of %g", o.RangeGauss, k.ranges)
	}
	rate, ok := sensors.Code(o.RateHz, k.rates...)
	if !ok {
		return fmt.Errorf("rate %g Hz: want one of %g", o.RateHz, k.rates)
	}
	average, ok := sensors.Code(o.Average, k.averages...)
	if !ok {
		return fmt.Errorf("average of %d: want one of %d", o.Average, k.averages)
	}
	d.settings = [3]byte{average<<5 | rate<<2, gain << 5, continuous}
	d.scale = r3.Vec{X: 100 / k.xy[gain], Y: 100 / k.xy[gain], Z: 100 / k.z[gain]}
	d.temp = sensors.Thermometer{TempC: math.NaN()}
	if k.thermometer {
		d.settings[0] |= tempOn
		d.temp = sensors.Thermometer{Reg: regTemp, Convert: celsius, Singly: true}
	}
	// The ready bit stays set until the next measurement begins, and in some
	// copies of the chip it does not work at all: it is not used.
	d.Fresh = sensors.Freshness{Period: time.Duration(float64(time.Second) / o.RateHz), NoReady: true}
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	for i, v := range d.settings {
		if err := d.SetChecked(op, byte(i), v); err != nil {
			return err
		}
	}
	// The first sample comes after two periods and still has the gain set before
	// (data sheet, Configuration Register B). Reading the mode register back
	// locked the data registers until they are read.
	d.Clock.Sleep(d.Fresh.Period / 4)
	if _, err := d.Read(op, regData, burst); err != nil {
		return err
	}
	d.Clock.Sleep(4 * d.Fresh.Period)
	return d.temp.Update(&d.Poller)
}

// celsius: 8 counts per °C. The data sheet does not say what zero is; users who
// compared found 20 °C (electronics.stackexchange.com, question 219032).
func celsius(b []byte) float64 { return 20 + float64(int16(binary.BigEndian.Uint16(b))>>4)/8 }

// ReadMagnetic reads the data in one burst. At is the time just before the
// transfer; the measurement is at most one period older. The chip does not say
// whether a sample is new: the same bits count as old until one and a half
// periods have passed. Where a value was out of range the sample is flagged
// Clipped and that component is meaningless. The temperature of an LSM303DLHC is
// read apart, once a second.
func (d *Dev) ReadMagnetic() (sensors.MagneticSample, error) {
	if err := d.temp.Update(&d.Poller); err != nil {
		return sensors.MagneticSample{}, err
	}
	return d.Magnetic(regData, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst { return sensors.Burst{Data: b} }

// decode turns the six data bytes into units.
func (d *Dev) decode(b []byte) sensors.MagneticSample {
	var raw [3]float64
	s := sensors.MagneticSample{TempC: d.temp.TempC}
	for i := range raw {
		v := int16(binary.BigEndian.Uint16(b[2*i:]))
		if v == outOfRange || v >= 2047 || v <= -2048 {
			s.Flags |= sensors.Clipped
		}
		raw[i] = float64(v)
	}
	s.FieldUT = r3.Vec{X: raw[0] * d.scale.X, Y: raw[2] * d.scale.Y, Z: raw[1] * d.scale.Z}
	return s
}

// CheckConfig reads identity and settings and compares them with what was
// written: after a brown-out the chip sleeps. Two short transactions; the data
// registers stay locked until the next read, which then gives an older sample.
func (d *Dev) CheckConfig() error {
	return d.Kept(regIdentity, identity[0], regConfigA, d.settings[:])
}

// Halt stops measuring; a later New starts it.
func (d *Dev) Halt() error { return d.Stop(regMode, idleMode) }

// Spec states what is known of the chip: see hmc and dlhc.
func (d *Dev) Spec() sensors.MagneticSpec {
	s := d.kind.spec
	s.Chip, s.RateHz, s.RangeUT = d.kind.chip, d.opts.RateHz, 100*d.opts.RangeGauss
	return s
}

var _ sensors.Magnetometer = (*Dev)(nil)
