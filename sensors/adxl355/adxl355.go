// Package adxl355 drives Analog Devices' ADXL355: a quiet accelerometer with a
// thermometer and without a gyroscope.
//
// Register numbers, bits and scales: the Linux driver drivers/iio/accel/adxl355
// and Analog Devices' no-OS driver adxl355.h (reset values). The data sheet
// itself was not read; what is from memory of it says so.
package adxl355

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the address with pin ASEL low, AltAddr that with ASEL high.
const (
	Addr    uint16 = 0x1D
	AltAddr uint16 = 0x53
)

const (
	regIdentity = 0x00 // 0xAD, 0x1D, 0xED
	regStatus   = 0x04 // bit 0: data ready, bit 4: trim memory busy
	regFilter   = 0x28 // bits 6..4: high-pass, 3..0: rate
	regRange    = 0x2C // bit 7: fast I2C, 1..0: range
	regPower    = 0x2D // bit 0: standby
	regReset    = 0x2F
	regShadow   = 0x50 // trim values, 5 bytes

	resetCode = 0x52
	fastI2C   = 0x80
	standby   = 0x01
	dataReady = 0x01

	// settings are the registers from regFilter to regPower.
	settings = regPower - regFilter + 1
	// A burst is status, FIFO count, temperature (2) and X, Y, Z (3 each, high
	// byte first).
	burst  = 13
	atTemp = 2
	atData = 4

	countsPerG = 256000 // at 2 g; half and a quarter of it at 4 and 8 g
)

var identity = []byte{0xAD, 0x1D, 0xED}

// resetTime is the kernel's wait after a reset; startTime what the low-pass
// filter needs at the default rate, and more than the turn-on time of 10 ms (from
// memory).
const (
	resetTime  = 5 * time.Millisecond
	startTime  = 50 * time.Millisecond
	resetTries = 5
)

// rates by their code.
var rates = []float64{4000, 2000, 1000, 500, 250, 125, 62.5, 31.25, 15.625, 7.8125, 3.90625}

// Opts are the settings of the chip.
type Opts struct {
	AccelRangeG int // 2, 4 or 8
	// RateHz is 4000 halved up to ten times; the low-pass lies at a quarter of it.
	// Its delay is not taken off the sample times.
	RateHz float64
}

// DefaultOpts suit a tracker: 2 g, 125 Hz.
func DefaultOpts() Opts { return Opts{AccelRangeG: 2, RateHz: 125} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts     Opts
	scale    float64        // m/s² per count
	settings [settings]byte // as read back once written
}

// Identify tells by three identity registers whether the chip answers at addr. An
// error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	b, err := sensors.NewRegisters(bus, addr, "ADXL355").Read("read identity", regIdentity, len(identity))
	return "ADXL355", err == nil && string(b) == string(identity), err
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts), reads
// them back and starts measuring. It takes 0.1 s on clock, more at slow rates.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "ADXL355", clock), opts: sensors.Or(opts, DefaultOpts())}
	for i, want := range identity {
		if _, err := d.Identity(regIdentity+byte(i), want); err != nil {
			return nil, err
		}
	}
	writes, err := d.plan()
	if err != nil {
		return nil, d.Fail("set options", sensors.FaultSetting, "", err)
	}
	if err := d.start(writes); err != nil {
		return nil, err
	}
	return d, nil
}

// plan is what the options mean in registers. Range and filter may only be
// written in standby.
func (d *Dev) plan() ([]sensors.Write, error) {
	o := d.opts
	code := slices.Index([]int{2, 4, 8}, o.AccelRangeG)
	if code < 0 {
		return nil, fmt.Errorf("accelerometer range %d g: want 2, 4 or 8", o.AccelRangeG)
	}
	rate := slices.Index(rates, o.RateHz)
	if rate < 0 {
		return nil, fmt.Errorf("rate %g Hz: want 4000 halved up to ten times, such as 125", o.RateHz)
	}
	d.scale = sensors.StandardGravity / countsPerG * float64(int(1)<<code)
	d.Fresh = sensors.Freshness{Period: time.Duration(float64(time.Second) / o.RateHz)}
	return []sensors.Write{
		{Reg: regRange, Value: fastI2C | byte(code+1)},
		{Reg: regFilter, Value: byte(rate)},
		{Reg: regPower, Value: 0},
	}, nil
}

