package sim_test

import (
	"fmt"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors/sim"
)

// A level board with a magnetometer that is pulled off and plugged in again.
func Example() {
	clock := &sim.Clock{}
	world := sim.Still{FieldUT: r3.Vec{X: 18, Z: -44}, TempC: 5}
	bus := sim.NewBus("i2c-sim", clock, sim.Adapter{})
	if err := bus.Attach(0x0d, sim.NewQMC5883L(world, sim.Settings{Seed: 7})); err != nil {
		fmt.Println(err)
		return
	}
	start := func() {
		_ = bus.Tx(0x0d, []byte{0x0b, 0x01}, nil) // set/reset period
		_ = bus.Tx(0x0d, []byte{0x09, 0x05}, nil) // ±2 gauss, 50 Hz, continuous
		clock.Sleep(20 * time.Millisecond)
	}
	show := func() {
		b := make([]byte, 6)
		if err := bus.Tx(0x0d, []byte{0x00}, b); err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("% x\n", b)
	}
	start()
	show()
	bus.Unplug(0x0d)
	show()
	bus.Replug(0x0d)
	clock.Sleep(time.Millisecond)
	show() // power-on defaults: standby
	start()
	show()
	// Output:
	// 70 08 00 00 60 eb
	// i2c-sim: transfer with 0x0d: remote I/O error
	// 00 00 00 00 00 00
	// 70 08 00 00 60 eb
}
