package pole

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbstar/astro"
)

// Signs worked out by hand. North: east is to the right of an eye that faces the
// pole; south: to the left.
func TestSignsOfTheFix(t *testing.T) {
	near := func(got, want float64) bool { return math.Abs(got-want) < 0.02 }
	for _, tt := range []struct {
		name             string
		lat              float64
		star             astro.Direction // at the pole itself: it is then seen opposite to the error
		x, y             float64
		raise, turnEast  float64
		highMin, eastMin float64
	}{
		{"north, pole seen below the centre: axis too high", 50, astro.Direction{AltDeg: 50}, 0, -0.5, -0.5, 0, 30, 0},
		{"north, pole seen right of the centre: axis too far west", 50, astro.Direction{AltDeg: 50}, 0.5, 0, 0, 0.5 / math.Cos(50*math.Pi/180), 0, -30},
		{"south, pole seen above the centre: axis too low", -35, astro.Direction{AzDeg: 180, AltDeg: 35}, 0, 0.25, 0.25, 0, -15, 0},
		{"south, pole seen left of the centre: axis too far west", -35, astro.Direction{AzDeg: 180, AltDeg: 35}, -0.5, 0, 0, 0.5 / math.Cos(35*math.Pi/180), 0, -30},
	} {
		f, err := FromFinder(poleOf(tt.lat), DefaultFinder(), []FinderReading{{Star: astro.Seen{Direction: tt.star}, XDeg: tt.x, YDeg: tt.y, SigmaDeg: 0.01}})
		if err != nil {
			t.Fatal(err)
		}
		if !near(f.RaiseDeg, tt.raise) || !near(f.TurnEastDeg, tt.turnEast) || !near(f.HighArcmin/60, tt.highMin/60) || !near(f.EastArcmin/60, tt.eastMin/60) {
			t.Errorf("%s: raise %.3f, turn east %.3f, high %.1f', east %.1f'", tt.name, f.RaiseDeg, f.TurnEastDeg, f.HighArcmin, f.EastArcmin)
		}
	}
	// The sign table of refdata polar_error.md: 10' of error, |declination| 20°.
	for _, tt := range []struct {
		name             string
		lat              float64
		eastStar, merid  float64 // drift in declination of a star in the east, on the meridian
		highMin, eastMin float64
	}{
		{"too high, north", 45, 2.625, 0, 10, 0},
		{"too far east, north", 45, 0, -2.625, 0, 10},
		{"too high, south", -45, -2.625, 0, 10, 0},
		{"too far east, south", -45, 0, 2.625, 0, 10},
	} {
		dec := math.Copysign(20, tt.lat)
		f, err := FromDrift(DriftSetup{Site: astro.Site{LatDeg: tt.lat}, Aim: poleOf(tt.lat)}, []DriftReading{
			{HourAngleDeg: -90, DecDeg: dec, NorthArcsecPerMin: tt.eastStar, NorthSigma: 0.05},
			{HourAngleDeg: 0, DecDeg: dec, NorthArcsecPerMin: tt.merid, NorthSigma: 0.05},
		})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(f.HighArcmin-tt.highMin) > 0.1 || math.Abs(f.EastArcmin-tt.eastMin) > 0.1 {
			t.Errorf("%s: high %.2f', east %.2f'", tt.name, f.HighArcmin, f.EastArcmin)
		}
	}
}

func TestOutliersAreNamed(t *testing.T) {
	found, wrong := 0, 0
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 13))
		lat := latitudes[seed%uint64(len(latitudes))]
		aim := poleOf(lat)
		truth, axis := axisNear(r, aim, 30)
		bad := r.IntN(5)
		var readings []FinderReading
		for k := range 5 {
			star := starAt(lat, 360*r.Float64(), math.Copysign(89.3, lat))
			x, y := eye(axis, star)
			if k == bad {
				x += 0.6
			}
			readings = append(readings, FinderReading{Star: astro.Seen{Direction: azAlt(star)}, Label: fmt.Sprintf("star %d", k),
				XDeg: x + 0.05*r.NormFloat64(), YDeg: y + 0.05*r.NormFloat64(), SigmaDeg: 0.05})
		}
		f, err := FromFinder(aim, DefaultFinder(), readings)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range f.Outliers {
			if o.Index == bad && o.Label == fmt.Sprintf("star %d", bad) && o.Sigmas > 5 {
				found++
			} else {
				wrong++
			}
		}
		if d := astro.Separation(f.Axis, truth); d > 6*math.Hypot(f.AltSigmaDeg, f.AzSigmaDeg) {
			t.Errorf("seed %d: %.3f° from the truth, outliers %v", seed, d, f.Outliers)
		}
	}
	if found < 297 || wrong > 6 {
		t.Errorf("the bad reading was named in %d of 300, a good one in %d", found, wrong)
	}
	// Two readings that disagree: neither can be blamed, the sigma grows.
	star := astro.Seen{Direction: astro.Direction{AltDeg: 50.5}}
	f, err := FromFinder(poleOf(50), DefaultFinder(), []FinderReading{
		{Star: star, XDeg: 0, YDeg: 0.5, SigmaDeg: 0.05}, {Star: star, XDeg: 1, YDeg: 0.5, SigmaDeg: 0.05}})
	if err != nil || len(f.Outliers) != 0 || f.Note == "" || f.AzSigmaDeg < 0.3 {
		t.Errorf("two readings a degree apart: %+v, %v", f, err)
	}
}

