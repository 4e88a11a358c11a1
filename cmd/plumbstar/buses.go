package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/host/v3"
	"periph.io/x/host/v3/sysfs"
)

// i2cBus is one I²C bus of this machine.
type i2cBus struct {
	number int
	name   string // of its device node
	open   func() (i2c.BusCloser, error)
	// claimed names the kernel driver that owns an address, or is empty.
	claimed func(addr uint16) string
}

// errNoBus says what to do when there is no bus at all.
var errNoBus = errors.New("no I2C bus: enable it (on a Raspberry Pi: dtparam=i2c_arm=on in config.txt; " +
	"elsewhere load the kernel module i2c-dev), or plug in a USB adapter")

// i2cBuses lists the buses that the machine has now. Boards that periph does not
// know well make drivers of it fail that have nothing to do with I²C, so that is
// no error here.
func i2cBuses() ([]i2cBus, error) {
	if _, err := host.Init(); err != nil {
		return nil, fmt.Errorf("preparing the board's drivers: %w", err)
	}
	var buses []i2cBus
	for _, r := range i2creg.All() {
		buses = append(buses, i2cBus{number: r.Number, name: r.Name, open: r.Open, claimed: claimedBy(r.Number)})
	}
	if len(buses) == 0 {
		return nil, errNoBus
	}
	return buses, nil
}

// i2cBusNumber is the bus with that number, also one that appeared after the
// start.
func i2cBusNumber(n int) i2cBus {
	return i2cBus{
		number:  n,
		name:    fmt.Sprintf("/dev/i2c-%d", n),
		open:    func() (i2c.BusCloser, error) { return sysfs.NewI2C(n) },
		claimed: claimedBy(n),
	}
}

// claimedBy looks into the kernel's list of devices.
func claimedBy(bus int) func(uint16) string {
	return func(addr uint16) string {
		link, err := filepath.EvalSymlinks(fmt.Sprintf("/sys/bus/i2c/devices/%d-%04x/driver", bus, addr))
		if err != nil {
			return "" // nobody owns it
		}
		return filepath.Base(link)
	}
}

// openBus opens b and explains a failure.
func openBus(b i2cBus) (i2c.BusCloser, error) {
	bus, err := b.open()
	switch {
	case err == nil:
		return bus, nil
	case strings.Contains(err.Error(), "permission denied"): // periph loses the cause
		return nil, fmt.Errorf("bus %d: %w: add yourself to the group that owns %s (usually i2c), log in again", b.number, err, b.name)
	case strings.Contains(err.Error(), "no such file"):
		return nil, fmt.Errorf("bus %d: %w: plumbstar scan lists the buses", b.number, err)
	}
	return nil, fmt.Errorf("bus %d: %w", b.number, err)
}
