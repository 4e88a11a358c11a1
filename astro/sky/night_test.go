package sky

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbstar/astro"
)

func TestCrossingsOfACurve(t *testing.T) {
	// A day's cosine, level by level: grazing, missing by a hair, crossing twice.
	f := func(s float64) float64 { return 30*math.Cos(2*math.Pi*s/dayS) - 5 }
	c := newCurve(f, dayS, stepS)
	for _, tt := range []struct {
		level float64
		want  int
	}{{-5, 2}, {-34.9999, 2}, {-35.0001, 0}, {24.9999, 2}, {25.1, 0}, {0, 2}} {
		got := c.crossings(tt.level)
		if len(got) != tt.want {
			t.Errorf("level %v: %v", tt.level, got)
			continue
		}
		for _, x := range got {
			if math.Abs(f(x.at)-tt.level) > 1e-4 {
				t.Errorf("level %v: at %v s it is %v", tt.level, x.at, f(x.at))
			}
		}
		if tt.want == 2 && (got[0].rising || !got[1].rising) {
			t.Errorf("level %v: %v, down comes first", tt.level, got)
		}
	}
	if s := c.spans(-5, false); len(s) != 1 || math.Abs(s[0][0]-dayS/4) > 1 || math.Abs(s[0][1]-3*dayS/4) > 1 {
		t.Errorf("below -5: %v", s)
	}
	if s := c.spans(-5, true); len(s) != 2 || s[0][0] != 0 || s[1][1] != dayS {
		t.Errorf("above -5: %v", s)
	}
	if s := c.spans(-99, true); len(s) != 1 || s[0] != [2]float64{0, dayS} {
		t.Errorf("always above: %v", s)
	}
	if s := c.spans(99, true); len(s) != 0 {
		t.Errorf("never above: %v", s)
	}
}

// Whatever the place and date: times in order, each at its altitude, days and
// nights that do not end without times.
func TestTwilightHoldsTogether(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := astro.Site{
			LatDeg:  rapid.SampledFrom([]float64{0, 90, -90, 66.56, -66.56, 48.5, 89.99, 23.4, rapid.Float64Range(-90, 90).Draw(t, "lat")}).Draw(t, "place"),
			LonDeg:  rapid.SampledFrom([]float64{0, 180, -180, 360, rapid.Float64Range(-180, 360).Draw(t, "lon")}).Draw(t, "meridian"),
			HeightM: rapid.Float64Range(-400, 8000).Draw(t, "height"),
		}
		date := time.Date(rapid.IntRange(1973, 2099).Draw(t, "year"), 1, rapid.IntRange(1, 366).Draw(t, "day"), 0, 0, 0, 0, time.UTC)
		o, err := NewObserver(site, astro.NoAir)
		if err != nil {
			t.Fatal(err)
		}
		w, err := o.Twilight(date)
		if err != nil {
			t.Fatal(err)
		}
		noon := LocalNoon(date, site.LonDeg)
		levels := [8]float64{sunsetAlt, civilAlt, nauticalAlt, astronomicalAlt, astronomicalAlt, nauticalAlt, civilAlt, sunsetAlt}
		for i, at := range w.Times() {
			crosses := w.SunLowestDeg < levels[i] && levels[i] < w.SunHighestDeg
			if at == nil {
				continue
			}
			if !crosses {
				t.Fatalf("%d happens though the Sun stays in %v to %v", i, w.SunLowestDeg, w.SunHighestDeg)
			}
			if at.Before(noon.Add(-time.Second)) || at.After(noon.Add(24*time.Hour+time.Second)) {
				t.Fatalf("%d at %v is outside the night after %v", i, at, noon)
			}
			m, err := At(astro.InstantOf(*at))
			if err != nil {
				t.Fatal(err)
			}
			if alt := o.Body(&m, m.Sun()).Airless.AltDeg; math.Abs(alt-levels[i]) > 0.004 { // half a second of time
				t.Fatalf("%d at %v: the Sun stands at %v", i, at, alt)
			}
		}
		// A level between lowest and highest is passed at least once.
		for k, level := range levels[:4] {
			if times := w.Times(); w.SunLowestDeg < level && level < w.SunHighestDeg && times[k] == nil && times[7-k] == nil {
				t.Fatalf("level %v is passed, but no time says when", level)
			}
		}
	})
}

