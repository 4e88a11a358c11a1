package calib

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

func randVec(rng *rand.Rand, sd float64) r3.Vec {
	return r3.Vec{X: sd * rng.NormFloat64(), Y: sd * rng.NormFloat64(), Z: sd * rng.NormFloat64()}
}

func randUnit(rng *rand.Rand) r3.Vec { return r3.Unit(randVec(rng, 1)) }

// randTangent is a random unit vector across u.
func randTangent(rng *rand.Rand, u r3.Vec) r3.Vec {
	v := randVec(rng, 1)
	return r3.Unit(r3.Sub(v, r3.Scale(r3.Dot(u, v), u)))
}

// randSym is a random symmetric matrix about one: the symmetric part of a
// matrix whose nine entries all have the 1-sigma error sd.
func randSym(rng *rand.Rand, sd float64) Mat3 {
	var p [6]float64
	for i := range p {
		p[i] = sd * rng.NormFloat64()
		if i >= 3 {
			p[i] /= math.Sqrt2
		}
	}
	return symMatrix(p[:])
}

func randMat(rng *rand.Rand, sd float64) Mat3 {
	m := identity
	for i := range m {
		m[i] += sd * rng.NormFloat64()
	}
	return m
}

// raw is the reading of a sensor whose correction is (o, m), for the truth v.
func rawOf(o r3.Vec, m Mat3, v r3.Vec) r3.Vec {
	inv := m.inverse()
	return r3.Add(o, inv.Apply(v))
}

// simPoses are rest poses of a chip with the correction (o, m): noise is the
// 1-sigma error of one axis of a pose's mean.
func simPoses(rng *rand.Rand, ups []r3.Vec, o r3.Vec, m Mat3, noise float64) []Pose {
	var poses []Pose
	for _, u := range ups {
		poses = append(poses, Pose{
			Accel:    r3.Add(rawOf(o, m, r3.Scale(standardGravity, u)), randVec(rng, noise)),
			AccelCov: Mat3{0: noise * noise, 4: noise * noise, 8: noise * noise},
			TempC:    math.NaN(), Readings: 100,
		})
	}
	return poses
}

// board is a simulated board that is turned by hand.
type board struct {
	rateHz                float64
	strength, dip         float64
	accelO, magO, bias    r3.Vec
	accelM, magM, gyroM   Mat3
	accelNoise, magNoise  float64
	gyroNoise, handAccel  float64
	lag                   time.Duration
	turnRate, rest, turns float64 // rad/s, s, count
}

func defaultBoard(rng *rand.Rand) board {
	b := board{
		rateHz: 50, strength: 49, dip: rad(66),
		accelO: randVec(rng, 0.3), magO: randVec(rng, 15), bias: randVec(rng, 0.03),
		accelM: randSym(rng, 0.02), gyroM: randMat(rng, 0.01),
		accelNoise: 0.03, magNoise: 0.3, gyroNoise: 0.003, handAccel: 0.2,
		turnRate: 1, rest: 1.5, turns: 14,
	}
	rot := quat.Number(r3.NewRotation(rad(3)*rng.NormFloat64(), randUnit(rng)))
	sym := randSym(rng, 0.06)
	for k := range 3 {
		c := rotate(rot, r3.Vec{X: sym[k], Y: sym[3+k], Z: sym[6+k]})
		b.magM[k], b.magM[3+k], b.magM[6+k] = c.X, c.Y, c.Z
	}
	return b
}

// record turns the board about random axes, with rests between.
func (b *board) record(rng *rand.Rand) (in []sensors.InertialSample, mg []sensors.MagneticSample) {
	dt := 1 / b.rateHz
	q := quat.Number{Real: 1}
	up := r3.Vec{Z: 1}
	field := r3.Vec{Y: b.strength * math.Cos(b.dip), Z: -b.strength * math.Sin(b.dip)}
	var hand r3.Vec
	t := time.Duration(0)
	step := func(w r3.Vec, moving bool) {
		q = quat.Mul(q, rotQuat(r3.Scale(dt, w)))
		k := 0.0
		if moving {
			k = b.handAccel
		}
		hand = r3.Add(r3.Scale(0.9, hand), randVec(rng, k*math.Sqrt(1-0.81)))
		inv := quat.Conj(q)
		a := r3.Add(r3.Scale(standardGravity, rotate(inv, up)), hand)
		in = append(in, sensors.InertialSample{
			At: t, Accel: r3.Add(rawOf(b.accelO, b.accelM, a), randVec(rng, b.accelNoise)),
			Gyro: r3.Add(r3.Add(b.bias, b.gyroM.Apply(w)), randVec(rng, b.gyroNoise)), TempC: 25,
		})
		mg = append(mg, sensors.MagneticSample{
			At: t - b.lag, FieldUT: r3.Add(rawOf(b.magO, b.magM, rotate(inv, field)), randVec(rng, b.magNoise)), TempC: math.NaN(),
		})
		t += time.Duration(dt * float64(time.Second))
	}
	for range int(b.turns) {
		for range int(b.rest * b.rateHz) {
			step(r3.Vec{}, false)
		}
		axis := randUnit(rng)
		angle := rad(100 + 160*rng.Float64())
		n := int(angle / b.turnRate * b.rateHz)
		for k := range n {
			// A smooth start and end of the turn.
			f := math.Pi / 2 * math.Sin(math.Pi*(float64(k)+0.5)/float64(n))
			step(r3.Scale(b.turnRate*f, axis), true)
		}
	}
	return in, mg
}

// within counts how often errors stay under 1.96 of their sigma.
type within struct{ in, n int }

func (w *within) add(err, sigma float64) {
	w.n++
	if math.Abs(err) <= 1.96*sigma {
		w.in++
	}
}

func (w *within) share() float64 { return float64(w.in) / float64(w.n) }
