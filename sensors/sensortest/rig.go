package sensortest

import (
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
)

// World is what there is to measure, in the axes that the driver promises.
type World struct {
	Force   r3.Vec // m/s²
	Rate    r3.Vec // rad/s
	FieldUT r3.Vec // µT
	TempC   float64
}

// Fault is a way for a rig to fail.
type Fault int

const (
	// NoAck: the address is not acknowledged.
	NoAck Fault = iota
	// Stuck: every transfer on the bus fails after a time-out.
	Stuck
	// Ones and Zeros: transfers succeed and read 0xFF or 0x00.
	Ones
	Zeros
	// Frozen: data-ready goes on, the values keep their bits.
	Frozen
	// Stalled: the chip measures no more.
	Stalled
)

// Rig is one chip on a bus.
type Rig struct {
	Bus   i2c.Bus
	Addr  uint16
	Clock sensors.Clock
	// Place puts the board into a world.
	Place func(World)
	// Inject starts a fault, Clear ends all of them.
	Inject func(Fault)
	Clear  func()
	// BrownOut lets the supply dip; Unplug and Replug take the chip away and put
	// it back, and return once it had time to start.
	BrownOut, Unplug, Replug func()
}

// counter counts transfers and what was written on the way.
type counter struct {
	i2c.Bus
	transfers int
	// written counts transfers that wrote more than a register number.
	written int
}

func (c *counter) Tx(addr uint16, w, r []byte) error {
	c.transfers++
	if len(w) > 1 {
		c.written++
	}
	return c.Bus.Tx(addr, w, r)
}

func (c *counter) SetSpeed(f physic.Frequency) error { return c.Bus.SetSpeed(f) }

// count puts a counter between rig and driver.
func (r *Rig) count() *counter {
	c := &counter{Bus: r.Bus}
	r.Bus = c
	return c
}

// rest is a board lying level and still at a mid-latitude site.
func rest() World {
	return World{
		Force:   r3.Vec{X: 0.3, Y: -0.2, Z: sensors.StandardGravity},
		Rate:    r3.Vec{X: 0.01, Y: -0.02, Z: 0.03},
		FieldUT: r3.Vec{X: 19, Y: 2, Z: -45},
		TempC:   18,
	}
}

// near fails unless got is within tol of want on every axis.
func near(t *testing.T, what string, got, want r3.Vec, tol float64) {
	t.Helper()
	d := r3.Sub(got, want)
	for _, v := range [...]float64{d.X, d.Y, d.Z} {
		if !(v >= -tol && v <= tol) {
			t.Errorf("%s: got %.5g, want %.5g within %.2g on every axis", what, got, want, tol)
			return
		}
	}
}

// axes are unit vectors along and against each axis.
func axes() []r3.Vec {
	return []r3.Vec{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}, {Z: 1}, {Z: -1}}
}

// tick is the step of the loops in the contract: the daemon's at 100 Hz.
const tick = 10 * time.Millisecond
