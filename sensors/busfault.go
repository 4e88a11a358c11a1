package sensors

import "errors"

// What a failed transfer can mean, as FaultBus is counted and advised upon.
const (
	// FaultNoAnswer: nobody acknowledges the address.
	FaultNoAnswer Fault = "no-answer"
	// FaultHeldLow: a line is held low, or a chip stretches the clock for ever.
	FaultHeldLow Fault = "held-low"
	// FaultAdapterGone: the adapter itself does not work or is unplugged.
	FaultAdapterGone Fault = "adapter-gone"
)

// ErrHeldLow is the cause of a transfer that was given up since the bus hangs.
var ErrHeldLow = errors.New("the bus hangs")

// NameOf is FaultOf, with FaultBus told apart as far as the cause of the kernel
// allows.
func NameOf(err error) Fault {
	f := FaultOf(err)
	switch {
	case f != FaultBus:
		return f
	case errors.Is(err, ErrHeldLow):
		return FaultHeldLow
	}
	return busFault(err)
}
