package estimator

import (
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// An estimator that begins in the middle of a smooth turn learns a wrong offset
// of the gyroscope; it must find out once the mount rests.
func TestBegunWhileTurning(t *testing.T) {
	s := newStand(1, 50, 10)
	s.run(3*time.Second, 0, 4)
	s.run(25*time.Second, 0, 0)
	if x := s.now(); x.State != Steady {
		t.Errorf("%s after 25 s at rest", x.State)
	}
}

// What was learned of the gyroscope outlives a new estimator, in new axes too.
func TestInherit(t *testing.T) {
	turn := func(v r3.Vec) r3.Vec { return r3.Vec{X: v.Y, Y: -v.X, Z: v.Z} }
	s := newStand(2, 50, 10)
	s.run(10*time.Second, 0, 0)
	e := New(testOptions())
	e.Inherit(s.e, turn)
	old, sigma := s.e.filter.GyroOffset()
	e.filter.Inertial(0, r3.Vec{Z: 9.8}, turn(s.gyroBias))
	now, after := e.filter.GyroOffset()
	if r3.Norm(r3.Sub(now, turn(old))) > 1e-9 || after.X > 1.01*max(sigma.X, sigma.Y, sigma.Z) {
		t.Errorf("offset %v ± %v, was %v ± %v", now, after, old, sigma)
	}
	if e.rest.gyroBias != turn(s.e.rest.gyroBias) || e.rest.biasN != s.e.rest.biasN {
		t.Errorf("rest: offset %v of %v blocks", e.rest.gyroBias, e.rest.biasN)
	}
	// Begun in a turn, it follows at once.
	f := newStand(2, 50, 10)
	f.e.Inherit(s.e, func(v r3.Vec) r3.Vec { return v })
	f.run(3*time.Second, 0, 4)
	if x := f.now(); x.State != Moving {
		t.Errorf("%s in a turn", x.State)
	}
	f.run(5*time.Second, 0, 0)
	if x := f.now(); x.State != Steady {
		t.Errorf("%s at rest", x.State)
	}
	// Nothing learned, nothing handed on.
	fresh := New(testOptions())
	fresh.Inherit(New(testOptions()), turn)
	if fresh.rest.biasN != 0 || fresh.filter.learned2 != 0 {
		t.Error("an estimator without samples hands something on")
	}
}
