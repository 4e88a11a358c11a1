package trail

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbstar/astro"
)

// The sign table of refdata polar_error.md: 10' of error, |dec| = 20°,
// simulated there, arcseconds per minute.
func TestSignTable(t *testing.T) {
	high, east := Error{HighArcmin: 10}, Error{EastArcmin: 10}
	for _, tt := range []struct {
		name             string
		e                Error
		hemisphere       astro.Hemisphere
		hour             float64
		north, east, rot float64
	}{
		{"too high, north, star in the east", high, astro.North, -90, 2.625, 0, 0},
		{"too high, north, meridian", high, astro.North, 0, 0, -0.901, -2.466},
		{"too high, north, star in the west", high, astro.North, 90, -2.625, 0, 0},
		{"too far east, north, meridian", east, astro.North, 0, -2.625, 0, 0},
		{"too far east, north, star in the east", east, astro.North, -90, 0, -0.901, -2.466},
		{"too high, south, star in the east", high, astro.South, -90, -2.625, 0, 0},
		{"too high, south, meridian", high, astro.South, 0, 0, -0.901, 2.466},
		{"too far east, south, meridian", east, astro.South, 0, 2.625, 0, 0},
	} {
		s := Star{HourAngleDeg: tt.hour, DecDeg: 20}
		if tt.hemisphere == astro.South {
			s.DecDeg = -20
		}
		r := RatesAt(tt.e, tt.hemisphere, s)
		const tolerance = 0.006 // their simulation runs over one minute
		if math.Abs(r.NorthArcsecPerMin-tt.north) > tolerance || math.Abs(r.EastArcsecPerMin-tt.east) > tolerance || math.Abs(r.RotationArcsecPerMin-tt.rot) > tolerance {
			t.Errorf("%s: %+v, want north %v east %v rotation %v", tt.name, r, tt.north, tt.east, tt.rot)
		}
	}
}

// Formula (4) of polar_error.md for a guided camera.
func TestGuidedRotation(t *testing.T) {
	const w = 7.292115e-5 * 60 * 180 * 3600 / math.Pi
	for _, hemisphere := range []astro.Hemisphere{astro.North, astro.South} {
		sign := 1.0
		if hemisphere == astro.South {
			sign = -1
		}
		e := Error{HighArcmin: 3, EastArcmin: -7}
		s := Star{HourAngleDeg: 35, DecDeg: sign * 55}
		sh, ch := math.Sincos(35 * math.Pi / 180)
		want := -sign * w * (3*ch + 7*sh) * radPerArcmin / math.Cos(55*math.Pi/180)
		if got := RatesAt(e, hemisphere, s).GuidedRotationArcsecPerMin; math.Abs(got-want) > 0.01*math.Abs(want) {
			t.Errorf("%s: %.4f, want %.4f", hemisphere, got, want)
		}
	}
	if r := RatesAt(Error{HighArcmin: 1}, astro.North, Star{DecDeg: 90}); !math.IsNaN(r.GuidedRotationArcsecPerMin) {
		t.Errorf("at the pole: %v", r)
	}
}

// The table of refdata polar_error.md, "Longest exposure".
func TestLongestExposureTable(t *testing.T) {
	for _, tt := range []struct{ f, p, error240, at30, at6 float64 }{
		{14, 4.3, 60.3, 483, 2413},
		{14, 6.0, 84.2, 673, 3367},
		{24, 4.3, 35.2, 282, 1408},
		{35, 4.3, 24.1, 193, 965},
		{50, 4.3, 16.9, 135, 676},
		{85, 4.3, 9.9, 79, 397},
		{135, 3.76, 5.5, 44, 219},
		{200, 3.76, 3.7, 30, 148},
	} {
		k := Kit{TrailPx: 1, FocalMM: tt.f, PixelUM: tt.p}
		near := func(got, want, digits float64) bool { return math.Abs(got-want) <= digits/2+0.003*want }
		if got := k.AllowedArcmin(240); !near(got, tt.error240, 0.1) {
			t.Errorf("%v mm: %.2f' in 240 s, the table has %v", tt.f, got, tt.error240)
		}
		if got := k.LongestS(30); !near(got, tt.at30, 1) {
			t.Errorf("%v mm: %.1f s at 30', the table has %v", tt.f, got, tt.at30)
		}
		if got := k.LongestS(6); !near(got, tt.at6, 1) {
			t.Errorf("%v mm: %.1f s at 6', the table has %v", tt.f, got, tt.at6)
		}
	}
}

