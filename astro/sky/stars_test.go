package sky

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/soniakeys/meeus/v3/apparent"
	"github.com/soniakeys/meeus/v3/coord"
	"github.com/soniakeys/meeus/v3/nutation"
	"github.com/soniakeys/meeus/v3/precess"
	"github.com/soniakeys/unit"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

func TestListsAreWhole(t *testing.T) {
	c, err := readCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	// 291 bright and 199 polar stars; Polaris stands in both lists.
	if len(c.stars) != 291+100+99-1 || len(c.north) != 100 || len(c.south) != 99 {
		t.Errorf("%d stars, %d and %d near the poles", len(c.stars), len(c.north), len(c.south))
	}
	seen := map[string]bool{}
	for i, s := range c.stars {
		if seen[s.ID()] || s.Label() == "" || s.ID() == "TYC " || s.VMag > 8 || i > 0 && s.VMag < c.stars[i-1].VMag || math.Abs(r3.Norm(s.place)-1) > 1e-12 {
			t.Errorf("star %d: %+v", i, s)
		}
		seen[s.ID()] = true
	}
	for _, h := range []astro.Hemisphere{astro.North, astro.South} {
		list := Polar(h, 6)
		for i, s := range list {
			if s.VMag > 6 || i > 0 && s.VMag < list[i-1].VMag || (s.DecDeg > 0) != (h == astro.North) {
				t.Errorf("%s: %+v", h, s)
			}
		}
		if len(list) < 5 || len(Polar(h, 0)) != 0 || len(Polar(h, 99)) < 99 {
			t.Errorf("%s: %d stars to magnitude 6", h, len(list))
		}
	}
}

func TestFindKnowsAStarByAllItsNames(t *testing.T) {
	for name, id := range map[string]string{
		"HIP 11767": "HIP 11767", "hip11767": "HIP 11767", "11767": "HIP 11767", "Polaris": "HIP 11767", "POLARIS": "HIP 11767",
		"α UMi": "HIP 11767", "alpha umi": "HIP 11767", "sigma Oct": "HIP 104382", "Polaris Australis": "HIP 104382",
		"BQ Oct": "HIP 71348", "lambda UMi": "HIP 84535", "Sirius": "HIP 32349", "alpha1 Cen": "HIP 71683", "yildun": "HIP 85822",
	} {
		if s, err := Find(name); err != nil || s.ID() != id {
			t.Errorf("%q: %v %v, want %s", name, s, err, id)
		}
	}
	for _, s := range Stars() {
		if found, err := Find(s.ID()); err != nil || found.ID() != s.ID() {
			t.Errorf("%s: %v", s.ID(), err)
		}
	}
	for _, name := range []string{"", " ", "HIP 0", "HIP", "pole-star", "sun", "\x00", strings.Repeat("x", 10000)} {
		if s, err := Find(name); err == nil {
			t.Errorf("%.20q is %s", name, s.ID())
		}
	}
	for _, h := range []astro.Hemisphere{astro.North, astro.South} {
		if PoleStar(h) == nil {
			t.Errorf("no pole star in the %s", h)
		}
		if target, err := FindTarget("pole-star", h); err != nil || target.Star() != PoleStar(h) {
			t.Errorf("%s: %+v %v", h, target, err)
		}
	}
	for _, name := range []string{"sun", "Moon", "VENUS", "mars", "jupiter", "Saturn"} {
		if target, err := FindTarget(name, astro.North); err != nil || target.Star() != nil || !strings.EqualFold(target.BodyName(), name) {
			t.Errorf("%s: %+v %v", name, target, err)
		}
	}
}

// The vectors against meeus's own functions, step by step, for stars not near a
// pole, where those are good.
func TestVectorsAgreeWithMeeus(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 20))
	for range 200 {
		at := time.Date(2000+r.IntN(50), 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(r.IntN(365*24)) * time.Hour)
		m, err := At(astro.InstantOf(at))
		if err != nil {
			t.Fatal(err)
		}
		s := &Star{RADeg: 360 * r.Float64(), DecDeg: 120*r.Float64() - 60, PMRA: 1000 * r.NormFloat64(), PMDec: 1000 * r.NormFloat64(), ParallaxMas: 1 + 100*r.Float64(), RVKms: 50 * r.NormFloat64()}
		s.prepare()
		cosDec := math.Cos(s.DecDeg * radPerDeg)
		eq := &coord.Equatorial{RA: unit.RAFromDeg(s.RADeg), Dec: unit.AngleFromDeg(s.DecDeg)}
		parsec := 1000 / s.ParallaxMas
		const parsecsPerYearPerKms = auPerYearPerKms / (180 * 3600 / math.Pi)
		precess.ProperMotion3D(eq, eq, 2000, 2000+m.years, parsec, s.RVKms*parsecsPerYearPerKms, unit.HourAngle(s.PMRA/masPerRad/cosDec), unit.Angle(s.PMDec/masPerRad))
		precess.NewPrecessor(2000, 2000+m.years).Precess(eq, eq)
		mean := nutation.MeanObliquity(m.jdTT)
		sin, cos := mean.Sincos()
		lon, lat := coord.EqToEcl(eq.RA, eq.Dec, sin, cos)
		dLon, dLat := apparent.EclipticAberration(lon, lat, m.jdTT)
		inLon, inObliquity := nutation.Nutation(m.jdTT)
		sin, cos = (mean + inObliquity).Sincos()
		ra, dec := coord.EclToEq(lon+dLon+inLon, lat+dLat, sin, cos)
		want := unitVec(ra.Rad(), dec.Rad())

		s.ParallaxMas = 0 // the book's route has none; the motion is kept
		if d := r3.Norm(r3.Sub(m.Apparent(s), want)) / radPerArcsec; d > 0.005 {
			t.Fatalf("%v, %+v: %.4f arcsec apart", at, s, d)
		}
	}
}

