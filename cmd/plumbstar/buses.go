package main

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
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
var errNoBus = &sensors.BusCause{Fault: sensors.FaultAdapterGone, Err: errors.New("no I2C bus: enable it (on a Raspberry Pi: " +
	"dtparam=i2c_arm=on in config.txt; elsewhere load the kernel module i2c-dev), or plug in a USB adapter")}

// i2cBuses lists the buses that the machine has now, by number. It asks anew each
// time, as an adapter may be plugged in while the program runs; periph's own list
// is made once.
func i2cBuses() ([]i2cBus, error) {
	nodes, err := filepath.Glob(busNode + "*")
	if err != nil {
		return nil, fmt.Errorf("listing the buses: %w", err)
	}
	var buses []i2cBus
	for _, name := range nodes {
		if n, err := strconv.Atoi(strings.TrimPrefix(name, busNode)); err == nil {
			buses = append(buses, i2cBusNumber(n))
		}
	}
	if len(buses) == 0 {
		return nil, errNoBus
	}
	slices.SortFunc(buses, func(a, b i2cBus) int { return a.number - b.number })
	return buses, nil
}

// busNode and a number are the device node of a bus.
const busNode = "/dev/i2c-"

// i2cBusNumber is the bus with that number, whether it is there or not.
func i2cBusNumber(n int) i2cBus {
	return i2cBus{
		number:  n,
		name:    busNode + strconv.Itoa(n),
		open:    func() (i2c.BusCloser, error) { return openI2C(n) },
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
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("bus %d: %w: add yourself to the group that owns %s (usually i2c), log in again", b.number, err, b.name)
	case errors.Is(err, fs.ErrNotExist):
		gone := &sensors.BusCause{Fault: sensors.FaultAdapterGone, Err: err}
		return nil, fmt.Errorf("bus %d: %w: plumbstar scan lists the buses", b.number, gone)
	}
	return nil, fmt.Errorf("bus %d: %w", b.number, err)
}