// Common practice, no source: a 14 mm lens, exposures of four minutes and a
// rough alignment of about a degree show no trails.
func TestCommonPracticeFourMinutesAtFourteenMillimetres(t *testing.T) {
	k := Kit{TrailPx: 1, FocalMM: 14, PixelUM: 4.3, SensorWidthMM: 36, SensorHeightMM: 24}
	j, err := Judge(k, 240, ErrorOfSize(60, 0))
	if err != nil {
		t.Fatal(err)
	}
	if j.Verdict != Yes || j.TrailPx > 1 || j.TrailPx < 0.99 {
		t.Errorf("%+v", j)
	}
	if j.CornerVerdict != No || math.Abs(j.LongestS/j.CornerLongestS-3.4) > 0.1 { // polar_error.md: up to 3.4 times
		t.Errorf("corner %+v", j)
	}
	for _, tt := range []struct {
		arcmin, sigma float64
		want          Verdict
	}{{30, 10, Yes}, {50, 10, Probably}, {58, 20, No}, {90, 10, No}, {20, 300, No}} {
		j, err := Judge(k, 240, ErrorOfSize(tt.arcmin, tt.sigma))
		if err != nil || j.Verdict != tt.want {
			t.Errorf("%v' with sigma %v': %s (probability %.3f), want %s, error %v", tt.arcmin, tt.sigma, j.Verdict, j.Probability, tt.want, err)
		}
	}
}

func TestJudgementHoldsTogether(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 4))
	for range 200 {
		k := Kit{FocalMM: 14 + 200*r.Float64(), PixelUM: 2 + 6*r.Float64(), TrailPx: 0.5 + 3*r.Float64()}
		e := Error{HighArcmin: 20 * r.NormFloat64(), EastArcmin: 20 * r.NormFloat64(), HighSigmaArcmin: 5 * r.Float64(), EastSigmaArcmin: 20 * r.Float64(), Correlation: 1.8*r.Float64() - 0.9}
		j, err := Judge(k, 60, e)
		if err != nil {
			t.Fatal(err)
		}
		if v := VerdictOf(k, 60, e); v != j.Verdict {
			t.Errorf("%+v %+v: verdict alone %s, judged %s", k, e, v, j.Verdict)
		}
		again, err := Judge(k, j.SureS, e)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(again.Probability-sureP) > 1e-3 {
			t.Errorf("%+v %+v: the sure exposure of %v s has probability %v", k, e, j.SureS, again.Probability)
		}
		wish, possible := Alignment(k, j.SureS, 1)
		if possible {
			if p := ErrorOfSize(wish, 1).Within(k.AllowedArcmin(j.SureS)); math.Abs(p-sureP) > 1e-3 {
				t.Errorf("%+v: wished %v' has probability %v", k, wish, p)
			}
		}
	}
}

