package sensors_test

import (
	"errors"
	"fmt"
	"syscall"
	"testing"

	"plumbstar/sensors"
)

// The causes are those of Linux' Documentation/i2c/fault-codes.rst.
func TestNameOf(t *testing.T) {
	bus := func(cause error) error {
		return fmt.Errorf("wrapped: %w", &sensors.Error{Fault: sensors.FaultBus, Err: cause})
	}
	for _, c := range []struct {
		err  error
		want sensors.Fault
	}{
		{bus(syscall.EREMOTEIO), sensors.FaultNoAnswer},
		{bus(syscall.ENXIO), sensors.FaultNoAnswer},
		{bus(syscall.ETIMEDOUT), sensors.FaultHeldLow},
		{bus(fmt.Errorf("x: %w", sensors.ErrHeldLow)), sensors.FaultHeldLow},
		{bus(syscall.ENODEV), sensors.FaultAdapterGone},
		{bus(syscall.EIO), sensors.FaultBus},
		{bus(errors.New("else")), sensors.FaultBus},
		{&sensors.Error{Fault: sensors.FaultReset, Err: syscall.EIO}, sensors.FaultReset},
		{errors.New("no sensor's"), ""},
	} {
		if got := sensors.NameOf(c.err); got != c.want {
			t.Errorf("%v: %q, want %q", c.err, got, c.want)
		}
	}
}
