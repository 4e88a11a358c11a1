package pole

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"plumbstar/astro"
)

// anyFloat draws numbers that a client may send: sane ones, edges, and nonsense.
func anyFloat(t *rapid.T, name string) float64 {
	return rapid.OneOf(
		rapid.Float64Range(-3, 3), rapid.Float64Range(-360, 360), rapid.Float64(),
		rapid.SampledFrom([]float64{0, 90, -90, 180, 360, math.NaN(), math.Inf(1), math.Inf(-1), 1e-300, 1e300, math.Copysign(0, -1)}),
	).Draw(t, name)
}

// finite fails on a fix that holds no numbers.
func finite(t *rapid.T, what string, f Fix) {
	for _, v := range []float64{f.Axis.AltDeg, f.Axis.AzDeg, f.AltSigmaDeg, f.AzSigmaDeg, f.HighArcmin, f.EastArcmin, f.HighSigmaArcmin, f.EastSigmaArcmin, f.ErrorDeg, f.ErrorSigmaDeg, f.RaiseDeg, f.TurnEastDeg} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%s: %+v", what, f)
		}
	}
}

// Whatever comes in, the answer is finite or an error.
func TestGarbageGivesErrorsAndNoPanic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		aim := poleOf(rapid.SampledFrom([]float64{90, -90, 0, 45, -20}).Draw(t, "lat"))
		direction := func(name string) astro.Direction {
			return astro.Direction{AzDeg: anyFloat(t, name+" az"), AltDeg: anyFloat(t, name+" alt")}
		}
		n := rapid.IntRange(0, 4).Draw(t, "n")
		var stars []FinderReading
		var drifts []DriftReading
		var frames []FrameCentre
		var spots []Spot
		var field []astro.Seen
		for range n {
			stars = append(stars, FinderReading{Star: astro.Seen{Direction: direction("star")}, XDeg: anyFloat(t, "x"), YDeg: anyFloat(t, "y"), SigmaDeg: anyFloat(t, "sigma")})
			drifts = append(drifts, DriftReading{HourAngleDeg: anyFloat(t, "hour"), DecDeg: anyFloat(t, "dec"), NorthArcsecPerMin: anyFloat(t, "north"), NorthSigma: anyFloat(t, "north sigma"), EastArcsecPerMin: anyFloat(t, "east"), EastSigma: anyFloat(t, "east sigma")})
			frames = append(frames, FrameCentre{Direction: direction("frame"), SigmaDeg: anyFloat(t, "frame sigma"), HeadKnown: rapid.Bool().Draw(t, "known"), HeadDeg: anyFloat(t, "head"), HeadSigmaDeg: anyFloat(t, "head sigma")})
			spots = append(spots, Spot{XDeg: anyFloat(t, "spot x"), YDeg: anyFloat(t, "spot y"), SigmaDeg: anyFloat(t, "spot sigma"), Brightest: rapid.Bool().Draw(t, "brightest")})
			field = append(field, astro.Seen{ID: "s", VMag: anyFloat(t, "mag"), Direction: direction("field")})
		}
		if f, err := FromFinder(aim, DefaultFinder(), stars); err == nil {
			finite(t, "finder", f)
		}
		setup := DriftSetup{Site: astro.Site{LatDeg: anyFloat(t, "site")}, Air: astro.Air{PressureHPa: anyFloat(t, "hPa"), TempC: 10}, Aim: aim, RateSigmaArcsecPerMin: anyFloat(t, "rate")}
		if f, err := FromDrift(setup, drifts); err == nil {
			finite(t, "drift", f)
		}
		if f, err := FromFrames(aim, frames); err == nil {
			finite(t, "frames", f)
		}
		p := Prior{HighArcmin: anyFloat(t, "high"), EastArcmin: anyFloat(t, "east"), HighSigmaArcmin: anyFloat(t, "high sigma"), EastSigmaArcmin: anyFloat(t, "east sigma"), Correlation: anyFloat(t, "correlation")}
		if id, err := DefaultFinder().Identify(aim, field, spots, p); err == nil {
			for _, r := range id.Readings {
				if math.IsNaN(r.Probability) {
					t.Fatalf("identify: %+v", id)
				}
			}
		}
		if steps, err := DefaultFinder().Search(aim, aim, p); err == nil {
			for _, s := range steps {
				if math.IsNaN(s.RaiseDeg + s.TurnEastDeg + s.Found) {
					t.Fatalf("search: %+v", steps)
				}
			}
		}
	})
}
