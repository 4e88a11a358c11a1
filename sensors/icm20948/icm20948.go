// Package icm20948 drives TDK InvenSense's ICM-20948: accelerometer, gyroscope
// and chip temperature. The magnetometer inside is a chip of its own, an AK09916,
// reachable at 0x0C once EnableBypass has connected it to the bus.
//
// The registers lie in four banks. Measuring happens in bank 0, which the driver
// leaves only for a moment while it starts or checks the settings.
//
// Register numbers and bits: SparkFun's ICM-20948 library 32cf061
// (ICM_20948_REGISTERS.h, ICM_20948_ENUMERATIONS.h) and TDK DS-000189 rev. 1.3,
// of which pages 12, 13, 22, 25, 37 and 78 were read, and 11 and 14 as quoted in a
// public repository; what is from memory of it says so.
package icm20948

import (
	"fmt"
	"math"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// Addr is the address with pin AD0 low, AltAddr that with AD0 high, as most
// boards have it.
const (
	Addr    uint16 = 0x68
	AltAddr uint16 = 0x69
)

// Bank 0.
const (
	regWhoAmI   = 0x00
	regUserCtrl = 0x03 // bit 5: auxiliary bus master, bit 1: reset of that master
	regPower1   = 0x06 // bit 7: reset, 6: sleep, 5: low power, 2..0: clock
	regPower2   = 0x07 // a set bit turns an axis off
	regIntPin   = 0x0F // bit 1: bypass
	regData     = 0x2D // accelerometer X Y Z, gyroscope X Y Z, temperature
	regBank     = 0x7F // bits 5..4, in every bank
)

// Bank 2.
const (
	regGyroDivider  = 0x00
	regGyroConfig   = 0x01 // bits 5..3: filter, 2..1: range, 0: filter on
	regAlign        = 0x09 // bit 0: both rates start together
	regAccelDivider = 0x10 // 12 bits, high byte first
	regAccelConfig  = 0x14 // as regGyroConfig
)

const (
	id            = 0xEA
	deviceReset   = 0x80
	sleepMode     = 0x40
	clockAuto     = 0x01
	bypassEnable  = 0x02
	masterEnable  = 0x20
	masterReset   = 0x02
	filterOn      = 0x01
	internalRate  = 1125.0 // Hz, with the filter on (DS-000189, table 2)
	longestDivide = 256
)

// resetTime is twice what SparkFun's library waits; startTime covers the
// gyroscope's start (35 ms typical in the MPU-9250, PS-MPU-9250A-01 table 1; here
// from memory) with a margin.
const (
	resetTime = 100 * time.Millisecond
	startTime = 100 * time.Millisecond
)

const degree = math.Pi / 180

// Opts are the settings of the chip.
type Opts struct {
	AccelRangeG  int     // 2, 4, 8 or 16
	GyroRangeDPS int     // 250, 500, 1000 or 2000 °/s
	RateHz       float64 // 5 to 562.5; the chip takes the nearest of 1125/n
	// FilterHz is the nominal bandwidth of both low-pass filters: 6, 12, 24, 50
	// or 111. Its delay is not taken off the sample times.
	FilterHz int
	// Bypass connects the auxiliary bus, on which the AK09916 sits.
	Bypass bool
}

// DefaultOpts suit a tracker turned by hand: 2 g, 500 °/s, 102 Hz, 50 Hz, with
// the magnetometer connected.
func DefaultOpts() Opts {
	return Opts{AccelRangeG: 2, GyroRangeDPS: 500, RateHz: internalRate / 11, FilterHz: 50, Bypass: true}
}

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts   Opts
	gyroc  byte // regGyroConfig
	accelc byte // regAccelConfig
	divide byte // of the rate, less one
	accel  float64
	gyro   float64
}

// Identify tells by the identity register whether the chip answers at addr. It
// writes only where a bank other than 0 is what hides the identity. An error
// means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	got, err := identity(sensors.NewRegisters(bus, addr, "ICM-20948"))
	return "ICM-20948", err == nil && got == id, err
}

// identity reads the identity register. A program that was killed may have left
// the chip in another bank, which its bank register then tells; going back to
// bank 0 is the only write to a chip that is not known yet, and only where that
// register reads one of the three values.
func identity(r *sensors.Registers) (byte, error) {
	const op = "read identity"
	got, err := r.Get(op, regWhoAmI)
	if err != nil || got == id {
		return got, err
	}
	bank, err := r.Get(op, regBank)
	if err != nil {
		return 0, err
	}
	if bank != 0x10 && bank != 0x20 && bank != 0x30 {
		return got, nil
	}
	if err := r.Set(op, regBank, 0); err != nil {
		return 0, err
	}
	return r.Get(op, regWhoAmI)
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts),
// reads them back and starts measuring. It takes 0.2 s on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "ICM-20948", clock), opts: sensors.Or(opts, DefaultOpts())}
	if _, err := identity(d.Registers); err != nil {
		return nil, err
	}
	if _, err := d.Identity(regWhoAmI, id); err != nil {
		return nil, err
	}
	if err := d.plan(); err != nil {
		return nil, d.Fail("set options", sensors.FaultSetting, "", err)
	}
	if err := d.start(); err != nil {
		return nil, err
	}
	return d, nil
}

