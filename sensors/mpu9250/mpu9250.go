// Package mpu9250 drives the InvenSense MPU-6050, MPU-6500, MPU-9250 and
// MPU-9255: accelerometer, gyroscope and chip temperature. The four share one
// register map; the identity register tells which one answers. The magnetometer
// inside the MPU-9250 and 9255 is a chip of its own (package ak8963), reachable
// once EnableBypass has connected it to the bus.
//
// Register numbers, bits and scales: InvenSense RM-MPU-6000A-00 rev. 4.2
// (register map), PS-MPU-6000A-00 rev. 3.4 (product specification) and the Linux
// driver drivers/iio/imu/inv_mpu6050.
package mpu9250

import (
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the address with pin AD0 low, AltAddr that with AD0 high.
const (
	Addr    uint16 = 0x68
	AltAddr uint16 = 0x69
)

// Registers (register map, section 3).
const (
	regSampleDivider = 0x19
	regConfig        = 0x1A // bits 2..0: low-pass filter
	regGyroConfig    = 0x1B // bits 4..3: range
	regAccelConfig   = 0x1C // bits 4..3: range
	regAccelConfig2  = 0x1D // 6500 and later, bits 2..0: accelerometer low-pass
	regIntPin        = 0x37 // bit 1: bypass
	regIntEnable     = 0x38 // bit 0: data ready
	regIntStatus     = 0x3A // bit 0: data ready, cleared by reading
	regUserCtrl      = 0x6A // bit 5: auxiliary bus master
	regPower1        = 0x6B // bit 7: reset, bit 6: sleep, bits 2..0: clock
	regPower2        = 0x6C // a set bit turns an axis off
	regWhoAmI        = 0x75
)

const (
	bypassEnable    = 0x02
	dataReady       = 0x01
	auxMasterEnable = 0x20
	deviceReset     = 0x80
	sleepMode       = 0x40
	clockGyroPLL    = 0x01
)

// resetTime is the wait after a reset (register map, section 4.28);
// startTime is what the slowest of gyroscope and accelerometer needs after
// waking (70 ms in the Linux driver).
const (
	resetTime = 100 * time.Millisecond
	startTime = 70 * time.Millisecond
)

// Opts are the settings of the chip.
type Opts struct {
	AccelRangeG  int     // 2, 4, 8 or 16
	GyroRangeDPS int     // 250, 500, 1000 or 2000 °/s
	RateHz       float64 // 4 to 1000; the chip takes the nearest of 1000/n
	// FilterHz is the nominal bandwidth of the low-pass filter: 5, 10, 21, 44, 94
	// or 184, the accelerometer's in the MPU-6050; the others differ by up to
	// 3 Hz. Its delay, 19 ms down to 2 ms, is not taken off the sample times.
	FilterHz int
	// Bypass connects the auxiliary bus, on which the AK8963 sits.
	Bypass bool
}

// DefaultOpts suit a tracker turned by hand: 2 g, 500 °/s, 100 Hz, 44 Hz.
func DefaultOpts() Opts {
	return Opts{AccelRangeG: 2, GyroRangeDPS: 500, RateHz: 100, FilterHz: 44}
}

// filterCode is DLPF_CFG (register map, section 4.3).
func filterCode(hz int) (byte, bool) {
	for i, f := range [...]int{184, 94, 44, 21, 10, 5} {
		if f == hz {
			return byte(i + 1), true
		}
	}
	return 0, false
}

// rangeCode is the exponent of value over first, 0 to 3.
func rangeCode(value, first int) (byte, bool) {
	for i := range 4 {
		if first<<i == value {
			return byte(i), true
		}
	}
	return 0, false
}

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	variant variant
	opts    Opts
	rates   [5]byte // registers 0x19 to 0x1D as written
	pins    [2]byte // registers 0x37 and 0x38 as written
	accel   float64 // m/s² per count
	gyro    float64 // rad/s per count
}

// Identify tells by the identity register whether one of the four answers at
// addr. An error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	r := sensors.NewRegisters(bus, addr, "MPU-6050/6500/9250")
	id, err := r.Get("read identity", regWhoAmI)
	if err != nil {
		return "", false, err
	}
	v, ok := variantOf(id)
	return v.name, ok, nil
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts),
// reads them back and starts measuring. It takes 0.2 s on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "MPU-6050/6500/9250", clock), opts: sensors.Or(opts, DefaultOpts())}
	id, err := d.Identity(regWhoAmI, identities()...)
	if err != nil {
		return nil, err
	}
	d.variant, _ = variantOf(id)
	d.Chip = d.variant.name
	if err := d.plan(); err != nil {
		return nil, err
	}
	if err := d.start(); err != nil {
		return nil, err
	}
	return d, nil
}

