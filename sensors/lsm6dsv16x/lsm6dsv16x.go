// Package lsm6dsv16x drives STMicroelectronics' LSM6DSV16X and LSM6DSV:
// accelerometer, gyroscope and chip temperature. The output block is that of the
// LSM6DSO; the control registers are not, so this is a driver of its own.
//
// Register numbers, bits and scales: lsm6dsv16x_reg.h and .c of ST's
// lsm6dsv16x-pid; ST DS13510 rev. 4, pages 11 to 15 (read).
package lsm6dsv16x

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

// Addr is the address with pin SA0 low, AltAddr that with SA0 high.
const (
	Addr    uint16 = 0x6A
	AltAddr uint16 = 0x6B
)

const (
	regWhoAmI = 0x0F
	regAccel  = 0x10 // CTRL1: bits 6..4 mode (0: high performance), 3..0 rate
	regGyro   = 0x11 // CTRL2: the same for the gyroscope
	regCommon = 0x12 // CTRL3
	regRangeG = 0x15 // CTRL6: bits 6..4 low-pass 1 bandwidth, 3..0 gyroscope range
	regFilter = 0x17 // CTRL8: bits 7..5 low-pass 2 bandwidth, 1..0 accelerometer range
	regLow2   = 0x18 // CTRL9: bit 3 low-pass 2 on
	regStatus = 0x1E // bit 0: accelerometer ready, bit 1: gyroscope ready
	controls  = 10   // CTRL1 to CTRL10

	id          = 0x70
	softReset   = 0x01
	blockUpdate = 0x40
	increment   = 0x04
	secondLow   = 0x08
	accelReady  = 0x01

	// burst is the status register, a reserved one, and 14 data bytes from 0x20:
	// temperature, gyroscope X Y Z, accelerometer X Y Z, low byte first.
	burst = 16
	// The gyroscope's full scale of 28571 counts of 4.375 m°/s (and their
	// multiples) ends before its counts do.
	accelEnd = math.MaxInt16
	gyroEnd  = 28571
)

// bootTime is the wait after power-up (ST's examples), startTime what the
// gyroscope needs to settle: ST's self-test example waits as long.
const (
	bootTime   = 10 * time.Millisecond
	resetLimit = 100 * time.Millisecond
	startTime  = 100 * time.Millisecond
)

const degree = math.Pi / 180

// rates by their code; code 1, 1.875 Hz, is for low power only.
var rates = []float64{0, 0, 7.5, 15, 30, 60, 120, 240, 480, 960}

// Opts are the settings of the chip.
type Opts struct {
	AccelRangeG  int     // 2, 4, 8 or 16
	GyroRangeDPS int     // 125, 250, 500, 1000 or 2000 °/s
	RateHz       float64 // 7.5, 15, 30, 60, 120, 240, 480 or 960, for both parts
	// FilterDivider is the accelerometer's low-pass as a divider of the rate: 2,
	// or 4, 10, 20, 45, 100 with the second filter (public drivers name its codes so,
	// as ST's header does for the LSM6DSO). Its delay is not taken off the sample
	// times.
	FilterDivider int
}

// DefaultOpts suit a tracker turned by hand: 2 g, 500 °/s, 120 Hz, low-pass at
// half the rate.
func DefaultOpts() Opts {
	return Opts{AccelRangeG: 2, GyroRangeDPS: 500, RateHz: 120, FilterDivider: 2}
}

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts     Opts
	accel    float64        // m/s² per count
	gyro     float64        // rad/s per count
	settings [controls]byte // as read back once written
}

// Identify tells by the identity register whether the chip answers at addr. An
// error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	got, err := sensors.NewRegisters(bus, addr, "LSM6DSV16X").Get("read identity", regWhoAmI)
	return "LSM6DSV16X", err == nil && got == id, err
}

