package sensortest_test

import (
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/lis3mdl"
	"plumbstar/sensors/lsm6dso"
	"plumbstar/sensors/mmc5983ma"
	"plumbstar/sensors/sensortest"
	"plumbstar/sensors/sim"
)

// TestLive runs what is meant for real chips over simulated ones with typical
// errors.
func TestLive(t *testing.T) {
	world := sim.Still{Force: r3.Vec{X: 1, Y: -2, Z: 9.5}, FieldUT: r3.Vec{X: 19, Y: 2, Z: -45}, TempC: 12}
	clock := &sim.Clock{}
	bus := sim.NewBus("b", clock, sim.Adapter{})
	for addr, chip := range map[uint16]sim.Chip{
		lsm6dso.Addr:   sim.NewLSM6DSO(world, sim.TypicalLSM6DSO(4)),
		mmc5983ma.Addr: sim.NewMMC5983MA(world, sim.TypicalMMC5983MA(4)),
		lis3mdl.Addr:   sim.NewLIS3MDL(world, sim.TypicalLIS3MDL(4)),
	} {
		if err := bus.Attach(addr, chip); err != nil {
			t.Fatal(err)
		}
	}
	clock.Sleep(time.Second)
	imu, err := lsm6dso.New(bus, lsm6dso.Addr, clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	mmc, err := mmc5983ma.New(bus, mmc5983ma.Addr, clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	lis, err := lis3mdl.New(bus, lis3mdl.Addr, clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, dev := range []sensors.Magnetometer{mmc, lis} {
		sensortest.Live(t, clock, dev, 10*time.Second)
	}
	sensortest.Live(t, clock, imu, 10*time.Second)
}
