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

// BusCause is the error of a transfer by a bus that knows what it means.
type BusCause struct {
	Fault Fault // one of those above
	Err   error
}

// Error is that of the cause.
func (c *BusCause) Error() string { return c.Err.Error() }

// Unwrap gives the cause.
func (c *BusCause) Unwrap() error { return c.Err }

// NameOf is FaultOf, with FaultBus told apart as far as the bus could; of a bus that
// could not be opened, where no chip has failed yet, it is what the bus says.
func NameOf(err error) Fault {
	f := FaultOf(err)
	var c *BusCause
	if (f == FaultBus || f == "") && errors.As(err, &c) {
		return c.Fault
	}
	return f
}
