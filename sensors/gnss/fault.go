package gnss

import (
	"errors"

	"plumbstar/sensors"
)

// FaultOf names what an error of Sink.Down means, and says what to do about it.
func FaultOf(err error) (f sensors.Fault, advice string) {
	switch {
	case errors.Is(err, ErrNoReceiver):
		return sensors.FaultFrozen, "gpsd runs, but has no receiver: plug it in, or name its device in gpsd's settings."
	case errors.Is(err, ErrGarbled):
		return sensors.FaultImplausible, "The bytes make no sense: set the baud rate, and see that nothing else hangs on this port."
	case errors.Is(err, ErrSilent):
		return sensors.FaultFrozen, "The line is open, but mute: check the receiver's supply and its wires (its transmit pin belongs to the board's receive pin)."
	case errors.Is(err, ErrGpsd):
		return sensors.FaultIdentity, "Something else than gpsd answers at this address: check gnss.source."
	}
	return sensors.FaultBus, "Check plug and cable, and whether gpsd runs where it is used."
}
