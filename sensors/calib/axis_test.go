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

// head is a simulated tracker head with a board on it.
type head struct {
	axis               r3.Vec  // in sensor axes
	altitude           float64 // of the axis, rad
	arc                float64 // rad
	accelO, bias       r3.Vec
	accelM, gyroM      Mat3
	accelNoise, gyroSD float64
}

// turn rests, turns the head forth with an uneven hand, and rests again. The
// specific force is not corrected.
func (h *head) turn(rng *rand.Rand) []sensors.InertialSample {
	const rate, rest, seconds = 50.0, 2.0, 10.0
	// up at the start: at the axis' zenith distance from it.
	up := r3.Add(r3.Scale(math.Sin(h.altitude), h.axis), r3.Scale(math.Cos(h.altitude), randTangent(rng, h.axis)))
	q := quat.Number{Real: 1}
	var out []sensors.InertialSample
	for k := range int((2*rest + seconds) * rate) {
		t := float64(k) / rate
		var w r3.Vec
		if t > rest && t < rest+seconds {
			f := math.Sin(math.Pi * (t - rest) / seconds)
			w = r3.Scale(2*f*f*h.arc/seconds, h.axis)
		}
		q = quat.Mul(q, rotQuat(r3.Scale(1/rate, w)))
		a := r3.Scale(standardGravity, rotate(quat.Conj(q), up))
		out = append(out, sensors.InertialSample{
			At:    time.Duration(t * float64(time.Second)),
			Accel: r3.Add(rawOf(h.accelO, h.accelM, a), randVec(rng, h.accelNoise)),
			Gyro:  r3.Add(r3.Add(h.bias, h.gyroM.Apply(w)), randVec(rng, h.gyroSD)),
			TempC: math.NaN(),
		})
	}
	return out
}

// The truth lies within the stated sigma, with arcs of 90° and 180° and at low
// and high latitude, with and without a gyroscope.
func TestFitAxisCoverage(t *testing.T) {
	for _, c := range []struct {
		name         string
		arc, lat     float64
		gyro         bool
		largestSigma float64 // degrees, mean
	}{
		{"180° at 52° latitude", 180, 52, true, 0.2},
		{"90° at 52° latitude", 90, 52, true, 0.3},
		{"90° at 20° latitude", 90, 20, true, 0.3},
		{"90° at 78° latitude", 90, 78, true, 0.4},
		{"180° without gyroscope", 180, 52, false, 0.2},
	} {
		t.Run(c.name, func(t *testing.T) {
			var cover within
			var sigma, n float64
			accel := Uncalibrated(Accelerometer, 0.02, 0.002) // a calibrated chip's doubt
			for seed := range uint64(300) {
				rng := rand.New(rand.NewPCG(seed, 5))
				h := head{
					axis: r3.Unit(r3.Add(r3.Vec{X: 1}, randVec(rng, 0.15))), altitude: rad(c.lat), arc: rad(c.arc),
					accelO: randVec(rng, 0.02), accelM: randMat(rng, 0.002), bias: randVec(rng, 0.002), gyroM: randMat(rng, 0.01),
					accelNoise: 0.03, gyroSD: 0.003,
				}
				samples := h.turn(rng)
				if !c.gyro {
					for i := range samples {
						samples[i].Gyro = r3.Vec{}
					}
				}
				a, err := FitAxis(samples, AxisOptions{Accel: &accel, GyroMatrixSigma: 0.01})
				if err != nil {
					t.Fatalf("seed %d: %v", seed, err)
				}
				e := randTangent(rng, h.axis)
				cover.add(r3.Dot(e, a.Dir), math.Sqrt(a.Cov.form(e, e)))
				sigma += deg(a.SigmaRad)
				n++
				if c.gyro && math.Abs(deg(a.ArcRad)-c.arc) > 8 {
					t.Errorf("seed %d: arc %.1f°", seed, deg(a.ArcRad))
				}
			}
			if s := cover.share(); s < 0.91 || s > 0.99 {
				t.Errorf("axis within 1.96 sigma in %.1f %% of %d turns", 100*s, cover.n)
			}
			if sigma /= n; sigma > c.largestSigma {
				t.Errorf("mean sigma %.2f°, at most %.2f° expected", sigma, c.largestSigma)
			}
		})
	}
}

func TestFitAxisRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	h := head{axis: r3.Vec{X: 1}, altitude: rad(52), arc: rad(40), accelM: identity, gyroM: identity, accelNoise: 0.03, gyroSD: 0.003}
	var r *Refusal
	if _, err := FitAxis(h.turn(rng), AxisOptions{}); !errors.As(err, &r) {
		t.Errorf("40° turn: %v", err)
	}
	if _, err := FitAxis(nil, AxisOptions{}); !errors.As(err, &r) {
		t.Errorf("no samples: %v", err)
	}
	h.arc = 0
	if _, err := FitAxis(h.turn(rng), AxisOptions{}); !errors.As(err, &r) {
		t.Errorf("no turn: %v", err)
	}
	still := h.turn(rng)
	for i := range still {
		still[i].Gyro = r3.Vec{}
	}
	if _, err := FitAxis(still, AxisOptions{}); !errors.As(err, &r) {
		t.Errorf("no turn, no gyroscope: %v", err)
	}
	// A board turned freely in the hand turns about no fixed axis.
	b := defaultBoard(rng)
	in, _ := b.record(rng)
	if _, err := FitAxis(in, AxisOptions{}); !errors.As(err, &r) {
		t.Errorf("free turning: %v", err)
	}
}
