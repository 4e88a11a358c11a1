package sim

import "time"

// Kind is a way to fail.
type Kind uint8

const (
	// NACK: the address is not acknowledged.
	NACK Kind = iota + 1
	// Stuck: a line is held low; each transfer fails after the adapter's
	// time-out. Put it on the whole bus; on one address it is a chip that
	// stretches the clock for ever, and only transfers with it fail.
	Stuck
	// Ones: transfers succeed, writes are lost, reads give 0xFF (the data
	// line floats high).
	Ones
	// Zeros: the same with 0x00 (virtio-i2c was seen to do this).
	Zeros
	// BitFlips: the top bit of one byte that is read is inverted (seen with
	// stretched clocks on BCM2835).
	BitFlips
	// Frozen: data-ready goes on, but the output keeps the bits it had.
	Frozen
	// Stalled: there is no new sample any more, so data-ready never comes.
	Stalled
	// Saturated: all axes stand at the end of their range, with the overflow
	// flags that the chip has.
	Saturated
)

// Fault is one way to fail, put on a chip or a bus with Inject.
type Fault struct {
	Kind Kind
	// Times is the number of transfers it lasts (also those that another
	// fault hides); 0: until cleared.
	Times int
	// Chance is the probability that it acts on a transfer; 0 means always.
	Chance float64
}

// Inject puts a fault on the given addresses, or on the whole bus when none
// is given. Faults add up; an address needs no chip.
func (b *Bus) Inject(f Fault, addrs ...uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(addrs) == 0 {
		b.faults = append(b.faults, f)
	}
	for _, a := range addrs {
		if a > maxAddress {
			continue
		}
		if b.slots[a] == nil {
			b.slots[a] = &slot{}
		}
		b.slots[a].faults = append(b.slots[a].faults, f)
	}
}

// Clear ends the faults of the given addresses, or all faults, also those of
// single addresses, when none is given. It plugs nothing in again.
func (b *Bus) Clear(addrs ...uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(addrs) == 0 {
		b.faults = nil
	}
	b.each(addrs, func(s *slot) { s.faults = nil })
}

// Unplug takes chips off the bus, or all when no address is given. What sits
// behind them (an AK8963 behind an MPU-9250) goes with them.
func (b *Bus) Unplug(addrs ...uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.each(addrs, func(s *slot) { s.plugged = false })
}

// Replug puts unplugged chips back, or all when no address is given: they
// start from their power-on defaults and need their start-up time.
func (b *Bus) Replug(addrs ...uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.Now()
	b.each(addrs, func(s *slot) {
		if s.chip != nil && !s.plugged {
			s.plugged = true
			s.chip.powerUp(now)
		}
	})
}

// BrownOut lets the supply of chips, or of all when no address is given, dip
// for a moment: registers fall back to their power-on defaults.
func (b *Bus) BrownOut(addrs ...uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.Now()
	b.each(addrs, func(s *slot) {
		if s.chip != nil && s.plugged {
			s.chip.powerUp(now)
		}
	})
}

// each calls f for the slots of addrs, or for all.
func (b *Bus) each(addrs []uint16, f func(*slot)) {
	if len(addrs) == 0 {
		for _, s := range b.slots {
			if s != nil {
				f(s)
			}
		}
		return
	}
	for _, a := range addrs {
		if a <= maxAddress && b.slots[a] != nil {
			f(b.slots[a])
		}
	}
}

// effect is what all faults together do to one transfer.
type effect struct {
	stuck, noAck, fill, flip bool
	with                     byte
	how                      condition
}

func (b *Bus) effect(now time.Duration, own []Fault) effect {
	var e effect
	if len(b.faults) == 0 && len(own) == 0 {
		return e
	}
	b.dice.at(b.total.Transfers, channelCorrupt, now)
	for _, list := range [2][]Fault{b.faults, own} {
		for _, f := range list {
			if f.Chance > 0 && b.dice.r.Float64() >= f.Chance {
				continue
			}
			switch f.Kind {
			case NACK:
				e.noAck = true
			case Stuck:
				e.stuck = true
			case Ones:
				e.fill, e.with = true, 0xff
			case Zeros:
				e.fill, e.with = true, 0
			case BitFlips:
				e.flip = true
			case Frozen:
				e.how.frozen = true
			case Stalled:
				e.how.stalled = true
			case Saturated:
				e.how.saturated = true
			}
		}
	}
	return e
}

// spend counts one transfer off each fault.
func spend(faults []Fault) []Fault {
	counted := false
	for _, f := range faults {
		counted = counted || f.Times > 0
	}
	if !counted {
		return faults
	}
	left := make([]Fault, 0, len(faults))
	for _, f := range faults {
		if f.Times == 1 {
			continue
		}
		if f.Times > 1 {
			f.Times--
		}
		left = append(left, f)
	}
	return left
}
