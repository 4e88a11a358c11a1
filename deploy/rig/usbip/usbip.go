//go:build linux

// Package usbip plugs an I²C bus that exists in this process into the running
// kernel, which then has a real /dev/i2c-N for it: a USB adapter of the kind that
// the kernel's module i2c-tiny-usb drives, on the virtual USB host controller of
// the module vhci-hcd. It needs root and both modules.
//
// Sources: Documentation/usb/usbip_protocol.rst of Linux 6.1 for the messages,
// drivers/i2c/busses/i2c-tiny-usb.c for the adapter's commands and drivers/usb/usbip
// for the attach file; seen to work with Debian's kernel 6.1 on amd64 and arm64.
package usbip

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"

	"periph.io/x/conn/v3/i2c"
)

const controller = "/sys/devices/platform/vhci_hcd.0/"

// fullSpeed is USB_SPEED_FULL of include/uapi/linux/usb/ch9.h.
const fullSpeed = 2

// functions of the adapter: I2C_FUNC_I2C and what the kernel emulates of SMBus.
const functions = 0x0eff0009

// Mood is how the adapter, not a chip behind it, behaves.
type Mood int32

const (
	// Working: transfers reach the bus.
	Working Mood = iota
	// Stalled: each transfer fails at once, as the endpoint of a broken adapter.
	Stalled
	// Silent: no transfer is ever answered; the kernel gives up after 2 s.
	Silent
)

// Adapter is one plugged adapter. Its methods may be called while it works.
type Adapter struct {
	bus    i2c.Bus
	sock   *os.File
	mood   atomic.Int32
	status byte
	wrote  []byte // a write that waits for the read after a repeated start
}

// Plug attaches an adapter for bus to the given port (0 to 7) of the virtual
// controller. The kernel needs some tenths of a second to find it.
func Plug(bus i2c.Bus, port int) (*Adapter, error) {
	pair, err := syscall.Socketpair(syscall.AF_UNIX, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("a pair of sockets for USB/IP: %w", err)
	}
	// Port, socket, device number, speed. The kernel takes a reference of its own
	// to the socket.
	line := fmt.Sprintf("%d %d %d %d", port, pair[1], 1<<16|uint32(port+2), fullSpeed)
	err = os.WriteFile(filepath.Join(controller, "attach"), []byte(line), 0)
	syscall.Close(pair[1])
	if err != nil {
		syscall.Close(pair[0])
		return nil, fmt.Errorf("plugging an adapter into port %d: %w: is the module vhci-hcd loaded?", port, err)
	}
	// Non-blocking, so that Unplug wakes the reader.
	if err := syscall.SetNonblock(pair[0], true); err != nil {
		syscall.Close(pair[0])
		return nil, err
	}
	a := &Adapter{bus: bus, sock: os.NewFile(uintptr(pair[0]), "usbip")}
	go a.serve()
	return a, nil
}

// Set changes the adapter's mood.
func (a *Adapter) Set(m Mood) { a.mood.Store(int32(m)) }

// Unplug pulls the cable.
func (a *Adapter) Unplug() error { return a.sock.Close() }

// Message numbers and the size of a message's head.
const (
	submit       = 1
	unlink       = 2
	submitAnswer = 3
	unlinkAnswer = 4
	head         = 48
	// longest is more than any transfer of the kernel's driver.
	longest = 1 << 16
)

// serve answers the kernel until the socket is closed.
func (a *Adapter) serve() {
	var h [head]byte
	for {
		if _, err := io.ReadFull(a.sock, h[:]); err != nil {
			return
		}
		answer, err := a.answer(h, a.sock)
		if err != nil {
			return
		}
		if len(answer) == 0 {
			continue
		}
		if _, err := a.sock.Write(answer); err != nil {
			return
		}
	}
}

