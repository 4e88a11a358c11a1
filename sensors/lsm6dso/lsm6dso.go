// Package lsm6dso drives STMicroelectronics' LSM6DSO, LSM6DSOX, ISM330DHCX,
// LSM6DSL, LSM6DS3TR-C and LSM6DS3: accelerometer, gyroscope and chip
// temperature. They share one control and output block; the identity register
// tells the groups apart.
//
// Register numbers, bits and scales: ST DS12140 rev. 2 (LSM6DSO), DS13012 rev. 7
// (ISM330DHCX), lsm6dsox_reg.h of ST's lsm6dsox-pid, and the Linux driver
// drivers/iio/imu/st_lsm6dsx for what the older chips share.
//
// The LSM6DSO32 has the identity of the LSM6DSO (Adafruit_LSM6DSO32.h) and twice its
// ranges (ST DocID032891): it would read half of gravity, and is not driven.
package lsm6dso

import (
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the address with pin SA0 low, AltAddr that with SA0 high.
const (
	Addr    uint16 = 0x6A
	AltAddr uint16 = 0x6B
)

const (
	regWhoAmI   = 0x0F
	regAccel    = 0x10 // CTRL1_XL: rate, range, second low-pass
	regGyro     = 0x11 // CTRL2_G: rate, range
	regCommon   = 0x12 // CTRL3_C
	regAccelHP  = 0x15 // CTRL6_C bit 4: 0 = high performance
	regGyroHP   = 0x16 // CTRL7_G bit 7: 0 = high performance
	regFilter   = 0x17 // CTRL8_XL bits 7..5: second low-pass
	regI3C      = 0x18 // CTRL9_XL bit 1: I3C off
	regStatus   = 0x1E // bit 0: accelerometer ready, bit 1: gyroscope ready
	controls    = 9    // CTRL1_XL to CTRL9_XL
	softReset   = 0x01
	blockUpdate = 0x40 // both bytes of a value from one sample
	increment   = 0x04
	i3cOff      = 0x02
	secondLow   = 0x02
	accelReady  = 0x01
)

// bootTime is the wait after power-up (ST's examples); startTime is what the
// gyroscope needs to settle, and ST's self-test examples wait before reading.
const (
	bootTime   = 10 * time.Millisecond
	resetLimit = 100 * time.Millisecond
	startTime  = 100 * time.Millisecond
)

// Opts are the settings of the chip.
type Opts struct {
	AccelRangeG  int     // 2, 4, 8 or 16
	GyroRangeDPS int     // 125, 250, 500, 1000 or 2000 °/s
	RateHz       float64 // 12.5, 26, 52, 104, 208, 417 or 833, for both parts
	// FilterDivider is the accelerometer's low-pass as a divider of the rate: 2,
	// or 4, 10, 20, 45, 100 with the second filter, which the LSM6DSO group and
	// the ISM330DHCX have. Its delay is not taken off the sample times.
	FilterDivider int
}

// DefaultOpts suit a tracker turned by hand: 2 g, 500 °/s, 104 Hz, low-pass at
// half the rate.
func DefaultOpts() Opts {
	return Opts{AccelRangeG: 2, GyroRangeDPS: 500, RateHz: 104, FilterDivider: 2}
}

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	variant  variant
	opts     Opts
	accel    float64        // m/s² per count
	gyro     float64        // rad/s per count
	settings [controls]byte // as read back once written
}

// Identify tells by the identity register whether a chip of the family answers
// at addr. An error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	r := sensors.NewRegisters(bus, addr, "LSM6DSO")
	id, err := r.Get("read identity", regWhoAmI)
	if err != nil {
		return "", false, err
	}
	v, ok := variantOf(id)
	return v.name, ok, nil
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts),
// reads them back and starts measuring. It takes 0.1 to 0.2 s on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "LSM6DSO", clock), opts: sensors.Or(opts, DefaultOpts())}
	id, err := d.Identity(regWhoAmI, identities()...)
	if err != nil {
		return nil, err
	}
	d.variant, _ = variantOf(id)
	d.Chip = d.variant.name
	p, err := d.plan()
	if err != nil {
		return nil, d.Fail("set options", sensors.FaultSetting, "", err)
	}
	if err := d.start(p); err != nil {
		return nil, err
	}
	return d, nil
}

