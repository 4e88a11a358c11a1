package sensors

import (
	"errors"
	"syscall"
)

// busFault reads the errno of a failed transfer, after the fault codes of Linux'
// I2C drivers (Documentation/i2c/fault-codes.rst): ENXIO, or EREMOTEIO on the
// Raspberry Pi's adapters, for an address that nobody acknowledges; ETIMEDOUT and
// EAGAIN (arbitration lost to a line that is low) for a stuck bus; ENODEV and
// ESHUTDOWN where the adapter is gone. EIO says nothing: many adapters return it
// for everything.
func busFault(err error) Fault {
	for f, list := range map[Fault][]syscall.Errno{
		FaultNoAnswer:    {syscall.EREMOTEIO, syscall.ENXIO},
		FaultHeldLow:     {syscall.ETIMEDOUT, syscall.EAGAIN, syscall.EBUSY},
		FaultAdapterGone: {syscall.ENODEV, syscall.ESHUTDOWN, syscall.ENOENT, syscall.EBADF},
	} {
		for _, e := range list {
			if errors.Is(err, e) {
				return f
			}
		}
	}
	return FaultBus
}
