package main

import (
	"bytes"
	"slices"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors/bme280"
)

// signature tells a chip that plumbstar does not drive by registers that can be
// read. Supported chips identify themselves (drivers).
type signature struct {
	chip, what string
	addrs      []uint16
	reg        byte
	dummy      int // bytes before the first one that counts
	want       []byte
}

// signatures lists them by hand; the registers are those of the data sheets, the
// vendors' drivers and the Linux drivers of these chips (those of BNO055,
// ADXL345, BMI160, BMI270 and MMA8451 as common drivers use them).
func signatures() []signature {
	const (
		motion = "inertial sensor"
		tilt   = "accelerometer"
	)
	at := func(a ...uint16) []uint16 { return a }
	return []signature{
		{"BMM150", compass, at(0x10, 0x11, 0x12, 0x13), 0x40, 0, []byte{0x32}},
		{"MMA8451", tilt, at(0x1C, 0x1D), 0x0D, 0, []byte{0x1A}},
		{"ADXL345", tilt, at(0x1D, 0x53), 0x00, 0, []byte{0xE5}},
		{"BNO055", motion, at(0x28, 0x29), 0x00, 0, []byte{0xA0}},
		{"BMI160", motion, at(0x68, 0x69), 0x00, 0, []byte{0xD1}},
		{"BMI270", motion, at(0x68, 0x69), 0x00, 0, []byte{0x24}},
		{"LSM9DS1", motion, at(0x6A, 0x6B), 0x0F, 0, []byte{0x68}},
	}
}

// guess is what may answer at an address without telling who it is.
func guess(addr uint16) string {
	switch addr {
	case 0x0C, 0x0D:
		return "perhaps a VCM5883L"
	case 0x10, 0x11, 0x12, 0x13:
		return "perhaps a BMM150 asleep, which only a write could wake"
	case 0x3C, 0x3D:
		return "perhaps a display with an SSD1306, which has no identity register: see [display] in the settings"
	case 0x4A, 0x4B:
		return "perhaps a BNO085 or BNO086, which have no identity register"
	case 0x68:
		return "perhaps a DS3231 clock, which has no identity register"
	}
	return ""
}

// matches reads the registers of s.
func (s signature) matches(bus i2c.Bus, addr uint16) (bool, error) {
	w, r := []byte{s.reg}, make([]byte, s.dummy+len(s.want))
	if err := bus.Tx(addr, w, r); err != nil {
		return false, err
	}
	return bytes.Equal(r[s.dummy:], s.want), nil
}

// probedAddresses are all that a supported or a known chip can have.
func probedAddresses() []uint16 {
	all := []uint16{0x3C, 0x3D, 0x4A, 0x4B, bme280.Addr, bme280.AltAddr}
	for _, d := range drivers() {
		all = append(all, d.addrs...)
	}
	for _, s := range signatures() {
		all = append(all, s.addrs...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}