func TestWithinAgainstClosedFormAndSampling(t *testing.T) {
	for _, sigma := range []float64{0.01, 1, 30} { // Rayleigh's distribution
		for _, radius := range []float64{0.1, 1, 2, 5} {
			want := 1 - math.Exp(-radius*radius/2)
			if got := ErrorOfSize(0, sigma).Within(radius * sigma); math.Abs(got-want) > 1e-6 {
				t.Errorf("sigma %v, %v sigma: %v, want %v", sigma, radius, got, want)
			}
		}
	}
	r := rand.New(rand.NewPCG(7, 4))
	for _, e := range []Error{
		{HighArcmin: 10, EastArcmin: -5, HighSigmaArcmin: 3, EastSigmaArcmin: 8, Correlation: 0.7},
		{HighArcmin: 2, EastArcmin: 40, HighSigmaArcmin: 0.2, EastSigmaArcmin: 60},
		{HighArcmin: 0, EastArcmin: 30, HighSigmaArcmin: 20, EastSigmaArcmin: 0},
		{HighArcmin: 5, EastArcmin: 5, HighSigmaArcmin: 4, EastSigmaArcmin: 4, Correlation: -1},
	} {
		for _, radius := range []float64{5, 20, 40} {
			const n = 40000
			inside := 0
			for range n {
				a, b := r.NormFloat64(), r.NormFloat64()
				up := e.HighArcmin + e.HighSigmaArcmin*a
				east := e.EastArcmin + e.EastSigmaArcmin*(e.Correlation*a+math.Sqrt(1-e.Correlation*e.Correlation)*b)
				if math.Hypot(up, east) <= radius {
					inside++
				}
			}
			if got, want := e.Within(radius), float64(inside)/n; math.Abs(got-want) > 0.01 {
				t.Errorf("%+v within %v': %.4f, sampled %.4f", e, radius, got, want)
			}
		}
	}
	if q := ErrorOfSize(0, 10).Quantile(0.95); math.Abs(q-24.477) > 0.01 { // sqrt(-2 ln 0.05) = 2.4477
		t.Errorf("95 %% quantile %v", q)
	}
	for _, radius := range []float64{-1, 0, 9.99} {
		if p := ErrorOfSize(10, 0).Within(radius); p != 0 {
			t.Errorf("within %v: %v", radius, p)
		}
	}
	if p := ErrorOfSize(10, 0).Within(10.01); p != 1 {
		t.Errorf("a known error inside its circle: %v", p)
	}
}

// The scales are the derivatives of the projections, taken by differences.
func TestScaleIsTheDerivative(t *testing.T) {
	for _, p := range Projections() {
		k := Kit{TrailPx: 1, FocalMM: 12, PixelUM: 4, Projection: p}
		for _, theta := range []float64{0.01, 0.3, 0.8, 1.3} {
			const h = 1e-6
			a, ok1 := k.radius(theta - h)
			b, ok2 := k.radius(theta + h)
			r, _ := k.radius(theta)
			if !ok1 || !ok2 {
				t.Fatalf("%s does not see %v", p, theta)
			}
			radial, tangential := k.Scale(theta)
			if math.Abs(radial-(b-a)/(2*h)) > 1e-4*radial || math.Abs(tangential-r/math.Sin(theta)) > 1e-9*tangential {
				t.Errorf("%s at %v: %v %v, differences %v %v", p, theta, radial, tangential, (b-a)/(2*h), r/math.Sin(theta))
			}
			if back, ok := k.theta(r); !ok || math.Abs(back-theta) > 1e-9 {
				t.Errorf("%s: %v comes back as %v", p, theta, back)
			}
		}
		if radial, tangential := k.Scale(0); radial != 12 || tangential != 12 {
			t.Errorf("%s at the centre: %v %v", p, radial, tangential)
		}
	}
}

func TestLongestInOnePicture(t *testing.T) {
	k := Kit{TrailPx: 1, FocalMM: 50, PixelUM: 4.3, SensorWidthMM: 36, SensorHeightMM: 24}
	e := Error{HighArcmin: 20}
	// A star in the east moves as fast as any; one on the meridian at the equator
	// only turns.
	east := Frame{Centre: Star{HourAngleDeg: -90, DecDeg: 0}}
	got, err := LongestInS(k, e, astro.North, east, false)
	if want := k.LongestS(20); err != nil || math.Abs(got-want) > 0.01*want {
		t.Errorf("%v s, bound %v, %v", got, want, err)
	}
	meridian := Frame{Centre: Star{}}
	centre, _ := LongestInS(k, e, astro.North, meridian, false)
	corner, _ := LongestInS(k, e, astro.North, meridian, true)
	if centre < 10*got || corner > centre || corner < k.LongestCornerS(20) {
		t.Errorf("meridian: centre %v s, corner %v s", centre, corner)
	}
	none, _ := LongestInS(k, Error{}, astro.North, east, true)
	if !math.IsInf(none, 1) {
		t.Errorf("without error %v s", none)
	}
}

