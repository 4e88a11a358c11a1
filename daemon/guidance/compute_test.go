package guidance_test

import (
	"math"
	"strings"
	"testing"

	"plumbstar/astro"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

func known(deg, sigma float64) estimator.Quantity {
	return estimator.Quantity{Deg: deg, SigmaDeg: sigma, Known: true, Source: "compass"}
}

func estimate(alt, altSigma, az, azSigma float64) estimator.Estimate {
	return estimator.Estimate{Altitude: known(alt, altSigma), Azimuth: known(az, azSigma)}
}

var (
	north = &guidance.Aim{AltitudeDeg: 51.92, AzimuthDeg: 0, Kind: "refracted", Hemisphere: astro.North}
	south = &guidance.Aim{AltitudeDeg: 31.63, AzimuthDeg: 180, Kind: "refracted", Hemisphere: astro.South}
)

// Worked by hand: which way is which, in both hemispheres.
func TestWordsAndSigns(t *testing.T) {
	for _, c := range []struct {
		name         string
		aim          *guidance.Aim
		alt, az      float64
		raise, turn  float64
		text, inHand string
	}{
		{"too low and west of north", north, 51.52, 358.81, 0.40, 1.19, "Raise 0.4°, turn east 1.2°", "right"},
		{"too high and east of north", north, 52.42, 1.5, -0.5, -1.5, "Lower 0.5°, turn west 1.5°", "right"},
		{"south, axis to the east", south, 31.13, 178, 0.5, -2, "Raise 0.5°, turn west 2.0°", "left"},
		{"south, axis to the west", south, 32.63, 183, -1, 3, "Lower 1.0°, turn east 3.0°", "left"},
		{"south, far to the west", south, 31.63, 270, 0, 90, "Altitude is right, turn east 90°", "left"},
		{"direction right", north, 50.92, 0.1, 1, -0.1, "Raise 1.0°, direction is right", "right"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var g guidance.Guide
			out := g.Next(estimate(c.alt, 0.09, c.az, 0.9), c.aim, "")
			if math.Abs(out.Raise.Deg-c.raise) > 1e-9 || math.Abs(out.TurnEast.Deg-c.turn) > 1e-9 {
				t.Errorf("raise %v, turn east %v; want %v, %v", out.Raise.Deg, out.TurnEast.Deg, c.raise, c.turn)
			}
			if out.Text != c.text {
				t.Errorf("text %q, want %q", out.Text, c.text)
			}
			for _, said := range []struct {
				guidance.Said
				deg            float64
				up, down, done string
			}{{out.RaiseSaid, c.raise, "aise", "ower", "Altitude is right"}, {out.TurnSaid, c.turn, "turn east", "turn west", "irection is right"}} {
				word := said.down
				if said.Positive {
					word = said.up
				}
				if want := word + " " + said.Amount; !said.Reached && (!strings.Contains(c.text, want) || said.Positive != (said.deg > 0)) ||
					said.Reached && (said.Amount != "" || !strings.Contains(c.text, said.done)) {
					t.Errorf("%+v does not say what %q says", said.Said, c.text)
				}
			}
			if !strings.Contains(out.Hand, c.inHand) {
				t.Errorf("hand %q, want %s", out.Hand, c.inHand)
			}
		})
	}
}

// What is right only because nothing is known is not called right.
func TestWideDoubtIsNotRight(t *testing.T) {
	for _, c := range []struct {
		name                       string
		alt, altSigma, az, azSigma float64
		text                       string
	}{
		{"both wide", 52.5, 9, 358, 12, "The sensors tell no more: known only to ±11.6°"},
		{"height wide, direction good", 52.5, 9, 0.1, 2, "The sensors tell no more: known only to ±9.1°"},
		{"height wide, direction off", 52.5, 9, 350, 2, "Altitude known only to ±9.0°, turn east 10°"},
		{"direction wide, height off", 47, 0.3, 2, 12, "Raise 4.9°, direction known only to ±12.0°"},
		{"a degree of azimuth is less than one on the night sky", 47, 0.3, 0.2, 4, "Raise 4.9°, direction is right"},
		{"as good as a compass alone", 51.9, 0.4, 0.2, 2.4, "Leave it: within ±1.5° of the pole, as far as the sensors can tell"},
	} {
		var g guidance.Guide
		out := g.Next(estimate(c.alt, c.altSigma, c.az, c.azSigma), north, "")
		if out.Text != c.text {
			t.Errorf("%s: %q, want %q", c.name, out.Text, c.text)
		}
		if s := out.RaiseSaid; s.Vague != (c.altSigma > 3) || s.Vague && s.Reached {
			t.Errorf("%s: %+v", c.name, s)
		}
	}
	var g guidance.Guide
	e := estimate(52.5, 9, 0, 1)
	e.Azimuth = estimator.Quantity{Why: "magnetometer lost"}
	if out := g.Next(e, north, ""); out.Text != "Altitude known only to ±9.0°; direction not known" {
		t.Errorf("%q", out.Text)
	}
}

