// Package lsm303accel drives the accelerometer in STMicroelectronics' LSM303AGR
// and LSM303DLHC, and the LIS3DH and LIS2DH12 of the same make: they share one
// register map and one identity, and have no gyroscope. The magnetometer of an
// LSM303 is a chip of its own at another address.
//
// The identity register reads the same in all of them, so what tells the two
// LSM303 apart is the magnetometer at 0x1E beside them: that of the LSM303AGR has
// an identity of its own. Only the LSM303AGR's thermometer is read; in the others
// there is none, or it only follows changes.
//
// Register numbers, bits and scales: lsm303agr_reg.h and .c of ST's
// lsm303agr-pid, and the Linux driver drivers/iio/accel/st_accel_core.c.
package lsm303accel

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

// Addr is the address in an LSM303 (and of a LIS3DH with pin SA0 high); AltAddr
// that of a LIS3DH with SA0 low.
const (
	Addr    uint16 = 0x19
	AltAddr uint16 = 0x18
)

const (
	regTemp    = 0x0C // low byte first
	regWhoAmI  = 0x0F
	regTempCfg = 0x1F // bits 7..6: thermometer on
	regCtrl1   = 0x20 // bits 7..4: rate, 3: low power, 2..0: axes on
	regCtrl2   = 0x21 // high-pass
	regCtrl3   = 0x22 // interrupts
	regCtrl4   = 0x23 // bit 7: block update, 5..4: range, 3: high resolution
	regCtrl5   = 0x24 // bit 7: load trim again, 6: FIFO
	regStatus  = 0x27 // bit 7: overrun, 3: data ready
	many       = 0x80 // the register number moves on in a transfer

	controls    = regCtrl5 - regCtrl1 + 1
	id          = 0x33
	reload      = 0x80
	blockUpdate = 0x80
	highRes     = 0x08
	axesOn      = 0x07
	tempOn      = 0xC0
	ready       = 0x08
	overrun     = 0x80
	// burst is the status and X, Y, Z, low byte first, 12 bits left-justified.
	burst = 7
)

// The magnetometer beside the accelerometer in an LSM303AGR.
const (
	magAddr   uint16 = 0x1E
	magWhoAmI byte   = 0x4F
	magID     byte   = 0x40
)

// bootTime is the time to load the trim (5 ms typical, from memory), startTime
// what the filter needs after the rate was set (7 samples in high resolution: LSM303AGR
// data sheet, table 14, as quoted in the Kvasir project's Lsm303agr description).
const (
	bootTime  = 10 * time.Millisecond
	startTime = 20 * time.Millisecond
	tempEvery = time.Second
)

// rates by their code.
var rates = []float64{0, 1, 10, 25, 50, 100, 200, 400}

// Opts are the settings of the chip.
type Opts struct {
	AccelRangeG int // 2, 4, 8 or 16
	// RateHz is 10, 25, 50, 100, 200 or 400. In high resolution the low-pass lies
	// at a ninth of it (from memory); its delay is not taken off the sample times.
	RateHz float64
}

// DefaultOpts suit a tracker: 2 g, 100 Hz.
func DefaultOpts() Opts { return Opts{AccelRangeG: 2, RateHz: 100} }

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	sensors.Poller
	opts     Opts
	agr      bool
	scale    float64 // m/s² per count of 12 bits
	end      int     // counts at the end of the promised range
	settings [controls]byte
	tempC    float64
	tempAt   time.Duration
}

// Identify tells by the identity register whether one of the chips answers at
// addr, and by the magnetometer beside it which. What is no LSM303AGR is called
// LSM303DLHC, a LIS3DH too. An error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	got, err := sensors.NewRegisters(bus, addr, "LSM303 accelerometer").Get("read identity", regWhoAmI)
	if err != nil || got != id {
		return "", false, err
	}
	return nameOf(isAGR(bus)), true, nil
}

func nameOf(agr bool) string {
	if agr {
		return "LSM303AGR"
	}
	return "LSM303DLHC"
}

func isAGR(bus i2c.Bus) bool {
	got, err := sensors.NewRegisters(bus, magAddr, "LSM303AGR").Get("read identity", magWhoAmI)
	return err == nil && got == magID
}

// New checks the identity, has the chip load its trim again (it has no reset),
// writes opts (nil: DefaultOpts) over whatever stood there, reads them back and
// starts measuring. It takes 0.1 s on clock, more at slow rates.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock, opts *Opts) (*Dev, error) {
	d := &Dev{Poller: sensors.NewPoller(bus, addr, "LSM303 accelerometer", clock), opts: sensors.Or(opts, DefaultOpts())}
	if _, err := d.Identity(regWhoAmI, id); err != nil {
		return nil, err
	}
	d.agr = isAGR(bus)
	d.Chip = nameOf(d.agr)
	writes, err := d.plan()
	if err != nil {
		return nil, d.Fail("set options", sensors.FaultSetting, "", err)
	}
	if err := d.start(writes); err != nil {
		return nil, err
	}
	return d, nil
}

// scales are mg per count of 12 bits in high resolution at 2, 4, 8 and 16 g: ST's
// lsm303agr_reg.c, and st_accel_core.c for the others.
func scales(agr bool) [4]float64 {
	if agr {
		return [4]float64{0.98, 1.95, 3.9, 11.72}
	}
	return [4]float64{1, 2, 4, 12}
}