func TestLocalNoonAndTonight(t *testing.T) {
	date := time.Date(2026, 11, 24, 0, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		lon  float64
		noon string
	}{{0, "2026-11-24T12:00:00Z"}, {90, "2026-11-24T06:00:00Z"}, {-90, "2026-11-24T18:00:00Z"}, {270, "2026-11-24T18:00:00Z"}, {180, "2026-11-24T00:00:00Z"}, {-180, "2026-11-25T00:00:00Z"}} {
		noon := LocalNoon(date, tt.lon)
		if got := noon.Format(time.RFC3339); got != tt.noon {
			t.Errorf("%v: %s, want %s", tt.lon, got, tt.noon)
		}
		for _, after := range []time.Duration{time.Second, 12 * time.Hour, 24*time.Hour - time.Second} {
			if got := TonightOf(noon.Add(after), tt.lon); !got.Equal(date) {
				t.Errorf("%v: %v after noon is the night of %v", tt.lon, after, got)
			}
		}
		if got := TonightOf(noon.Add(-time.Second), tt.lon); !got.Equal(date.AddDate(0, 0, -1)) {
			t.Errorf("%v: before noon is the night of %v", tt.lon, got)
		}
	}
	for _, s := range []string{"2026-02-30", "2027-02-29", "today", "", "2026-1-1", "2026-11-24T00:00:00Z"} {
		if _, err := ParseDate(s); err == nil {
			t.Errorf("%q is a date", s)
		}
	}
	if _, err := ParseDate("2028-02-29"); err != nil {
		t.Error(err)
	}
}

