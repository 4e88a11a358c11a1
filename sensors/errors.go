package sensors

import (
	"errors"
	"fmt"
)

// ErrNoNewData says that the chip has no sample that was not read before. It
// is no fault: ask again later.
var ErrNoNewData = errors.New("no new data")

// ErrEnd says that a recording is over: there will be no more samples.
var ErrEnd = errors.New("the recording is over")

// Fault names what went wrong with a sensor, in words that health and log show.
type Fault string

const (
	// FaultBus: a transfer failed (no acknowledge, time-out, adapter gone).
	FaultBus Fault = "bus"
	// FaultIdentity: something answers, but its identity register is another.
	FaultIdentity Fault = "identity"
	// FaultReset: the chip lost its settings while in use (brown-out).
	FaultReset Fault = "reset"
	// FaultImplausible: bytes that no working chip sends (all 0x00, all 0xFF).
	FaultImplausible Fault = "implausible"
	// FaultFrozen: the same bits again and again, or data-ready never comes.
	FaultFrozen Fault = "frozen"
	// FaultSetting: the options asked for what the chip cannot do.
	FaultSetting Fault = "setting"
)

// Error is every error that a driver returns, except ErrNoNewData.
type Error struct {
	Chip  string // "LSM6DSO"
	Bus   string // as the bus names itself; empty: Chip names it already
	Addr  uint16 // 7-bit address
	Op    string // what was tried: "read identity", "read sample"
	Fault Fault
	// Hint says what the person at the board can do; may be empty.
	Hint string
	Err  error
}

// Error is one line: what, where, why, what to do.
func (e *Error) Error() string {
	where := e.Chip
	if e.Bus != "" {
		where = fmt.Sprintf("%s at 0x%02x on %s", e.Chip, e.Addr, e.Bus)
	}
	s := fmt.Sprintf("%s: %s: %s fault", where, e.Op, e.Fault)
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	if e.Hint != "" {
		s += ": " + e.Hint
	}
	return s
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// Retryable reports whether the same call may succeed later without a new
// initialisation of the chip.
func (e *Error) Retryable() bool { return e.Fault == FaultBus }

// Retryable reports whether err is worth another try of the same call:
// ErrNoNewData and passing bus faults are, lost settings and wrong chips are not.
func Retryable(err error) bool {
	if errors.Is(err, ErrNoNewData) {
		return true
	}
	var e *Error
	return errors.As(err, &e) && e.Retryable()
}

// FaultOf is the fault that err carries, or "" when it carries none.
func FaultOf(err error) Fault {
	var e *Error
	if errors.As(err, &e) {
		return e.Fault
	}
	return ""
}
