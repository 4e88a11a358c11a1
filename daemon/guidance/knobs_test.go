package guidance_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbstar/daemon/guidance"
)

// screws are simulated adjusters on a base that is not level.
type screws struct {
	rng            *rand.Rand
	gain, backlash [2]float64 // of altitude and azimuth, degrees per turn, degrees
	across         [2]float64
	way            [2]float64
	altDeg, sigma  float64
}

// turn is what the sensors see of a turn.
func (s *screws) turn(k int, turns float64) guidance.Step {
	along := s.gain[k] * turns
	way := math.Copysign(1, turns)
	if s.way[k] != 0 && way != s.way[k] {
		along -= math.Copysign(min(s.backlash[k], math.Abs(along)), along)
	}
	s.way[k] = way
	cos := math.Cos(s.altDeg * math.Pi / 180)
	raised, turned := along, 0.0
	if k == 0 {
		turned = s.across[0] * along / cos
	} else {
		raised, turned = s.across[1]*along*cos, along
	}
	return guidance.Step{
		RaisedDeg: raised + s.sigma*s.rng.NormFloat64(), TurnedDeg: turned + s.sigma/cos*s.rng.NormFloat64(),
		RaisedSigma: s.sigma, TurnedSigma: s.sigma / cos, AltDeg: s.altDeg,
	}
}

var adjusters = [2]guidance.Adjuster{guidance.AltitudeAdjuster, guidance.AzimuthAdjuster}

