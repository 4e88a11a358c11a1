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

const (
	benchPoses   = 16
	benchTurns   = 24
	benchRest    = 2500 * time.Millisecond
	benchTurn    = 1500 * time.Millisecond
	benchSpacing = 10 * time.Millisecond
)

// RunBench moves the board through the poses and gathers what the drivers read.
func RunBench(c *Clock, w *World, imu sensors.Inertial, mag sensors.Magnetometer, rng *rand.Rand) (Bench, error) {
	t := c.Now() + time.Second
	for _, q := range poses(rng) {
		w.path.TurnTo(t, benchTurn, q)
		t += benchTurn + benchRest
	}
	for range benchTurns {
		axis := r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
		w.path.Turn(t, benchTurn, axis, (0.5+0.4*rng.Float64())*math.Pi)
		t += benchTurn
	}
	var b Bench
	for end := t + benchRest; c.Now() < end; c.Sleep(benchSpacing) {
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
func poses(rng *rand.Rand) []quat.Number {
	out := make([]quat.Number, 0, benchPoses)
	golden := math.Pi * (3 - math.Sqrt(5))
	for k := range benchPoses {
		z := 1 - 2*(float64(k)+0.5)/benchPoses
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