// plan is what the options mean in registers.
func (d *Dev) plan() error {
	o := &d.opts
	accel := slices.Index([]int{2, 4, 8, 16}, o.AccelRangeG)
	if accel < 0 {
		return fmt.Errorf("accelerometer range %d g: want 2, 4, 8 or 16", o.AccelRangeG)
	}
	gyro := slices.Index([]int{250, 500, 1000, 2000}, o.GyroRangeDPS)
	if gyro < 0 {
		return fmt.Errorf("gyroscope range %d °/s: want 250, 500, 1000 or 2000", o.GyroRangeDPS)
	}
	filter := slices.Index([]int{111, 50, 24, 12, 6}, o.FilterHz) + 2
	if filter < 2 {
		return fmt.Errorf("filter %d Hz: want 6, 12, 24, 50 or 111", o.FilterHz)
	}
	if !(o.RateHz >= 5 && o.RateHz <= internalRate/2) {
		return fmt.Errorf("rate %g Hz: want 5 to %g", o.RateHz, internalRate/2)
	}
	divider := min(math.Round(internalRate/o.RateHz), longestDivide)
	o.RateHz = internalRate / divider
	d.divide = byte(divider - 1)
	d.gyroc = byte(filter<<3 | gyro<<1 | filterOn)
	d.accelc = byte(filter<<3 | accel<<1 | filterOn)
	d.accel = sensors.StandardGravity / float64(int(16384)>>accel)
	// 131, 65.5, 32.8 and 16.4 counts per °/s (DS-000189, table 1).
	d.gyro = degree / [...]float64{131, 65.5, 32.8, 16.4}[gyro]
	// The status lies too far from the data for one short burst, so new samples
	// are told by their bits.
	d.Fresh = sensors.Freshness{Period: time.Duration(divider / internalRate * float64(time.Second)), NoReady: true}
	return nil
}

// inBank2 does f in bank 2 and returns to bank 0 whatever happens: in another
// bank the next sample would be nonsense.
func (d *Dev) inBank2(op string, f func() error) error {
	err := d.SetChecked(op, regBank, 0x20)
	if err == nil {
		err = f()
	}
	if back := d.SetChecked(op, regBank, 0); err == nil {
		err = back
	}
	return err
}

func (d *Dev) pins() byte {
	if d.opts.Bypass {
		return bypassEnable
	}
	return 0
}

func (d *Dev) start() error {
	const op = "start"
	if err := d.Set(op, regPower1, deviceReset); err != nil {
		return err
	}
	d.Clock.Sleep(resetTime)
	err := d.SetAll(op,
		sensors.Write{Reg: regBank, Value: 0},
		sensors.Write{Reg: regPower1, Value: clockAuto},
		sensors.Write{Reg: regPower2, Value: 0},
	)
	if err != nil {
		return err
	}
	// After a reset the magnetometer may stay silent until the auxiliary master
	// was reset too (SparkFun's library). The bit clears itself.
	if err := d.Set(op, regUserCtrl, masterReset); err != nil {
		return err
	}
	d.Clock.Sleep(10 * time.Millisecond)
	if err := d.SetAll(op, sensors.Write{Reg: regUserCtrl}, sensors.Write{Reg: regIntPin, Value: d.pins()}); err != nil {
		return err
	}
	err = d.inBank2(op, func() error {
		return d.SetAll(op,
			sensors.Write{Reg: regAlign, Value: 1},
			sensors.Write{Reg: regGyroDivider, Value: d.divide},
			sensors.Write{Reg: regGyroConfig, Value: d.gyroc},
			sensors.Write{Reg: regAccelDivider, Value: 0},
			sensors.Write{Reg: regAccelDivider + 1, Value: d.divide},
			sensors.Write{Reg: regAccelConfig, Value: d.accelc},
		)
	})
	if err != nil {
		return err
	}
	d.Clock.Sleep(max(startTime, 2*d.Fresh.Period))
	return nil
}

// EnableBypass connects the auxiliary bus of the ICM-20948 at addr to the main
// one: the AK09916 then answers at 0x0C. A reset of the chip undoes it.
func EnableBypass(bus i2c.Bus, addr uint16) error {
	const op = "enable bypass"
	r := sensors.NewRegisters(bus, addr, "ICM-20948")
	if _, err := r.Identity(regWhoAmI, id); err != nil {
		return err
	}
	if err := r.SwitchBits(op, regUserCtrl, masterEnable, 0); err != nil {
		return err
	}
	return r.SwitchBits(op, regIntPin, 0, bypassEnable)
}

// CheckConfig reads identity, power and pin registers and, in bank 2, ranges,
// filters and rates, and compares them with what was written: FaultReset means
// that the chip lost its supply for a moment. It changes the bank and back.
func (d *Dev) CheckConfig() error {
	const op = "check settings"
	if err := d.InUse(op); err != nil {
		return err
	}
	if err := d.StillThere(regWhoAmI, id); err != nil {
		return err
	}
	// After a reset the chip sleeps (0x41).
	if err := d.Matches(op, regPower1, []byte{clockAuto, 0}); err != nil {
		return err
	}
	// EnableBypass may have been used without this Dev knowing.
	if d.opts.Bypass {
		if err := d.Matches(op, regIntPin, []byte{bypassEnable}); err != nil {
			return err
		}
	}
	return d.inBank2(op, func() error {
		if err := d.Matches(op, regGyroDivider, []byte{d.divide, d.gyroc}); err != nil {
			return err
		}
		if err := d.Matches(op, regAccelDivider, []byte{0, d.divide}); err != nil {
			return err
		}
		return d.Matches(op, regAccelConfig, []byte{d.accelc})
	})
}

// Halt puts the chip to sleep; a later New wakes it. The magnetometer stays
// reachable.
func (d *Dev) Halt() error {
	return d.Stop(regPower1, sleepMode|clockAuto)
}

var _ sensors.Inertial = (*Dev)(nil)
