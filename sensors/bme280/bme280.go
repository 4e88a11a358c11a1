// Package bme280 reads temperature and pressure of the air from Bosch's BME280 and
// BMP280, by periph's bmxx80: the maker's compensation is long and gains nothing
// from being written again.
//
// Data sheet BST-BME280-DS002 (from memory): pressure ±1 hPa from 0 to 65 °C;
// temperature ±1 °C there, ±1.5 °C down to -40 °C.
package bme280

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/bmxx80"

	"plumbstar/sensors"
)

// Addr is the address with pin SDO low, AltAddr that with SDO high.
const (
	Addr    uint16 = 0x76
	AltAddr uint16 = 0x77
)

const (
	regIdentity = 0xD0
	idBMP280    = 0x58
	idBME280    = 0x60
)

const (
	// SigmaHPa is 1 sigma of the pressure: the data sheet's figure.
	SigmaHPa = 1.0
	// SigmaC is 1 sigma of the temperature of the air: the chip's own error and the
	// warmth of board and box (common practice, no source).
	SigmaC = 2.0
)

// Air is one reading.
type Air struct {
	TempC       float64 // -40 to 85
	PressureHPa float64 // at the site itself, 300 to 1100
}

// Dev is one chip. It is not safe for concurrent use.
type Dev struct {
	reg *sensors.Registers
	bus *limited
	dev *bmxx80.Dev
}

// Identify tells by the identity register whether one of the two answers at addr.
// An error means that nothing answered.
func Identify(bus i2c.Bus, addr uint16) (name string, ok bool, err error) {
	id, err := sensors.NewRegisters(bus, addr, "BME280").Get("read identity", regIdentity)
	switch id {
	case idBMP280:
		return "BMP280", err == nil, err
	case idBME280:
		return "BME280", err == nil, err
	}
	return "", false, err
}

// New checks the identity, reads the chip's calibration and leaves it asleep: it
// measures only when it is read.
func New(bus i2c.Bus, addr uint16) (*Dev, error) {
	d := &Dev{reg: sensors.NewRegisters(bus, addr, "BME280"), bus: &limited{Bus: bus}}
	id, err := d.reg.Identity(regIdentity, idBME280, idBMP280)
	if err != nil {
		return nil, err
	}
	if id == idBMP280 {
		d.reg.Chip = "BMP280"
	}
	d.bus.left = transfers
	// One measurement each suffices: the noise, 0.03 hPa and 0.005 °C, is far below
	// the errors above.
	d.dev, err = bmxx80.NewI2C(d.bus, addr, &bmxx80.Opts{Temperature: bmxx80.O1x, Pressure: bmxx80.O1x})
	if err != nil {
		return nil, d.fail("start", err)
	}
	return d, nil
}

// Read measures once. It takes some 10 ms, waiting for the chip by the real clock.
func (d *Dev) Read() (Air, error) {
	const op = "read air"
	var e physic.Env
	d.bus.left, d.bus.err = transfers, nil
	if err := d.dev.Sense(&e); err != nil {
		return Air{}, d.fail(op, err)
	}
	a := Air{TempC: e.Temperature.Celsius(), PressureHPa: float64(e.Pressure) / float64(100*physic.Pascal)}
	// Bytes of a bus that floats, or of a chip that has lost its supply, end outside.
	if !(a.TempC >= -40 && a.TempC <= 85 && a.PressureHPa >= 300 && a.PressureHPa <= 1100) {
		return Air{}, d.reg.Fail(op, sensors.FaultImplausible, "check the data line and the supply",
			fmt.Errorf("%.1f °C, %.1f hPa", a.TempC, a.PressureHPa))
	}
	return a, nil
}

// fail names what went wrong; bmxx80 loses the cause of a failed transfer.
func (d *Dev) fail(op string, err error) error {
	switch {
	case errors.Is(d.bus.err, errNeverIdle):
		return d.reg.Fail(op, sensors.FaultFrozen, "check the supply", errNeverIdle)
	case d.bus.err != nil:
		return d.reg.Fail(op, sensors.FaultBus, "check plug, wires and supply", d.bus.err)
	}
	return d.reg.Fail(op, sensors.FaultImplausible, "check the data line and the supply", err)
}

// String names the chip, its address and bus.
func (d *Dev) String() string { return d.reg.String() }

// transfers is how many a call may make: bmxx80 asks for ever whether a
// measurement has ended, also a chip that answers 0xFF to all.
const transfers = 40

var errNeverIdle = errors.New("the measurement does not end")

// limited is a bus with an end, that keeps the cause.
type limited struct {
	i2c.Bus
	left int
	err  error
}

func (l *limited) Tx(addr uint16, w, r []byte) error {
	if l.left--; l.left < 0 {
		l.err = errNeverIdle
		return l.err
	}
	err := l.Bus.Tx(addr, w, r)
	if err != nil {
		l.err = err
	}
	return err
}
