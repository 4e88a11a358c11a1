package estimator

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// A gyroscope's offset has moved a little just before the mount is turned
// evenly in azimuth, as smoothly as if it stood: the turn must not pass for a
// jump of the offset.
func TestEvenTurnIsNoJumpOfTheOffset(t *testing.T) {
	for _, dip := range []float64{30, 66, 78} {
		for _, rate := range []float64{4, 12, -20} {
			s := newStand(1, 50, 10)
			f := testField()
			e := earth(f.StrengthUT, dip)
			f.DipDeg = dip
			s.e.SetField(f, "")
			sd, cd := math.Sincos(f.DeclinationDeg * degree)
			s.fieldUT = r3.Vec{X: e.Y * sd, Y: e.Y * cd, Z: e.Z}
			s.run(6*time.Second, 0, 0)
			s.gyroBias.Z += 0.1 * degree
			s.run(6*time.Second, 0, 0)
			worst := 0.0
			for k := range 80 {
				s.run(100*time.Millisecond, 0, rate*min(1, float64(k)/40))
				worst = max(worst, math.Abs(wrap180(s.now().Azimuth.Deg-s.az)))
			}
			// A jump taken wrongly loses the whole turn, some degrees per second.
			if worst > 2 {
				t.Errorf("dip %.0f°, %.0f°/s: azimuth off by %.1f° while turning", dip, rate, worst)
			}
		}
	}
}
