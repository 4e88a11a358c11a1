package estimator

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// farSigma is beyond what chance reaches in the hundreds of draws of a property
// test; how often the truth lies within the bounds is counted elsewhere.
const farSigma = 6

// TestFilterFindsAttitudeAtRest: any attitude, any rate from 10 to 300 Hz.
func TestFilterFindsAttitudeAtRest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newSimBoard(rapid.Uint64().Draw(t, "seed"), FilterOptions{})
		b.rate = rapid.Float64Range(10, 300).Draw(t, "rate")
		b.magEvery = rapid.IntRange(1, 10).Draw(t, "magEvery")
		b.q = drawAttitude(t)
		f := NewFilter(FilterOptions{})
		b.run(f, 1, vec3{})
		if _, i := b.errors(f); i > farSigma*f.InclinationSigma() || f.InclinationSigma() > 0.6*degree {
			t.Errorf("after 1 s the inclination is off by %.2f° ± %.2f°", i/degree, f.InclinationSigma()/degree)
		}
		b.run(f, 5, vec3{})
		h, i := b.errors(f)
		if !f.AtRest() {
			t.Error("rest is not seen")
		}
		if math.Abs(h) > farSigma*f.HeadingSigma() || i > farSigma*f.InclinationSigma() {
			t.Errorf("heading off by %.2f° ± %.2f°, inclination by %.3f° ± %.3f°", h/degree, f.HeadingSigma()/degree, i/degree, f.InclinationSigma()/degree)
		}
		widest := 6 * degree
		if 6*b.rate/float64(b.magEvery) < 30 { // a stray field at the edge of chance is among few
			widest = 8 * degree
		}
		if f.HeadingSigma() > widest || f.InclinationSigma() > 0.3*degree {
			t.Errorf("sigma of heading %.2f°, inclination %.3f°", f.HeadingSigma()/degree, f.InclinationSigma()/degree)
		}
		offset, sigma := f.GyroOffset()
		if d := math.Hypot(math.Hypot(offset.X-b.offset[0], offset.Y-b.offset[1]), offset.Z-b.offset[2]); d > 6*sigma.X {
			t.Errorf("gyro offset off by %.4f°/s ± %.4f°/s", d/degree, sigma.X/degree)
		}
	})
}

func drawAttitude(t *rapid.T) quat.Number {
	c := func(l string) float64 { return rapid.Float64Range(-1, 1).Draw(t, l) }
	q := quat.Number{Real: c("w"), Imag: c("x"), Jmag: c("y"), Kmag: c("z")}
	if quat.Abs(q) < 0.1 {
		return quat.Number{Real: 1}
	}
	return quat.Scale(1/quat.Abs(q), q)
}

// TestFilterKnowsNoAxis: the same board described in other sensor axes gives
// the same attitude of the board. Rest is judged axis by axis, so it can begin a
// step earlier in one of the two; that must stay far within the stated doubt.
func TestFilterKnowsNoAxis(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		c := drawAttitude(t)
		b := newSimBoard(seed, FilterOptions{})
		twin := NewFilter(FilterOptions{})
		f := NewFilter(FilterOptions{})
		b.also = func(at time.Duration, a, g, m r3.Vec) {
			twin.Inertial(at, rotateInverse(c, a), rotateInverse(c, g))
			twin.Magnetic(at, rotateInverse(c, m))
		}
		b.run(f, 3, vec3{})
		b.run(f, 3, vec3{0.2, 0.3, -0.4})
		b.run(f, 2, vec3{})
		// v_E = q v = q c (c* v).
		h, i := attitudeErrors(twin.Attitude(), quat.Mul(f.Attitude(), c))
		if math.Abs(h) > 0.1*f.HeadingSigma() || i > 0.1*f.InclinationSigma() {
			t.Errorf("attitudes differ by %g and %g rad", h, i)
		}
		if d := math.Abs(f.HeadingSigma() - twin.HeadingSigma()); d > 0.1*f.HeadingSigma() {
			t.Errorf("heading sigmas differ by %g rad", d)
		}
	})
}

