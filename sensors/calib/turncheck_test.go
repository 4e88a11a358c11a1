package calib

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// iron is what disturbs a simulated compass: a field forward and left (µT) that
// turns with the board, and soft iron in the board's plane.
type iron struct{ forward, left, e, f float64 }

// compass is the heading that a board at the magnetic heading shows, from the
// field itself. The horizontal intensity is 20 µT.
func (x iron) compass(magnetic float64, noise func() float64) float64 {
	s, c := math.Sincos(magnetic)
	return math.Atan2(20*(x.f*c+(1-x.e)*s)+x.left+noise(), 20*((1+x.e)*c+x.f*s)+x.forward+noise())
}

// deviation solves for what must be added to a compass heading.
func (x iron) deviation(compass float64) float64 {
	m := compass
	for range 50 {
		m += math.Remainder(compass-x.compass(m, func() float64 { return 0 }), 2*math.Pi)
	}
	return math.Remainder(m-compass, 2*math.Pi)
}

// simTurn turns a board through arc (rad), seen by a compass with noise and a
// gyroscope with scale error and drift.
func simTurn(rng *rand.Rand, arc float64, x iron) []TurnReading {
	const seconds, rate = 20.0, 50.0
	scale, drift, zero := 1+0.01*rng.NormFloat64(), rad(0.02)*rng.NormFloat64(), rng.Float64()
	start := 2 * math.Pi * rng.Float64()
	noise := func() float64 { return 0.2 * rng.NormFloat64() }
	var out []TurnReading
	for k := range int(seconds * rate) {
		t := float64(k) / rate
		turned := arc * t / seconds
		out = append(out, TurnReading{
			At:         time.Duration(t * float64(time.Second)),
			CompassRad: x.compass(start+turned, noise),
			GyroRad:    zero + scale*turned + drift*t,
		})
	}
	return out
}

func TestCheckTurnFindsIron(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	d, err := CheckTurn(simTurn(rng, 2*math.Pi, iron{forward: 1, left: -0.6}), TurnOptions{})
	if err != nil {
		t.Fatal(err)
	}
	f, l := d.HardIron(20)
	if math.Abs(f-1) > 0.1 || math.Abs(l+0.6) > 0.1 {
		t.Errorf("iron %.2f forward, %.2f left µT found, want 1 and -0.6", f, l)
	}
	if d.Sigmas < 10 || math.Abs(deg(d.ArcRad)-360) > 10 {
		t.Errorf("%.1f sigmas over %.0f°", d.Sigmas, deg(d.ArcRad))
	}
	// Corrected compass against truth at a heading: 1 µT forward turns the
	// compass at east by atan(1/20).
	dev, sigma := d.At(rad(90))
	if want := math.Atan2(1, 20); math.Abs(dev-want) > rad(0.3) || sigma > rad(0.2) {
		t.Errorf("deviation at east %.2f ± %.2f°, want %.2f°", deg(dev), deg(sigma), deg(want))
	}
}

// The stated sigma of the difference between two headings must hold, over long
// and short arcs: with half a turn seen, the other half is told as unsure.
func TestCheckTurnCoverage(t *testing.T) {
	for _, arc := range []float64{360, 180, 90} {
		var cover within
		var shrink, n float64
		for seed := range uint64(400) {
			rng := rand.New(rand.NewPCG(seed, 3))
			x := iron{20 * rad(3) * rng.NormFloat64(), 20 * rad(3) * rng.NormFloat64(), rad(0.5) * rng.NormFloat64(), rad(0.5) * rng.NormFloat64()}
			d, err := CheckTurn(simTurn(rng, rad(arc), x), TurnOptions{FloorSigma: rad(0.02)})
			if err != nil {
				t.Fatal(err)
			}
			h := 2 * math.Pi * rng.Float64()
			dev, sigma := d.At(h)
			cover.add(dev-x.deviation(h), sigma)
			shrink += sigma / rad(3)
			n++
		}
		if s := cover.share(); s < 0.92 || s > 0.99 {
			t.Errorf("arc %.0f°: deviation within 1.96 sigma in %.1f %% of %d turns", arc, 100*s, cover.n)
		}
		t.Logf("arc %.0f°: within %.1f %%, sigma shrank to %.2f of the prior", arc, 100*cover.share(), shrink/n)
	}
}

func TestCheckTurnRefusesShortArc(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	var r *Refusal
	if _, err := CheckTurn(simTurn(rng, rad(20), iron{forward: 1}), TurnOptions{}); !errors.As(err, &r) {
		t.Errorf("20° turn: %v", err)
	}
	if _, err := CheckTurn(nil, TurnOptions{}); !errors.As(err, &r) {
		t.Errorf("no readings: %v", err)
	}
}

// Somebody with a phone beside the mount for a part of the turn.
func TestCheckTurnRefusesAFieldThatChanged(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	turn := simTurn(rng, 2*math.Pi, iron{forward: 1})
	for i := range turn {
		if i > len(turn)/3 && i < len(turn)/2 {
			turn[i].CompassRad += rad(8)
		}
	}
	var r *Refusal
	if _, err := CheckTurn(turn, TurnOptions{}); !errors.As(err, &r) {
		t.Errorf("a field that changed: %v", err)
	}
}

// The worked example of a compass swing in the Handbook of Magnetic Compass
// Adjustment (National Geospatial-Intelligence Agency), article 501: deviation at
// eight compass headings, east positive. Its approximate coefficients by the
// article's rules are A 1.0°, B 12.0°, C 8.0°, D 5.0°, E 1.5°.
func TestCheckTurnOnPublishedSwing(t *testing.T) {
	published := [8]float64{10.5, 20.0, 11.5, -1.2, -5.5, -8.0, -12.5, -6.8}
	var readings []TurnReading
	for k := range 25 { // three times around
		compass := 45 * float64(k)
		readings = append(readings, TurnReading{
			At:         time.Duration(k) * time.Second,
			CompassRad: math.Mod(rad(compass), 2*math.Pi),
			GyroRad:    rad(compass + published[k%8] + 77), // its zero is any
		})
	}
	d, err := CheckTurn(readings, TurnOptions{SemicircularSigma: rad(30), QuadrantalSigma: rad(20)})
	if err != nil {
		t.Fatal(err)
	}
	// The handbook's rules use single headings and sines of angles as angles; at
	// deviations of 14° a few tenths of a degree lie between them and a fit.
	for i, c := range []struct{ got, want float64 }{{d.B, 12}, {d.C, 8}, {d.D, 5}, {d.E, 1.5}} {
		if math.Abs(deg(c.got)-c.want) > 0.4 {
			t.Errorf("coefficient %c: %.2f°, handbook %.1f°", "BCDE"[i], deg(c.got), c.want)
		}
	}
	for k, want := range published {
		dev, _ := d.At(rad(45 * float64(k)))
		if math.Abs(deg(dev)+1.0-want) > 1.2 {
			t.Errorf("heading %d°: deviation %.2f°, handbook %.1f°", 45*k, deg(dev)+1, want)
		}
	}
}
