package sim

import "syscall"

// What Linux adapters return (shared field notes: EREMOTEIO on Raspberry Pi
// drivers; include/uapi/asm-generic/errno.h).
var (
	errNoAck   error = syscall.EREMOTEIO
	errTimeout error = syscall.ETIMEDOUT
	errAddress error = syscall.EINVAL
)
