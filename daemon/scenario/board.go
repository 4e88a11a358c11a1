package scenario

import (
	"fmt"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors/sim"
)

// Chip is a simulated part and the address it answers at.
type Chip struct {
	Name string // as on its data sheet
	Addr uint16
}

// Board is a pair of chips on one bus.
type Board struct {
	// Key names it on the command line: "lsm6dso+mmc5983ma".
	Key      string
	Inertial Chip
	Magnetic Chip

	inertial, magnetic kind
}

// kind makes parts of one type; magnetometers inside another chip have none.
type kind struct {
	chip Chip
	new  func(sim.World, sim.Settings) sim.Chip
	part func(seed uint64) sim.Settings
	// magnetic goes between the board's axes and those of the settings' Mag, both
	// ways; nil: they are the same.
	magnetic func(r3.Vec) r3.Vec
}

// inertialKinds are those with a gyroscope, then those without one, which refuse the
// turn check.
func inertialKinds() []kind {
	return []kind{
		{Chip{"LSM6DSO", InertialAddr}, sim.NewLSM6DSO, sim.TypicalLSM6DSO, nil},
		{Chip{"LSM6DSOX", 0x6a}, sim.NewLSM6DSOX, sim.TypicalLSM6DSO, nil},
		{Chip{"ISM330DHCX", 0x6a}, sim.NewISM330DHCX, sim.TypicalISM330DHCX, nil},
		{Chip{"MPU-6050", 0x68}, sim.NewMPU6050, sim.TypicalMPU6050, nil},
		{Chip{"MPU-6500", 0x68}, sim.NewMPU6500, sim.TypicalMPU6500, nil},
		{Chip{"MPU-9250", 0x68}, sim.NewMPU9250, sim.TypicalMPU9250, exchanged},
		{Chip{"LSM6DSV16X", 0x6b}, sim.NewLSM6DSV16X, sim.TypicalLSM6DSV16X, nil},
		{Chip{"ICM-20948", 0x69}, sim.NewICM20948, sim.TypicalICM20948, aboutX},
		{Chip{"ADXL355", 0x1d}, sim.NewADXL355, sim.TypicalADXL355, nil},
		{Chip{"LSM303DLHC", 0x19}, sim.NewLSM303DLHCAccel, sim.TypicalLSM303Accel, nil},
	}
}

// The axes of a chip's readings against those that its driver gives.
func exchanged(v r3.Vec) r3.Vec { return r3.Vec{X: v.Y, Y: v.X, Z: -v.Z} }
func aboutX(v r3.Vec) r3.Vec    { return r3.Vec{X: v.X, Y: -v.Y, Z: -v.Z} }
func mirrorY(v r3.Vec) r3.Vec   { return r3.Vec{X: v.X, Y: -v.Y, Z: v.Z} }
func mirrorZ(v r3.Vec) r3.Vec   { return r3.Vec{X: v.X, Y: v.Y, Z: -v.Z} }

func magneticKinds() []kind {
	return []kind{
		{Chip{"MMC5983MA", MagneticAddr}, sim.NewMMC5983MA, sim.TypicalMMC5983MA, mirrorZ},
		{Chip{"LIS3MDL", 0x1c}, sim.NewLIS3MDL, sim.TypicalLIS3MDL, nil},
		{Chip{"HMC5883L", 0x1e}, sim.NewHMC5883L, sim.TypicalHMC5883L, nil},
		{Chip{"QMC5883L", 0x0d}, sim.NewQMC5883L, sim.TypicalQMC5883L, nil},
		{Chip{"QMC5883P", 0x2c}, sim.NewQMC5883P, sim.TypicalQMC5883P, aboutX},
		{Chip{"MMC5603", 0x30}, sim.NewMMC5603, sim.TypicalMMC5603, nil},
		{Chip{"RM3100", 0x20}, sim.NewRM3100, sim.TypicalRM3100, nil},
		{Chip{"LIS2MDL", 0x1e}, sim.NewLIS2MDL, sim.TypicalLIS2MDL, mirrorY},
		{Chip{"LSM303DLHC", 0x1e}, sim.NewLSM303DLHC, sim.TypicalLSM303DLHC, nil},
		{Chip{"BMM350", 0x14}, sim.NewBMM350, sim.TypicalBMM350, nil},
	}
}

// DefaultBoard is a good pair of today's chips; it answers at InertialAddr and
// MagneticAddr.
const (
	DefaultBoard = "lsm6dso+mmc5983ma"
	InertialAddr = 0x6a
	MagneticAddr = 0x30
)

// BoardNamed makes a board of an inertial chip and a magnetometer joined by
// "+"; an MPU-9250 may stand alone, it holds an AK8963, and an ICM-20948, which holds
// an AK09916. Case and hyphens do not matter.
func BoardNamed(key string) (Board, error) {
	in, mag, pair := strings.Cut(plain(key), "+")
	i, ok := kindNamed(inertialKinds(), in)
	if !ok {
		return Board{}, fmt.Errorf("board %q: %q is no simulated inertial chip: choose one of %s, then + and one of %s",
			key, in, names(inertialKinds()), names(magneticKinds()))
	}
	b := Board{Inertial: i.chip, inertial: i}
	inside := map[string]string{"MPU-9250": "AK8963", "ICM-20948": "AK09916"}[i.chip.Name]
	switch {
	case !pair && inside != "":
		b.Magnetic = Chip{inside, 0x0c}
		b.Key = plain(i.chip.Name)
		return b, nil
	case !pair:
		return Board{}, fmt.Errorf("board %q has no magnetometer: add + and one of %s", key, names(magneticKinds()))
	}
	m, ok := kindNamed(magneticKinds(), mag)
	if !ok {
		return Board{}, fmt.Errorf("board %q: %q is no simulated magnetometer: choose one of %s", key, mag, names(magneticKinds()))
	}
	b.Magnetic, b.magnetic = m.chip, m
	b.Key = plain(i.chip.Name) + "+" + plain(m.chip.Name)
	return b, nil
}

func plain(s string) string { return strings.ToLower(strings.ReplaceAll(s, "-", "")) }

func kindNamed(list []kind, name string) (kind, bool) {
	k := slices.IndexFunc(list, func(k kind) bool { return plain(k.chip.Name) == name })
	if k < 0 {
		return kind{}, false
	}
	return list[k], true
}

func names(list []kind) string {
	var out []string
	for _, k := range list {
		out = append(out, plain(k.chip.Name))
	}
	return strings.Join(out, ", ")
}

// parts are the two chips of one board as they came off the reel.
type parts struct {
	_                  [0]func() // never compared: no code for that
	inertial, magnetic sim.Settings
}

// draw takes parts from the reel: their errors times spread.
func (b *Board) draw(seed uint64, spread float64) parts {
	p := parts{inertial: milder(b.inertial.part(seed), spread)}
	if b.magnetic.part != nil {
		p.magnetic = milder(b.magnetic.part(seed+1), spread)
	}
	return p
}

// attach puts the chips on the bus.
func (b *Board) attach(bus *sim.Bus, w sim.World, p parts) error {
	if err := bus.Attach(b.inertial.chip.Addr, b.inertial.new(w, p.inertial)); err != nil {
		return err
	}
	if b.magnetic.new == nil {
		return nil
	}
	return bus.Attach(b.magnetic.chip.Addr, b.magnetic.new(w, p.magnetic))
}
