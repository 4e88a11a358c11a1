package sim

import (
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
)

// Adapter says how the simulated I²C adapter behaves. The zero value is a
// Raspberry Pi's.
type Adapter struct {
	// NoAck is the cause of the error when nobody acknowledges an address.
	// nil: EREMOTEIO, as i2c-bcm2835 and i2c-designware return. Others return
	// ENXIO.
	NoAck error
	// NoAckZeros makes a transfer to nobody succeed and read zeros, as
	// virtio-i2c was seen to do.
	NoAckZeros bool
	// Timeout is how long a transfer on a stuck bus takes to fail; 0: one
	// second, the default of Linux adapters.
	Timeout time.Duration
}

// Bus is a simulated I²C bus. It implements periph's i2c.Bus and is safe for
// concurrent use; transfers follow one another as on a real bus.
type Bus struct {
	name    string
	clock   sensors.Clock
	adapter Adapter

	mu     sync.Mutex
	speed  physic.Frequency
	slots  [maxAddress + 1]*slot
	faults []Fault // on the whole bus
	dice   *dice
	total  Count
	counts [maxAddress + 1]Count
	trace  func(Transfer)
}

const maxAddress = 0x7f

// slot is a place on the bus: a chip that may be unplugged, and the faults of
// its address.
type slot struct {
	chip    Chip
	plugged bool
	faults  []Fault
}

// Count counts transfers.
type Count struct {
	// Transfers is how many were tried, Failed how many of them gave an error.
	Transfers, Failed uint64
	// BytesWritten and BytesRead are those of successful transfers, without
	// address bytes.
	BytesWritten, BytesRead uint64
}

// Transfer is one transfer as a trace sees it. W and R are the caller's
// buffers, valid only during the call.
type Transfer struct {
	At   time.Duration
	Addr uint16
	W, R []byte
	Err  error
}

// BusError is a failed transfer. It wraps the errno that a Linux adapter
// would give.
type BusError struct {
	Bus  string
	Addr uint16
	Err  error
}

// Error names bus, address and cause.
func (e *BusError) Error() string {
	return fmt.Sprintf("%s: transfer with 0x%02x: %v", e.Bus, e.Addr, e.Err)
}

// Unwrap gives the cause.
func (e *BusError) Unwrap() error { return e.Err }

// NewBus makes an empty bus of 400 kHz that lives on the given clock.
func NewBus(name string, clock sensors.Clock, a Adapter) *Bus {
	if a.NoAck == nil {
		a.NoAck = errNoAck
	}
	if a.Timeout <= 0 {
		a.Timeout = time.Second
	}
	return &Bus{name: name, clock: clock, adapter: a, speed: 400 * physic.KiloHertz, dice: newDice()}
}

// String is the name of the bus.
func (b *Bus) String() string { return b.name }

// SetSpeed sets the clock of the wire. It decides how long a burst takes, and
// so whether a chip replaces its output while it is being read; transfers take
// no time on the sensors.Clock.
func (b *Bus) SetSpeed(f physic.Frequency) error {
	if f <= 0 || f > physic.MegaHertz {
		return fmt.Errorf("%s: speed %s: choose one up to 1MHz", b.name, f)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.speed = f
	return nil
}

// Attach puts a chip on the bus at a 7-bit address, its supply just long
// enough on for the chip to be ready. It refuses an address that is taken or
// that no chip can have.
func (b *Bus) Attach(addr uint16, c Chip) error {
	if c == nil {
		return fmt.Errorf("%s: address 0x%02x: no chip given", b.name, addr)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if addr < 0x08 || addr > 0x77 {
		return fmt.Errorf("%s: address 0x%02x for %s: outside 0x08 to 0x77", b.name, addr, c)
	}
	s := b.slots[addr]
	if s != nil && s.chip != nil {
		return fmt.Errorf("%s: address 0x%02x for %s: taken by %s", b.name, addr, c, s.chip)
	}
	if s == nil {
		s = &slot{}
		b.slots[addr] = s
	}
	s.chip, s.plugged = c, true
	c.powerUp(b.clock.Now() - c.startUp())
	return nil
}

// Tx does one transfer: write w, then, after a repeated start, read into r.
// Both may be empty: then only the address is sent.
func (b *Bus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	now := b.clock.Now()
	stuck, err := b.transfer(now, addr, w, r)
	if addr <= maxAddress {
		b.counts[addr].add(w, r, err)
	}
	b.total.add(w, r, err)
	if b.trace != nil {
		b.trace(Transfer{At: now, Addr: addr, W: w, R: r, Err: err})
	}
	b.mu.Unlock()
	if stuck {
		b.clock.Sleep(b.adapter.Timeout)
	}
	return err
}

func (c *Count) add(w, r []byte, err error) {
	c.Transfers++
	if err != nil {
		c.Failed++
		return
	}
	c.BytesWritten += uint64(len(w))
	c.BytesRead += uint64(len(r))
}

func (b *Bus) transfer(now time.Duration, addr uint16, w, r []byte) (stuck bool, err error) {
	if addr > maxAddress {
		return false, &BusError{Bus: b.name, Addr: addr, Err: errAddress}
	}
	var own []Fault
	if s := b.slots[addr]; s != nil {
		own, s.faults = s.faults, spend(s.faults)
	}
	act := b.effect(now, own)
	b.faults = spend(b.faults)
	if act.stuck {
		return true, &BusError{Bus: b.name, Addr: addr, Err: &sensors.BusCause{Fault: sensors.FaultHeldLow, Err: errTimeout}}
	}
	chip := b.find(addr)
	if chip == nil || act.noAck {
		return false, b.nobody(addr, r)
	}
	if act.fill {
		for i := range r {
			r[i] = act.with
		}
		return false, nil
	}
	x := exchange{now: now, byte: b.byteTime(), how: act.how, w: w, r: r}
	if !chip.transfer(x) {
		return false, b.nobody(addr, r)
	}
	if act.flip && len(r) > 0 {
		r[b.dice.r.IntN(len(r))] ^= 0x80
	}
	return false, nil
}

// nobody is the end of a transfer that was not acknowledged.
func (b *Bus) nobody(addr uint16, r []byte) error {
	if b.adapter.NoAckZeros {
		clear(r)
		return nil
	}
	return &BusError{Bus: b.name, Addr: addr, Err: &sensors.BusCause{Fault: sensors.FaultNoAnswer, Err: b.adapter.NoAck}}
}

// byteTime is eight bits and the acknowledge.
func (b *Bus) byteTime() time.Duration { return 9 * b.speed.Period() }

// find is the chip that answers at addr: one that sits there, or one that
// another lets through.
func (b *Bus) find(addr uint16) Chip {
	if s := b.slots[addr]; s != nil && s.chip != nil {
		if s.plugged {
			return s.chip
		}
		return nil
	}
	for _, s := range b.slots {
		if s == nil || !s.plugged {
			continue
		}
		if p, ok := s.chip.(passer); ok {
			if c := p.behind(addr); c != nil {
				return c
			}
		}
	}
	return nil
}

// Count is the count of all transfers on the bus.
func (b *Bus) Count() Count {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.total
}

// CountAt is the count of transfers with one address.
func (b *Bus) CountAt(addr uint16) Count {
	b.mu.Lock()
	defer b.mu.Unlock()
	if addr > maxAddress {
		return Count{}
	}
	return b.counts[addr]
}

// Trace calls f after every transfer, in their order; nil ends it. f must not
// use the bus.
func (b *Bus) Trace(f func(Transfer)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.trace = f
}
