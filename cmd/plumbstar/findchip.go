package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
)

// hangs is longer than any transfer of a working bus, and shorter than the
// time-outs of adapters (one second, i2c-tiny-usb two).
const hangs = 500 * time.Millisecond

// findChip finds driver and address. When a chip that was named is nowhere, its
// driver is to look at the first address: its error says more. On a bus that hangs
// it gives up at the first address, since each would cost the adapter's time-out.
func findChip(chip string, bus i2c.Bus, addr uint16, clock sensors.Clock, what string, want func(driver) bool) (driver, uint16, error) {
	anyChip := strings.EqualFold(chip, autoChip)
	var broken error // what was not just nobody's answer
	for _, d := range drivers() {
		if !want(d) || !anyChip && !hasName(d, chip) {
			continue
		}
		at := d.addrs
		if addr != 0 {
			at = []uint16{addr}
		}
		if d.prepare != nil {
			if err := d.prepare(bus); err != nil && !anyChip {
				return driver{}, 0, err
			}
		}
		for _, a := range at {
			// What answers with an error is not this chip, or not now.
			began := clock.Now()
			_, ok, err := d.identify(bus, a)
			if ok && err == nil {
				return d, a, nil
			}
			if err != nil && !isNoAck(err) {
				broken = causeOf(err)
			}
			if errors.Is(err, errHangs) || err != nil && clock.Now()-began > hangs {
				return driver{}, 0, fmt.Errorf("%s: looking for the %s: %w: a line may be held low: check the wires, unplug one device after the other", bus, what, causeOf(err))
			}
		}
		if !anyChip {
			return d, at[0], nil
		}
	}
	switch {
	case broken != nil:
		return driver{}, 0, fmt.Errorf("%s: looking for the %s: %w: check plug, wires and supply", bus, what, broken)
	case anyChip:
		return driver{}, 0, &sensors.BusCause{Fault: sensors.FaultNoAnswer, Err: &absent{what, bus.String()}}
	}
	return driver{}, 0, fmt.Errorf("chip %q is no supported %s: choose %s, or %s",
		chip, what, strings.Join(chipNames(want), ", "), autoChip)
}

// causeOf is what the bus said, without the chip that was looked for in vain.
func causeOf(err error) error {
	var e *sensors.Error
	if errors.As(err, &e) && e.Err != nil {
		return e.Err
	}
	return err
}

// absent: no chip that could be what is looked for answers on these buses.
type absent struct{ what, buses string }

func (a *absent) Error() string {
	return fmt.Sprintf("no supported %s answers on %s: check plug and wires; plumbstar scan lists what answers", a.what, a.buses)
}

// alsoOn is the error of a search on several buses.
func alsoOn(before, err error) error {
	var a, b *absent
	switch {
	case before == nil:
		return err
	case errors.As(before, &a) && errors.As(err, &b) && a.what == b.what:
		a.buses += ", " + b.buses
		return before
	}
	return fmt.Errorf("%w; %w", before, err)
}

func hasName(d driver, chip string) bool {
	for _, n := range d.names {
		if strings.EqualFold(n, chip) {
			return true
		}
	}
	return false
}
