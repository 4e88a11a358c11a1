package trail

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"plumbstar/astro"
)

// Whatever comes in: an error, or probabilities between 0 and 1 and times that
// are positive or without limit.
func TestGarbageGivesErrorsAndNoPanic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Mostly within what is taken, edges included, sometimes nonsense.
		number := func(name string, low, high float64) float64 {
			if rapid.IntRange(0, 19).Draw(t, "nonsense") > 0 {
				return rapid.Float64Range(low, high).Draw(t, name)
			}
			return rapid.SampledFrom([]float64{low, high, 0, math.NaN(), math.Inf(1), -1, 1e-300, 1e300}).Draw(t, name)
		}
		k := Kit{
			FocalMM: number("focal", 1, 500), PixelUM: number("pixel", 0.5, 50), SensorWidthMM: number("width", 0, 40), SensorHeightMM: number("height", 0, 30), TrailPx: number("trail", 0.1, 100),
			Projection: rapid.SampledFrom(append(Projections(), "")).Draw(t, "projection"),
		}
		e := Error{HighArcmin: number("high", -2700, 2700), EastArcmin: number("east", -60, 60), HighSigmaArcmin: number("high sigma", 0, 600), EastSigmaArcmin: number("east sigma", 0, 2700), Correlation: rapid.Float64Range(-1, 1).Draw(t, "correlation")}
		j, err := Judge(k, number("exposure", 0.001, 86400), e)
		if err == nil {
			if !(j.Probability >= 0 && j.Probability <= 1) || !(j.CornerProbability >= 0 && j.CornerProbability <= j.Probability+1e-6) {
				t.Fatalf("%+v %+v: %+v", k, e, j)
			}
			if !(j.LongestS > 0) || !(j.SureS > 0) || !(j.CornerLongestS <= j.LongestS) || !(j.AllowedArcmin >= 0) || math.IsNaN(j.TrailPx) {
				t.Fatalf("%+v %+v: %+v", k, e, j)
			}
		}
		f := Frame{Centre: Star{HourAngleDeg: rapid.Float64Range(-360, 360).Draw(t, "hour"), DecDeg: rapid.Float64Range(-90, 90).Draw(t, "dec")}}
		if trails, err := TrailsIn(k, e, astro.South, f, rapid.Float64Range(0, 86400).Draw(t, "seconds")); err == nil && (math.IsNaN(trails.Worst()) || trails.CentrePx < 0) {
			t.Fatalf("%+v %+v: %+v", k, e, trails)
		}
	})
}
