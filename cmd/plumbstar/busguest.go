package main

import (
	"time"

	"periph.io/x/conn/v3/i2c"
)

// busGuest uses a bus line for what can wait, in the time that the sensors leave: they
// are read one after the other, once in a period of the loop, and then the bus is free. At
// 100 kHz two of them take 3 ms of 10.
type busGuest struct {
	*busLine
	took time.Duration // by the transfer before
}

const (
	// guestFrom is how long after a transfer the sensors count as read.
	guestFrom = 500 * time.Microsecond
	// guestMargin is left before the next reading.
	guestMargin = 500 * time.Microsecond
	// guestPatience ends the wait where sensors leave no time.
	guestPatience = 5 * loopPeriod
)

// asGuest is bus for a user who can wait, where the bus can tell when to.
func asGuest(bus i2c.Bus) i2c.Bus {
	if line, ok := bus.(*busLine); ok {
		return &busGuest{busLine: line}
	}
	return bus
}

// Tx waits for the right moment, then does the transfer. It is for one goroutine.
func (g *busGuest) Tx(addr uint16, w, r []byte) error {
	for begin := time.Since(g.epoch); ; {
		now := time.Since(g.epoch)
		wait := guestWait(now-time.Duration(g.used.Load()), now-time.Duration(g.tick.Load()), g.took)
		if wait == 0 || now-begin > guestPatience {
			err := g.transfer(addr, w, r)
			g.took = time.Since(g.epoch) - now
			return err
		}
		time.Sleep(wait)
	}
}

// guestWait is how long a guest waits before it looks again, when the last transfer of
// a sensor ended used ago, the reading of all of them began tick ago, and one of its own
// takes own; 0: its moment has come.
func guestWait(used, tick, own time.Duration) time.Duration {
	switch {
	case used > 2*loopPeriod: // nobody is read on this bus
		return 0
	case used < guestFrom:
		return guestFrom - used
	case tick+own+guestMargin <= loopPeriod:
		return 0
	}
	return time.Millisecond
}
