package sky

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// row is one line of a reference table.
type row map[string]string

func (r row) number(t *testing.T, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}

// table reads testdata/astro; see the README there for the sources.
func table(t *testing.T, name string) []row {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "astro", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []row
	for _, cells := range lines[1:] {
		r := row{}
		for i, c := range cells {
			r[lines[0][i]] = c
		}
		rows = append(rows, r)
	}
	return rows
}

func instant(t *testing.T, s string) astro.Instant {
	t.Helper()
	i, err := astro.ParseInstant(s)
	if err != nil {
		t.Fatal(err)
	}
	return i
}

func moment(t *testing.T, s string) *Moment {
	t.Helper()
	m, err := At(instant(t, s))
	if err != nil {
		t.Fatal(err)
	}
	return &m
}

func observer(t *testing.T, r row) *Observer {
	t.Helper()
	o, err := NewObserver(
		astro.Site{LatDeg: r.number(t, "lat_deg"), LonDeg: r.number(t, "lon_deg_e"), HeightM: r.number(t, "height_m")},
		astro.Air{PressureHPa: r.number(t, "press_hpa"), TempC: r.number(t, "temp_c")})
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// worst keeps the largest deviation of each kind and holds it to its limit.
type worst map[string]float64

func (w worst) add(name string, v float64) { w[name] = math.Max(w[name], v) }

func (w worst) check(t *testing.T, limits map[string]float64) {
	t.Helper()
	for name, limit := range limits {
		v, ok := w[name]
		if !ok || !(v <= limit) {
			t.Errorf("%s: largest deviation %.4f (any: %v), limit %v", name, v, ok, limit)
		}
		t.Logf("%s: %.4f of %v", name, v, limit)
	}
}

func TestStarsAgreeWithERFA(t *testing.T) {
	w := worst{}
	for _, r := range table(t, "reference_stars.csv") {
		s, err := Find(r["star"])
		if err != nil {
			t.Fatal(err)
		}
		m, o := moment(t, r["utc"]+"Z"), observer(t, r)
		p := o.Look(m, m.Apparent(s))
		w.add("airless arcsec", 3600*astro.Separation(p.Airless, astro.Direction{AzDeg: r.number(t, "az_geo_deg"), AltDeg: r.number(t, "alt_geo_deg")}))
		w.add("star declination arcsec", 3600*math.Abs(p.DecDeg-r.number(t, "dec_app_deg")))
		cosDec := math.Cos(p.DecDeg * radPerDeg)
		w.add("right ascension arcsec on the night sky", 3600*cosDec*math.Abs(astro.Turn180(p.RADeg-r.number(t, "ra_app_deg"))))
		w.add("hour angle arcsec on the night sky", 3600*cosDec*math.Abs(astro.Turn180(p.HourAngleDeg-r.number(t, "ha_deg"))))
		w.add("sidereal time arcsec", 3600*math.Abs(astro.Turn180(m.SiderealDeg(o.Site().LonDeg)-r.number(t, "last_deg"))))
		if r["alt_ref_deg"] == "" {
			continue
		}
		if p.Seen.AltDeg < 15 {
			t.Fatalf("%s: row at %v°, none was that low", r["utc"], p.Seen.AltDeg) // the Sun's and Moon's rows are
		}
		w.add("refracted above 15° arcsec", 3600*astro.Separation(p.Seen, astro.Direction{AzDeg: r.number(t, "az_ref_deg"), AltDeg: r.number(t, "alt_ref_deg")}))
	}
	w.check(t, map[string]float64{
		"airless arcsec": 0.12, "star declination arcsec": 0.12, "right ascension arcsec on the night sky": 0.12, "hour angle arcsec on the night sky": 0.12,
		"sidereal time arcsec": 0.2, "refracted above 15° arcsec": 0.3,
	})
}

func TestSunAndMoonAgreeWithERFA(t *testing.T) {
	w := worst{}
	for _, r := range table(t, "reference_sunmoon.csv") {
		m, o := moment(t, r["utc"]+"Z"), observer(t, r)
		b := m.Sun()
		if r["body"] == "moon" {
			b = m.Moon()
		}
		p := o.Body(m, b)
		name := r["body"] + " "
		w.add(name+"airless arcsec", 3600*astro.Separation(p.Airless, astro.Direction{AzDeg: r.number(t, "az_geo_deg"), AltDeg: r.number(t, "alt_geo_deg")}))
		w.add(name+"distance, relative", math.Abs(r3.Norm(r3.Sub(b.vec, o.stand(m)))/r.number(t, "dist_au")-1))
		if r["alt_ref_deg"] != "" {
			lift := p.Seen.AltDeg - p.Airless.AltDeg - (r.number(t, "alt_ref_deg") - r.number(t, "alt_geo_deg"))
			if p.Seen.AltDeg > 15 {
				w.add("refraction above 15° arcsec", 3600*math.Abs(lift))
			} else {
				w.add("refraction 8 to 15° arcsec", 3600*math.Abs(lift))
			}
		}
	}
	w.check(t, map[string]float64{"sun airless arcsec": 3, "moon airless arcsec": 1, "sun distance, relative": 3e-5, "moon distance, relative": 1.3e-4, // theirs is the way of the light, 38 km apart

		"refraction above 15° arcsec": 0.5, "refraction 8 to 15° arcsec": 1.5})
}

func TestTwilightAgreesWithERFA(t *testing.T) {
	w := worst{}
	for _, r := range table(t, "reference_twilight.csv") {
		r["press_hpa"], r["temp_c"] = "0", "10"
		date, err := ParseDate(r["date"])
		if err != nil {
			t.Fatal(err)
		}
		got, err := observer(t, r).Twilight(date)
		if err != nil {
			t.Fatal(err)
		}
		times := got.Times()
		for i, column := range []string{"sunset", "civil_dusk", "naut_dusk", "astro_dusk", "astro_dawn", "naut_dawn", "civil_dawn", "sunrise"} {
			if (times[i] == nil) != (r[column] == "") {
				t.Errorf("%s %s: %s is %v, ERFA has %q", r["site"], r["date"], column, times[i], r[column])
				continue
			}
			if times[i] != nil {
				w.add("twilight s", math.Abs(times[i].Sub(instant(t, r[column]+"Z").Time()).Seconds()))
			}
		}
		// Theirs are the extremes of samples two minutes apart.
		low, high := r.number(t, "sun_min_alt_deg")-got.SunLowestDeg, got.SunHighestDeg-r.number(t, "sun_max_alt_deg")
		if low < -5.0/3600 || low > 0.06 || high < -5.0/3600 || high > 0.06 {
			t.Errorf("%s %s: lowest %.4f, highest %.4f; ERFA %s and %s", r["site"], r["date"], got.SunLowestDeg, got.SunHighestDeg, r["sun_min_alt_deg"], r["sun_max_alt_deg"])
		}
	}
	w.check(t, map[string]float64{"twilight s": 3})
}

func TestPlanetsAgreeWithERFA(t *testing.T) {
	w := worst{}
	for _, r := range table(t, "planets.csv") {
		m := moment(t, r["utc"])
		b := m.Planet(Planet(r["planet"]))
		want := unitVec(r.number(t, "ra_deg")*radPerDeg, r.number(t, "dec_deg")*radPerDeg)
		w.add(r["planet"]+" arcsec", r3.Norm(r3.Sub(want, b.Apparent()))/radPerArcsec)
		w.add("distance", math.Abs(b.DistanceAU()-r.number(t, "distance_au")))
	}
	w.check(t, map[string]float64{"venus arcsec": 20, "mars arcsec": 10, "jupiter arcsec": 5, "saturn arcsec": 5, "distance": 1e-4})
}