// An annual parallax turns the star towards the Sun by its full size where the
// Sun stands at a right angle.
func TestParallaxPointsToTheSun(t *testing.T) {
	m := moment(t, "2026-03-20T14:46:00Z") // the Sun at right ascension 0
	s := &Star{RADeg: 90}
	s.prepare()
	without := m.Apparent(s)
	s.ParallaxMas = 1000
	moved := r3.Scale(1/radPerArcsec, r3.Sub(m.Apparent(s), without))
	if math.Abs(moved.X-0.996) > 0.01 || math.Abs(moved.Y) > 0.02 || math.Abs(moved.Z) > 0.02 {
		t.Errorf("moved by %+v arcsec", moved)
	}
}

// What Look promises of an apparent direction that is used again an hour later.
func TestApparentDirectionHoldsForAnHour(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 20))
	stars := Stars()
	for range 300 {
		at := time.Date(2000+r.IntN(50), 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(r.IntN(365*24*60)) * time.Minute)
		a, err1 := At(astro.InstantOf(at))
		b, err2 := At(astro.InstantOf(at.Add(time.Hour)))
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		s := &stars[r.IntN(len(stars))]
		if d := r3.Norm(r3.Sub(a.Apparent(s), b.Apparent(s))) / radPerArcsec; d > 0.05 {
			t.Errorf("%s: %.3f arcsec in the hour after %v", s.Label(), d, at)
		}
	}
}

// A direction of ICRS is the star's without motion and parallax, and the Moon's
// place in it comes back.
func TestDirectionOfICRS(t *testing.T) {
	m := moment(t, "2026-11-24T20:30:00Z")
	o, err := NewObserver(astro.Site{LatDeg: 51.9, LonDeg: 8.4}, astro.StandardAir(0))
	if err != nil {
		t.Fatal(err)
	}
	s := &Star{RADeg: 123.4, DecDeg: 56.7}
	s.prepare()
	want, _ := o.Direction(m, m.Apparent(s))
	got, visible := o.DirectionOfICRS(m, s.RADeg, s.DecDeg)
	if !visible || astro.Separation(got, want)*3600 > 1e-6 {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestDatesOutsideTheModel(t *testing.T) {
	for _, tt := range []struct {
		time string
		ok   bool
	}{
		{"1971-12-31T23:59:59Z", false}, {"1972-01-01T00:00:00Z", true}, {"2100-12-31T23:59:59Z", true}, {"2101-01-01T00:00:00Z", false},
		{"0001-01-01T00:00:00Z", false}, {"9999-12-31T23:59:59Z", false}, {"2016-12-31T23:59:60Z", true},
	} {
		_, err := At(instant(t, tt.time))
		if (err == nil) != tt.ok || err != nil && !strings.Contains(err.Error(), "1972 to 2100") {
			t.Errorf("%s: %v", tt.time, err)
		}
	}
	// The night sky does not jump over a leap second.
	before, within, after := moment(t, "2016-12-31T23:59:59.5Z"), moment(t, "2016-12-31T23:59:60.5Z"), moment(t, "2017-01-01T00:00:00.5Z")
	if d := math.Remainder(after.gast-before.gast, 2*math.Pi) / radPerArcsec; math.Abs(d-15.04) > 0.1 { // UT1 = UTC: one second of the two is lost
		t.Errorf("sidereal time moves by %.2f arcsec over the leap second", d)
	}
	if within.jdTT <= before.jdTT || after.jdTT <= within.jdTT {
		t.Errorf("TT runs %.9f %.9f %.9f", before.jdTT, within.jdTT, after.jdTT)
	}
}

func TestObserverRefusals(t *testing.T) {
	for _, tt := range []struct {
		site astro.Site
		air  astro.Air
		says string
	}{
		{astro.Site{LatDeg: math.NaN()}, astro.NoAir, "latitude"},
		{astro.Site{LonDeg: 361}, astro.NoAir, "longitude"},
		{astro.Site{HeightM: math.Inf(1)}, astro.NoAir, "height"},
		{astro.Site{}, astro.Air{PressureHPa: 2000}, "pressure"},
		{astro.Site{}, astro.Air{TempC: -300}, "temperature"},
	} {
		if _, err := NewObserver(tt.site, tt.air); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%+v %+v: %v", tt.site, tt.air, err)
		}
	}
}

func BenchmarkFullPlace(b *testing.B) {
	i := astro.InstantOf(time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC))
	s := PoleStar(astro.North)
	o, err := NewObserver(astro.Site{LatDeg: 51.9, LonDeg: 8.4}, astro.StandardAir(100))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		m, err := At(i)
		if err != nil {
			b.Fatal(err)
		}
		o.Look(&m, m.Apparent(s))
	}
}

func BenchmarkCachedPlace(b *testing.B) {
	m, err := At(astro.InstantOf(time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)))
	if err != nil {
		b.Fatal(err)
	}
	o, err := NewObserver(astro.Site{LatDeg: 51.9, LonDeg: 8.4}, astro.StandardAir(100))
	if err != nil {
		b.Fatal(err)
	}
	v := m.Apparent(PoleStar(astro.North))
	b.ReportAllocs()
	for b.Loop() {
		o.Direction(&m, v)
	}
}
