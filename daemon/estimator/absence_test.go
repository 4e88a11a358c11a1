package estimator

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// A magnetometer that falls silent, or whose output stands still, while the mount
// is turned: the field of the rest before is of another attitude, and must not
// count in that of the new rest.
func TestCompassThatFailsInAMovement(t *testing.T) {
	for _, c := range []struct {
		name   string
		frozen bool
	}{{"silent", false}, {"frozen", true}} {
		for when := range 10 {
			s := newStand(uint64(when), 50, 100)
			s.run(5*time.Second, 0, 0)
			var stuck r3.Vec
			same := 0
			fail := func(m *sensors.MagneticSample) bool {
				if !c.frozen {
					return false
				}
				if same == 0 {
					stuck = m.FieldUT
				}
				// As sensors.Freshness marks it.
				if same++; same > 10 {
					m.Flags |= sensors.Repeated
				}
				m.FieldUT = stuck
				return same < 150
			}
			const steps = 20
			for k := range steps {
				if k == 2*when {
					s.meddle = fail
				}
				x := (float64(k) + 0.5) / steps
				s.run(100*time.Millisecond, 4.5*x*x*(1-x)*(1-x)*20, 0)
			}
			judge := func(what string, n int) {
				for range n {
					s.run(50*time.Millisecond, 0, 0)
					e := s.now()
					if q := e.Azimuth; e.State != Moving && q.Known && math.Abs(wrap180(q.Deg-s.az)) > 4*q.SigmaDeg {
						t.Fatalf("%s after %d steps, %s: %s, azimuth off by %.1f° ± %.1f° from %s", c.name, 2*when, what, e.State, wrap180(q.Deg-s.az), q.SigmaDeg, q.Source)
					}
				}
			}
			judge("at rest", 60)
			if q := s.now().Azimuth; q.Known {
				t.Errorf("%s after %d steps: an azimuth without a compass", c.name, 2*when)
			}
			s.meddle = nil
			judge("when it is back", 40)
			if q := s.now().Azimuth; !q.Known || q.Source != "compass" {
				t.Errorf("%s after %d steps: no azimuth by a compass that is back: %+v", c.name, 2*when, q)
			}
		}
	}
}
