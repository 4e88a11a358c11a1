package estimator

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// TestLearnedDrift: the temperature part of the budget shrinks to what was shown,
// and only as far as it was shown.
func TestLearnedDrift(t *testing.T) {
	const mg = 1e-3 * sensors.StandardGravity
	up := r3.Vec{X: 0.8, Z: 0.6}
	o := Options{Inertial: sensors.InertialSpec{AccelDriftPerC: 0.1 * mg, AccelScalePerC: 1e-4}}
	force := r3.Scale(sensors.StandardGravity, up)
	sigma := func(tempC, knownC float64, force r3.Vec) float64 {
		a, _ := o.temperatureError(force, r3.Vec{}, tempC, knownC)
		return math.Sqrt(a[1][1])
	}
	sheet := sigma(5, 20, force)
	if math.Abs(sheet/(1.5*mg)-1) > 1e-9 {
		t.Fatalf("data sheet: %g m/s² for 15 °C", sheet)
	}
	o.Learned = &Learned{PerC: Isotropic(0.01 * mg), Up: up, MinC: 0, MaxC: 20}
	for _, c := range []struct {
		name      string
		temp, cal float64
		force     r3.Vec
		want      float64 // mg
	}{
		{"inside", 5, 20, force, 0.15},
		{"inside, warmer", 20, 5, force, 0.15},
		{"no change", 12, 12, force, 0},
		{"half outside", -10, 10, force, math.Hypot(0.1, 1)},
		{"all outside", 40, 30, force, 1},
		{"not known", math.NaN(), 20, force, 1},
		// In a pose a right angle away, the scale shows what it never did.
		{"other pose", 5, 20, r3.Vec{Y: sensors.StandardGravity}, math.Hypot(0.15, 1.5)},
	} {
		if got := sigma(c.temp, c.cal, c.force) / mg; math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %g mg, want %g", c.name, got, c.want)
		}
	}
}