// The error on the night sky against the angle between two unit vectors.
func TestErrorIsTheAngleBetweenDirections(t *testing.T) {
	vec := func(alt, az float64) [3]float64 {
		a, z := alt*math.Pi/180, az*math.Pi/180
		return [3]float64{math.Cos(a) * math.Sin(z), math.Cos(a) * math.Cos(z), math.Sin(a)}
	}
	for _, p := range [][2]float64{{51.52, 358.81}, {51.92, 0}, {10, 90}, {-20, 181}, {89, 12}, {51.92001, 0}} {
		var g guidance.Guide
		out := g.Next(estimate(p[0], 0.1, p[1], 1), north, "")
		a, b := vec(p[0], p[1]), vec(north.AltitudeDeg, north.AzimuthDeg)
		var d float64
		for k := range 3 {
			d += (a[k] - b[k]) * (a[k] - b[k])
		}
		want := 2 * math.Asin(min(1, math.Sqrt(d)/2)) * 180 / math.Pi
		if math.Abs(out.Error.Deg-want) > 1e-7 {
			t.Errorf("altitude %v, azimuth %v: error %v, want %v", p[0], p[1], out.Error.Deg, want)
		}
		if s := math.Hypot(0.1, math.Cos(p[0]*math.Pi/180)); math.Abs(out.Error.SigmaDeg-s) > 1e-9 {
			t.Errorf("error sigma %v, want %v", out.Error.SigmaDeg, s)
		}
	}
}

func TestNoNumbersWithoutKnowledge(t *testing.T) {
	var g guidance.Guide
	e := estimate(51, 0.1, 0, 1)
	out := g.Next(e, nil, "site not known")
	if out.Raise.Known || out.TurnEast.Known || out.Error.Known || out.Text != "Not known: site not known" {
		t.Errorf("without a site: %+v", out)
	}
	e.Azimuth = estimator.Quantity{Why: "magnetometer lost"}
	out = g.Next(e, north, "")
	if !out.Raise.Known || out.TurnEast.Known || out.Error.Known || out.Error.Why != "magnetometer lost" {
		t.Errorf("without azimuth: %+v", out)
	}
	if out.Text != "Raise 0.9°; direction not known" {
		t.Errorf("text %q", out.Text)
	}
	e.Altitude = estimator.Quantity{Why: "inertial sensor lost"}
	out = g.Next(e, north, "")
	if out.Text != "Not known: inertial sensor lost" {
		t.Errorf("text %q", out.Text)
	}
	zenith := &guidance.Aim{AltitudeDeg: 90, Hemisphere: astro.North}
	if out = g.Next(estimate(89.9, 0.1, 120, 1), zenith, ""); out.TurnEast.Known {
		t.Errorf("a turn at the pole of the Earth: %+v", out.TurnEast)
	}
}

// Noise of a fraction of a step must not make the words flicker.
func TestWordsDoNotFlicker(t *testing.T) {
	var g guidance.Guide
	changes, last := 0, ""
	for k := range 1000 {
		wobble := 0.025 * math.Sin(float64(k))
		out := g.Next(estimate(51.52+wobble, 0.09, 358.85+wobble, 0.9), north, "")
		if out.Text != last {
			changes, last = changes+1, out.Text
		}
	}
	if changes > 1 {
		t.Errorf("the sentence changed %d times while the axis stood still", changes-1)
	}
	// At the edge of "right": one change at most, too.
	g.Reset()
	changes, last = 0, ""
	for k := range 1000 {
		wobble := 0.05 * math.Sin(float64(k))
		out := g.Next(estimate(50.92, 0.09, 360-0.25*0.9+wobble, 0.9), north, "")
		if out.Text != last {
			changes, last = changes+1, out.Text
		}
	}
	if changes > 2 {
		t.Errorf("the sentence changed %d times at the edge of right", changes-1)
	}
}
