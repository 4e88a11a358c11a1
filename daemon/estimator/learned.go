package estimator

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Learned is how well nights have shown the temperature coefficient of the specific
// force, once the correction takes off what they found.
type Learned struct {
	// PerC is the covariance, ((m/s²)/°C)², body axes, of one further night's own
	// coefficient about the one that is corrected: what was learned is as good as
	// that for the next night.
	PerC Cov3
	// Up is the direction up in body axes of those nights, of unit length. In
	// another pose the scale's change with temperature shows another part of itself.
	Up r3.Vec
	// MinC and MaxC bound the temperatures that were seen. What lies outside is as
	// sure as the data sheet.
	MinC, MaxC float64
	// AxisOlder: the axis was found before the correction was in use, and the
	// correction counts from AxisTempC. What the chip drifted by then is in the axis.
	AxisOlder bool
}

// drift is the covariance of the specific force here up, at tempC, of a board
// whose errors were known at knownC; sheet is what the data sheet states for it.
func (l *Learned) drift(up r3.Vec, tempC, knownC float64, sheet *Cov3, scalePerC float64) Cov3 {
	d := tempC - knownC
	if d == 0 {
		return Cov3{}
	}
	low, high := min(tempC, knownC), max(tempC, knownC)
	inside := max(0, min(high, l.MaxC)-max(low, l.MinC))
	outside := 1 - inside/math.Abs(d)
	other := r3.Sub(up, r3.Scale(sensors.StandardGravity, l.Up))
	out := drifted(other, 0, scalePerC*inside)
	for i := range 3 {
		for j := range 3 {
			out[i][j] += inside*inside*l.PerC[i][j] + outside*outside*sheet[i][j]
		}
	}
	return out
}