func TestDegenerateReadingsAreRefused(t *testing.T) {
	north := DriftSetup{Site: astro.Site{LatDeg: 45}, Aim: poleOf(45)}
	drift := func(hours ...float64) (out []DriftReading) {
		for _, h := range hours {
			out = append(out, DriftReading{HourAngleDeg: h * 15, DecDeg: 40, NorthSigma: 0.1, NorthArcsecPerMin: 1})
		}
		return out
	}
	frame := func(az, alt float64) FrameCentre {
		return FrameCentre{Direction: astro.Direction{AzDeg: az, AltDeg: alt}}
	}
	eastOnly := []DriftReading{{HourAngleDeg: -60, DecDeg: 0, EastSigma: 0.1}, {HourAngleDeg: 10, DecDeg: 0, EastSigma: 0.1}}
	for _, tt := range []struct {
		name string
		err  func() error
		says string
	}{
		{"no star", func() error { _, err := FromFinder(poleOf(45), DefaultFinder(), nil); return err }, "pole star"},
		{"no drift", func() error { _, err := FromDrift(north, nil); return err }, "meridian"},
		{"one drift on the meridian", func() error { _, err := FromDrift(north, drift(0)); return err }, "east or west"},
		{"one drift in the east", func() error { _, err := FromDrift(north, drift(-6)); return err }, "near the meridian"},
		{"the same place twice", func() error { _, err := FromDrift(north, drift(-6, -6.01)); return err }, "near the meridian"},
		{"opposite places", func() error { _, err := FromDrift(north, drift(-6, 6)); return err }, "near the meridian"},
		{"eastward drift on the equator says nothing", func() error { _, err := FromDrift(north, eastOnly); return err }, "declination"},
		{"no frame", func() error { _, err := FromFrames(poleOf(45), nil); return err }, "turn the head"},
		{"two frames without angles", func() error {
			_, err := FromFrames(poleOf(45), []FrameCentre{frame(0, 50), frame(5, 47)})
			return err
		}, "third"},
		{"three frames at one place", func() error {
			_, err := FromFrames(poleOf(45), []FrameCentre{frame(0, 50), frame(0, 50), frame(0, 50)})
			return err
		}, "turn the head"},
		{"three frames within a minute of arc", func() error {
			_, err := FromFrames(poleOf(45), []FrameCentre{frame(0, 55), frame(0.01, 55.0001), frame(0.02, 55)})
			return err
		}, "turn the head"},
	} {
		err := tt.err()
		var open *Degenerate
		if !errors.As(err, &open) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, want a refusal that says %q", tt.name, err, tt.says)
		}
	}
}

func TestReadingsOutOfRange(t *testing.T) {
	aim := poleOf(45)
	star := astro.Seen{Name: "a star", Direction: astro.Direction{AltDeg: 45.5}}
	setup := DriftSetup{Site: astro.Site{LatDeg: 45}, Aim: aim}
	for _, tt := range []struct {
		name string
		err  func() error
		says string
	}{
		{"star outside the field", func() error {
			_, err := FromFinder(aim, DefaultFinder(), []FinderReading{{Star: star, XDeg: 4}})
			return err
		}, "field"},
		{"place not a number", func() error {
			_, err := FromFinder(aim, DefaultFinder(), []FinderReading{{Star: star, XDeg: math.NaN()}})
			return err
		}, "field"},
		{"negative sigma", func() error {
			_, err := FromFinder(aim, DefaultFinder(), []FinderReading{{Star: star, SigmaDeg: -1}})
			return err
		}, "sigma"},
		{"no view", func() error { _, err := FromFinder(aim, Finder{}, nil); return err }, "view"},
		{"star at the pole", func() error {
			_, err := FromDrift(setup, []DriftReading{{DecDeg: 90, NorthSigma: 1}})
			return err
		}, "pole"},
		{"star below the horizon", func() error {
			_, err := FromDrift(setup, []DriftReading{{DecDeg: -60, NorthSigma: 1}})
			return err
		}, "horizon"},
		{"drift without sigma", func() error {
			_, err := FromDrift(setup, []DriftReading{{DecDeg: 10, NorthArcsecPerMin: 1}})
			return err
		}, "sigma"},
		{"drift of a car", func() error {
			_, err := FromDrift(setup, []DriftReading{{DecDeg: 10, NorthArcsecPerMin: 1e6, NorthSigma: 1}})
			return err
		}, "drift"},
		{"frame nowhere", func() error {
			_, err := FromFrames(aim, []FrameCentre{{Direction: astro.Direction{AltDeg: math.NaN()}}})
			return err
		}, "direction"},
	} {
		if err := tt.err(); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, want an error about %q", tt.name, err, tt.says)
		}
	}
}
