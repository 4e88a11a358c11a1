//go:build linux

package usbip

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"syscall"
	"testing"

	"periph.io/x/conn/v3/physic"
)

// bus notes its last transfer.
type bus struct {
	addr uint16
	w    []byte
	err  error
}

func (b *bus) String() string                  { return "bus" }
func (b *bus) SetSpeed(physic.Frequency) error { return nil }

func (b *bus) Tx(addr uint16, w, r []byte) error {
	b.addr, b.w = addr, bytes.Clone(w)
	for i := range r {
		r[i] = byte(0xa0 + i)
	}
	return b.err
}

// control is a message of the kernel with a control transfer on endpoint 0.
func control(in bool, kind, request byte, value, index uint16, length int) (h [head]byte) {
	be, le := binary.BigEndian, binary.LittleEndian
	be.PutUint32(h[0:], submit)
	be.PutUint32(h[4:], 77)
	if in {
		be.PutUint32(h[12:], 1)
	}
	be.PutUint32(h[24:], uint32(length))
	h[40], h[41] = kind, request
	le.PutUint16(h[42:], value)
	le.PutUint16(h[44:], index)
	le.PutUint16(h[46:], uint16(length))
	return h
}

const (
	out = 0x40
	in  = 0xc0
)

func ask(t *testing.T, a *Adapter, h [head]byte, body ...byte) (status int32, data []byte) {
	t.Helper()
	b, err := a.answer(h, bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if len(b) == 0 {
		return unanswered, nil
	}
	be := binary.BigEndian
	if be.Uint32(b) != submitAnswer || be.Uint32(b[4:]) != 77 {
		t.Fatalf("answer % x", b[:head])
	}
	return int32(be.Uint32(b[20:])), b[head:]
}

// What i2c-tiny-usb sends for "write one byte, read three": a message without stop,
// its status, a message with stop, its status.
func TestWriteAndReadAreOneTransfer(t *testing.T) {
	b := &bus{}
	a := &Adapter{bus: b}
	if s, _ := ask(t, a, control(false, out, cmdTransfer|1, 0, 0x6a, 1), 0x28); s != 0 || b.w != nil {
		t.Fatalf("write: status %d, bus saw % x", s, b.w)
	}
	if _, d := ask(t, a, control(true, in, cmdStatus, 0, 0, 1)); !bytes.Equal(d, []byte{acknowledged}) {
		t.Fatalf("status % x", d)
	}
	s, d := ask(t, a, control(true, in, cmdTransfer|3, readFlag, 0x6a, 3))
	if s != 0 || !bytes.Equal(d, []byte{0xa0, 0xa1, 0xa2}) || b.addr != 0x6a || !bytes.Equal(b.w, []byte{0x28}) {
		t.Fatalf("read: status %d, % x; bus saw 0x%02x % x", s, d, b.addr, b.w)
	}
	// The byte that was written is not written again.
	ask(t, a, control(true, in, cmdTransfer|3, readFlag, 0x6a, 1))
	if len(b.w) != 0 {
		t.Errorf("a read alone wrote % x", b.w)
	}
}

func TestFaultsOnTheWire(t *testing.T) {
	b := &bus{err: syscall.EREMOTEIO}
	a := &Adapter{bus: b}
	read := control(true, in, cmdTransfer|3, readFlag, 0x6a, 2)
	if s, d := ask(t, a, read); s != 0 || !bytes.Equal(d, []byte{0, 0}) {
		t.Errorf("not acknowledged: status %d, % x", s, d)
	}
	if _, d := ask(t, a, control(true, in, cmdStatus, 0, 0, 1)); !bytes.Equal(d, []byte{refused}) {
		t.Errorf("status after that % x", d)
	}
	b.err = syscall.ETIMEDOUT
	if s, _ := ask(t, a, read); s != unanswered {
		t.Errorf("a line held low: status %d", s)
	}
	b.err = nil
	a.Set(Silent)
	if s, _ := ask(t, a, read); s != unanswered {
		t.Errorf("silent: status %d", s)
	}
	a.Set(Stalled)
	if s, _ := ask(t, a, read); s != -int32(syscall.EPIPE) {
		t.Errorf("stalled: status %d", s)
	}
	a.Set(Working)
	if s, d := ask(t, a, read); s != 0 || len(d) != 2 {
		t.Errorf("working again: status %d, % x", s, d)
	}
}

func FuzzMessages(f *testing.F) {
	h := control(true, in, cmdTransfer|3, readFlag, 0x6a, 3)
	f.Add(h[:], []byte{})
	h = control(false, out, cmdTransfer|1, 0, 0x6a, 1)
	f.Add(h[:], []byte{0x28})
	h = control(true, 0x80, 6, 0x0100, 0, 18)
	f.Add(h[:], []byte{})
	f.Fuzz(func(t *testing.T, h, body []byte) {
		if len(h) != head {
			return
		}
		b, err := (&Adapter{bus: &bus{}}).answer([head]byte(h), bytes.NewReader(body))
		switch {
		case err != nil && len(b) > 0:
			t.Errorf("answer % x with error %v", b, err)
		case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		case len(b) > 0 && len(b) < head, len(b) > head+longest:
			t.Errorf("an answer of %d bytes", len(b))
		}
	})
}
