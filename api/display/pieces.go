package display

import (
	"fmt"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// pieceBytes is the most that one transfer carries, beside address and control
// byte: 14 bytes of 9 bits, start and stop are 1.3 ms at 100 kHz, 0.32 at 400 kHz.
// That is how long a sensor may have to wait for its turn on the same bus.
const pieceBytes = 12

// Control bytes of the SSD1306 (data sheet 8.1.5.2): what follows up to the stop is
// all commands, or all data.
const (
	controlCommands = 0x00
	controlData     = 0x40
)

// pieces is the bus as periph's driver (devices v3.7.4) gets it. It cuts long
// transfers: data go on where the pointer of the memory stands, in the next transfer
// as in the same ("increased by one automatically after each data write", 8.1.5.2 and
// 9.1), and commands are cut between two of them. And it mends what the driver lets
// nobody choose:
//
//   - the address, which it takes for 0x3c;
//   - full contrast at the start, a flash in dark-adapted eyes;
//   - horizontal addressing, with commands (B0h, 00h, 10h) that the data sheet has
//     for page addressing alone (10.1.1, 10.1.2, 10.1.13);
//   - a deselect level (DBh 40h) that the table of commands does not have.
type pieces struct {
	bus      i2c.Bus
	addr     uint16
	contrast byte
	buf      [1 + pieceBytes]byte
}

// String names the bus.
func (p *pieces) String() string { return p.bus.String() }

// SetSpeed leaves the speed to the sensors.
func (p *pieces) SetSpeed(physic.Frequency) error { return nil }

// Tx does what the driver's one transfer would have done.
func (p *pieces) Tx(_ uint16, w, r []byte) error {
	if len(w) == 0 || len(r) > 0 {
		return fmt.Errorf("display: transfer of %d and %d bytes: only writing is meant", len(w), len(r))
	}
	switch control, rest := w[0], w[1:]; control {
	case controlData:
		for len(rest) > 0 {
			n := min(len(rest), pieceBytes)
			if err := p.send(control, rest[:n]); err != nil {
				return err
			}
			rest = rest[n:]
		}
		return nil
	case controlCommands:
		return p.commands(rest)
	}
	return fmt.Errorf("display: control byte 0x%02x is not known", w[0])
}

// commands sends them mended, as many in a transfer as fit.
func (p *pieces) commands(c []byte) error {
	var job [pieceBytes]byte
	n := 0
	for len(c) > 0 {
		size := commandSize(c[0])
		if size > len(c) {
			return fmt.Errorf("display: command % X is cut off", c)
		}
		if n+size > len(job) {
			if err := p.send(controlCommands, job[:n]); err != nil {
				return err
			}
			n = 0
		}
		copy(job[n:], c[:size])
		switch c[0] {
		case 0x20: // addressing: by page
			job[n+1] = 0x02
		case 0x81:
			job[n+1] = p.contrast
		case 0xdb: // deselect level: 0.77 of the supply, as after a reset
			job[n+1] = 0x20
		}
		n, c = n+size, c[size:]
	}
	return p.send(controlCommands, job[:n])
}

func (p *pieces) send(control byte, b []byte) error {
	p.buf[0] = control
	return p.bus.Tx(p.addr, p.buf[:1+copy(p.buf[1:], b)], nil)
}

// commandSize is the number of bytes of a command, operands included (table 9-1 and
// those of scrolling and of the charge pump).
func commandSize(c byte) int {
	switch c {
	case 0x26, 0x27:
		return 7
	case 0x29, 0x2a:
		return 6
	case 0x21, 0x22, 0xa3:
		return 3
	case 0x20, 0x81, 0x8d, 0xa8, 0xd3, 0xd5, 0xd9, 0xda, 0xdb:
		return 2
	}
	return 1
}
