package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"

	"plumbstar/deploy/rig/plan"
)

// borrowed is the emulator's magnetometer, on the second bus of the emulated Pi.
const borrowed = "lsm303dlhc_mag,id=borrowed,bus=i2c-bus.1,address=0x1e"

// lever moves the field at the borrowed magnetometer by the emulator's machine
// protocol (QEMU, docs/interop/qmp-spec.rst): JSON objects over a socket.
type lever struct {
	path string
	in   net.Listener

	mu   sync.Mutex
	conn net.Conn
	err  error // the first refusal
}

// newLever waits for the emulator at a socket.
func newLever(path string) (*lever, error) {
	in, err := net.Listen("unix", path)
	if err != nil {
		return nil, err
	}
	l := &lever{path: path, in: in}
	go l.serve()
	return l, nil
}

// serve takes the emulator's only connection and reads its answers.
func (l *lever) serve() {
	c, err := l.in.Accept()
	if err != nil {
		return // closed
	}
	if _, err := fmt.Fprintln(c, `{"execute":"qmp_capabilities"}`); err != nil {
		l.fail(err)
		return
	}
	l.mu.Lock()
	l.conn = c
	l.mu.Unlock()
	for d := json.NewDecoder(c); ; {
		var answer struct {
			Error *struct {
				Desc string `json:"desc"`
			} `json:"error"`
		}
		if err := d.Decode(&answer); err != nil {
			return // the emulator has ended
		}
		if answer.Error != nil {
			l.fail(errors.New("the emulator refuses: " + answer.Error.Desc))
		}
	}
}

func (l *lever) fail(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err == nil {
		l.err = err
	}
}

// pull does what a guest asks for. A guest without borrowed parts has no lever.
func (l *lever) pull(words string) {
	if l == nil {
		return
	}
	l.mu.Lock()
	c := l.conn
	l.mu.Unlock()
	var v [3]int
	if _, err := fmt.Sscanf(words, plan.AskField+" %d %d %d", &v[0], &v[1], &v[2]); err != nil {
		return // a line of the console that other words have broken
	}
	if c == nil {
		return // not yet
	}
	for i, axis := range []string{"x", "y", "z"} {
		if _, err := fmt.Fprintf(c, `{"execute":"qom-set","arguments":{"path":"/machine/peripheral/borrowed","property":"mag-%s","value":%d}}`+"\n", axis, v[i]); err != nil {
			l.fail(err)
			return
		}
	}
}

// wrong is the first thing that the emulator refused.
func (l *lever) wrong() error {
	if l == nil {
		return nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.err
}

func (l *lever) close() {
	l.in.Close()
	os.Remove(l.path)
}