// TestFilterFollowsTurns by the gyroscope alone and tells the turn's sigma.
func TestFilterFollowsTurns(t *testing.T) {
	for seed := range uint64(20) {
		b := newSimBoard(seed, FilterOptions{})
		b.magEvery = 0
		f := NewFilter(FilterOptions{})
		b.run(f, 10, vec3{})
		mark := f.TurnNow()
		b.run(f, 4, vec3{0, 0, -0.4})
		b.run(f, 2, vec3{0.3, 0, 0})
		got, sigma, ok := f.TurnSince(mark)
		if !ok || math.Abs(got-1.6) > 4*sigma || sigma > 1.5*degree {
			t.Errorf("seed %d: turned east by %.3f ± %.3f rad, truth 1.6", seed, got, sigma)
		}
		if f.HeadingKnown() || f.HeadingSigma() != math.Pi {
			t.Fatal("a heading without a compass")
		}
	}
}

// TestFilterKeepsOffsetInSlowTurn: a turn as smooth as rest must not be learned
// as an offset.
func TestFilterKeepsOffsetInSlowTurn(t *testing.T) {
	for _, rate := range []float64{0.1, 0.3, 1, 5} { // °/s
		b := newSimBoard(3, FilterOptions{})
		b.magEvery = 0
		f := NewFilter(FilterOptions{})
		b.run(f, 20, vec3{})
		before, _ := f.GyroOffset()
		mark := f.TurnNow()
		b.run(f, 20, vec3{0, 0, -rate * degree})
		if f.AtRest() {
			t.Errorf("a turn of %g°/s passes as rest", rate)
		}
		after, _ := f.GyroOffset()
		got, _, _ := f.TurnSince(mark)
		if math.Abs(got/degree-20*rate) > 0.02*20*rate+0.3 {
			t.Errorf("turn of %g°: %.2f° followed", 20*rate, got/degree)
		}
		// The scale's error is real and may pass as offset while the turn lasts.
		if d := r3.Norm(r3.Sub(after, before)); d > (0.02+0.01*rate)*degree {
			t.Errorf("turn of %g°/s moved the offset by %.4f°/s", rate, d/degree)
		}
	}
}

// TestFilterFindsJumpOfOffset: at rest, gravity and field prove that a new mean
// rate is no turn.
func TestFilterFindsJumpOfOffset(t *testing.T) {
	for seed := range uint64(10) {
		b := newSimBoard(seed, FilterOptions{})
		f := NewFilter(FilterOptions{})
		b.run(f, 20, vec3{})
		b.offset[0] += 0.4 * degree
		b.offset[2] -= 0.3 * degree
		b.run(f, 40, vec3{})
		offset, _ := f.GyroOffset()
		if d := math.Hypot(math.Hypot(offset.X-b.offset[0], offset.Y-b.offset[1]), offset.Z-b.offset[2]); d > 0.02*degree || !f.AtRest() {
			t.Errorf("seed %d: offset off by %.3f°/s 40 s after the jump, rest %v", seed, d/degree, f.AtRest())
		}
		if h, _ := b.errors(f); math.Abs(h) > 4*f.HeadingSigma() || f.HeadingSigma() > 5*degree {
			t.Errorf("seed %d: heading off by %.1f° ± %.1f°", seed, h/degree, f.HeadingSigma()/degree)
		}
	}
}

// TestFilterSurvivesWrongOffset: whatever spoils it, it comes back.
func TestFilterSurvivesWrongOffset(t *testing.T) {
	b := newSimBoard(5, FilterOptions{})
	f := NewFilter(FilterOptions{})
	b.run(f, 20, vec3{})
	f.offset[0] += 0.3
	f.offset[1] -= 0.2
	b.run(f, 20, vec3{})
	h, i := b.errors(f)
	if i > 3*f.InclinationSigma() || math.Abs(h) > 4*f.HeadingSigma() {
		t.Errorf("inclination off by %.2f° ± %.2f°, heading by %.1f° ± %.1f°", i/degree, f.InclinationSigma()/degree, h/degree, f.HeadingSigma()/degree)
	}
}

