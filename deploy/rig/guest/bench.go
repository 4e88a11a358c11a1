//go:build linux

package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// How the simulated tracker stands: some degrees beside the pole. seed draws the
// chips' errors.
const (
	highDeg = 1.7 // above the pole's altitude without air
	eastDeg = 4.2 // of the pole
	tempC   = 4.0
	seed    = 20
)

// bench is the tripod with its board: chips on a bus in this process, and where
// the axis truly points.
type bench struct {
	place         scenario.Place
	bus           *sim.Bus
	clock         clock
	path          *scenario.Path
	chips         []string // as scan must name them
	world         sim.World
	inertial, mag uint16 // addresses
	altDeg, azDeg float64
}

// clock is this guest's monotonic one.
type clock struct{ start time.Time }

func (c clock) Now() time.Duration    { return time.Since(c.start) }
func (c clock) Sleep(d time.Duration) { time.Sleep(d) }

func newBench(board, at string, utc time.Time) (*bench, error) {
	p, err := scenario.PlaceNamed(at)
	if err != nil {
		return nil, err
	}
	s := p.Site
	field, err := geomag.WMM2025().At(s.LatDeg, s.LonDeg, s.HeightM/1000, astro.DecimalYear(utc))
	if err != nil {
		return nil, err
	}
	b := &bench{place: p, clock: clock{time.Now()}, altDeg: math.Abs(s.LatDeg) + highDeg, azDeg: eastDeg}
	if s.Hemisphere() == astro.South {
		b.azDeg = 180 - eastDeg
	}
	b.path = scenario.NewPath(standing(b.altDeg, b.azDeg))
	up, north := r3.Vec{Z: sensors.StandardGravity}, r3.Scale(1e-3, r3.Vec{X: field.EastNT, Y: field.NorthNT, Z: -field.DownNT})
	b.world = sim.WorldFunc(func(t time.Duration) sim.Environment {
		q, rate := b.path.At(t)
		body := r3.Rotation(quat.Conj(q))
		return sim.Environment{Force: body.Rotate(up), Rate: rate, FieldUT: body.Rotate(north), TempC: tempC}
	})
	b.bus = sim.NewBus("simulated", b.clock, sim.Adapter{})
	attach := func(addr uint16, c sim.Chip) {
		if err == nil {
			err = b.bus.Attach(addr, c)
			b.chips = append(b.chips, c.String())
		}
	}
	switch board {
	case "lsm6dso+mmc5983ma":
		b.inertial, b.mag = 0x6a, 0x30
		attach(b.inertial, sim.NewLSM6DSO(b.world, sim.TypicalLSM6DSO(seed)))
		attach(b.mag, sim.NewMMC5983MA(b.world, sim.TypicalMMC5983MA(seed)))
	case "ism330dhcx+lis3mdl":
		b.inertial, b.mag = 0x6a, 0x1c
		attach(b.inertial, sim.NewISM330DHCX(b.world, sim.TypicalISM330DHCX(seed)))
		attach(b.mag, sim.NewLIS3MDL(b.world, sim.TypicalLIS3MDL(seed)))
	case "mpu6500+borrowed":
		b.inertial, b.mag = 0x68, 0x1e
		attach(b.inertial, sim.NewMPU6500(b.world, sim.TypicalMPU6500(seed)))
		// The emulated LSM303DLHC has neither the register nor the accelerometer by
		// which it could be told from an HMC5883L: its settings name it.
		b.chips = append(b.chips, "HMC5883L")
	default:
		err = fmt.Errorf("no board %q", board)
	}
	return b, err
}

// standing is the attitude, board to ENU, without roll, of a board whose x axis
// points to the given altitude and azimuth.
func standing(altDeg, azDeg float64) quat.Number {
	return quat.Mul(about(r3.Vec{Z: 1}, 90-azDeg), about(r3.Vec{Y: 1}, -altDeg))
}

// about is a right-handed turn.
func about(axis r3.Vec, deg float64) quat.Number {
	return quat.Number(r3.NewRotation(deg*math.Pi/180, axis))
}

// borrowedField is what the magnetometer of the emulator is to see now, nT: the
// field in the board's axes with noise, and iron on the board that keeps all three
// above zero, as QEMU's property refuses negative numbers.
func (b *bench) borrowedField() (x, y, z int) {
	const ironUT, noiseUT = 60, 0.2
	f := b.world.At(b.clock.Now()).FieldUT
	n := func(v float64) int { return int(1000 * (v + ironUT + noiseUT*rand.NormFloat64())) }
	return n(f.X), n(f.Y), n(f.Z)
}

// turn turns the mount in azimuth, to the east.
func (b *bench) turn(eastDeg float64) {
	const takes = 2 * time.Second
	b.path.Turn(b.clock.Now(), takes, r3.Vec{Z: -1}, eastDeg*math.Pi/180)
	b.azDeg += eastDeg
	b.clock.Sleep(takes)
}

// handle lets somebody take the board in the hand, lay it down in poses all around,
// turn it through many directions and put it back on the tripod. It returns when
// that is over.
func (b *bench) handle() {
	const (
		poses, turns = 11, 8
		move, rest   = 1200 * time.Millisecond, 2300 * time.Millisecond
	)
	rng := rand.New(rand.NewPCG(seed, 0))
	any3 := func() r3.Vec {
		return r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
	}
	home, _ := b.path.At(b.clock.Now())
	t := b.clock.Now()
	for i := range poses {
		// Evenly over the sphere, on a spiral.
		z := 1 - (2*float64(i)+1)/poses
		s, c := math.Sincos(2.4 * float64(i))
		r := math.Sqrt(1 - z*z)
		tip := r3.Cross(r3.Vec{X: r * c, Y: r * s, Z: z}, r3.Vec{Z: 1})
		b.path.TurnTo(t, move, about(tip, math.Acos(z)*180/math.Pi))
		t += move + rest
	}
	for range turns {
		b.path.Turn(t, move, any3(), 2+0.5*rng.Float64())
		t += move
	}
	b.path.TurnTo(t, move, home)
	b.clock.Sleep(t + move + rest - b.clock.Now())
}