// answer makes the answer to the message with head h, whose data follow in body;
// empty: none is sent.
func (a *Adapter) answer(h [head]byte, body io.Reader) ([]byte, error) {
	be := binary.BigEndian
	out := make([]byte, head)
	copy(out[4:8], h[4:8]) // sequence number
	switch be.Uint32(h[0:]) {
	case submit:
		in, n := be.Uint32(h[12:]) == 1, be.Uint32(h[24:])
		if n > longest {
			return nil, fmt.Errorf("a transfer of %d bytes", n)
		}
		data := make([]byte, n)
		if !in {
			if _, err := io.ReadFull(body, data); err != nil {
				return nil, err
			}
		}
		status, got := a.control(h[40:48], data)
		if status == unanswered {
			return nil, nil
		}
		be.PutUint32(out[0:], submitAnswer)
		be.PutUint32(out[20:], uint32(status))
		be.PutUint32(out[24:], uint32(got))
		be.PutUint32(out[32:], 0xffffffff) // not isochronous
		if in {
			out = append(out, data[:got]...)
		}
		return out, nil
	case unlink:
		status := -int32(syscall.ECONNRESET)
		be.PutUint32(out[0:], unlinkAnswer)
		be.PutUint32(out[20:], uint32(status))
		return out, nil
	}
	return nil, errors.New("an unknown USB/IP message")
}

// unanswered is a status of no USB transfer.
const unanswered = 1

// Requests of the adapter, and its status.
const (
	cmdEcho      = 0
	cmdFunctions = 1
	cmdDelay     = 2
	cmdStatus    = 3
	cmdTransfer  = 4 // to 7: bit 0 begins, bit 1 ends with a stop
	withStop     = 2
	acknowledged = 1
	refused      = 2
	readFlag     = 1 // I2C_M_RD
)

// control does one control transfer; it returns the USB status and the bytes
// moved.
func (a *Adapter) control(setup, data []byte) (status int32, n int) {
	le := binary.LittleEndian
	kind, request := setup[0]&0x60, setup[1]
	value, index := le.Uint16(setup[2:]), le.Uint16(setup[4:])
	fill := func(p ...byte) (int32, int) { return 0, copy(data, p) }
	switch {
	case kind == 0x00:
		return standard(request, value, data)
	case kind != 0x40:
	case request == cmdEcho:
		return fill(setup[2:4]...)
	case request == cmdFunctions:
		return fill(le.AppendUint32(nil, functions)...)
	case request == cmdDelay:
		return 0, 0
	case request == cmdStatus:
		return fill(a.status)
	case request >= cmdTransfer && request < 8:
		switch Mood(a.mood.Load()) {
		case Silent:
			return unanswered, 0
		case Working:
			return a.transfer(index, value&readFlag != 0, request&withStop != 0, data)
		}
	}
	return -int32(syscall.EPIPE), 0
}

// transfer does one message. A write that does not end with a stop is kept until
// the read that follows: both are one transfer on the bus.
func (a *Adapter) transfer(addr uint16, read, stop bool, data []byte) (status int32, n int) {
	a.status = acknowledged
	if !read && !stop {
		a.wrote = append(a.wrote[:0], data...)
		return 0, len(data)
	}
	w, r := data, []byte(nil)
	if read {
		w, r = a.wrote, data
	}
	err := a.bus.Tx(addr, w, r)
	a.wrote = a.wrote[:0]
	switch {
	case err == nil:
	case errors.Is(err, syscall.ETIMEDOUT):
		// Its firmware waits for the line for ever.
		return unanswered, 0
	default:
		// The data phase completes all the same; the kernel then asks for the status.
		a.status = refused
		clear(r)
	}
	return 0, len(data)
}

// standard answers the requests that every USB device knows (USB 2.0, chapter 9).
func standard(request byte, value uint16, data []byte) (status int32, n int) {
	switch {
	case request == 6 && value>>8 == 1:
		return 0, copy(data, device)
	case request == 6 && value>>8 == 2:
		return 0, copy(data, configuration)
	case request == 0: // status: self-powered
		return 0, copy(data, []byte{1, 0})
	case request == 8: // which configuration
		return 0, copy(data, []byte{1})
	case request == 1, request == 3, request == 9, request == 11:
		return 0, len(data)
	}
	return -int32(syscall.EPIPE), 0
}

// The descriptors: the numbers that i2c-tiny-usb looks for are 0403:c631.
var (
	device = []byte{18, 1, 0x10, 0x01, 0xff, 0, 0, 64,
		0x03, 0x04, 0x31, 0xc6,
		0x05, 0x02, 0, 0, 0, 1}
	configuration = []byte{9, 2, 18, 0, 1, 1, 0, 0x80, 10,
		9, 4, 0, 0, 0, 0, 0, 0, 0}
)
