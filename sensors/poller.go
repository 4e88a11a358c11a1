package sensors

import (
	"errors"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// Poller is what drivers share that read a sample in one burst: they embed it,
// set it up in their constructor, and say how a burst is divided.
type Poller struct {
	*Registers
	Clock Clock
	// Fresh is set by the driver's plan; its Period must not be zero.
	Fresh  Freshness
	halted bool
}

// NewPoller makes the Poller of the chip at the 7-bit address addr; the driver
// adds Fresh.
func NewPoller(bus i2c.Bus, addr uint16, chip string, clock Clock) Poller {
	return Poller{Registers: NewRegisters(bus, addr, chip), Clock: clock}
}

// Burst is how a driver divides the bytes of one.
type Burst struct {
	// Data are the measured bytes.
	Data []byte
	// Ready and Overrun are the chip's bits; false where there are none.
	Ready, Overrun bool
	// Lost: registers in the burst are not what was written at the start.
	Lost bool
}

// Checker is a driver that can compare the chip's settings with its own.
type Checker interface{ CheckConfig() error }

// Poll reads n bytes from reg on in one transaction, and judges them. It gives
// the bytes of a new sample (valid until the next transfer), the time just before
// the transfer and what Freshness flags; else ErrNoNewData, or the fault that
// check finds behind bytes that are impossible or stand still.
func (p *Poller) Poll(reg byte, n int, split func([]byte) Burst, check Checker) (b []byte, at time.Duration, f Flags, err error) {
	const op = "read sample"
	if p.halted {
		return nil, 0, 0, p.Halted(op)
	}
	at = p.Clock.Now()
	if b, err = p.Read(op, reg, n); err != nil {
		return nil, 0, 0, err
	}
	s := split(b)
	// A status bit that is always set does not make a sample of bytes that stand at
	// their power-on value, as after a brown-out.
	if Blank(b) || s.Lost || Blank(s.Data) && (s.Ready || p.Fresh.NoReady) {
		return nil, 0, 0, p.blame(op, FaultImplausible, check)
	}
	f, err = p.Judge(at, s, check)
	return b, at, f, err
}

// Judge is the second half of Poll, for a driver that has read for itself.
func (p *Poller) Judge(at time.Duration, s Burst, check Checker) (Flags, error) {
	f, verdict := p.Fresh.Judge(at, s.Ready, s.Overrun, s.Data)
	switch verdict {
	case Stale:
		return f, ErrNoNewData
	case Stuck:
		return f, p.blame("read sample", FaultFrozen, check)
	}
	return f, nil
}

func (p *Poller) blame(op string, f Fault, check Checker) error {
	return p.Diagnose(op, f, check.CheckConfig)
}

// Magnetic is Poll for a magnetometer: decode makes units of the bytes.
func (p *Poller) Magnetic(reg byte, n int, split func([]byte) Burst, decode func([]byte) MagneticSample, check Checker) (MagneticSample, error) {
	b, at, flags, err := p.Poll(reg, n, split, check)
	if err != nil {
		return MagneticSample{}, err
	}
	s := decode(b)
	s.At = at
	s.Flags |= flags
	return s, nil
}

// Inertial is Poll for an accelerometer, with a gyroscope or without.
func (p *Poller) Inertial(reg byte, n int, split func([]byte) Burst, decode func([]byte) InertialSample, check Checker) (InertialSample, error) {
	b, at, flags, err := p.Poll(reg, n, split, check)
	if err != nil {
		return InertialSample{}, err
	}
	s := decode(b)
	s.At = at
	s.Flags |= flags
	return s, nil
}

// Begin sets a chip up whose identity is known: plan refuses options, start writes
// to the chip.
func (p *Poller) Begin(plan, start func() error) error {
	if err := plan(); err != nil {
		return p.Fail("set options", FaultSetting, "", err)
	}
	return start()
}

// Kept is the check of a chip whose settings can be read: identity, and registers
// from reg on.
func (p *Poller) Kept(idReg, id, reg byte, want []byte) error {
	const op = "check settings"
	if err := p.InUse(op); err != nil {
		return err
	}
	if err := p.StillThere(idReg, id); err != nil {
		return err
	}
	return p.Matches(op, reg, want)
}

// InUse is the first thing that a check or read asks: an error after Stop.
func (p *Poller) InUse(op string) error {
	if p.halted {
		return p.Halted(op)
	}
	return nil
}

// Stop ends the use of the chip with one write.
func (p *Poller) Stop(reg, value byte) error {
	p.halted = true
	return p.Set("halt", reg, value)
}

// Moves reports whether n bytes from reg on change within a few sample periods.
func (p *Poller) Moves(op string, reg byte, n int) (bool, error) {
	var first [maxBurst]byte
	for try := range 4 {
		b, err := p.Read(op, reg, n)
		if err != nil {
			return false, err
		}
		if try == 0 {
			copy(first[:], b)
		} else if string(first[:n]) != string(b) {
			return true, nil
		}
		p.Clock.Sleep(p.Fresh.Period * 3 / 2)
	}
	return false, nil
}

// MovesAgain is the check of a chip whose settings cannot be read: after a
// brown-out its data stand still. When a sample changed within the last three
// periods that is proof enough. Otherwise it looks at the data for a few periods,
// and only when they stand still has the settings written again: data that move
// after that show that the settings were lost (FaultReset), and data that do not
// a broken chip (FaultFrozen).
func (p *Poller) MovesAgain(op string, reg byte, n int, rewrite func() error) error {
	if p.Clock.Now()-p.Fresh.Changed() < 3*p.Fresh.Period {
		return nil
	}
	moves, err := p.Moves(op, reg, n)
	if moves || err != nil {
		return err
	}
	if err := rewrite(); err != nil {
		return err
	}
	if moves, err = p.Moves(op, reg, n); err != nil {
		return err
	}
	if moves {
		return p.Fail(op, FaultReset, "the chip lost its settings: check the supply", errRewritten)
	}
	return p.Fail(op, FaultFrozen, "the chip answers but measures nothing: check its supply", errStill)
}

var (
	errRewritten = errors.New("it measured again only after its settings were written again")
	errStill     = errors.New("the data stand still")
)

// Or is what opts point to, or else the default.
func Or[O any](opts *O, def O) O {
	if opts == nil {
		return def
	}
	return *opts
}

// Code is the place of v in list: what a register takes for a setting.
func Code[T comparable](v T, list ...T) (byte, bool) {
	for i, x := range list {
		if x == v {
			return byte(i), true
		}
	}
	return 0, false
}