// New checks the identity, resets the chip, writes opts (nil: DefaultOpts),
// reads them back and starts measuring. It takes 0.1 to 0.2 s on clock.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "LSM6DSV16X", clock), opts: sensors.Or(opts, DefaultOpts())}
	if _, err := d.Identity(regWhoAmI, id); err != nil {
		return nil, err
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

// plan is what the options mean in registers, in the order of writing: ranges
// and filter before the rates, which start the measurement.
func (d *Dev) plan() ([]sensors.Write, error) {
	o := d.opts
	accel := slices.Index([]int{2, 4, 8, 16}, o.AccelRangeG)
	if accel < 0 {
		return nil, fmt.Errorf("accelerometer range %d g: want 2, 4, 8 or 16", o.AccelRangeG)
	}
	gyro := slices.Index([]int{125, 250, 500, 1000, 2000}, o.GyroRangeDPS)
	if gyro < 0 {
		return nil, fmt.Errorf("gyroscope range %d °/s: want 125, 250, 500, 1000 or 2000", o.GyroRangeDPS)
	}
	rate := slices.Index(rates, o.RateHz)
	if rate < 2 {
		return nil, fmt.Errorf("rate %g Hz: want 7.5, 15, 30, 60, 120, 240, 480 or 960", o.RateHz)
	}
	filter, low2 := 0, byte(0)
	if o.FilterDivider != 2 {
		if filter = slices.Index([]int{4, 10, 20, 45, 100}, o.FilterDivider); filter < 0 {
			return nil, fmt.Errorf("filter at rate/%d: want rate/2, 4, 10, 20, 45 or 100", o.FilterDivider)
		}
		low2 = secondLow
	}
	// 2000 mg over 32768 counts, which the header rounds to 0.061 mg, and its
	// multiples; 4.375 m°/s at 125 °/s and its multiples.
	d.accel = float64(o.AccelRangeG) / 32768 * sensors.StandardGravity
	d.gyro = float64(o.GyroRangeDPS) / 125 * 4.375e-3 * degree
	d.Fresh = sensors.Freshness{Period: time.Duration(float64(time.Second) / o.RateHz)}
	return []sensors.Write{
		{Reg: regCommon, Value: blockUpdate | increment},
		{Reg: regRangeG, Value: byte(gyro)},
		{Reg: regFilter, Value: byte(filter<<5 | accel)},
		{Reg: regLow2, Value: low2},
		{Reg: regAccel, Value: byte(rate)},
		{Reg: regGyro, Value: byte(rate)},
	}, nil
}

func (d *Dev) start(writes []sensors.Write) error {
	const op = "start"
	d.Clock.Sleep(bootTime)
	if err := d.Set(op, regCommon, softReset); err != nil {
		return err
	}
	if err := d.AwaitClear(op, regCommon, softReset, d.Clock, time.Millisecond, resetLimit); err != nil {
		return err
	}
	if err := d.SetAll(op, writes...); err != nil {
		return err
	}
	b, err := d.Read(op, regAccel, controls)
	if err != nil {
		return err
	}
	copy(d.settings[:], b)
	d.Clock.Sleep(max(startTime, 2*d.Fresh.Period))
	// What was measured while starting is read away.
	_, err = d.Read(op, regStatus, burst)
	return err
}

// ReadInertial reads status and data in one burst. At is the time just before
// the transfer. The sample itself was taken at most one period earlier (half a
// period on average when polled), and its signal is older by the filter's delay.
// The gyroscope's values may be one sample older than the accelerometer's.
func (d *Dev) ReadInertial() (sensors.InertialSample, error) {
	return d.Inertial(regStatus, burst, split, d.decode, d)
}

func split(b []byte) sensors.Burst {
	// The temperature alone makes no new sample.
	return sensors.Burst{Data: b[4:], Ready: b[0]&accelReady != 0}
}

// decode turns the 14 data bytes of a burst into units.
func (d *Dev) decode(b []byte) sensors.InertialSample {
	b = b[2:]
	var raw [7]float64
	var s sensors.InertialSample
	for i := range raw {
		v := int(int16(binary.LittleEndian.Uint16(b[2*i:])))
		raw[i] = float64(v)
		end := gyroEnd
		if i >= 4 {
			end = accelEnd
		}
		if i > 0 && (v >= end || v <= -end) {
			s.Flags |= sensors.Clipped
		}
	}
	s.TempC = raw[0]/256 + 25
	s.Gyro = r3.Scale(d.gyro, r3.Vec{X: raw[1], Y: raw[2], Z: raw[3]})
	s.Accel = r3.Scale(d.accel, r3.Vec{X: raw[4], Y: raw[5], Z: raw[6]})
	return s
}

// CheckConfig reads identity and all control registers and compares them with
// what stood there after the start: FaultReset means that the chip lost its
// supply for a moment. Two short transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regWhoAmI, id, regAccel, d.settings[:])
}

// Halt turns both parts off; a later New wakes them.
func (d *Dev) Halt() error {
	if err := d.Stop(regAccel, 0); err != nil {
		return err
	}
	return d.Set("halt", regGyro, 0)
}

// Spec states the maker's typical figures, taken as 1 sigma, and the rate and
// ranges in use: DS13510 rev. 4, table 3: 60 µg/√Hz, zero-g ±12 mg, ±0.07 mg/°C,
// scale ±0.01 %/°C; 2.8 m°/s/√Hz, zero rate ±1 °/s. The gyroscope's sensitivity is
// ±0.3 % there; cross-axis is not stated: 1 % for both is common practice, no source.
// The chip's own clock makes the true rate differ by some percent.
// Zero rate ±0.006 °/s per °C (the same table), wander of 8 °/h common practice, no
// source.
func (d *Dev) Spec() sensors.InertialSpec {
	const mg = sensors.StandardGravity / 1000
	return sensors.InertialSpec{
		Chip:           "LSM6DSV16X",
		RateHz:         d.opts.RateHz,
		AccelNoise:     0.060 * mg,
		AccelOffset:    12 * mg,
		AccelDriftPerC: 0.07 * mg,
		AccelScalePerC: 1e-4,
		AccelCross:     0.01,
		GyroNoise:      2.8e-3 * degree,
		GyroOffset:     1 * degree,
		GyroScale:      0.01,
		GyroDriftPerC:  0.006 * degree,
		GyroWander:     8 * degree / 3600,
		AccelRange:     float64(d.opts.AccelRangeG) * sensors.StandardGravity,
		GyroRange:      float64(d.opts.GyroRangeDPS) * degree,
		HasGyro:        true,
	}
}

var _ sensors.Inertial = (*Dev)(nil)
