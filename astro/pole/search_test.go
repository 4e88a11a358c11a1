package pole

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbstar/astro"
)

// A search finds the star as often as it says, wherever the prior puts the axis,
// and in fewer looks than covering the same ground row by row from a corner.
func TestSearchFindsTheStar(t *testing.T) {
	for _, tt := range []struct {
		name string
		aim  astro.Direction
		p    Prior
		most int // steps
	}{
		{"compass, north", astro.Direction{AltDeg: 52}, Prior{HighSigmaArcmin: 6, EastSigmaArcmin: 120}, 4},
		{"bad compass, south", astro.Direction{AzDeg: 180, AltDeg: 31}, Prior{HighSigmaArcmin: 10, EastSigmaArcmin: 400, EastArcmin: 60}, 16},
		{"nothing calibrated, north", astro.Direction{AltDeg: 45}, Prior{HighSigmaArcmin: 90, EastSigmaArcmin: 300, Correlation: 0.5}, 30},
	} {
		f := DefaultFinder()
		x, y := 0.5*radPerDeg, 0.4*radPerDeg
		star := astro.DirectionOf(tangent(tt.aim).at(x, y))
		steps, err := f.Search(tt.aim, star, tt.p)
		if err != nil {
			t.Fatalf("%s: %v", tt.name, err)
		}
		if len(steps) == 0 || len(steps) > tt.most {
			t.Errorf("%s: %d steps, at most %d expected", tt.name, len(steps), tt.most)
		}
		// Play it with axes drawn from the prior.
		r := rand.New(rand.NewPCG(3, 15))
		radius := f.FieldDeg / 2 * 60 * usableField
		hidden, found := 0, 0
		firstFound := 0
		for range 4000 {
			a, b := r.NormFloat64(), r.NormFloat64()
			b = tt.p.Correlation*a + math.Sqrt(1-tt.p.Correlation*tt.p.Correlation)*b
			high, east := tt.p.HighArcmin+tt.p.HighSigmaArcmin*a, tt.p.EastArcmin+tt.p.EastSigmaArcmin*b
			sign := 1.0
			if hemisphereOf(tt.aim) == astro.South {
				sign = -1
			}
			inView := func(high, east float64) bool {
				return math.Hypot(y*60/radPerDeg-high, sign*x*60/radPerDeg-east) <= radius
			}
			if inView(high, east) {
				continue
			}
			hidden++
			for k, s := range steps {
				high += s.RaiseDeg * 60
				east += s.TurnEastDeg * 60 * math.Cos(tt.aim.AltDeg*radPerDeg)
				if inView(high, east) {
					found++
					if k == 0 {
						firstFound++
					}
					break
				}
			}
		}
		share, says := float64(found)/float64(hidden), steps[len(steps)-1].Found
		if math.Abs(share-says) > 0.02 {
			t.Errorf("%s: found in %.3f of %d, the plan says %.3f", tt.name, share, hidden, says)
		}
		if first := float64(firstFound) / float64(hidden); math.Abs(first-steps[0].Found) > 0.06 {
			t.Errorf("%s: the first step finds %.3f, the plan says %.3f", tt.name, first, steps[0].Found)
		}
		for k := 1; k < len(steps); k++ {
			if steps[k].Found < steps[k-1].Found || steps[k].Text == "" {
				t.Errorf("%s: step %d: %+v after %+v", tt.name, k, steps[k], steps[k-1])
			}
		}
	}
}

// The likeliest error first: a mean error to the east sends the axis west.
func TestSearchBeginsWithTheLikeliest(t *testing.T) {
	for _, tt := range []struct {
		aim  astro.Direction
		p    Prior
		says string
	}{
		{astro.Direction{AltDeg: 50}, Prior{EastArcmin: 300, HighSigmaArcmin: 10, EastSigmaArcmin: 60}, "turn west"},
		{astro.Direction{AzDeg: 180, AltDeg: 35}, Prior{EastArcmin: 300, HighSigmaArcmin: 10, EastSigmaArcmin: 60}, "turn west"},
		{astro.Direction{AltDeg: 50}, Prior{HighArcmin: -300, HighSigmaArcmin: 60, EastSigmaArcmin: 10}, "raise"},
	} {
		steps, err := DefaultFinder().Search(tt.aim, tt.aim, tt.p)
		if err != nil || !strings.HasPrefix(steps[0].Text, tt.says) {
			t.Errorf("%+v: %v %v, want %q first", tt.p, steps, err, tt.says)
		}
	}
}

