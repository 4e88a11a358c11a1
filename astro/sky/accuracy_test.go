package sky

import (
	"math"
	"testing"
	"time"

	"plumbstar/astro"
)

// The stated sigmas against what 0.3 s of the Earth's rotation really moves.
func TestAccuracyIsThatOfTheRotation(t *testing.T) {
	at := time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)
	a, err1 := At(astro.InstantOf(at))
	b, err2 := At(astro.InstantOf(at.Add(300 * time.Millisecond)))
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	o, err := NewObserver(astro.Site{LatDeg: 51.9, LonDeg: 8.4}, astro.NoAir)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"Vega", "Capella", "Aldebaran", "Dubhe"} {
		s, err := Find(name)
		if err != nil {
			t.Fatal(err)
		}
		p, q := o.Look(&a, a.Apparent(s)), o.Look(&b, b.Apparent(s))
		got := o.Accuracy(p, "", true, 60)
		wantAlt := math.Hypot(q.Airless.AltDeg-p.Airless.AltDeg, starSigma)
		wantAz := math.Hypot(astro.Turn180(q.Airless.AzDeg-p.Airless.AzDeg), starSigma/math.Cos(p.Airless.AltDeg*radPerDeg))
		if math.Abs(got.AltDeg-wantAlt) > 0.02*wantAlt || math.Abs(got.AzDeg-wantAz) > 0.02*wantAz {
			t.Errorf("%s: %+v, want altitude %v and azimuth %v", name, got, wantAlt, wantAz)
		}
	}
}

func TestAccuracyGrowsWhereItMust(t *testing.T) {
	m := moment(t, "2026-11-24T20:30:00Z")
	o, err := NewObserver(astro.Site{LatDeg: 51.9, LonDeg: 8.4}, astro.StandardAir(0))
	if err != nil {
		t.Fatal(err)
	}
	place := func(alt float64) Place {
		seen, visible := o.refraction.Apparent(alt)
		return Place{DecDeg: 40, Airless: astro.Direction{AltDeg: alt}, Seen: astro.Direction{AltDeg: seen}, Visible: visible}
	}
	low, high := o.Accuracy(place(0.5), "", true, 60), o.Accuracy(place(40), "", true, 60)
	if low.AltDeg < 0.1 || high.AltDeg > 0.002 {
		t.Errorf("at the horizon %v, at 40° %v", low.AltDeg, high.AltDeg)
	}
	if guessed := o.Accuracy(place(10), "", false, 60); guessed.AltDeg < 1.5*o.Accuracy(place(10), "", true, 60).AltDeg {
		t.Errorf("unknown air costs nothing: %+v", guessed)
	}
	p := o.Body(m, m.Moon())
	if moon := o.Accuracy(p, "Moon", true, 60); moon.AltDeg < moonSigma || moon.OffsetArcmin < 0.1 {
		t.Errorf("Moon %+v", moon)
	}
	if near := o.Accuracy(place(52), "", true, 1e-9); near.PositionAngleDeg != 180 {
		t.Errorf("a star on the pole has a position angle known to %v°", near.PositionAngleDeg)
	}
	if Caution("Sun") == "" || Caution("Moon") != "" || Caution("") != "" {
		t.Error("the caution is the Sun's alone")
	}
}
