package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unsafe"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
)

// Requests of Linux' i2c-dev (linux/i2c-dev.h, linux/i2c.h).
const (
	i2cTimeout  = 0x0702 // in units of 10 ms, of the whole adapter
	i2cRetries  = 0x0701
	i2cTransfer = 0x0707 // I2C_RDWR
	i2cRead     = 0x0001 // I2C_M_RD
)

// i2cDevice is a bus of the kernel. Unlike periph's it keeps the cause of an
// error, so that a missing chip, a line that is held low and an adapter that is
// gone can be told apart.
type i2cDevice struct {
	f       *os.File
	fd      uintptr
	number  int
	adapter string
	msgs    [2]i2cMessage
	req     i2cRequest
}

// i2cMessage and i2cRequest are struct i2c_msg and struct i2c_rdwr_ioctl_data.
type i2cMessage struct {
	addr, flags, length uint16
	buf                 unsafe.Pointer
}

type i2cRequest struct {
	msgs unsafe.Pointer
	n    uint32
}

// openI2C opens the bus with that number.
func openI2C(n int) (i2c.BusCloser, error) {
	f, err := os.OpenFile(busNode+strconv.Itoa(n), os.O_RDWR|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	d := &i2cDevice{f: f, fd: f.Fd(), number: n, adapter: adapterName(n)}
	// An adapter that refuses these keeps its own.
	_ = d.ioctl(syscall.Syscall, i2cTimeout, uintptr(adapterTimeout/(10*time.Millisecond)))
	_ = d.ioctl(syscall.Syscall, i2cRetries, 0)
	l := newBusLine(d)
	if !overUSB(n) {
		l.direct = d.txHolding
	}
	return l, nil
}

// overUSB reports whether the adapter hangs on USB: such an adapter decides for
// itself how long it waits for a line, whatever time-out it was told.
func overUSB(n int) bool {
	path, err := filepath.EvalSymlinks(fmt.Sprintf("/sys/class/i2c-dev/i2c-%d/device", n))
	return err != nil || strings.Contains(path, "/usb")
}

// adapterName is what the kernel calls the adapter, such as "bcm2835 (i2c@7e804000)".
func adapterName(n int) string {
	b, err := os.ReadFile(fmt.Sprintf("/sys/class/i2c-dev/i2c-%d/name", n))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// systemCall is the signature of syscall.Syscall and RawSyscall.
type systemCall func(trap, a1, a2, a3 uintptr) (r1, r2 uintptr, err syscall.Errno)

func (d *i2cDevice) ioctl(call systemCall, request, value uintptr) error {
	for {
		_, _, e := call(syscall.SYS_IOCTL, d.fd, request, value)
		switch e {
		case 0:
			return nil
		case syscall.EINTR:
			continue
		}
		return e
	}
}

// Tx does one transfer: write w, then, after a repeated start, read into r. Its
// errors name neither bus nor address: those who ask for a transfer do.
func (d *i2cDevice) Tx(addr uint16, w, r []byte) error {
	return d.transfer(syscall.Syscall, addr, w, r)
}

// txHolding is Tx without a word to Go's scheduler, which otherwise wakes two or
// three threads to find other work for the millisecond that a transfer takes: as
// many wake-ups as all the rest. While it lasts one of the program's processors
// stands still, so it is for transfers that end soon.
func (d *i2cDevice) txHolding(addr uint16, w, r []byte) error {
	return d.transfer(syscall.RawSyscall, addr, w, r)
}

func (d *i2cDevice) transfer(call systemCall, addr uint16, w, r []byte) error {
	if addr > 0x7f || len(w) > longestBusJob || len(r) > longestBusJob {
		return fmt.Errorf("%s: %d and %d bytes with 0x%02x: not a transfer of this program", d, len(w), len(r), addr)
	}
	n := 0
	if len(w) > 0 {
		d.msgs[n] = i2cMessage{addr: addr, length: uint16(len(w)), buf: unsafe.Pointer(unsafe.SliceData(w))}
		n++
	}
	if len(r) > 0 {
		d.msgs[n] = i2cMessage{addr: addr, flags: i2cRead, length: uint16(len(r)), buf: unsafe.Pointer(unsafe.SliceData(r))}
		n++
	}
	if n == 0 {
		return nil
	}
	// What the kernel writes to through addresses in memory must not move or be
	// freed meanwhile: it is all reachable from d, which lives on the heap.
	d.req = i2cRequest{msgs: unsafe.Pointer(&d.msgs), n: uint32(n)}
	err := d.ioctl(call, i2cTransfer, uintptr(unsafe.Pointer(&d.req)))
	runtime.KeepAlive(d)
	d.msgs = [2]i2cMessage{}
	if err == syscall.EIO && d.unplugged() {
		err = syscall.ENODEV
	}
	return busCause(err)
}

// unplugged: the kernel takes the node away with the adapter, while a bus that is
// still open gives EIO (seen with i2c-tiny-usb, Linux 6.1).
func (d *i2cDevice) unplugged() bool {
	_, err := os.Stat(busNode + strconv.Itoa(d.number))
	return errors.Is(err, fs.ErrNotExist)
}

// busCause says what an errno means, after the fault codes of Linux' I2C drivers
// (Documentation/i2c/fault-codes.rst): ENXIO, or EREMOTEIO on the Raspberry Pi's
// adapters, for an address that nobody acknowledges; ETIMEDOUT and EAGAIN
// (arbitration lost to a line that is low) for a stuck bus; ENODEV and the like
// where the adapter is gone. EIO says nothing: many adapters return it for
// everything.
func busCause(err error) error {
	var f sensors.Fault
	var means string
	switch err {
	case nil:
		return nil
	case syscall.EREMOTEIO, syscall.ENXIO:
		f, means = sensors.FaultNoAnswer, "nobody answers"
	case syscall.ETIMEDOUT, syscall.EAGAIN, syscall.EBUSY:
		f, means = sensors.FaultHeldLow, "a line is held low"
	case syscall.ENODEV, syscall.ESHUTDOWN, syscall.EBADF:
		f, means = sensors.FaultAdapterGone, "the adapter is gone"
	default:
		return fmt.Errorf("the transfer failed (%w)", err)
	}
	return &sensors.BusCause{Fault: f, Err: fmt.Errorf("%s (%w)", means, err)}
}

// SetSpeed cannot be done from here: the kernel's device tree sets the clock.
func (d *i2cDevice) SetSpeed(physic.Frequency) error {
	return errors.New(d.String() + ": the kernel sets the speed: see i2c_arm_baudrate or the device tree")
}

// Close closes the device.
func (d *i2cDevice) Close() error { return d.f.Close() }

// String names the bus and its adapter.
func (d *i2cDevice) String() string {
	if d.adapter == "" {
		return "I2C" + strconv.Itoa(d.number)
	}
	return fmt.Sprintf("I2C%d (%s)", d.number, d.adapter)
}
