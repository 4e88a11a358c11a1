package calib

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

func swingOptions(b *board) SwingOptions {
	return SwingOptions{GyroBias: b.bias, Turn: TurnOptions{GyroDriftSigma: 0.002}, StrengthUT: b.strength, DipRad: b.dip}
}

// Iron was added to the tracker: a turn finds it, and the sigma of headings
// holds at every heading, over whole, half and quarter turns. What an arc did
// not see must stay unsure.
func TestFitSwingCoverage(t *testing.T) {
	for _, arc := range []float64{340, 180, 90} {
		var cover within
		var before, after, sigma, n float64
		for seed := range uint64(60) {
			rng := rand.New(rand.NewPCG(seed, 23))
			b := defaultBoard(rng)
			prev := b.earlier(rng)
			b.magO = r3.Add(b.magO, r3.Scale(1, randVec(rng, 0.6)))
			altitude := rad(20 + 35*rng.Float64())
			in, mg := b.onTripod(rng, altitude, rad(arc), 0)
			fit, err := FitSwing(prev, mg, in, swingOptions(&b))
			if err != nil {
				t.Fatalf("arc %v°, seed %d: %v", arc, seed, err)
			}
			up := r3.Vec{X: math.Sin(altitude), Z: math.Cos(altitude)}
			for _, h := range levelFields(b.strength, b.dip, up, 8) {
				e := func(a *Affine) float64 {
					m := a.Apply(rawOf(b.magO, b.magM, h.field), math.NaN())
					return math.Atan2(r3.Dot(m, h.east), r3.Dot(m, h.north))
				}
				s := fit.Affine.HeadingSigma(h.field, up, math.NaN())
				cover.add(e(&fit.Affine), s)
				before += e(&prev) * e(&prev)
				after += e(&fit.Affine) * e(&fit.Affine)
				sigma += s * s
				n++
			}
		}
		rms := func(v float64) float64 { return deg(math.Sqrt(v / n)) }
		t.Logf("arc %v°: heading error %.2f° before, %.2f° after, sigma %.2f°, within %.1f %%", arc, rms(before), rms(after), rms(sigma), 100*cover.share())
		if s := cover.share(); s < 0.90 || s > 0.995 {
			t.Errorf("arc %v°: heading within 1.96 sigma in %.1f %% of %d draws", arc, 100*s, cover.n)
		}
		if after > before {
			t.Errorf("arc %v°: heading error %.2f°, was %.2f°", arc, rms(after), rms(before))
		}
		if arc > 300 && after > before/9 {
			t.Errorf("a whole turn leaves %.2f° of %.2f°", rms(after), rms(before))
		}
	}
}

// Much iron, far beyond what is believed: told as a change, and found. Headings
// are compared without what turns them all alike, which no turn can see.
func TestFitSwingFindsAChange(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 23))
	b := defaultBoard(rng)
	prev := b.earlier(rng)
	in, mg := b.onTripod(rng, rad(30), rad(340), 0)
	if fit, err := FitSwing(prev, mg, in, swingOptions(&b)); err != nil || fit.Changed {
		t.Errorf("nothing was added: changed %v, %v", fit.Changed, err)
	}
	b.magO = r3.Add(b.magO, r3.Vec{X: 4, Y: -5})
	in, mg = b.onTripod(rng, rad(30), rad(340), 0)
	fit, err := FitSwing(prev, mg, in, swingOptions(&b))
	if err != nil {
		t.Fatal(err)
	}
	if !fit.Changed || fit.HeldBackAfter > fit.HeldBackBefore/5 {
		t.Errorf("changed %v, held back %.2f° before and %.2f° after", fit.Changed, deg(fit.HeldBackBefore), deg(fit.HeldBackAfter))
	}
	up := r3.Vec{X: math.Sin(rad(30)), Z: math.Cos(rad(30))}
	for _, h := range levelFields(b.strength, b.dip, up, 8) {
		m := fit.Affine.Apply(rawOf(b.magO, b.magM, h.field), math.NaN())
		e, s := math.Atan2(r3.Dot(m, h.east), r3.Dot(m, h.north)), fit.Affine.HeadingSigma(h.field, up, math.NaN())
		if math.Abs(e) > 4*s || s > rad(1.2) {
			t.Errorf("heading off by %.2f° ± %.2f°", deg(e), deg(s))
		}
	}
}

func TestFitSwingRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 23))
	b := defaultBoard(rng)
	prev := b.earlier(rng)
	var r *Refusal
	in, mg := b.onTripod(rng, rad(30), rad(20), 0)
	if _, err := FitSwing(prev, mg, in, swingOptions(&b)); !errors.As(err, &r) {
		t.Errorf("20° turn: %v", err)
	}
	if _, err := FitSwing(prev, nil, in, swingOptions(&b)); !errors.As(err, &r) {
		t.Errorf("no field: %v", err)
	}
	if _, err := FitSwing(prev, mg, nil, swingOptions(&b)); !errors.As(err, &r) {
		t.Errorf("no gyroscope: %v", err)
	}
	free, freeMag := b.record(rng)
	if _, err := FitSwing(prev, freeMag, free, swingOptions(&b)); !errors.As(err, &r) {
		t.Errorf("turned freely: %v", err)
	}
}

// The rows against a finite difference through the curve that CheckTurn fits:
// the signs of the published coefficients.
func TestSwingRowsAgainstTheCurve(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 23))
	b := defaultBoard(rng)
	truth := Affine{Kind: Magnetometer, Offset: b.magO, Matrix: b.magM, RefTempC: math.NaN()}
	up := r3.Unit(r3.Vec{X: 0.5, Y: 0.1, Z: 0.8})
	f, l, _ := level(r3.Vec{X: 1}, up)
	s := swingFrame{f: f, l: l, up: up, horizontal: 20, down: 45}
	rows := s.rows(&truth)
	for k := range 12 {
		used := truth
		step := 1e-3
		switch {
		case k == 0:
			used.Offset.X += step
		case k == 1:
			used.Offset.Y += step
		case k == 2:
			used.Offset.Z += step
		default:
			used.Matrix[k-3] += step
		}
		// Fourier sums of the deviation over 360 headings.
		var got [4]float64
		for d := range 360 {
			sin, cos := math.Sincos(rad(float64(d)))
			field := r3.Add(r3.Scale(20*cos, f), r3.Add(r3.Scale(20*sin, l), r3.Scale(-45, up)))
			v := used.Apply(rawOf(truth.Offset, truth.Matrix, field), math.NaN())
			compass := math.Atan2(r3.Dot(v, l), r3.Dot(v, f))
			dev := math.Remainder(rad(float64(d))-compass, 2*math.Pi) / step
			s1, c1 := math.Sincos(compass)
			s2, c2 := math.Sincos(2 * compass)
			got[0] += dev * s1 / 180
			got[1] += dev * c1 / 180
			got[2] += dev * s2 / 180
			got[3] += dev * c2 / 180
		}
		for i := range 4 {
			if math.Abs(got[i]-rows[i][k]) > 0.02*(1+math.Abs(rows[i][k])) {
				t.Errorf("coefficient %c by parameter %d: %.4f, by difference %.4f", "BCDE"[i], k, rows[i][k], got[i])
			}
		}
	}
}
