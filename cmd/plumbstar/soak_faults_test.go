package main

import (
	"fmt"
	"math/rand/v2"
	"time"

	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// soakFault is one kind of trouble of the simulated board.
type soakFault struct {
	name string
	// both: the whole bus; else one of the two sensors.
	both bool
	// once: over as soon as it begins.
	once bool
	// longest it lasts.
	longest time.Duration
	act     func(bus *sim.Bus, addrs ...uint16)
	mend    func(bus *sim.Bus, addrs ...uint16)
	// names under which the log must speak of it: one of them.
	names []sensors.Fault
}

// soakFaults are what wires, plugs, supplies and chips do. Each has the names
// that its symptoms allow: a chip that reads as 0xFF is no chip at all while it is
// being opened, and implausible while it is read.
func soakFaults() []soakFault {
	inject := func(k sim.Kind, chance float64) func(*sim.Bus, ...uint16) {
		return func(b *sim.Bus, addrs ...uint16) { b.Inject(sim.Fault{Kind: k, Chance: chance}, addrs...) }
	}
	clearAll := func(b *sim.Bus, addrs ...uint16) { b.Clear(addrs...) }
	const long = 40 * time.Second
	bus := []sensors.Fault{sensors.FaultBus}
	blank := []sensors.Fault{sensors.FaultImplausible, sensors.FaultIdentity}
	still := []sensors.Fault{sensors.FaultFrozen}
	return []soakFault{
		{name: "one transfer is not acknowledged", once: true, names: bus,
			act: func(b *sim.Bus, addrs ...uint16) { b.Inject(sim.Fault{Kind: sim.NACK, Times: 1}, addrs...) }},
		{name: "nothing is acknowledged", longest: long, names: bus, act: inject(sim.NACK, 0), mend: clearAll},
		{name: "every third transfer is not acknowledged", longest: long, names: bus, act: inject(sim.NACK, 0.3), mend: clearAll},
		{name: "bus stuck low", both: true, longest: long, names: bus, act: inject(sim.Stuck, 0), mend: clearAll},
		{name: "clock stretched for ever", longest: long, names: bus, act: inject(sim.Stuck, 0), mend: clearAll},
		{name: "output frozen", longest: long, names: still, act: inject(sim.Frozen, 0), mend: clearAll},
		{name: "no new samples", longest: long, names: still, act: inject(sim.Stalled, 0), mend: clearAll},
		{name: "all 0xFF", longest: long, names: blank, act: inject(sim.Ones, 0), mend: clearAll},
		{name: "all 0x00", longest: long, names: append(blank, still...), act: inject(sim.Zeros, 0), mend: clearAll},
		{name: "bus floats high", both: true, longest: long, names: blank, act: inject(sim.Ones, 0), mend: clearAll},
		{name: "brown-out", once: true, names: append([]sensors.Fault{sensors.FaultReset, sensors.FaultImplausible}, still...),
			act: func(b *sim.Bus, addrs ...uint16) { b.BrownOut(addrs...) }},
		{name: "brown-out of the board", both: true, once: true, names: append([]sensors.Fault{sensors.FaultReset, sensors.FaultImplausible}, still...),
			act: func(b *sim.Bus, addrs ...uint16) { b.BrownOut(addrs...) }},
		{name: "unplugged", longest: long, names: bus,
			act: func(b *sim.Bus, addrs ...uint16) { b.Unplug(addrs...) }, mend: func(b *sim.Bus, addrs ...uint16) { b.Replug(addrs...) }},
		{name: "board unplugged", both: true, longest: 2 * time.Minute, names: bus,
			act: func(b *sim.Bus, addrs ...uint16) { b.Unplug(addrs...) }, mend: func(b *sim.Bus, addrs ...uint16) { b.Replug(addrs...) }},
	}
}

// trouble is one fault of a soak: what, on what, from when to when.
type trouble struct {
	soakFault
	addrs    []uint16 // none: the whole bus
	from, to time.Duration
	state    int // 0 to come, 1 acting, 2 over
	back     time.Duration
	ok       bool   // guidance came back
	lastly   string // what was shown when it had not
	// turnAt is when the mount is turned about the beginning of the fault; 0: it
	// is not.
	turnAt time.Duration
}

func (x *trouble) String() string {
	return fmt.Sprintf("%s on %s from %.1f s to %.1f s", x.name, x.sensors(), x.from.Seconds(), x.to.Seconds())
}

// sensors are the names that log and health give to what is hit.
func (x *trouble) sensors() []string {
	var out []string
	if len(x.addrs) == 0 || x.addrs[0] == scenario.InertialAddr {
		out = append(out, "inertial")
	}
	if len(x.addrs) == 0 || x.addrs[0] == scenario.MagneticAddr {
		out = append(out, "magnetic")
	}
	return out
}

// drawTrouble draws the next fault after t: one every two to five minutes.
func drawTrouble(rng *rand.Rand, t time.Duration) *trouble {
	all := soakFaults()
	x := &trouble{soakFault: all[rng.IntN(len(all))]}
	x.from = t + 100*time.Second + time.Duration(rng.Float64()*float64(3*time.Minute))
	x.to = x.from
	if !x.once {
		x.to += 2*time.Second + time.Duration(rng.Float64()*float64(x.longest-2*time.Second))
	}
	if !x.both {
		x.addrs = []uint16{[2]uint16{scenario.InertialAddr, scenario.MagneticAddr}[rng.IntN(2)]}
	}
	if x.to > x.from+5*time.Second && rng.IntN(2) == 0 {
		x.turnAt = x.from + time.Duration((rng.Float64()*3-1.5)*float64(time.Second))
	}
	return x
}
