package bme280

import (
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// waiting lets simulated time pass with each transfer: bmxx80 waits by the real
// clock.
type waiting struct {
	i2c.Bus
	clock *sim.Clock
}

func (w waiting) Tx(addr uint16, a, b []byte) error {
	w.clock.Sleep(3 * time.Millisecond)
	return w.Bus.Tx(addr, a, b)
}

func rig(t *testing.T, chip sim.Chip) (*sim.Bus, i2c.Bus) {
	t.Helper()
	clock := &sim.Clock{}
	bus := sim.NewBus("b", clock, sim.Adapter{})
	if err := bus.Attach(Addr, chip); err != nil {
		t.Fatal(err)
	}
	clock.Sleep(time.Second)
	return bus, waiting{bus, clock}
}

func TestRead(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(sim.World, sim.Settings, float64) sim.Chip
	}{{"BME280", sim.NewBME280}, {"BMP280", sim.NewBMP280}} {
		for _, want := range []Air{{25.08, 1006.53}, {-12, 1032}, {31, 872.5}} {
			_, bus := rig(t, c.make(sim.Still{TempC: want.TempC}, sim.Settings{}, want.PressureHPa))
			if name, ok, err := Identify(bus, Addr); name != c.name || !ok || err != nil {
				t.Errorf("%s, %v, %v", name, ok, err)
			}
			d, err := New(bus, Addr)
			if err != nil {
				t.Fatal(err)
			}
			got, err := d.Read()
			if err != nil || math.Abs(got.TempC-want.TempC) > 0.02 || math.Abs(got.PressureHPa-want.PressureHPa) > 0.05 {
				t.Errorf("%s: %+v, %v, want %+v", c.name, got, err, want)
			}
		}
	}
}

func TestFaults(t *testing.T) {
	for kind, want := range map[sim.Kind]sensors.Fault{
		sim.NACK: sensors.FaultNoAnswer, sim.Stuck: sensors.FaultHeldLow, sim.Ones: sensors.FaultFrozen,
		sim.Stalled: sensors.FaultFrozen, sim.Zeros: sensors.FaultImplausible,
	} {
		raw, bus := rig(t, sim.NewBME280(sim.Still{TempC: 10}, sim.Settings{}, 1000))
		d, err := New(bus, Addr)
		if err != nil {
			t.Fatal(err)
		}
		raw.Inject(sim.Fault{Kind: kind})
		if a, err := d.Read(); sensors.NameOf(err) != want {
			t.Errorf("kind %d: %+v, %v, want %s", kind, a, err, want)
		}
		raw.Clear()
		if _, err := d.Read(); err != nil {
			t.Errorf("after kind %d: %v", kind, err)
		}
	}
	_, bus := rig(t, sim.NewLIS3MDL(nil, sim.Settings{}))
	if _, err := New(bus, Addr); sensors.FaultOf(err) != sensors.FaultIdentity {
		t.Errorf("another chip: %v", err)
	}
}
