package estimator

import (
	"math"
	"strings"
	"testing"
)

// TestFilterHoldsHeadingBesideMagnet: a magnet comes near the board at rest,
// stays, and goes.
func TestFilterHoldsHeadingBesideMagnet(t *testing.T) {
	for seed := range uint64(20) {
		b := newSimBoard(seed, FilterOptions{})
		f := NewFilter(FilterOptions{})
		b.run(f, 5, vec3{})
		b.run(f, 5, vec3{0.1, 0, 0.5})
		b.run(f, 10, vec3{})
		before, _ := b.errors(f)
		sigma := f.HeadingSigma()
		if f.MagDisturbed() {
			t.Errorf("seed %d: disturbed by nothing", seed)
		}

		// It approaches within 2 s, from a direction that changes.
		came := b.now()
		for k := range 20 {
			s := float64(k+1) / 20
			b.outside = vec3{18 * s, 8 * s * s, -6 * s}
			b.run(f, 0.1, vec3{})
		}
		b.run(f, 1, vec3{})
		d := f.MagDisturbance()
		if !d.On || d.Since < came || d.Since > b.now() || d.ExcessUT < 2 {
			t.Errorf("seed %d: a magnet of 20 µT is not seen: %+v", seed, d)
		}
		if !strings.Contains(d.Why(), "µT") {
			t.Errorf("seed %d: why %q", seed, d.Why())
		}
		b.run(f, 60, vec3{})
		if h, _ := b.errors(f); math.Abs(h-before) > 1*degree {
			t.Errorf("seed %d: the magnet drew the heading by %.2f°", seed, (h-before)/degree)
		}
		if !f.MagDisturbed() {
			t.Errorf("seed %d: the magnet is still there and forgotten", seed)
		}

		b.outside = vec3{}
		b.run(f, 4, vec3{})
		h, _ := b.errors(f)
		if f.MagDisturbed() || math.Abs(h-before) > 0.5*degree || f.HeadingSigma() > 1.2*sigma {
			t.Errorf("seed %d: after the magnet disturbed %v, heading went by %.2f°, sigma %.2f°, %.2f° before",
				seed, f.MagDisturbed(), (h-before)/degree, f.HeadingSigma()/degree, sigma/degree)
		}
	}
}

// TestFilterLearnsMagnetOnBoard: steel put on the board turns with it and is
// told from steel outside by turning.
func TestFilterLearnsMagnetOnBoard(t *testing.T) {
	var inside, still, n float64
	for seed := range uint64(80) {
		b := newSimBoard(seed, FilterOptions{})
		f := NewFilter(FilterOptions{})
		b.run(f, 10, vec3{})
		b.run(f, 4, vec3{0.2, 0, 0.5})
		b.run(f, 5, vec3{})
		b.magnet = b.vec(8)
		b.run(f, 3, vec3{})
		b.run(f, 12, vec3{0, 0, 0.6})
		b.run(f, 6, vec3{0.5, 0, 0})
		b.run(f, 6, vec3{0, 0.5, 0.3})
		h, _ := b.errors(f)
		n++
		if math.Abs(h) <= 1.96*f.HeadingSigma() {
			inside++
		}
		if math.Abs(h) > 4.5*f.HeadingSigma() || f.HeadingSigma() > 6*degree {
			t.Errorf("seed %d: heading off by %.1f° ± %.1f°", seed, h/degree, f.HeadingSigma()/degree)
		}
		iron, sigma := f.HardIron()
		e := vec3{iron.X - b.iron[0] - b.magnet[0], iron.Y - b.iron[1] - b.magnet[1], iron.Z - b.iron[2] - b.magnet[2]}
		if m := math.Sqrt(e.norm2() / 3); m > 4*sigma.X || m > 1.5 {
			t.Errorf("seed %d: hard iron off by %.2f µT rms, sigma %.2f µT", seed, m, sigma.X)
		}
		if f.MagDisturbed() {
			still++
		}
	}
	t.Logf("%.2f of the headings within the 95 %% bound; still disturbed: %.2f", inside/n, still/n)
	if inside/n < 0.75 {
		t.Errorf("%.2f of the headings within the 95 %% bound", inside/n)
	}
	if still/n > 0.35 {
		t.Errorf("what is learned still counts as a disturbance on %.2f of the boards", still/n)
	}
}

// TestFilterDoubtsFieldOfOtherStrength: with strength and dip known from a
// model, steel that was there from the start is no reference, and the sigma of
// the heading says how much it may have turned it. It cannot say so of the share
// whose field lies across the Earth's and changes neither.
func TestFilterDoubtsFieldOfOtherStrength(t *testing.T) {
	const seeds = 120
	var disturbed, atOnce, later, plain, calm float64
	for seed := range uint64(seeds) {
		b := newSimBoard(seed, FilterOptions{})
		model := Field{StrengthUT: math.Sqrt(b.field.norm2()), StrengthSigmaUT: 0.2, DipDeg: math.Atan2(-b.field[2], b.field[1]) / degree, DipSigmaDeg: 0.3}
		share := func(b *simBoard, f *Filter) float64 {
			if h, _ := b.errors(f); math.Abs(h) > 1.96*f.HeadingSigma() {
				return 0
			}
			return 1.0 / seeds
		}
		f := NewFilter(FilterOptions{Field: model})
		b.run(f, 5, vec3{})
		plain += share(b, f)
		if !f.MagDisturbed() {
			calm += 1.0 / seeds
		}

		b = newSimBoard(seed, FilterOptions{})
		b.outside = b.vec(8)
		f = NewFilter(FilterOptions{Field: model})
		b.run(f, 5, vec3{})
		atOnce += share(b, f)
		if f.MagDisturbed() {
			disturbed += 1.0 / seeds
		}

		b = newSimBoard(seed, FilterOptions{})
		b.outside = b.vec(8)
		f = NewFilter(FilterOptions{})
		b.run(f, 1, vec3{})
		f.SetField(model)
		b.run(f, 4, vec3{})
		later += share(b, f)
	}
	t.Logf("within the 95 %% bound: ordinary place %.3f, beside steel of 8 µT %.3f, model told later %.3f; steel seen %.3f, nothing seen %.3f", plain, atOnce, later, disturbed, calm)
	if plain < 0.9 || atOnce < 0.78 || later < 0.78 {
		t.Errorf("within the 95 %% bound: %.3f, %.3f, %.3f", plain, atOnce, later)
	}
	if disturbed < 0.9 || calm < 0.95 {
		t.Errorf("steel seen on %.3f of the boards, nothing on %.3f", disturbed, calm)
	}
}

// TestFilterFindsDelayOfCompass: the field lags behind the rates by a constant
// time.
func TestFilterFindsDelayOfCompass(t *testing.T) {
	b := newSimBoard(6, FilterOptions{})
	b.rate = 100
	b.late = 3
	f := NewFilter(FilterOptions{})
	b.run(f, 5, vec3{})
	for k := range 20 {
		b.run(f, 0.5, vec3{0.5, 0, 3 * float64(1-k%2*2)})
	}
	delay, sigma := f.MagDelay()
	if math.Abs(delay.Seconds()-0.03) > 4*sigma.Seconds() || sigma.Seconds() > 0.008 {
		t.Errorf("delay %v ± %v, truth 30 ms", delay, sigma)
	}
}
