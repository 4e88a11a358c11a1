package sim

import "syscall"

// What Linux adapters return: EREMOTEIO was seen from the Raspberry Pi's
// drivers; others return ENXIO. Numbers: include/uapi/asm-generic/errno.h.
var (
	errNoAck   error = syscall.EREMOTEIO
	errTimeout error = syscall.ETIMEDOUT
	errAddress error = syscall.EINVAL
)