// plan is what the options mean in registers; the rate comes last.
func (d *Dev) plan() ([]sensors.Write, error) {
	o := d.opts
	code := slices.Index([]int{2, 4, 8, 16}, o.AccelRangeG)
	if code < 0 {
		return nil, fmt.Errorf("accelerometer range %d g: want 2, 4, 8 or 16", o.AccelRangeG)
	}
	rate := slices.Index(rates, o.RateHz)
	if rate < 2 {
		return nil, fmt.Errorf("rate %g Hz: want 10, 25, 50, 100, 200 or 400", o.RateHz)
	}
	mg := scales(d.agr)[code]
	d.scale = mg / 1000 * sensors.StandardGravity
	d.end = min(int(1000*float64(o.AccelRangeG)/mg), 2047)
	d.Fresh = sensors.Freshness{Period: time.Duration(float64(time.Second) / o.RateHz)}
	writes := []sensors.Write{
		{Reg: regCtrl2}, {Reg: regCtrl3}, {Reg: regCtrl5},
		{Reg: regCtrl4, Value: blockUpdate | highRes | byte(code<<4)},
		{Reg: regCtrl1, Value: byte(rate<<4) | axesOn},
	}
	if d.agr {
		writes = append(writes, sensors.Write{Reg: regTempCfg, Value: tempOn})
	}
	return writes, nil
}

func (d *Dev) start(writes []sensors.Write) error {
	const op = "start"
	if err := d.Set(op, regCtrl5, reload); err != nil {
		return err
	}
	d.Clock.Sleep(bootTime)
	if err := d.SetAll(op, writes...); err != nil {
		return err
	}
	b, err := d.Read(op, regCtrl1|many, controls)
	if err != nil {
		return err
	}
	copy(d.settings[:], b)
	d.Clock.Sleep(max(startTime, 8*d.Fresh.Period))
	if err := d.readTemp(op); err != nil {
		return err
	}
	// What was measured while starting is read away.
	_, err = d.Read(op, regStatus|many, burst)
	return err
}

// readTemp reads the thermometer, whose registers lie too far from the others for
// one short burst: 256 counts per °C, zero at 25 °C (lsm303agr_reg.c). How true
// that zero is, no data sheet says: it is good for changes.
func (d *Dev) readTemp(op string) error {
	if !d.agr {
		d.tempC = math.NaN()
		return nil
	}
	b, err := d.Read(op, regTemp|many, 2)
	if err != nil {
		return err
	}
	d.tempC = float64(int16(binary.LittleEndian.Uint16(b)))/256 + 25
	d.tempAt = d.Clock.Now()
	return nil
}

// ReadInertial reads status and data in one burst, and once a second the
// temperature besides; Gyro is zero. At is the time just before the transfer. The
// sample itself was taken at most one period earlier (half a period on average
// when polled), and its signal is older by the filter's delay.
func (d *Dev) ReadInertial() (sensors.InertialSample, error) {
	s, err := d.Inertial(regStatus|many, burst, split, d.decode, d)
	if err != nil {
		return s, err
	}
	if d.agr && s.At-d.tempAt >= tempEvery {
		if err := d.readTemp("read sample"); err != nil {
			return sensors.InertialSample{}, err
		}
	}
	s.TempC = d.tempC
	return s, nil
}

func split(b []byte) sensors.Burst {
	return sensors.Burst{Data: b[1:], Ready: b[0]&ready != 0, Overrun: b[0]&overrun != 0}
}

// decode turns the six data bytes of a burst into units.
func (d *Dev) decode(b []byte) sensors.InertialSample {
	b = b[1:]
	var raw [3]float64
	var s sensors.InertialSample
	for i := range raw {
		v := int(int16(binary.LittleEndian.Uint16(b[2*i:]))) >> 4
		raw[i] = float64(v)
		if v >= d.end || v <= -d.end {
			s.Flags |= sensors.Clipped
		}
	}
	s.Accel = r3.Scale(d.scale, r3.Vec{X: raw[0], Y: raw[1], Z: raw[2]})
	return s
}

// CheckConfig reads identity and control registers and compares them with what
// stood there after the start: FaultReset means that the chip lost its supply for
// a moment. Two short transactions.
func (d *Dev) CheckConfig() error {
	return d.Kept(regWhoAmI, id, regCtrl1|many, d.settings[:])
}

// Halt turns the chip off; a later New wakes it.
func (d *Dev) Halt() error {
	return d.Stop(regCtrl1, 0)
}

// Spec states the typical figures of the data sheets, taken as 1 sigma, and the
// rate and range in use. LSM303AGR (DocID027765): ±40 mg (as quoted of its LA_TyOff);
// from memory 220 µg/√Hz, ±0.5 mg/°C, scale ±0.01 %/°C; LSM303DLHC (DocID018771), all
// from memory: 220 µg/√Hz, ±60 mg, ±0.5 mg/°C, ±0.01 %/°C. Scale and cross-axis are not stated there: 2 % is
// common practice, no source.
func (d *Dev) Spec() sensors.InertialSpec {
	const mg = sensors.StandardGravity / 1000
	s := sensors.InertialSpec{
		Chip:           nameOf(d.agr),
		RateHz:         d.opts.RateHz,
		AccelNoise:     0.220 * mg,
		AccelOffset:    60 * mg,
		AccelDriftPerC: 0.5 * mg,
		AccelScalePerC: 1e-4,
		AccelCross:     0.02,
		AccelRange:     float64(d.opts.AccelRangeG) * sensors.StandardGravity,
	}
	if d.agr {
		s.AccelOffset = 40 * mg
	}
	return s
}

var _ sensors.Inertial = (*Dev)(nil)