func TestNastyInputs(t *testing.T) {
	good := Kit{TrailPx: 1, FocalMM: 50, PixelUM: 4}
	for _, tt := range []struct {
		name     string
		k        Kit
		exposure float64
		e        Error
		says     string
	}{
		{"no focal length", Kit{TrailPx: 1, PixelUM: 4}, 60, Error{}, "focal length"},
		{"focal length not a number", Kit{TrailPx: 1, FocalMM: math.NaN(), PixelUM: 4}, 60, Error{}, "focal length"},
		{"negative pixel", Kit{TrailPx: 1, FocalMM: 50, PixelUM: -4}, 60, Error{}, "pixel"},
		{"sensor half given", Kit{TrailPx: 1, FocalMM: 50, PixelUM: 4, SensorWidthMM: math.Inf(1)}, 60, Error{}, "sensor"},
		{"unknown projection", Kit{TrailPx: 1, FocalMM: 50, PixelUM: 4, Projection: "gnomonic"}, 60, Error{}, "gnomonic"},
		{"fisheye on too large a sensor", Kit{TrailPx: 1, FocalMM: 8, PixelUM: 4, SensorWidthMM: 36, SensorHeightMM: 24, Projection: Equisolid}, 60, Error{}, "corner"},
		{"trail of nothing", Kit{FocalMM: 50, PixelUM: 4, TrailPx: -1}, 60, Error{}, "trail"},
		{"no exposure", good, 0, Error{}, "exposure"},
		{"exposure not a number", good, math.NaN(), Error{}, "exposure"},
		{"negative sigma", good, 60, Error{HighSigmaArcmin: -1}, "sigma"},
		{"error not a number", good, 60, Error{EastArcmin: math.NaN()}, "east"},
		{"error of 60°", good, 60, Error{HighArcmin: 3600}, "altitude"},
		{"correlation of 2", good, 60, Error{Correlation: 2}, "correlation"},
	} {
		if _, err := Judge(tt.k, tt.exposure, tt.e); err == nil || !strings.Contains(err.Error(), tt.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: error %v, want one line about %q", tt.name, err, tt.says)
		}
	}
	j, err := Judge(good, 60, Error{})
	if err != nil || j.Verdict != Yes || !math.IsInf(j.LongestS, 1) {
		t.Errorf("no error at all: %+v, %v", j, err)
	}
	for _, s := range []Star{{0, 90}, {0, -90}, {180, 0}, {-180, 0}, {540, 12}} {
		m := Moved(Error{HighArcmin: 1e-9}, astro.North, s, 1e-9)
		if math.IsNaN(m.Length()) || math.IsNaN(m.RotationArcsec) {
			t.Errorf("%+v: %+v", s, m)
		}
	}
}

func BenchmarkJudge(b *testing.B) {
	k := Kit{TrailPx: 1, FocalMM: 135, PixelUM: 3.76, SensorWidthMM: 36, SensorHeightMM: 24}
	e := Error{HighArcmin: 6, EastArcmin: 20, HighSigmaArcmin: 5, EastSigmaArcmin: 40}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Judge(k, 120, e); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkVerdict(b *testing.B) {
	k := Kit{TrailPx: 1, FocalMM: 135, PixelUM: 3.76}
	e := Error{HighArcmin: 6, EastArcmin: 20, HighSigmaArcmin: 5, EastSigmaArcmin: 40}
	for b.Loop() {
		VerdictOf(k, 120, e)
	}
}
