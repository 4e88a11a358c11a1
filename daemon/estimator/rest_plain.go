package estimator

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Without a gyroscope only gravity and field show a movement. Two things follow.
// The noise that was seen at rest must not hide one that begins smoothly. And a
// field that changes is a turn about the vertical: nobody can tell it from steel
// that comes near, and to hold on to the direction of before would be wrong for
// every turn of the azimuth knob.
const (
	// plainAccel is the noise of a block, m/s² (0.06° of tilt), that counts as
	// rest in any chip: wind, footsteps (common practice, no source).
	plainAccel = 0.01
	// plainFieldBlocks is the memory of the field: 3 s, so that a turn too slow
	// to be noticed is made good soon.
	plainFieldBlocks = 30
	// plainFieldUT is the least change of the field's mean of a second that is a
	// turn: 0.9° in a horizontal field of 19 µT.
	plainFieldUT = 0.3
)

// spread is the variance of a block at rest, as seen and expected.
func (r *rest) spread(expected r3.Vec) r3.Vec {
	v := r.accel.variance(expected)
	if r.hasGyro {
		return v
	}
	return least(v, square(max(noiseCap*r.accelLevel.floor, plainAccel)))
}

func least(v r3.Vec, limit float64) r3.Vec {
	return r3.Vec{X: min(v.X, limit), Y: min(v.Y, limit), Z: min(v.Z, limit)}
}

// takePlainField adds a block of the field at rest.
func (r *rest) takePlainField(f r3.Vec, n float64) {
	if r.fieldLevel.floor == 0 {
		r.fieldLevel = newLevel(r.fieldNoise / math.Sqrt(max(1, n)))
	}
	r.field.add(f, plainFieldBlocks)
	r.secondField.add(f, 10)
}

// fieldLeft reports a block whose field is no longer that of the rest.
func (r *rest) fieldLeft(b *block) bool {
	if r.hasGyro || b.nm == 0 {
		return false
	}
	f := r3.Scale(1/b.nm, b.field)
	if r.plainN > 0 && r.fieldLevel.floor > 0 {
		r.fieldLevel.see(r3.Sub(f, r.plainLast))
	}
	r.plainLast, r.plainN = f, b.nm
	if r.field.n < restBlocks {
		return false
	}
	v := r3.Scale(1+1/r.field.n, r.fieldLevel.variance())
	return beyond(r3.Sub(f, r.field.mean), moveSigma, atLeast(v, jumpUT/moveSigma))
}

// fieldCrept is fieldLeft for the last second.
func (r *rest) fieldCrept() bool {
	if r.hasGyro || r.secondField.n < 10 || r.field.n < 20 {
		return false
	}
	v := r3.Scale(0.1+1/r.field.n, r.fieldLevel.variance())
	return beyond(r3.Sub(r.secondField.mean, r.field.mean), creepSigma, atLeast(v, plainFieldUT/creepSigma))
}