// plan is what the options mean in registers.
type plan struct{ accel, gyro, filter byte }

func (d *Dev) plan() (plan, error) {
	o := d.opts
	// The order of the accelerometer's codes is 2, 16, 4, 8 g.
	accel, ok := sensors.Code(o.AccelRangeG, 2, 16, 4, 8)
	if !ok {
		return plan{}, fmt.Errorf("accelerometer range %d g: want 2, 4, 8 or 16", o.AccelRangeG)
	}
	// Bit 0 of the gyroscope's code selects 125 °/s, the two above it the rest.
	gyro, ok := sensors.Code(o.GyroRangeDPS, 250, 125, 500, 0, 1000, 0, 2000)
	if !ok || o.GyroRangeDPS == 0 {
		return plan{}, fmt.Errorf("gyroscope range %d °/s: want 125, 250, 500, 1000 or 2000", o.GyroRangeDPS)
	}
	rate, ok := sensors.Code(o.RateHz, 0, 12.5, 26, 52, 104, 208, 417, 833)
	if !ok || rate == 0 {
		return plan{}, fmt.Errorf("rate %g Hz: want 12.5, 26, 52, 104, 208, 417 or 833", o.RateHz)
	}
	p := plan{accel: rate<<4 | accel<<2, gyro: rate<<4 | gyro<<1}
	if o.FilterDivider != 2 {
		filter, ok := sensors.Code(o.FilterDivider, 4, 10, 20, 45, 100)
		if !ok || !d.variant.secondFilter {
			return plan{}, fmt.Errorf("filter at rate/%d: not in this chip", o.FilterDivider)
		}
		p.accel |= secondLow
		p.filter = filter << 5
	}
	d.accel, d.gyro = scales(o)
	d.Fresh = sensors.Freshness{Period: time.Duration(float64(time.Second) / o.RateHz)}
	return p, nil
}

func (d *Dev) start(p plan) error {
	const op = "start"
	d.Clock.Sleep(bootTime)
	if err := d.Set(op, regCommon, softReset); err != nil {
		return err
	}
	if err := d.AwaitClear(op, regCommon, softReset, d.Clock, time.Millisecond, resetLimit); err != nil {
		return err
	}
	if d.variant.i3c {
		v, err := d.Get(op, regI3C)
		if err != nil {
			return err
		}
		if err := d.SetChecked(op, regI3C, v|i3cOff); err != nil {
			return err
		}
	}
	err := d.SetAll(op,
		sensors.Write{Reg: regCommon, Value: blockUpdate | increment},
		sensors.Write{Reg: regAccelHP},
		sensors.Write{Reg: regGyroHP},
		sensors.Write{Reg: regFilter, Value: p.filter},
		sensors.Write{Reg: regAccel, Value: p.accel},
		sensors.Write{Reg: regGyro, Value: p.gyro},
	)
	if err != nil {
		return err
	}
	b, err := d.Read(op, regAccel, controls)
	if err != nil {
		return err
	}
	copy(d.settings[:], b)
	d.Clock.Sleep(startTime)
	// What was measured while starting is read away.
	_, err = d.Read(op, regStatus, burst)
	return err
}

// CheckConfig reads identity and all control registers and compares them with
// what stood there after the start: FaultReset means that the chip lost its
// supply for a moment. Two short transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regWhoAmI, d.variant.id, regAccel, d.settings[:])
}

// Halt turns both parts off; a later New wakes them.
func (d *Dev) Halt() error {
	if err := d.Stop(regAccel, 0); err != nil {
		return err
	}
	return d.Set("halt", regGyro, 0)
}

var _ sensors.Inertial = (*Dev)(nil)