func TestSearchRefusals(t *testing.T) {
	aim := astro.Direction{AltDeg: 50}
	if _, err := DefaultFinder().Search(aim, aim, Prior{HighSigmaArcmin: 1, EastSigmaArcmin: 1}); err == nil || !strings.Contains(err.Error(), "should be in view") {
		t.Errorf("a well known axis: %v", err)
	}
	for _, p := range []Prior{{HighSigmaArcmin: math.NaN()}, {EastSigmaArcmin: -1}, {HighArcmin: math.Inf(1)}, {Correlation: 1}} {
		if _, err := DefaultFinder().Search(aim, aim, p); err == nil {
			t.Errorf("%+v passes", p)
		}
	}
}

// field of invented stars about a pole: one bright, some faint.
func inventedField(r *rand.Rand, aim astro.Direction) []astro.Seen {
	var out []astro.Seen
	for k, mag := range []float64{2, 4.3, 5.0, 5.6, 6.1, 6.4, 6.8, 7.0} {
		x, y := 0.05*(2*r.Float64()-1), 0.05*(2*r.Float64()-1)
		if k == 0 {
			x, y = 0.006, 0.009
		}
		out = append(out, astro.Seen{ID: string(rune('A' + k)), Name: string(rune('A' + k)), VMag: mag, Direction: astro.DirectionOf(tangent(aim).at(x, y))})
	}
	return out
}

// Spots of three stars, with noise, are named rightly, and the probability is
// honest: of the readings given as 95 % and more, hardly one is wrong.
func TestIdentify(t *testing.T) {
	right, sure, sureWrong := 0, 0, 0
	const n = 400
	for seed := range uint64(n) {
		r := rand.New(rand.NewPCG(seed, 16))
		aim := poleOf(latitudes[seed%4])
		p := Prior{HighSigmaArcmin: 10, EastSigmaArcmin: 90}
		field := inventedField(r, aim)
		axis := astro.Direction{AltDeg: aim.AltDeg + 10.0/60*r.NormFloat64(), AzDeg: aim.AzDeg + 90.0/60*r.NormFloat64()/math.Cos(aim.AltDeg*radPerDeg)}
		f := DefaultFinder()
		f.View = []View{Erect, Inverted, Mirrored}[r.IntN(3)]
		var spots []Spot
		var truth []string
		for _, s := range field { // the three brightest in view
			if m := f.Mark(axis, s.Direction); m.OffsetArcmin < 150 && len(spots) < 3 {
				spots = append(spots, Spot{XDeg: m.XDeg + 0.05*r.NormFloat64(), YDeg: m.YDeg + 0.05*r.NormFloat64(), Brightest: len(spots) == 0})
				truth = append(truth, s.ID)
			}
		}
		if len(spots) < 2 {
			right++
			continue
		}
		id, err := f.Identify(aim, field, spots, p)
		if err != nil {
			t.Fatal(err)
		}
		ok := len(id.Readings) > 0 && strings.Join(id.Readings[0].IDs, "") == strings.Join(truth, "")
		if ok {
			right++
		}
		if id.Sure {
			sure++
			if !ok {
				sureWrong++
			}
		} else if id.Advice == "" {
			t.Errorf("seed %d: unsure and without advice", seed)
		}
	}
	t.Logf("right %d, sure %d, sure and wrong %d of %d", right, sure, sureWrong, n)
	if right < n*97/100 || sure < n*90/100 || sureWrong > n*2/100 {
		t.Errorf("right %d, sure %d, sure and wrong %d of %d", right, sure, sureWrong, n)
	}
}

// One bright star where it is believed to be: it is the pole star.
func TestIdentifyOneStar(t *testing.T) {
	aim := poleOf(50)
	field := inventedField(rand.New(rand.NewPCG(5, 16)), aim)
	f := DefaultFinder()
	m := f.Mark(aim, field[0].Direction)
	id, err := f.Identify(aim, field, []Spot{{XDeg: m.XDeg + 0.1, YDeg: m.YDeg, Brightest: true}}, Prior{HighSigmaArcmin: 10, EastSigmaArcmin: 60})
	if err != nil || !id.Sure || id.Readings[0].Stars[0] != "A" || math.Abs(id.Readings[0].EastArcmin+6) > 0.2 {
		t.Errorf("%+v %v", id, err)
	}
	// The same with an axis that may point anywhere is not sure.
	id, err = f.Identify(aim, field, []Spot{{XDeg: -1, YDeg: 2}}, Prior{HighSigmaArcmin: 200, EastSigmaArcmin: 600})
	if err != nil || id.Sure || id.Advice == "" {
		t.Errorf("%+v %v", id, err)
	}
	for _, bad := range [][]Spot{nil, {{XDeg: 9}}, {{XDeg: math.NaN()}}, {{SigmaDeg: -1}}, make([]Spot, 13)} {
		if _, err := f.Identify(aim, field, bad, Prior{}); err == nil {
			t.Errorf("%v passes", bad)
		}
	}
}