func (d *Dev) start(writes []sensors.Write) error {
	const op = "start"
	if err := d.reset(op); err != nil {
		return err
	}
	if err := d.SetAll(op, writes...); err != nil {
		return err
	}
	b, err := d.Read(op, regFilter, settings)
	if err != nil {
		return err
	}
	copy(d.settings[:], b)
	d.Clock.Sleep(max(startTime, 6*d.Fresh.Period))
	// What was measured while starting is read away.
	_, err = d.Read(op, regStatus, burst)
	return err
}

// reset also makes sure that the reset loaded the trim values that were there
// before, as the Linux driver does: it can load wrong ones.
func (d *Dev) reset(op string) error {
	b, err := d.Read(op, regShadow, 5)
	if err != nil {
		return err
	}
	trim := string(b)
	for range resetTries {
		if err := d.Set(op, regReset, resetCode); err != nil {
			return err
		}
		d.Clock.Sleep(resetTime)
		if b, err = d.Read(op, regShadow, 5); err != nil {
			return err
		}
		if string(b) == trim {
			return nil
		}
	}
	return d.Fail(op, sensors.FaultReset, "take the supply off and on again",
		fmt.Errorf("a reset loads other trim values (% x) than before (% x)", b, trim))
}

// ReadInertial reads status, temperature and data in one burst; Gyro is zero. At
// is the time just before the transfer. The sample itself was taken at most one
// period earlier (half a period on average when polled), and its signal is older
// by the filter's delay.
func (d *Dev) ReadInertial() (sensors.InertialSample, error) {
	return d.Inertial(regStatus, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst {
	// The overrun bit is that of the FIFO, which nobody empties.
	return sensors.Burst{Data: b[atData:], Ready: b[0]&dataReady != 0}
}

// decode turns a burst into units. Temperature: 1885 counts at 25 °C, -9.05 per
// °C (Linux driver).
func (d *Dev) decode(b []byte) sensors.InertialSample {
	var raw [3]float64
	var s sensors.InertialSample
	for i := range raw {
		p := b[atData+3*i:]
		v := int32(uint32(p[0])<<24|uint32(p[1])<<16|uint32(p[2])<<8) >> 12
		raw[i] = float64(v)
		// The promised range ends before the counts do.
		if v >= 2*countsPerG || v <= -2*countsPerG {
			s.Flags |= sensors.Clipped
		}
	}
	s.Accel = r3.Scale(d.scale, r3.Vec{X: raw[0], Y: raw[1], Z: raw[2]})
	s.TempC = 25 - (float64(binary.BigEndian.Uint16(b[atTemp:])&0x0FFF)-1885)/9.05
	return s
}

// CheckConfig reads the identity and the registers of filter, range and power and
// compares them with what stood there after the start: FaultReset means that the
// chip lost its supply for a moment. Two short transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regIdentity, identity[0], regFilter, d.settings[:])
}

// Halt puts the chip into standby; a later New wakes it.
func (d *Dev) Halt() error {
	return d.Stop(regPower, standby)
}

// Spec states the maker's figures, and the rate and range in use. Noise
// 22.5 µg/√Hz: the data sheet as a user quotes it; drift 0.15 mg/°C at most, taken
// as 3 sigma: Analog Devices' page on the adxl355-pmdz. From memory of the data
// sheet: zero-g ±25 mg typical; scale ±8 % at most, taken as 3 sigma, and
// ±0.01 %/°C; cross-axis 1 %.
func (d *Dev) Spec() sensors.InertialSpec {
	const mg = sensors.StandardGravity / 1000
	return sensors.InertialSpec{
		Chip:           "ADXL355",
		RateHz:         d.opts.RateHz,
		AccelNoise:     0.0225 * mg,
		AccelOffset:    25 * mg,
		AccelDriftPerC: 0.05 * mg,
		AccelScalePerC: 1e-4,
		AccelCross:     math.Sqrt((3*0.027*0.027 + 6*0.01*0.01) / 9),
		AccelRange:     float64(d.opts.AccelRangeG) * sensors.StandardGravity,
	}
}

var _ sensors.Inertial = (*Dev)(nil)
