package sensors_test

import (
	"errors"
	"fmt"
	"testing"

	"plumbstar/sensors"
)

func TestNameOf(t *testing.T) {
	cause := errors.New("number")
	bus := &sensors.Error{Fault: sensors.FaultBus, Err: fmt.Errorf("x: %w", &sensors.BusCause{Fault: sensors.FaultHeldLow, Err: cause})}
	for _, c := range []struct {
		err  error
		want sensors.Fault
	}{
		{fmt.Errorf("wrapped: %w", bus), sensors.FaultHeldLow},
		{&sensors.Error{Fault: sensors.FaultBus, Err: cause}, sensors.FaultBus},
		{&sensors.Error{Fault: sensors.FaultReset, Err: bus.Err}, sensors.FaultReset},
		{fmt.Errorf("not opened: %w", &sensors.BusCause{Fault: sensors.FaultAdapterGone, Err: cause}), sensors.FaultAdapterGone},
		{cause, ""},
	} {
		if got := sensors.NameOf(c.err); got != c.want {
			t.Errorf("%v: %q, want %q", c.err, got, c.want)
		}
	}
	if !errors.Is(bus, cause) {
		t.Error("the cause is lost")
	}
}
