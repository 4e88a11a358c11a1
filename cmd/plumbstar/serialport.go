package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"syscall"

	"go.bug.st/serial"
)

// usualBauds are the rates of receivers, in the order in which they are tried:
// common modules, newer ones, fast ones, and that of the standard. A receiver on
// USB takes any.
func usualBauds() []int { return []int{9600, 38400, 115200, 4800} }

// openSerial opens a serial port for reading. Baud 0 tries the usual rates, one
// per attempt.
func openSerial(path string, baud, attempt int) (io.ReadCloser, string, error) {
	if baud == 0 {
		b := usualBauds()
		baud = b[attempt%len(b)]
	}
	p, err := serial.Open(path, &serial.Mode{BaudRate: baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit})
	if err != nil {
		return nil, "", fmt.Errorf("%s: %w%s", path, err, serialHint(err))
	}
	return p, fmt.Sprintf("%s at %d baud", path, baud), nil
}

func serialHint(err error) string {
	var p *serial.PortError
	if errors.As(err, &p) {
		switch p.Code() {
		case serial.PermissionDenied:
			return ": let the user of this program into the group that owns it (usually dialout)"
		case serial.PortBusy:
			return `: another program has it open; if that is gpsd, set gnss.source = "gpsd"`
		}
	}
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return ": plug the receiver in, or name another port in gnss.source"
	case errors.Is(err, fs.ErrPermission):
		return ": let the user of this program into the group that owns it (usually dialout)"
	}
	return ""
}
