package estimator

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// sighted is a stand at rest whose azimuth has been sighted to 0.05°.
func sighted(seed uint64) *stand {
	s := newStand(seed, 50, 10)
	s.run(10*time.Second, 0, 0)
	if err := s.e.Refer(Reference{Azimuth: Quantity{Deg: s.az, SigmaDeg: 0.05, Known: true, Source: "sighting"}}); err != nil {
		panic(err)
	}
	return s
}

// A board in the cold: the gyroscope's offset drifts by 0.6°/h every second.
// Small turns follow each other; the held azimuth must stay within its sigma.
func TestHeldAzimuthInTheCold(t *testing.T) {
	within, wide, n := 0, 0, 0
	for seed := range uint64(40) {
		s := sighted(seed)
		for k := range 12 {
			for range 100 {
				s.gyroBias.Z += 0.6 * degree / 3600 / 10
				s.gyroBias.Y -= 0.6 * degree / 3600 / 10
				s.run(100*time.Millisecond, 0, 0)
			}
			s.move(0, 0.4*float64(1-k%2*2))
		}
		s.run(6*time.Second, 0, 0)
		x := s.now()
		off := wrap180(x.Azimuth.Deg - s.az)
		n++
		if math.Abs(off) <= 1.96*x.Azimuth.SigmaDeg {
			within++
		}
		if x.Azimuth.SigmaDeg > 0.5 {
			wide++
		}
		if math.Abs(off) > 4*x.Azimuth.SigmaDeg {
			t.Errorf("seed %d: azimuth off by %.2f ± %.2f° two minutes after the sighting", seed, off, x.Azimuth.SigmaDeg)
		}
	}
	if within < n*90/100 || wide > 4 {
		t.Errorf("of %d: within the 95 %% bound in %d, over 0.5° of sigma in %d", n, within, wide)
	}
}

// Something magnetic comes near while the mount is turned, after a sighting. The
// sighting stays, and the contradiction is stated.
func TestCompassAgainstSighting(t *testing.T) {
	for seed := range uint64(20) {
		s := sighted(seed)
		s.move(0.1, -0.3)
		s.fieldUT = r3.Add(s.fieldUT, r3.Vec{X: 3})
		s.move(0.1, -0.3)
		s.run(4*time.Second, 0, 0)
		x := s.now()
		if off := wrap180(x.Azimuth.Deg - s.az); math.Abs(off) > 0.4 || x.State != Disturbed {
			t.Errorf("seed %d: %s, azimuth off by %.2f ± %.2f°", seed, x.State, off, x.Azimuth.SigmaDeg)
		}
	}
}

// While nobody measured, the mount may have been turned: a sighting of before is
// not carried over a gap.
func TestGapEndsTheHold(t *testing.T) {
	s := sighted(1)
	s.at += 2 * time.Second
	s.az += 40
	s.run(6*time.Second, 0, 0)
	if x := s.now(); math.Abs(wrap180(x.Azimuth.Deg-s.az)) > 3*x.Azimuth.SigmaDeg {
		t.Errorf("azimuth off by %.1f ± %.1f° after a gap in which the mount was turned", wrap180(x.Azimuth.Deg-s.az), x.Azimuth.SigmaDeg)
	}
}