// plan turns the options into register values and scales.
func (d *Dev) plan() error {
	o := &d.opts
	bad := func(format string, a ...any) error {
		return d.Fail("set options", sensors.FaultSetting, "", fmt.Errorf(format, a...))
	}
	accel, ok := rangeCode(o.AccelRangeG, 2)
	if !ok {
		return bad("accelerometer range %d g: want 2, 4, 8 or 16", o.AccelRangeG)
	}
	gyro, ok := rangeCode(o.GyroRangeDPS, 250)
	if !ok {
		return bad("gyroscope range %d °/s: want 250, 500, 1000 or 2000", o.GyroRangeDPS)
	}
	filter, ok := filterCode(o.FilterHz)
	if !ok {
		return bad("filter %d Hz: want 5, 10, 21, 44, 94 or 184", o.FilterHz)
	}
	if !(o.RateHz >= 4 && o.RateHz <= 1000) {
		return bad("rate %g Hz: want 4 to 1000", o.RateHz)
	}
	divider := math.Round(1000 / o.RateHz)
	o.RateHz = 1000 / divider
	d.rates = [5]byte{byte(divider - 1), filter, gyro << 3, accel << 3, filter}
	if !d.variant.accelFilter {
		d.rates[4] = 0
	}
	d.pins = [2]byte{0, dataReady}
	if o.Bypass {
		d.pins[0] = bypassEnable
	}
	d.accel = sensors.StandardGravity / float64(int(16384)>>accel)
	// 131, 65.5, 32.8 and 16.4 counts per °/s (product specification, 6.1).
	d.gyro = math.Pi / 180 / [...]float64{131, 65.5, 32.8, 16.4}[gyro]
	d.Fresh = sensors.Freshness{Period: time.Duration(divider) * time.Millisecond}
	return nil
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regPower1, deviceReset); err != nil {
		return err
	}
	d.Clock.Sleep(resetTime)
	writes := []sensors.Write{
		{Reg: regPower1, Value: clockGyroPLL},
		{Reg: regPower2, Value: 0},
		{Reg: regUserCtrl, Value: 0},
		{Reg: regSampleDivider, Value: d.rates[0]},
		{Reg: regConfig, Value: d.rates[1]},
		{Reg: regGyroConfig, Value: d.rates[2]},
		{Reg: regAccelConfig, Value: d.rates[3]},
	}
	if d.variant.accelFilter {
		writes = append(writes, sensors.Write{Reg: regAccelConfig2, Value: d.rates[4]})
	}
	writes = append(writes, sensors.Write{Reg: regIntPin, Value: d.pins[0]}, sensors.Write{Reg: regIntEnable, Value: d.pins[1]})
	if err := d.SetAll(op, writes...); err != nil {
		return err
	}
	d.Clock.Sleep(startTime)
	// What was measured while starting is read away.
	_, err := d.Read(op, regIntPin, burst)
	return err
}

// EnableBypass connects the auxiliary bus of the MPU-9250 or 9255 at addr to the
// main one: the AK8963 then answers at 0x0C. A reset of the chip undoes it. It
// refuses a chip without a magnetometer.
func EnableBypass(bus i2c.Bus, addr uint16) error {
	const op = "enable bypass"
	r := sensors.NewRegisters(bus, addr, "MPU-9250")
	id, err := r.Identity(regWhoAmI, idMPU9250, idMPU9255)
	if err != nil {
		return err
	}
	v, _ := variantOf(id)
	r.Chip = v.name
	if err := r.SwitchBits(op, regUserCtrl, auxMasterEnable, 0); err != nil {
		return err
	}
	return r.SwitchBits(op, regIntPin, 0, bypassEnable)
}

// CheckConfig reads identity, settings and interrupt registers and compares them
// with what was written: FaultReset means that the chip lost its supply for a
// moment. Three short transactions.
func (d *Dev) CheckConfig() error {
	const op = "check settings"
	if err := d.InUse(op); err != nil {
		return err
	}
	if err := d.StillThere(regWhoAmI, d.variant.id); err != nil {
		return err
	}
	// Data ready is enabled in use and disabled after a reset, whatever the ranges.
	// The bypass may have been enabled by EnableBypass without this Dev knowing.
	pins, reg := d.pins[:], byte(regIntPin)
	if !d.opts.Bypass {
		pins, reg = pins[1:], regIntEnable
	}
	if err := d.Matches(op, reg, pins); err != nil {
		return err
	}
	n := len(d.rates)
	if !d.variant.accelFilter {
		n--
	}
	return d.Matches(op, regSampleDivider, d.rates[:n])
}

// Halt puts the chip to sleep; a later New wakes it.
func (d *Dev) Halt() error {
	return d.Stop(regPower1, sleepMode)
}

var _ sensors.Inertial = (*Dev)(nil)
