package sensors

import (
	"bytes"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// maxBurst is the longest read of any driver, in bytes.
const maxBurst = 18

// Registers reads and writes the 8-bit registers of one chip, and turns what
// goes wrong into *Error. Its buffers live as long as it does: the kernel is
// given their addresses, and a slice on the stack could move meanwhile. It is
// not safe for concurrent use.
type Registers struct {
	// Chip names the chip in errors; a driver for several chips sets it once it
	// knows which one answers.
	Chip string
	// Dummy is how many bytes the chip sends before the first that counts.
	Dummy int

	bus  i2c.Bus
	addr uint16
	w    [2]byte
	r    [maxBurst]byte
}

// NewRegisters makes the registers of the chip at the 7-bit address addr.
func NewRegisters(bus i2c.Bus, addr uint16, chip string) *Registers {
	return &Registers{Chip: chip, bus: bus, addr: addr}
}

// String names chip, address and bus.
func (r *Registers) String() string {
	return fmt.Sprintf("%s at 0x%02x on %s", r.Chip, r.addr, r.bus)
}

// Fail makes the error of an operation on this chip.
func (r *Registers) Fail(op string, f Fault, hint string, err error) error {
	return &Error{Chip: r.Chip, Bus: r.bus.String(), Addr: r.addr, Op: op, Fault: f, Hint: hint, Err: err}
}

// Read reads n bytes from reg on, in one transaction. The slice is valid until
// the next call.
func (r *Registers) Read(op string, reg byte, n int) ([]byte, error) {
	r.w[0] = reg
	b := r.r[:r.Dummy+n]
	if err := r.bus.Tx(r.addr, r.w[:1], b); err != nil {
		return nil, r.Fail(op, FaultBus, "check plug, wires and supply", err)
	}
	return b[r.Dummy:], nil
}

// Get reads one register.
func (r *Registers) Get(op string, reg byte) (byte, error) {
	b, err := r.Read(op, reg, 1)
	if err != nil {
		return 0, err
	}
	return b[0], nil
}

// Set writes one register.
func (r *Registers) Set(op string, reg, value byte) error {
	r.w[0], r.w[1] = reg, value
	if err := r.bus.Tx(r.addr, r.w[:2], nil); err != nil {
		return r.Fail(op, FaultBus, "check plug, wires and supply", err)
	}
	return nil
}

// SetChecked writes one register and reads it back.
func (r *Registers) SetChecked(op string, reg, value byte) error {
	if err := r.Set(op, reg, value); err != nil {
		return err
	}
	got, err := r.Get(op, reg)
	if err != nil {
		return err
	}
	if got != value {
		return r.Fail(op, FaultReset, "the chip does not keep its settings: check the supply",
			fmt.Errorf("register 0x%02x: wrote 0x%02x, read 0x%02x", reg, value, got))
	}
	return nil
}

// Identity reads an identity register and compares it.
func (r *Registers) Identity(reg byte, want ...byte) (byte, error) {
	const op = "read identity"
	got, err := r.Get(op, reg)
	if err != nil {
		return 0, err
	}
	if !bytes.Contains(want, []byte{got}) {
		return got, r.Fail(op, FaultIdentity, "check chip name and address; plumbstar scan lists what answers",
			fmt.Errorf("identity register 0x%02x reads 0x%02x, want %#x", reg, got, want))
	}
	return got, nil
}

// Matches compares registers from reg on with what was written there. It tells
// lost settings (FaultReset) from a bus that answers with empty bytes
// (FaultImplausible).
func (r *Registers) Matches(op string, reg byte, want []byte) error {
	got, err := r.Read(op, reg, len(want))
	if err != nil {
		return err
	}
	if bytes.Equal(got, want) {
		return nil
	}
	diff := fmt.Errorf("registers from 0x%02x: read % x, want % x", reg, got, want)
	if all(got, 0xFF) {
		return r.Fail(op, FaultImplausible, "check the data line and the supply", diff)
	}
	return r.Fail(op, FaultReset, "the chip lost its settings: check the supply", diff)
}

// StillThere is the identity part of a check while in use: empty bytes are a
// fault of bus or supply, another value is another chip.
func (r *Registers) StillThere(reg, want byte) error {
	const op = "check identity"
	got, err := r.Get(op, reg)
	if err != nil {
		return err
	}
	if got == want {
		return nil
	}
	diff := fmt.Errorf("identity register 0x%02x reads 0x%02x, want 0x%02x", reg, got, want)
	if got == 0x00 || got == 0xFF {
		return r.Fail(op, FaultImplausible, "check the data line and the supply", diff)
	}
	return r.Fail(op, FaultIdentity, "another chip answers now", diff)
}

// AwaitClear polls a register until the bits of mask are clear.
func (r *Registers) AwaitClear(op string, reg, mask byte, clock Clock, every, limit time.Duration) error {
	for end := clock.Now() + limit; ; {
		v, err := r.Get(op, reg)
		if err != nil {
			return err
		}
		if v&mask == 0 {
			return nil
		}
		if clock.Now() >= end {
			return r.Fail(op, FaultFrozen, "check the supply",
				fmt.Errorf("register 0x%02x still reads 0x%02x after %v", reg, v, limit))
		}
		clock.Sleep(every)
	}
}

// Halted is the error of a read after Halt.
func (r *Registers) Halted(op string) error {
	return r.Fail(op, FaultSetting, "open the sensor again", errHalted)
}

var (
	errHalted = errors.New("the sensor is halted")
	errBlank  = errors.New("bytes that no working chip sends")
	errFrozen = errors.New("no new measurement, or the same bits again and again")
)

// Blank reports whether b is all 0x00 or all 0xFF, which no working chip sends
// as a sample with its status.
func Blank(b []byte) bool { return all(b, 0x00) || all(b, 0xFF) }

func all(b []byte, v byte) bool {
	for _, x := range b {
		if x != v {
			return false
		}
	}
	return true
}

// Diagnose names the fault behind a burst that is impossible or frozen: what the
// check of settings finds, or else the symptom itself.
func (r *Registers) Diagnose(op string, f Fault, check func() error) error {
	if err := check(); err != nil {
		return err
	}
	cause, hint := errFrozen, "the chip answers but measures nothing: check its supply"
	if f == FaultImplausible {
		cause, hint = errBlank, "check the data line and the supply"
	}
	return r.Fail(op, f, hint, cause)
}