// TestFilterStaysFiniteForHours: three hours at rest, with a turn after them.
func TestFilterStaysFiniteForHours(t *testing.T) {
	b := newSimBoard(8, FilterOptions{})
	b.rate = 10
	f := NewFilter(FilterOptions{})
	b.run(f, 10, vec3{})
	first, _ := b.errors(f)
	sigma := f.HeadingSigma()
	for range 3 {
		b.run(f, 3600, vec3{})
		h, i := b.errors(f)
		if math.Abs(h-first) > 0.5*sigma || i > 4*f.InclinationSigma() || !f.AtRest() {
			t.Fatalf("heading went by %.2f°, inclination off by %.2f°, rest %v", (h-first)/degree, i/degree, f.AtRest())
		}
		if s := f.HeadingSigma(); s < 0.8*sigma || s > 2.5*sigma {
			t.Fatalf("sigma of the heading %.2f°, %.2f° at first: rest teaches nothing about the field", s/degree, sigma/degree)
		}
	}
	b.run(f, 5, vec3{0, 0, 0.5})
	if h, _ := b.errors(f); math.Abs(h) > 4*f.HeadingSigma() {
		t.Errorf("after the turn the heading is off by %.2f° ± %.2f°", h/degree, f.HeadingSigma()/degree)
	}
}

func TestFilterWithoutGyro(t *testing.T) {
	for seed := range uint64(20) {
		o := FilterOptions{NoGyro: true}
		b := newSimBoard(seed, o)
		f := NewFilter(o)
		b.run(f, 5, vec3{})
		b.run(f, 3, vec3{0.2, 0, 0.5})
		b.run(f, 5, vec3{})
		h, i := b.errors(f)
		if !f.AtRest() || i > 4.5*f.InclinationSigma() || math.Abs(h) > 4.5*f.HeadingSigma() || f.HeadingSigma() > 10*degree {
			t.Errorf("seed %d: heading off by %.1f° ± %.1f°, inclination by %.2f° ± %.2f°, rest %v",
				seed, h/degree, f.HeadingSigma()/degree, i/degree, f.InclinationSigma()/degree, f.AtRest())
		}
		if _, _, ok := f.TurnSince(f.TurnNow()); ok {
			t.Fatal("a gyroscope's turn without a gyroscope")
		}
	}
}

// TestFilterGaps: short ones are bridged, after long ones the doubt is there
// and goes.
func TestFilterGaps(t *testing.T) {
	b := newSimBoard(11, FilterOptions{})
	f := NewFilter(FilterOptions{})
	b.run(f, 10, vec3{})
	sigma := f.HeadingSigma()
	b.n += int(0.4 * b.rate)
	b.run(f, 1, vec3{})
	if s := f.HeadingSigma(); s > 1.1*sigma {
		t.Errorf("a gap of 0.4 s raised the heading's sigma from %.2f to %.2f°", sigma/degree, s/degree)
	}
	b.n += int(5 * b.rate)
	b.q = unit(quat.Mul(turnBy(0.4, -0.3, 1.2), b.q))
	b.run(f, 0.04, vec3{})
	if s := f.HeadingSigma(); s < 30*degree {
		t.Errorf("sigma of the heading %.1f° right after a gap of 5 s", s/degree)
	}
	b.run(f, 5, vec3{})
	h, i := b.errors(f)
	if math.Abs(h) > 4*f.HeadingSigma() || i > 4*f.InclinationSigma() || f.HeadingSigma() > 4*sigma {
		t.Errorf("5 s after the gap: heading off by %.1f° ± %.1f°, inclination by %.2f° ± %.2f°", h/degree, f.HeadingSigma()/degree, i/degree, f.InclinationSigma()/degree)
	}
}

