package calib

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// onTripod turns the board about the vertical through arc (rad), tilted to and
// fro by tilt, forward axis raised by altitude (all rad). Specific force is given
// corrected.
func (b *board) onTripod(rng *rand.Rand, altitude, arc, tilt float64) (in []sensors.InertialSample, mg []sensors.MagneticSample) {
	const seconds = 20.0
	dt := 1 / b.rateHz
	up := r3.Vec{Z: 1}
	field := r3.Vec{Y: b.strength * math.Cos(b.dip), Z: -b.strength * math.Sin(b.dip)}
	attitude := func(t float64) quat.Number {
		turn := quat.Number(r3.NewRotation(arc*t/seconds, up))
		raise := quat.Number(r3.NewRotation(-altitude+tilt*math.Sin(2*math.Pi*t/7), r3.Vec{Y: 1}))
		return quat.Mul(turn, raise)
	}
	prev := attitude(0)
	for k := range int(seconds * b.rateHz) {
		t := float64(k) * dt
		q := attitude(t)
		d := quat.Mul(quat.Conj(prev), q)
		w := r3.Scale(2/dt, r3.Vec{X: d.Imag, Y: d.Jmag, Z: d.Kmag})
		prev = q
		inv := quat.Conj(q)
		at := time.Duration(t * float64(time.Second))
		in = append(in, sensors.InertialSample{
			At: at, Accel: r3.Add(r3.Scale(standardGravity, rotate(inv, up)), randVec(rng, b.accelNoise)),
			Gyro: r3.Add(r3.Add(b.bias, b.gyroM.Apply(w)), randVec(rng, b.gyroNoise)), TempC: 25,
		})
		mg = append(mg, sensors.MagneticSample{At: at, FieldUT: r3.Add(rawOf(b.magO, b.magM, rotate(inv, field)), randVec(rng, b.magNoise)), TempC: math.NaN()})
	}
	return in, mg
}

func inPlaceOptions(b *board) InPlaceOptions {
	return InPlaceOptions{
		MagOptions:      MagOptions{StrengthUT: b.strength, StrengthSigmaUT: 0.5, DipRad: b.dip, DipSigmaRad: rad(0.5), GyroBias: b.bias, GyroBiasSigma: 0.002, GyroMatrixSigma: 0.01},
		HardIronSigmaUT: 4, SoftIronSigma: 0.005,
	}
}

// earlier is a calibration of the board as it was, right within its covariance.
func (b *board) earlier(rng *rand.Rand) Affine {
	prev := Uncalibrated(Magnetometer, 0.1, 0.002)
	prev.Offset, prev.Matrix = r3.Add(b.magO, randVec(rng, 0.1)), b.magM
	for i := range prev.Matrix {
		prev.Matrix[i] += 0.002 * rng.NormFloat64()
	}
	return prev
}

// Iron was added since: a turn on the tripod must find it in the plane of the
// turn, lower the heading error, and state a sigma that holds.
func TestFitMagInPlaceCoverage(t *testing.T) {
	var cover within
	var before, after float64
	const seeds = 60
	for seed := range uint64(seeds) {
		rng := rand.New(rand.NewPCG(seed, 17))
		b := defaultBoard(rng)
		prev := b.earlier(rng)
		b.magO = r3.Add(b.magO, randVec(rng, 4))
		for i := range b.magM {
			b.magM[i] += 0.005 * rng.NormFloat64()
		}
		opt := inPlaceOptions(&b)
		// The field at the tripod is not quite the model's.
		b.strength += 0.5 * rng.NormFloat64()
		b.dip += rad(0.5) * rng.NormFloat64()
		altitude := rad(20 + 35*rng.Float64())
		in, mg := b.onTripod(rng, altitude, rad(340), rad(4))
		fit, err := FitMagInPlace(prev, mg, in, opt)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		up := r3.Vec{X: math.Sin(altitude), Z: math.Cos(altitude)}
		for _, h := range levelFields(b.strength, b.dip, up, 4) {
			e := func(a *Affine) float64 {
				m := a.Apply(rawOf(b.magO, b.magM, h.field), math.NaN())
				return math.Atan2(r3.Dot(m, h.east), r3.Dot(m, h.north))
			}
			cover.add(e(&fit.Affine), fit.Affine.HeadingSigma(h.field, up, math.NaN()))
			before += e(&prev) * e(&prev) / (4 * seeds)
			after += e(&fit.Affine) * e(&fit.Affine) / (4 * seeds)
		}
	}
	if s := cover.share(); s < 0.88 {
		t.Errorf("heading within 1.96 sigma in %.1f %% of %d draws", 100*s, cover.n)
	}
	if after > before/16 {
		t.Errorf("heading error %.2f° RMS, was %.2f°", deg(math.Sqrt(after)), deg(math.Sqrt(before)))
	}
}

func TestFitMagInPlaceSaysWhatStaysOpen(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 17))
	b := defaultBoard(rng)
	prev := b.earlier(rng)
	opt := inPlaceOptions(&b)
	// With a vague dip and strength a level turn cannot see the vertical offset.
	opt.StrengthSigmaUT, opt.DipSigmaRad = 5, rad(5)
	in, mg := b.onTripod(rng, 0, rad(340), 0)
	fit, err := FitMagInPlace(prev, mg, in, opt)
	if err != nil {
		t.Fatal(err)
	}
	s := fit.OffsetSigmaAfter
	if s.X > 1 || s.Y > 1 || s.Z < 2 || fit.Unknown == "" {
		t.Errorf("offset sigmas %.2f µT after a level turn, %q", s, fit.Unknown)
	}
	// A small turn is refused, and so is a site without field.
	in, mg = b.onTripod(rng, 0, rad(30), 0)
	var r *Refusal
	if _, err := FitMagInPlace(prev, mg, in, opt); !errors.As(err, &r) {
		t.Errorf("30° turn: %v", err)
	}
	opt.StrengthUT = 0
	if _, err := FitMagInPlace(prev, mg, in, opt); !errors.As(err, &r) {
		t.Errorf("no site: %v", err)
	}
}

func TestCompare(t *testing.T) {
	up := r3.Vec{Z: 1}
	same, moved := 0, 0
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 19))
		b := defaultBoard(rng)
		old, now := b.earlier(rng), b.earlier(rng)
		same += b2i(Compare(&old, &now, b.strength, b.dip, up).Changed)
		now.Offset = r3.Add(now.Offset, r3.Scale(1.5, randUnit(rng)))
		moved += b2i(Compare(&old, &now, b.strength, b.dip, up).Changed)
	}
	if same > 2 || moved < 196 {
		t.Errorf("of 200 pairs %d equal ones and %d with 1.5 µT of new iron were called changed", same, moved)
	}
}