func night(t *testing.T, lat, lon float64, date string) Night {
	t.Helper()
	o, err := NewObserver(astro.Site{LatDeg: lat, LonDeg: lon}, astro.StandardAir(0))
	if err != nil {
		t.Fatal(err)
	}
	d, err := ParseDate(date)
	if err != nil {
		t.Fatal(err)
	}
	n, err := o.Night(d, FinderView{FieldDeg: 6, LimitMag: 7.5})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Common practice, no source: the northern pole star shows between civil and
// nautical dusk, alone at first. The model of EyeLimit says the same, at all
// middle latitudes and seasons.
func TestPoleStarShowsBetweenCivilAndNauticalDusk(t *testing.T) {
	for _, lat := range []float64{25, 40, 50} {
		for _, date := range []string{"2026-01-15", "2026-04-15", "2026-07-15", "2026-10-15"} {
			n := night(t, lat, 8, date)
			if len(n.PoleStar.ByEye) == 0 || n.Align == nil {
				t.Fatalf("%v° %s: %+v", lat, date, n.PoleStar)
			}
			for what, at := range map[string]time.Time{"by eye": n.PoleStar.ByEye[0].From, "in the finder": n.PoleStar.InFinder[0].From, "window": n.Align.From} {
				if at.Before(*n.CivilDusk) || at.After(*n.NauticalDusk) {
					t.Errorf("%v° %s: %s from %v, civil dusk %v, nautical %v", lat, date, what, at, n.CivilDusk, n.NauticalDusk)
				}
			}
			if len(n.PoleStar.Alone) == 0 || n.Align.Length() < 10*time.Minute || !strings.Contains(n.AlignNote, "only star") || len(n.Path) != 5 {
				t.Errorf("%v° %s: window %v, %q", lat, date, n.Align, n.AlignNote)
			}
		}
	}
}

func TestNightsOfAllKinds(t *testing.T) {
	south := night(t, -31.6, 139.3, "2026-11-24")
	if len(south.PoleStar.Alone) != 0 || south.Align == nil || !south.Align.Until.Equal(*south.AstronomicalDusk) || !strings.Contains(south.AlignNote, "pattern") {
		t.Errorf("south: %+v %q", south.Align, south.AlignNote)
	}
	if n := night(t, 69.5, 20, "2026-06-21"); n.Align != nil || !strings.Contains(n.AlignNote, "does not set") || len(n.SunDark) != 0 {
		t.Errorf("midnight sun: %+v %q", n.Align, n.AlignNote)
	}
	if n := night(t, 60.2, 24.8, "2026-06-21"); n.Align != nil || !strings.Contains(n.AlignNote, "within 6.4°") {
		t.Errorf("white night: %+v %q", n.Align, n.AlignNote)
	}
	if n := night(t, 69.5, 20, "2026-12-21"); n.Sunset != nil || n.Align == nil || len(n.SunDark) != 1 {
		t.Errorf("polar night: %+v", n)
	}
	if n := night(t, 90, 0, "2026-12-21"); n.AstronomicalDusk != nil || len(n.SunDark) != 1 || n.SunDark[0] != n.Whole {
		t.Errorf("dark all day at the pole: %+v", n.SunDark)
	}
	if n := night(t, 0.2, 0, "2026-11-24"); len(n.PoleStar.ByEye) != 0 {
		t.Errorf("a pole star half a degree above the horizon shows by eye: %+v", n.PoleStar)
	}
	if n := night(t, -0.5, 0, "2026-11-24"); n.PoleStar.ID != "HIP 104382" {
		t.Errorf("just south of the equator: %+v", n.PoleStar)
	}
}

// The Moon's times are those at which its centre stands at -0.833° without air,
// and darkness is what is left.
func TestMoonOfTheNight(t *testing.T) {
	for day := range 30 {
		date := time.Date(2026, 9, 1+day, 0, 0, 0, 0, time.UTC)
		n := night(t, 51.9, 8.4, date.Format(time.DateOnly))
		o, err := NewObserver(astro.Site{LatDeg: 51.9, LonDeg: 8.4}, astro.NoAir)
		if err != nil {
			t.Fatal(err)
		}
		altitude := func(at time.Time) float64 {
			m, err := At(astro.InstantOf(at))
			if err != nil {
				t.Fatal(err)
			}
			return o.Body(&m, m.Moon()).Airless.AltDeg
		}
		for _, at := range append(append([]time.Time{}, n.Moon.Rises...), n.Moon.Sets...) {
			if alt := altitude(at); math.Abs(alt-sunsetAlt) > 0.01 {
				t.Errorf("%s: the Moon stands at %.3f° at %v", n.Date, alt, at)
			}
		}
		for _, d := range n.Dark {
			mid := d.From.Add(d.Length() / 2)
			if alt := altitude(mid); alt > sunsetAlt {
				t.Errorf("%s: dark at %v with the Moon at %.1f°", n.Date, mid, alt)
			}
		}
	}
	// Full Moon on 2026-09-26 at 16:49 UTC, new Moon on 2026-09-11 at 03:27 UTC
	// (phases from memory of the almanac).
	if p := moment(t, "2026-09-26T16:49:00Z").MoonPhase(); p.LitFraction < 0.995 {
		t.Errorf("full Moon: %+v", p)
	}
	if p := moment(t, "2026-09-11T03:27:00Z").MoonPhase(); p.LitFraction > 0.005 {
		t.Errorf("new Moon: %+v", p)
	}
	if p := moment(t, "2026-09-18T20:44:00Z").MoonPhase(); !p.Waxing || math.Abs(p.LitFraction-0.5) > 0.03 {
		t.Errorf("first quarter: %+v", p)
	}
}

func TestEyeLimit(t *testing.T) {
	if got := EyeLimit(4.9); !math.IsInf(got, -1) {
		t.Errorf("before the model begins: %v", got)
	}
	for d := 5.1; d < 20; d += 0.1 {
		if EyeLimit(d) < EyeLimit(d-0.1) {
			t.Errorf("falls at %v°", d)
		}
	}
	// 12°: 19.67 mag a square arcsec in Patat's table, and Schaefer's formula.
	if got := EyeLimit(12); math.Abs(got-5.27) > 0.02 {
		t.Errorf("at 12°: %.3f", got)
	}
	if d, ok := depressionFor(5.27, 0); !ok || math.Abs(d-12) > 0.05 {
		t.Errorf("5.27 shows at %v° %v", d, ok)
	}
	if _, ok := depressionFor(7, 0); ok {
		t.Error("a star of magnitude 7 shows to the eye")
	}
	if d, ok := depressionFor(-4, 0); !ok || d != brightestDepression {
		t.Errorf("Venus shows at %v° %v", d, ok)
	}
}

func TestSunAltitudesForAPicture(t *testing.T) {
	o, err := NewObserver(astro.Site{LatDeg: 50}, astro.NoAir)
	if err != nil {
		t.Fatal(err)
	}
	n := night(t, 50, 0, "2026-11-24")
	got, err := o.SunAltitudes(n.Whole, 10*time.Minute)
	if err != nil || len(got) != 145 || math.Abs(got[0]-n.SunHighestDeg) > 0.3 || math.Abs(got[71]-n.SunLowestDeg) > 0.3 {
		t.Errorf("%d altitudes, %v", len(got), err)
	}
	for _, bad := range []time.Duration{0, -time.Minute} {
		if _, err := o.SunAltitudes(n.Whole, bad); err == nil {
			t.Errorf("step %v passes", bad)
		}
	}
}

func BenchmarkTwilight(b *testing.B) {
	o, err := NewObserver(astro.Site{LatDeg: 50}, astro.NoAir)
	if err != nil {
		b.Fatal(err)
	}
	date := time.Date(2026, 11, 24, 0, 0, 0, 0, time.UTC)
	for b.Loop() {
		if _, err := o.Twilight(date); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkNight(b *testing.B) {
	o, err := NewObserver(astro.Site{LatDeg: 50}, astro.StandardAir(0))
	if err != nil {
		b.Fatal(err)
	}
	date := time.Date(2026, 11, 24, 0, 0, 0, 0, time.UTC)
	for b.Loop() {
		if _, err := o.Night(date, FinderView{FieldDeg: 6, LimitMag: 7.5}); err != nil {
			b.Fatal(err)
		}
	}
}
