package sensors_test

import (
	"errors"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
)

// memory is a chip of 256 registers; mask says which bits it keeps.
type memory struct {
	reg, mask [256]byte
	err       error
}

func (m *memory) String() string                  { return "bus 7" }
func (m *memory) SetSpeed(physic.Frequency) error { return nil }

func (m *memory) Tx(_ uint16, w, r []byte) error {
	if m.err != nil {
		return m.err
	}
	if len(w) == 2 {
		m.reg[w[0]] = w[1] & m.mask[w[0]]
	}
	copy(r, m.reg[w[0]:])
	return nil
}

type stepClock struct{ now time.Duration }

func (c *stepClock) Now() time.Duration    { return c.now }
func (c *stepClock) Sleep(d time.Duration) { c.now += d }

func TestRegistersErrors(t *testing.T) {
	m := &memory{}
	m.reg[0x75] = 0x12
	m.mask[0x20] = 0x0F
	r := sensors.NewRegisters(m, 0x1e, "X1")
	ff := func() *sensors.Registers {
		all := &memory{}
		for i := range all.reg {
			all.reg[i] = 0xFF
		}
		return sensors.NewRegisters(all, 0x1e, "X1")
	}
	gone := sensors.NewRegisters(&memory{err: syscall.EIO}, 0x1e, "X1")
	clock := &stepClock{}
	identity := func(r *sensors.Registers, want ...byte) error {
		_, err := r.Identity(0x75, want...)
		return err
	}
	for name, c := range map[string]struct {
		err   error
		fault sensors.Fault
	}{
		"identity":             {identity(r, 0x11, 0x12), ""},
		"another identity":     {identity(r, 0x11), sensors.FaultIdentity},
		"identity, no bus":     {identity(gone, 0x12), sensors.FaultBus},
		"still there":          {r.StillThere(0x75, 0x12), ""},
		"replaced":             {r.StillThere(0x75, 0x13), sensors.FaultIdentity},
		"empty":                {r.StillThere(0x76, 0x12), sensors.FaultImplausible},
		"all ones":             {ff().StillThere(0x75, 0x12), sensors.FaultImplausible},
		"kept":                 {r.SetChecked("set", 0x20, 0x05), ""},
		"not kept":             {r.SetChecked("set", 0x20, 0x15), sensors.FaultReset},
		"matches":              {r.Matches("check", 0x74, []byte{0, 0x12}), ""},
		"lost":                 {r.Matches("check", 0x74, []byte{1, 0x12}), sensors.FaultReset},
		"all ones, settings":   {ff().Matches("check", 0x74, []byte{1, 2}), sensors.FaultImplausible},
		"clear":                {r.AwaitClear("wait", 0x75, 0x01, clock, time.Millisecond, time.Second), ""},
		"never clear":          {r.AwaitClear("wait", 0x75, 0x02, clock, time.Millisecond, time.Second), sensors.FaultFrozen},
		"wait, no bus":         {gone.AwaitClear("wait", 0x75, 0x02, clock, time.Millisecond, time.Second), sensors.FaultBus},
		"halted":               {r.Halted("read"), sensors.FaultSetting},
		"blank, settings kept": {r.Diagnose("read", sensors.FaultImplausible, func() error { return nil }), sensors.FaultImplausible},
		"blank, settings lost": {r.Diagnose("read", sensors.FaultImplausible, func() error { return r.Matches("check", 0, []byte{1}) }), sensors.FaultReset},
	} {
		if got := sensors.FaultOf(c.err); got != c.fault || (c.err == nil) != (c.fault == "") {
			t.Errorf("%s: %v: fault %q, want %q", name, c.err, got, c.fault)
		}
		if c.err == nil {
			continue
		}
		for _, want := range []string{"X1", "0x1e", "bus 7"} {
			if !strings.Contains(c.err.Error(), want) {
				t.Errorf("%s: %v lacks %q", name, c.err, want)
			}
		}
		if sensors.Retryable(c.err) != (c.fault == sensors.FaultBus) {
			t.Errorf("%s: retryable %v", name, sensors.Retryable(c.err))
		}
	}
	if clock.now < time.Second || clock.now > time.Second+2*time.Millisecond {
		t.Errorf("waited %v for a bit that never clears", clock.now)
	}
	if _, err := gone.Get("read", 0); !errors.Is(err, syscall.EIO) {
		t.Errorf("the cause is lost: %v", err)
	}
}

func TestBlank(t *testing.T) {
	for b, want := range map[string]bool{"\x00\x00\x00": true, "\xff\xff": true, "\x00\xff": false, "\x00\x00\x01": false} {
		if sensors.Blank([]byte(b)) != want {
			t.Errorf("% x: %v", b, !want)
		}
	}
}
