package estimator

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// newPlainStand has no gyroscope; its accelerometer is a noisy one.
func newPlainStand(seed uint64) *stand {
	s := newStand(seed, 50, 10)
	o := testOptions()
	o.Inertial.HasGyro, o.Inertial.GyroNoise = false, 0
	o.Inertial.AccelNoise = 220e-6 * 9.80665
	f := testField()
	s.e = New(o)
	s.e.SetField(f, "")
	s.accelSD, s.gyroSD, s.gyroBias = o.Inertial.AccelNoise*math.Sqrt(standRate/2), 0, r3.Vec{}
	return s
}

// shake turns the mount as hands do, with their tremor on the accelerometer.
func (s *stand) shake(altDeg, azDeg float64) {
	still := s.accelSD
	s.accelSD = math.Hypot(still, 0.03)
	s.run(time.Second, altDeg, azDeg)
	s.accelSD = still
}

// Without a gyroscope small steps of the altitude are followed within seconds, one
// after the other, and never hidden by what the ones before have scattered.
func TestPlainSmallSteps(t *testing.T) {
	for seed := range uint64(10) {
		s := newPlainStand(seed)
		s.run(20*time.Second, 0, 0)
		for k, by := range []float64{0.1, 0.15, 0.3, -0.2, -0.12, 0.25} {
			s.shake(by, 0)
			s.run(6*time.Second, 0, 0)
			if x := s.now(); math.Abs(x.Altitude.Deg-s.alt) > 0.03 {
				t.Errorf("seed %d, step %d of %.2f°: altitude off by %.3f°, %s", seed, k, by, x.Altitude.Deg-s.alt, x.State)
			}
		}
	}
}

// Steel that comes near turns the compass while nothing shakes the mount: the
// direction is doubted so that both fit, until the steel goes away. A turn by hand is
// no such thing.
func TestPlainFieldAlone(t *testing.T) {
	for seed := range uint64(10) {
		s := newPlainStand(seed)
		s.run(10*time.Second, 0, 0)
		s.shake(0, 6)
		s.run(5*time.Second, 0, 0)
		if x := s.now(); x.State == Disturbed || math.Abs(wrap180(x.Azimuth.Deg-s.az)) > 1 {
			t.Errorf("seed %d: after a turn by hand %s, azimuth off by %.1f°", seed, x.State, wrap180(x.Azimuth.Deg-s.az))
		}
		before := s.fieldUT
		s.fieldUT = r3.Add(before, r3.Vec{X: 4})
		s.run(5*time.Second, 0, 0)
		x := s.now()
		if off := math.Abs(wrap180(x.Azimuth.Deg - s.az)); x.State != Disturbed || off < 5 || off > 2.5*x.Azimuth.SigmaDeg {
			t.Errorf("seed %d: beside steel %s, azimuth off by %.1f ± %.1f°", seed, x.State, off, x.Azimuth.SigmaDeg)
		}
		// A small move does not make the doubt go away, the steel's going does.
		s.shake(0.1, 0)
		s.run(3*time.Second, 0, 0)
		if x := s.now(); x.State != Disturbed {
			t.Errorf("seed %d: beside steel, after a small move %s", seed, x.State)
		}
		s.fieldUT = before
		s.run(5*time.Second, 0, 0)
		if x := s.now(); x.State == Disturbed || math.Abs(wrap180(x.Azimuth.Deg-s.az)) > 1 {
			t.Errorf("seed %d: when the steel is gone %s, azimuth off by %.1f°", seed, x.State, wrap180(x.Azimuth.Deg-s.az))
		}
	}
}

// What a sighting has added is doubted by a quarter of the turn that the compass
// alone has seen since; what the compass had without it is not.
func TestPlainSightingAfterATurn(t *testing.T) {
	if b, v := unseen(2, 0.01, 4, 0); math.Abs(b-2) > 1e-9 || math.Abs(v-0.01) > 1e-9 {
		t.Errorf("no turn: bias %.3f, variance %.4f", b, v)
	}
	b, v := unseen(2, 0.01, 4, 2)
	if math.Abs(math.Sqrt(v)-0.5) > 0.03 || b > 2 || b < 1.8 {
		t.Errorf("2°: bias %.3f ± %.3f", b, math.Sqrt(v))
	}
	if b, v := unseen(2, 0.01, 4, 180); math.Abs(b) > 0.02 || math.Abs(v-4) > 0.05 {
		t.Errorf("half a turn: bias %.3f ± %.3f", b, math.Sqrt(v))
	}
	s := newPlainStand(1)
	s.run(10*time.Second, 0, 0)
	if err := s.e.Refer(Reference{Azimuth: Quantity{Deg: s.az, SigmaDeg: 0.05, Known: true, Source: "sighting"}}); err != nil {
		t.Fatal(err)
	}
	fresh := s.now().Azimuth.SigmaDeg
	s.shake(0, 2)
	s.run(5*time.Second, 0, 0)
	if x := s.now(); fresh > 0.2 || x.Azimuth.SigmaDeg < 0.4 || x.Azimuth.SigmaDeg > 0.7 {
		t.Errorf("sigma %.2f°, after a turn of 2° %.2f°", fresh, x.Azimuth.SigmaDeg)
	}
}
