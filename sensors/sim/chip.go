package sim

import (
	"fmt"
	"math"
	"time"
)

// Chip is one simulated part. Make it with a New… function and put it on one
// Bus with Attach; everything else happens through transfers.
type Chip interface {
	fmt.Stringer
	// startUp is how long the part needs after its supply comes up.
	startUp() time.Duration
	powerUp(at time.Duration)
	// transfer is one I²C transfer: write w, then read into r. False: the part
	// does not acknowledge.
	transfer(x exchange) bool
}

// passer is a chip that can connect another one to the bus.
type passer interface {
	// behind is the chip that answers at addr through this one; nil: none.
	behind(addr uint16) Chip
}

// exchange is one transfer as a chip sees it.
type exchange struct {
	now  time.Duration
	byte time.Duration // duration of one byte on the wire
	how  condition
	w, r []byte
}

// condition is what is wrong with the sensing element.
type condition struct{ frozen, stalled, saturated bool }

// part is what a chip with a register file adds to device.
type part interface {
	// reset puts the registers to their power-on values at t.
	reset(t time.Duration)
	// advance takes the samples that are due at t.
	advance(t time.Duration)
	readReg(reg byte) byte
	writeReg(reg, v byte)

	// The rest has a default in device.

	// point turns the first byte of a write into the register pointer.
	point(first byte) byte
	// next is the pointer after reg.
	next(reg byte) byte
	// torn says that output registers change even while they are being read.
	torn() bool
	// busy is what a register reads as while the part starts or resets.
	busy(reg byte) byte
}

// device is the common part of chips with a register file. A chip embeds it
// and overrides what its data sheet says otherwise.
type device struct {
	_     [0]func() // never compared: no code for that
	name  string
	part  part
	world World
	set   Settings
	axes  matrix
	dice  *dice
	boot  time.Duration

	poweredAt time.Duration
	live      time.Duration // registers answer from here on
	now       time.Duration // never goes back
	how       condition
	ptr       byte
}

func (d *device) init(name string, boot time.Duration, w World, s Settings, p part) {
	if w == nil {
		w = Still{TempC: ReferenceC}
	}
	*d = device{name: name, part: p, world: w, set: s, axes: matrixOf(s.Axes), dice: newDice(), boot: boot}
}

// String is the name of the chip type.
func (d *device) String() string { return d.name }

func (d *device) startUp() time.Duration { return d.boot }

func (d *device) powerUp(at time.Duration) {
	d.poweredAt, d.live, d.ptr = at, at+d.boot, 0
	d.now = max(d.now, at)
	d.part.reset(at)
}

func (d *device) point(first byte) byte { return first }
func (d *device) next(reg byte) byte    { return reg + 1 }
func (d *device) torn() bool            { return false }
func (d *device) busy(byte) byte        { return 0 }

func (d *device) transfer(x exchange) bool {
	d.how = x.how
	d.now = max(d.now, x.now)
	ready := d.now >= d.live
	if ready {
		d.part.advance(d.now)
	}
	if len(x.w) > 0 {
		d.ptr = d.part.point(x.w[0])
		for _, v := range x.w[1:] {
			// A write can start a reset, after which the rest is lost.
			if d.now >= d.live {
				d.part.writeReg(d.ptr, v)
			}
			d.ptr = d.part.next(d.ptr)
		}
	}
	// Address and pointer, repeated start and address come before the first byte.
	wire := x.now + time.Duration(3+len(x.w))*x.byte
	for i := range x.r {
		switch {
		case d.now < d.live:
			x.r[i] = d.part.busy(d.ptr)
		default:
			if d.part.torn() {
				d.now = max(d.now, wire+time.Duration(i)*x.byte)
				d.part.advance(d.now)
			}
			x.r[i] = d.part.readReg(d.ptr)
		}
		d.ptr = d.part.next(d.ptr)
	}
	return true
}

// rate is the true rate of a nominal one.
func (d *device) rate(hz float64) float64 { return hz * (1 + d.set.RateError) }

// scene is the physical state as the chip feels it.
type scene struct {
	Environment // chip axes
	at          time.Duration
	on          time.Duration // since the supply came up
	chipC       float64
}

func (d *device) sense(t time.Duration) scene {
	env := d.world.At(t)
	sc := scene{Environment: env, at: t, on: t - d.poweredAt, chipC: env.TempC}
	sc.Force, sc.Rate, sc.FieldUT = d.axes.of(env.Force), d.axes.of(env.Rate), d.axes.of(env.FieldUT)
	if h := d.set.SelfHeatC; h != 0 {
		f := 1.0
		if tau := d.set.SelfHeatTime.Seconds(); tau > 0 {
			f -= math.Exp(-sc.on.Seconds() / tau)
		}
		sc.chipC += h * f
	}
	return sc
}

// thermometer is what the chip's own temperature sensor says.
func (d *device) thermometer(sc scene) float64 {
	c := sc.chipC + d.set.TempOffsetC
	if d.set.TempNoiseC != 0 {
		c += d.set.TempNoiseC * d.dice.at(d.set.Seed, channelTemp, sc.at).NormFloat64()
	}
	return c
}

// settled is how much of a change made at since is there at t when the rest
// shrinks with time constant tau.
func settled(t, since, tau time.Duration) float64 {
	if t <= since {
		return 0
	}
	return 1 - math.Exp(-float64(t-since)/float64(tau))
}