// What is learned lies within its stated sigma, and soon is of use.
func TestKnobsAreLearned(t *testing.T) {
	var inGain, inBacklash, inCoupling, n, share float64
	for seed := range uint64(300) {
		rng := rand.New(rand.NewPCG(seed, 31))
		s := &screws{rng: rng, altDeg: 25 + 30*rng.Float64(), sigma: 0.03}
		for k := range 2 {
			s.gain[k] = math.Copysign(1+3*rng.Float64(), rng.Float64()-0.5)
			s.backlash[k] = math.Abs(0.3 * rng.NormFloat64())
			s.across[k] = 0.05 * rng.NormFloat64()
		}
		var knobs guidance.Knobs
		for range 10 {
			k := rng.IntN(2)
			turns := (0.25 + 1.5*rng.Float64()) * math.Copysign(1, rng.Float64()-0.5)
			step := s.turn(k, turns)
			if a := knobs.See(step); a != adjusters[k] && a != "" {
				t.Fatalf("seed %d: a step of the %s adjuster taken for the %s", seed, adjusters[k], a)
			}
			// The person tells it to the nearest eighth or so.
			if err := knobs.Told(adjusters[k], turns+0.06*rng.NormFloat64(), step); err != nil && err != guidance.ErrNoMovement {
				t.Fatal(err)
			}
		}
		for k, a := range adjusters {
			x := knobs.State(a)
			if x.TurnsTold < 3 {
				continue
			}
			n++
			inGain += b2f(math.Abs(x.DegPerTurn-s.gain[k]) < 1.96*x.DegPerTurnSigma)
			inBacklash += b2f(math.Abs(x.BacklashDeg-s.backlash[k]) < 1.96*x.BacklashSigma)
			inCoupling += b2f(math.Abs(x.Coupling-s.across[k]) < 1.96*x.CouplingSigma)
			share += x.DegPerTurnSigma / math.Abs(s.gain[k])
		}
	}
	for name, v := range map[string]float64{"gain": inGain / n, "backlash": inBacklash / n, "coupling": inCoupling / n} {
		if v < 0.90 || v > 0.99 {
			t.Errorf("%s within 1.96 sigma in %.1f %% of %v", name, 100*v, n)
		}
	}
	t.Logf("of %v adjusters: gain within 1.96 sigma in %.1f %%, backlash %.1f %%, coupling %.1f %%; gain known to %.1f %%", n, 100*inGain/n, 100*inBacklash/n, 100*inCoupling/n, 100*share/n)
	if share/n > 0.06 {
		t.Errorf("gain known to %.1f %% after about five turns", 100*share/n)
	}
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// taught are knobs of 2° a turn clockwise up, 1.6° a turn clockwise west, with
// 0.2° of backlash, last turned clockwise.
func taught(t *testing.T) *guidance.Knobs {
	t.Helper()
	s := &screws{rng: rand.New(rand.NewPCG(1, 1)), gain: [2]float64{2, -1.6}, backlash: [2]float64{0.2, 0.2}, altDeg: 50, sigma: 0.01}
	k := &guidance.Knobs{}
	for _, turns := range []float64{1, 0.5, -1, -0.5, 1, -1, 0.5, -1, 1, 0.75} {
		for i, a := range adjusters {
			if err := k.Told(a, turns, s.turn(i, turns)); err != nil {
				t.Fatal(err)
			}
		}
	}
	return k
}

// The words come after the degrees, with the right sense, north and south, and
// with the backlash when a turn reverses.
func TestTurnsInWords(t *testing.T) {
	k := taught(t)
	for _, c := range []struct {
		name    string
		aim     *guidance.Aim
		alt, az float64
		want    string
	}{
		{"up and east", north, 50.92, 358.8, "Raise 1.0° (about half a turn clockwise), turn east 1.2° (about seven eighths of a turn counterclockwise)"},
		{"down and west", north, 52.92, 1.6, "Lower 1.0° (about five eighths of a turn counterclockwise), turn west 1.6° (about one turn clockwise)"},
		// In the south east is where azimuth falls: the same screw, the other way.
		{"south, east", south, 30.63, 181.6, "Raise 1.0° (about half a turn clockwise), turn east 1.6° (about one turn clockwise)"},
	} {
		g := guidance.Guide{Knobs: k}
		if out := g.Next(estimate(c.alt, 0.02, c.az, 0.05), c.aim, ""); out.Text != c.want {
			t.Errorf("%s: %q, want %q", c.name, out.Text, c.want)
		}
	}
	// Too unsure a direction gets no turns, and unknown knobs none at all.
	g := guidance.Guide{Knobs: k}
	if out := g.Next(estimate(50.92, 0.02, 359.5, 2), north, ""); strings.Contains(out.Text, "east 0.5° (") {
		t.Errorf("%q", out.Text)
	}
	g = guidance.Guide{Knobs: &guidance.Knobs{}}
	if out := g.Next(estimate(50.92, 0.02, 358.8, 0.05), north, ""); strings.Contains(out.Text, "turn cl") {
		t.Errorf("%q", out.Text)
	}
	// A wobble does not make the words flicker.
	g = guidance.Guide{Knobs: k}
	first := g.Next(estimate(50.92, 0.02, 358.8, 0.05), north, "").Text
	for i := range 200 {
		w := 0.03 * math.Sin(float64(i))
		if out := g.Next(estimate(50.92+w, 0.02, 358.8+w, 0.05), north, ""); out.Text != first {
			t.Fatalf("%q became %q", first, out.Text)
		}
	}
}

// A lean of the base is taken into account: both adjusters together bring the
// axis to its place.
func TestUncouple(t *testing.T) {
	s := &screws{rng: rand.New(rand.NewPCG(2, 2)), gain: [2]float64{2, 2}, altDeg: 40, sigma: 0.01, across: [2]float64{0.08, -0.06}}
	var k guidance.Knobs
	for _, turns := range []float64{1, -1, 1, 0.5, -1, 1} {
		for i := range 2 {
			k.See(s.turn(i, turns))
		}
	}
	a, z := k.Uncouple(1, 3, 40)
	cos := math.Cos(40 * math.Pi / 180)
	raised, turned := a+s.across[1]*z*cos, z+s.across[0]*a/cos
	if math.Abs(raised-1) > 0.02 || math.Abs(turned-3) > 0.02 || math.Abs(a-1) < 0.05 {
		t.Errorf("%.3f° and %.3f° bring %.3f° and %.3f°", a, z, raised, turned)
	}
	var none guidance.Knobs
	if a, z := none.Uncouple(1, 3, 40); a != 1 || z != 3 {
		t.Errorf("unknown knobs: %v, %v", a, z)
	}
}

// A mistake is passed over; another mount is learned anew.
func TestKnobsAndMistakes(t *testing.T) {
	k := taught(t)
	before := k.State(guidance.AltitudeAdjuster)
	s := &screws{rng: rand.New(rand.NewPCG(3, 3)), gain: [2]float64{2, -1.6}, backlash: [2]float64{0.2, 0.2}, altDeg: 50, sigma: 0.01}
	if err := k.Told(guidance.AltitudeAdjuster, 5, s.turn(0, 0.5)); err != nil {
		t.Fatal(err)
	}
	if after := k.State(guidance.AltitudeAdjuster); after.DegPerTurn != before.DegPerTurn || after.TurnsTold != before.TurnsTold {
		t.Errorf("%+v became %+v by a mistake", before, after)
	}
	s.gain[0], s.backlash[0] = -4, 0
	for _, turns := range []float64{1, 0.5, -1, 1, -0.5, 1} {
		if err := k.Told(guidance.AltitudeAdjuster, turns, s.turn(0, turns)); err != nil {
			t.Fatal(err)
		}
	}
	if x := k.State(guidance.AltitudeAdjuster); !x.Known || math.Abs(x.DegPerTurn+4) > 3*x.DegPerTurnSigma {
		t.Errorf("another adjuster: %+v", x)
	}
	if x := k.State(guidance.AzimuthAdjuster); !x.Known || math.Abs(x.DegPerTurn+1.6) > 0.15 {
		t.Errorf("the other one suffered: %+v", x)
	}
	for _, turns := range []float64{0, math.NaN(), math.Inf(1), 1000} {
		if err := k.Told(guidance.AltitudeAdjuster, turns, s.turn(0, 1)); err == nil {
			t.Errorf("%v turns taken", turns)
		}
	}
	if err := k.Told(guidance.AltitudeAdjuster, 1, guidance.Step{TurnedDeg: 2, RaisedSigma: 0.1, TurnedSigma: 0.1, AltDeg: 40}); err != guidance.ErrNoMovement {
		t.Errorf("a turn of the other adjuster: %v", err)
	}
}

func TestKnobsAreKept(t *testing.T) {
	k := taught(t)
	b, err := json.Marshal(k)
	if err != nil {
		t.Fatal(err)
	}
	var back guidance.Knobs
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	for _, a := range adjusters {
		if back.State(a) != k.State(a) {
			t.Errorf("%+v became %+v", k.State(a), back.State(a))
		}
	}
	for _, bad := range []string{`{"altitude":{"covariance":[-1,0,1]}}`, `{"azimuth":{"told":-2}}`, `[]`, `{"altitude":{"covariance":[1,9,1]}}`} {
		if err := json.Unmarshal([]byte(bad), &back); err == nil {
			t.Errorf("%s taken", bad)
		}
	}
}
