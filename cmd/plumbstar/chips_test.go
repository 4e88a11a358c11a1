package main

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// chipBus is a bus with one chip and a clock.
func chipBus(t *testing.T, addr uint16, chip sim.Chip) (*sim.Bus, *sim.Clock) {
	t.Helper()
	clock := &sim.Clock{}
	bus := sim.NewBus("b", clock, sim.Adapter{})
	if err := bus.Attach(addr, chip); err != nil {
		t.Fatal(err)
	}
	clock.Sleep(time.Second)
	return bus, clock
}

func TestOpenByName(t *testing.T) {
	bus, clock := chipBus(t, 0x6b, sim.NewLSM6DSO(nil, sim.Settings{}))
	if err := bus.Attach(0x1e, sim.NewLIS3MDL(nil, sim.Settings{})); err != nil {
		t.Fatal(err)
	}
	clock.Sleep(time.Second)
	for _, name := range []string{"LSM6DSOX", "lsm6dso", autoChip} {
		s, err := openInertial(name, bus, 0, clock, 100)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got := s.Spec(); got.Chip != "LSM6DSO" || got.RateHz != 104 {
			t.Errorf("%s: %+v", name, got)
		}
	}
	for _, name := range []string{"LIS3MDL", autoChip} {
		s, err := openMagnetometer(name, bus, 0, clock, 100)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got := s.Spec(); got.Chip != "LIS3MDL" || got.RateHz != 80 {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestEveryChipHasRates opens each chip at slow and fast rates.
func TestEveryChipHasRates(t *testing.T) {
	for _, c := range []struct {
		name string
		addr uint16
		make func(sim.World, sim.Settings) sim.Chip
	}{
		{"MPU-6050", 0x68, sim.NewMPU6050},
		{"LSM6DSO", 0x6a, sim.NewLSM6DSO},
		{"LSM6DSV16X", 0x6b, sim.NewLSM6DSV16X},
		{"ICM-20948", 0x69, sim.NewICM20948},
		{"ADXL355", 0x1d, sim.NewADXL355},
		{"LSM303DLHC", 0x19, sim.NewLSM303DLHCAccel},
		{"MMC5983MA", 0x30, sim.NewMMC5983MA},
		{"LIS3MDL", 0x1c, sim.NewLIS3MDL},
		{"HMC5883L", 0x1e, sim.NewHMC5883L},
		{"QMC5883L", 0x0d, sim.NewQMC5883L},
		{"QMC5883P", 0x2c, sim.NewQMC5883P},
		{"MMC5603", 0x30, sim.NewMMC5603},
		{"RM3100", 0x20, sim.NewRM3100},
		{"LIS2MDL", 0x1e, sim.NewLIS2MDL},
		{"LSM303AGR", 0x1e, sim.NewLIS2MDL},
		{"LSM303DLHC", 0x1e, sim.NewLSM303DLHC},
		{"BMM350", 0x14, sim.NewBMM350},
		{"AK09916", 0x0c, sim.NewAK09916},
	} {
		for _, hz := range []float64{0, 1, 10, 50, 100, 400} {
			bus, clock := chipBus(t, c.addr, c.make(sim.Still{FieldUT: r3.Vec{X: 19, Z: -45}}, sim.Settings{}))
			var err error
			// Both halves of an LSM303 have the same name.
			if slices.Contains(inertialChips(), c.name) && c.addr != 0x1e {
				_, err = openInertial(c.name, bus, c.addr, clock, hz)
			} else {
				_, err = openMagnetometer(c.name, bus, c.addr, clock, hz)
			}
			if err != nil {
				t.Errorf("%s at %g Hz: %v", c.name, hz, err)
			}
		}
	}
}

// TestMagnetometerInside opens both halves of an MPU-9250 and an ICM-20948 in either
// order; the reset of the inertial half must not hide the magnetometer.
func TestMagnetometerInside(t *testing.T) {
	for _, c := range []struct {
		whole, inside string
		make          func(sim.World, sim.Settings) sim.Chip
		magneticFirst bool
	}{
		{"MPU-9250", "AK8963", sim.NewMPU9250, true},
		{"MPU-9250", "AK8963", sim.NewMPU9250, false},
		{"ICM-20948", "AK09916", sim.NewICM20948, true},
		{"ICM-20948", "AK09916", sim.NewICM20948, false},
	} {
		bus, clock := chipBus(t, 0x68, c.make(sim.Still{FieldUT: r3.Vec{X: 20, Z: -40}}, sim.Settings{}))
		var mag sensors.Magnetometer
		var err error
		if c.magneticFirst {
			if mag, err = openMagnetometer(c.inside, bus, 0, clock, 0); err != nil {
				t.Fatal(err)
			}
		}
		if _, err = openInertial(c.whole, bus, 0, clock, 0); err != nil {
			t.Fatal(err)
		}
		if mag == nil {
			if mag, err = openMagnetometer(autoChip, bus, 0, clock, 0); err != nil {
				t.Fatal(err)
			}
		}
		clock.Sleep(20 * time.Millisecond)
		if got := mag.Spec().Chip; got != c.inside {
			t.Errorf("%+v: found a %s", c.whole, got)
		}
		if _, err := mag.ReadMagnetic(); err != nil {
			t.Errorf("%s, magnetometer first %v: %v", c.whole, c.magneticFirst, err)
		}
	}
}

func TestOpenErrors(t *testing.T) {
	bus, clock := chipBus(t, 0x68, sim.NewQMC5883L(nil, sim.Settings{}))
	if s, err := openInertial("MPU-6050", bus, 0, clock, 0); s != nil || sensors.FaultOf(err) != sensors.FaultIdentity {
		t.Errorf("another chip: %v, %v", s, err)
	}
	if s, err := openMagnetometer("LIS3MDL", bus, 0, clock, 0); s != nil || sensors.FaultOf(err) != sensors.FaultBus {
		t.Errorf("nobody: %v, %v", s, err)
	}
	if s, err := openMagnetometer(autoChip, bus, 0, clock, 0); s != nil || err == nil || !strings.Contains(err.Error(), "plumbstar scan") {
		t.Errorf("nothing: %v, %v", s, err)
	}
	if s, err := openInertial("LIS3MDL", bus, 0, clock, 0); s != nil || err == nil || !strings.Contains(err.Error(), "MPU-6050") {
		t.Errorf("wrong kind: %v, %v", s, err)
	}
	if _, err := openInertial(autoChip, bus, 0, clock, 0); err == nil || sensors.NameOf(alsoOn(err, errHangs)) != sensors.FaultNoAnswer {
		t.Errorf("nobody: %v", err)
	} else if both := alsoOn(alsoOn(nil, err), &absent{"inertial sensor", "another"}).Error(); !strings.Contains(both, bus.String()+", another: check plug") {
		t.Errorf("nobody on two buses: %s", both)
	}
	bus.Inject(sim.Fault{Kind: sim.Stuck})
	began := clock.Now()
	s, err := openInertial(autoChip, bus, 0, clock, 0)
	if took := clock.Now() - began; s != nil || err == nil || !strings.Contains(err.Error(), "held low") || took > 1100*time.Millisecond {
		t.Errorf("a bus that hangs: %v, %v after %v, want one time-out of the adapter", s, err, took)
	}
	if name := sensors.NameOf(err); name != sensors.FaultHeldLow {
		t.Errorf("a bus that hangs is %q: %v", name, err)
	}
	for k, want := range map[error]sensors.Fault{errHangs: sensors.FaultHeldLow, errors.New("failed"): ""} {
		_, err := openInertial(autoChip, failingBus{k}, 0, clock, 0)
		if !errors.Is(err, k) || sensors.NameOf(err) != want || strings.Count(err.Error(), " at 0x") > 0 {
			t.Errorf("%v: %v", k, err)
		}
	}
}

// failingBus fails every transfer in one way.
type failingBus struct{ err error }

func (b failingBus) Tx(uint16, []byte, []byte) error { return b.err }
func (b failingBus) SetSpeed(physic.Frequency) error { return nil }
func (b failingBus) String() string                  { return "failing" }
