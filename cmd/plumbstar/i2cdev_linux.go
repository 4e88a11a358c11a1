package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"strconv"
	"strings"
	"syscall"
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

// adapterTimeout is how long a transfer may wait for the adapter, in units of
// 10 ms: the longest burst at 100 kHz takes 3 ms, stretching included 10 ms, and
// the default of a second would stop the loop for as long.
const adapterTimeout = 5

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
	_ = d.ioctl(i2cTimeout, adapterTimeout)
	_ = d.ioctl(i2cRetries, 0)
	return newBusLine(d), nil
}

// adapterName is what the kernel calls the adapter, such as "bcm2835 (i2c@7e804000)".
func adapterName(n int) string {
	b, err := os.ReadFile(fmt.Sprintf("/sys/class/i2c-dev/i2c-%d/name", n))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

func (d *i2cDevice) ioctl(request, value uintptr) error {
	for {
		_, _, e := syscall.Syscall(syscall.SYS_IOCTL, d.fd, request, value)
		switch e {
		case 0:
			return nil
		case syscall.EINTR:
			continue
		}
		return e
	}
}

// Tx does one transfer: write w, then, after a repeated start, read into r.
func (d *i2cDevice) Tx(addr uint16, w, r []byte) error {
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
	err := d.ioctl(i2cTransfer, uintptr(unsafe.Pointer(&d.req)))
	runtime.KeepAlive(d)
	d.msgs = [2]i2cMessage{}
	switch {
	case err == nil:
		return nil
	case err == syscall.EIO && d.unplugged():
		err = &sensors.BusCause{Fault: sensors.FaultAdapterGone, Err: err}
	default:
		err = busCause(err)
	}
	return fmt.Errorf("%s: transfer with 0x%02x: %w", d, addr, err)
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
	switch err {
	case syscall.EREMOTEIO, syscall.ENXIO:
		f = sensors.FaultNoAnswer
	case syscall.ETIMEDOUT, syscall.EAGAIN, syscall.EBUSY:
		f = sensors.FaultHeldLow
	case syscall.ENODEV, syscall.ESHUTDOWN, syscall.EBADF:
		f = sensors.FaultAdapterGone
	default:
		return err
	}
	return &sensors.BusCause{Fault: f, Err: err}
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