func TestFilterRefusesBadSamples(t *testing.T) {
	b := newSimBoard(12, FilterOptions{})
	f, clean := NewFilter(FilterOptions{}), NewFilter(FilterOptions{})
	nan, inf := math.NaN(), math.Inf(1)
	bad := []r3.Vec{{X: nan}, {Y: inf}, {Z: -inf}, {X: 1e300}, {X: nan, Y: nan, Z: nan}}
	good := r3.Vec{Z: 9.8}
	f.Inertial(0, bad[0], r3.Vec{})
	f.Magnetic(0, good) // before the first inertial sample: passed over
	want := uint64(1)
	b.also = func(at time.Duration, a, g, m r3.Vec) {
		clean.Inertial(at, a, g)
		clean.Magnetic(at, m)
		v := bad[b.n%len(bad)]
		f.Inertial(at+time.Millisecond, v, g)
		f.Inertial(at+time.Millisecond, a, v)
		f.Inertial(at, a, g) // again
		f.Inertial(at-time.Hour, a, g)
		f.Magnetic(at+time.Millisecond, v)
		f.Magnetic(at-time.Hour, m)
		want += 6
	}
	b.run(f, 5, vec3{0.1, 0, 0.2})
	if f.Refused() != want || clean.Refused() != 0 {
		t.Errorf("%d samples refused, %d were bad", f.Refused(), want)
	}
	if f.Attitude() != clean.Attitude() || f.HeadingSigma() != clean.HeadingSigma() {
		t.Error("refused samples left a trace")
	}
}

// TestFilterBeforeAnything has an answer for every question.
func TestFilterBeforeAnything(t *testing.T) {
	f := NewFilter(FilterOptions{})
	if f.Started() || f.HeadingKnown() || f.HeadingSigma() != math.Pi || f.AtRest() || f.MagDisturbed() {
		t.Error("something is known before the first sample")
	}
	if f.Attitude() != (quat.Number{Real: 1}) {
		t.Errorf("attitude %v", f.Attitude())
	}
	d := f.MagDisturbance()
	if d.On || !math.IsNaN(d.StrengthUT) || d.Why() != "" {
		t.Errorf("%+v", d)
	}
	if _, _, ok := f.TurnSince(f.TurnNow()); ok {
		t.Error("a turn before the first sample")
	}
}

// FuzzFilter feeds arbitrary samples at arbitrary times: the answers must stay
// finite whatever comes.
func FuzzFilter(f *testing.F) {
	f.Add([]byte{}, false)
	for _, v := range []float64{0, 1, -9.8, 1e9, 1e-300, math.Inf(1), math.NaN()} {
		var b []byte
		for range 24 {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
		f.Add(b, v < 0)
	}
	f.Fuzz(func(t *testing.T, data []byte, noGyro bool) {
		flt := NewFilter(FilterOptions{NoGyro: noGyro})
		at := time.Duration(0)
		next := func() float64 {
			if len(data) < 2 {
				data = nil
				return 0
			}
			// Mostly plausible numbers, the extremes among them.
			n := binary.LittleEndian.Uint16(data)
			data = data[2:]
			switch n {
			case 0xffff:
				return math.NaN()
			case 0xfffe:
				return math.Inf(-1)
			case 0xfffd:
				return 9.9e3
			}
			return (float64(n) - 32768) / 500
		}
		vec := func() r3.Vec { return r3.Vec{X: next(), Y: next(), Z: next()} }
		for len(data) > 0 {
			at += time.Duration(next() * float64(10*time.Millisecond))
			a, g, m := vec(), vec(), vec()
			flt.Inertial(at, a, g)
			flt.Magnetic(at, m)
			q := flt.Attitude()
			if d := quat.Abs(q); !(math.Abs(d-1) < 1e-6) {
				t.Fatalf("attitude %v of length %g", q, d)
			}
			h, i := flt.HeadingSigma(), flt.InclinationSigma()
			if !(h >= 0 && h <= math.Pi && i > 0 && i <= math.Pi) {
				t.Fatalf("sigmas %g %g", h, i)
			}
			o, s := flt.GyroOffset()
			if !within(o, 1e6) || !within(s, 1e6) {
				t.Fatalf("gyro offset %v ± %v", o, s)
			}
			_ = flt.MagDisturbance().Why()
		}
	})
}
