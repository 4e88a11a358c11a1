package scenario

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Bench is a calibration before the night: the board is laid down in many
// poses, then turned slowly through all directions.
type Bench struct {
	Inertial []sensors.InertialSample
	Magnetic []sensors.MagneticSample
}

// Handling is how the board was treated on the bench.
type Handling struct {
	Poses, Turns int
	// Rest is how long it lies in each pose, Turn how long a turn takes.
	Rest, Turn time.Duration
	// Flat turns go about the vertical only: the field is then seen from a ring
	// of directions.
	Flat bool
}

// GoodHandling is that of somebody who read the manual.
func GoodHandling() Handling {
	return Handling{Poses: 16, Turns: 24, Rest: 2500 * time.Millisecond, Turn: 1500 * time.Millisecond}
}

// drawHandling is that of an ordinary evening: some hasty, one in ten so poor
// that a program should refuse it or be very unsure of it (common practice, no
// source).
func drawHandling(rng *rand.Rand) Handling {
	h := Handling{
		Poses: 8 + rng.IntN(13), Turns: 12 + rng.IntN(17),
		Rest: time.Duration((1.5 + 2*rng.Float64()) * float64(time.Second)),
		Turn: time.Duration((1 + rng.Float64()) * float64(time.Second)),
	}
	if rng.Float64() < 0.1 {
		h.Poses, h.Turns, h.Flat = 2+rng.IntN(3), rng.IntN(6), rng.IntN(2) == 0
	}
	return h
}

const benchSpacing = 10 * time.Millisecond

// RunBench moves the board through the poses and gathers what the drivers read.
func RunBench(c *Clock, w *World, imu sensors.Inertial, mag sensors.Magnetometer, rng *rand.Rand, h Handling) (Bench, error) {
	t := c.Now() + time.Second
	for _, q := range poses(h.Poses, rng) {
		w.path.TurnTo(t, h.Turn, q)
		t += h.Turn + h.Rest
	}
	for range h.Turns {
		axis := r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
		if h.Flat {
			axis = r3.Vec{Z: 1}
		}
		w.path.Turn(t, h.Turn, axis, (0.5+0.4*rng.Float64())*math.Pi)
		t += h.Turn
	}
	end := t + h.Rest
	n := int((end - c.Now()) / benchSpacing)
	b := Bench{Inertial: make([]sensors.InertialSample, 0, n), Magnetic: make([]sensors.MagneticSample, 0, n)}
	for ; c.Now() < end; c.Sleep(benchSpacing) {
		s, err := imu.ReadInertial()
		switch {
		case err == nil:
			b.Inertial = append(b.Inertial, s)
		case !errors.Is(err, sensors.ErrNoNewData):
			return b, fmt.Errorf("calibrating on the bench: %w", err)
		}
		m, err := mag.ReadMagnetic()
		switch {
		case err == nil:
			b.Magnetic = append(b.Magnetic, m)
		case !errors.Is(err, sensors.ErrNoNewData):
			return b, fmt.Errorf("calibrating on the bench: %w", err)
		}
	}
	return b, nil
}

// poses are attitudes whose up directions spread over the sphere (a Fibonacci
// lattice), laid down by hand: a few degrees off.
func poses(count int, rng *rand.Rand) []quat.Number {
	out := make([]quat.Number, 0, count)
	golden := math.Pi * (3 - math.Sqrt(5))
	for k := range count {
		z := 1 - 2*(float64(k)+0.5)/float64(count)
		r := math.Sqrt(1 - z*z)
		s, c := math.Sincos(golden * float64(k))
		up := r3.Vec{X: r * c, Y: r * s, Z: z}
		// Rotate the body so that its direction up points to the zenith.
		axis := r3.Cross(up, r3.Vec{Z: 1})
		if n := r3.Norm(axis); n > 1e-9 {
			axis = r3.Scale(1/n, axis)
		} else {
			axis = r3.Vec{X: 1}
		}
		q := rotation(axis, math.Acos(max(-1, min(1, up.Z))))
		off := rotation(r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}), 0.08*rng.NormFloat64())
		out = append(out, quat.Mul(off, q))
	}
	return out
}
