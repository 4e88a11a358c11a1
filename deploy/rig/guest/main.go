//go:build linux

// Command guest is the first process of a rig's guest. It loads the kernel modules
// that its folder lists, plugs simulated chips into the kernel as a real I²C bus,
// runs the program as it is released on that bus, and plays the fault script. What
// it finds it prints to the console, a line each:
//
//	RIG point NAME: what proves it
//	RIG FAIL NAME: what was wrong
//	RIG ask WORDS          (the host is to do something)
//	RIG end
package main

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"runtime/debug"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"plumbstar/deploy/rig/plan"
)

func main() {
	defer func() {
		if r := recover(); r != nil {
			fmt.Printf("RIG FAIL guest: %v\n%s\n", r, debug.Stack())
		}
		fmt.Println("RIG end")
		unix.Sync()
		// QEMU was told not to start again: it ends.
		_ = unix.Reboot(unix.LINUX_REBOOT_CMD_RESTART)
		select {} // the emulated Pi stays; the first process must not end
	}()
	g, err := prepare()
	if err != nil {
		fmt.Printf("RIG FAIL prepare: %v\n", err)
		return
	}
	g.run()
}

// prepare makes a system of a bare kernel.
func prepare() (*guest, error) {
	for _, m := range []struct{ kind, at string }{{"proc", "/proc"}, {"sysfs", "/sys"}, {"devtmpfs", "/dev"}} {
		if err := os.MkdirAll(m.at, 0o755); err != nil {
			return nil, err
		}
		if err := unix.Mount(m.kind, m.at, m.kind, 0, ""); err != nil && err != unix.EBUSY {
			return nil, fmt.Errorf("mounting %s: %w", m.at, err)
		}
	}
	b, err := os.ReadFile("/" + plan.File)
	if err != nil {
		return nil, err
	}
	g := &guest{started: time.Now()}
	if err := json.Unmarshal(b, &g.plan); err != nil {
		return nil, fmt.Errorf("%s: %w", plan.File, err)
	}
	now := unix.NsecToTimeval(g.plan.UTC.UnixNano())
	if err := unix.Settimeofday(&now); err != nil {
		return nil, fmt.Errorf("setting the clock: %w", err)
	}
	if err := loopbackUp(); err != nil {
		return nil, fmt.Errorf("the network inside: %w", err)
	}
	for _, m := range g.plan.Modules {
		if err := loadModule("/modules/" + m); err != nil {
			return nil, fmt.Errorf("kernel module %s: %w", m, err)
		}
	}
	return g, nil
}

func loadModule(file string) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	defer f.Close()
	return unix.FinitModule(int(f.Fd()), "", 0)
}

// loopbackUp brings up 127.0.0.1.
func loopbackUp() error {
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(fd)
	r, err := unix.NewIfreq("lo")
	if err != nil {
		return err
	}
	r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	if err := unix.IoctlIfreq(fd, unix.SIOCSIFFLAGS, r); err != nil {
		return err
	}
	_, err = net.InterfaceByName("lo")
	return err
}

// kernel is release and machine of the running kernel.
func kernel() string {
	var u unix.Utsname
	if err := unix.Uname(&u); err != nil {
		return err.Error()
	}
	return unix.ByteSliceToString(u.Release[:]) + " " + unix.ByteSliceToString(u.Machine[:])
}

// The kernel's interface to one I²C transfer: include/uapi/linux/i2c-dev.h.
type (
	message struct {
		addr, flags, length uint16
		buf                 *byte
	}
	transfer struct {
		messages *message
		count    uint32
	}
)

const (
	ioctlTransfer = 0x0707 // I2C_RDWR
	flagRead      = 0x0001 // I2C_M_RD
)

// readRegister reads one register with nothing but the kernel between: the errno
// is the adapter's own.
func readRegister(f *os.File, addr uint16, reg byte) (byte, error) {
	// On the heap: the kernel is given the addresses.
	b := &struct{ w, r [1]byte }{w: [1]byte{reg}}
	m := &[2]message{{addr, 0, 1, &b.w[0]}, {addr, flagRead, 1, &b.r[0]}}
	t := &transfer{messages: &m[0], count: 2}
	_, _, e := unix.Syscall(unix.SYS_IOCTL, f.Fd(), ioctlTransfer, uintptr(unsafe.Pointer(t)))
	if e != 0 {
		return 0, e
	}
	return b.r[0], nil
}

// errnoName is a name with its text: "ENXIO (no such device or address)".
func errnoName(err error) string {
	if err == nil {
		return "no error"
	}
	if e, ok := err.(unix.Errno); ok {
		return fmt.Sprintf("%s (%s)", unix.ErrnoName(e), e)
	}
	return strings.TrimSpace(err.Error())
}
