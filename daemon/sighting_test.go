package daemon_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
	"plumbstar/daemon"
	"plumbstar/daemon/scenario"
)

// ready is a calibrated board that points somewhere, at rest.
func ready(t *testing.T, key string, seed uint64, altDeg, azDeg float64, change func(*daemon.Options)) *rig {
	t.Helper()
	r := newRig(t, key, seed, change)
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	r.point(altDeg, azDeg)
	return r
}

// here is where the axis of the rig really points.
func (r *rig) here() astro.Direction {
	q, _ := r.path.At(r.clock.Now())
	alt, az := scenario.Direction(q)
	return astro.Direction{AltDeg: alt, AzDeg: az}
}

func (r *rig) observer() (*sky.Observer, *sky.Moment) {
	r.t.Helper()
	o, err := sky.NewObserver(r.place.Site, astro.StandardAir(r.place.Site.HeightM))
	if err != nil {
		r.t.Fatal(err)
	}
	m, err := sky.At(astro.InstantOf(r.place.Begin.Add(r.clock.Now())))
	if err != nil {
		r.t.Fatal(err)
	}
	return o, &m
}

// inFinder is where a star stands for an eye at a finder along the axis, degrees
// right and up, by brute force: the board's own axes turned so that z is up in
// the vertical plane.
func inFinder(axis, star astro.Direction) (right, up float64) {
	forward, zenith := axis.Vec(), r3.Vec{Z: 1}
	toRight := r3.Unit(r3.Cross(forward, zenith))
	toUp := r3.Cross(toRight, forward)
	v := star.Vec()
	x, y, z := r3.Dot(v, toRight), r3.Dot(v, toUp), r3.Dot(v, forward)
	rho := math.Acos(z) * 180 / math.Pi
	n := math.Hypot(x, y)
	return rho * x / n, rho * y / n
}

func pointsAt(t *testing.T, name string, got daemon.SightingRecord, want astro.Direction, arcmin float64) {
	t.Helper()
	if got.Altitude == nil || got.Azimuth == nil {
		t.Errorf("%s: %+v", name, got)
		return
	}
	is := astro.Direction{AltDeg: got.Altitude.Deg, AzDeg: got.Azimuth.Deg}
	if d := astro.Separation(is, want) * 60; d > arcmin {
		t.Errorf("%s: axis at %.4f°, %.4f°; truth %.4f°, %.4f°: %.2f' apart", name, is.AltDeg, is.AzDeg, want.AltDeg, want.AzDeg, d)
	}
}

// The pole star seen in the finder, at places found by brute force, tells where
// the axis points: both hemispheres, an axis off in all four ways, every view.
func TestPoleStarSeenInTheFinder(t *testing.T) {
	for _, c := range []struct {
		key  string
		base astro.Direction
	}{{"larkmoor", astro.Direction{AltDeg: 51.9, AzDeg: 0}}, {"dry-lagoon", astro.Direction{AltDeg: 31.6, AzDeg: 180}}} {
		r := ready(t, c.key, 12, c.base.AltDeg+0.7, c.base.AzDeg+0.9, nil)
		for k, off := range [][2]float64{{0.7, 0.9}, {-0.6, 1.1}, {0.8, -1.2}, {-0.9, -0.5}} {
			r.point(c.base.AltDeg+off[0], c.base.AzDeg+off[1])
			view := []pole.View{pole.Erect, pole.Inverted, pole.Mirrored, pole.Flipped}[k]
			finder := pole.DefaultFinder()
			finder.View = view
			if err := r.d.SetKit(daemon.Kit{PixelUM: 4, TrailPx: 1, Finder: finder}); err != nil {
				t.Fatal(err)
			}
			o, m := r.observer()
			star := o.Seen(m, sky.PoleStar(r.place.Site.Hemisphere()))
			x, y := inFinder(r.here(), star.Direction)
			switch view {
			case pole.Inverted:
				x, y = -x, -y
			case pole.Mirrored:
				x = -x
			case pole.Flipped:
				y = -y
			}
			before := r.seen.Estimate
			got, err := r.d.Sight(daemon.Sight{Kind: daemon.SightPoleStar, How: daemon.SightInFinder, XDeg: x, YDeg: y})
			if err != nil {
				t.Fatalf("%s %v: %v", c.key, view, err)
			}
			pointsAt(t, c.key+" "+string(view), got, r.here(), 0.3)
			r.run(time.Second)
			_, _, as, zs := r.off()
			e := r.seen.Estimate
			if math.Abs(as) > 4 || math.Abs(zs) > 4 || e.Azimuth.SigmaDeg > 0.3 || e.Azimuth.Source != "stars" {
				t.Errorf("%s: off by %.1f and %.1f sigma, azimuth %+v, before %+v", c.key, as, zs, e.Azimuth, before.Azimuth)
			}
			if err := r.d.RevokeSightings(); err != nil {
				t.Fatal(err)
			}
			r.run(time.Second)
			if s := r.seen.Estimate.Azimuth; s.Source == "stars" || s.SigmaDeg < before.Azimuth.SigmaDeg/2 {
				t.Errorf("revoked: %+v", s)
			}
		}
		all := r.d.Sightings()
		if len(all) != 4 || !all[3].Revoked || all[3].InUse {
			t.Errorf("sightings %+v", all)
		}
	}
}

// Bodies in the night sky, the axis pointed at them: it is where the night sky has them, and
// the doubt is that of the sight with that of the clock.
func TestBodiesSighted(t *testing.T) {
	for _, c := range []struct {
		key, name string
		sight     daemon.Sight
		sigma     float64
	}{
		{"larkmoor", "pole-star", daemon.Sight{Kind: daemon.SightPoleStar, How: daemon.SightCentred}, 0.071},
		{"larkmoor", "capella", daemon.Sight{Kind: daemon.SightStar, Body: "Capella"}, 0.5},
		{"larkmoor", "venus", daemon.Sight{Kind: daemon.SightPlanet, Body: "venus", SigmaDeg: 0.2}, 0.2},
		{"dry-lagoon", "pole-star", daemon.Sight{Kind: daemon.SightPoleStar, SigmaDeg: 0.4}, 0.4},
		{"dry-lagoon", "canopus", daemon.Sight{Kind: daemon.SightStar, Body: "Canopus"}, 0.5},
	} {
		t.Run(c.key+" "+c.name, func(t *testing.T) {
			r := newRig(t, c.key, 14, nil)
			if res := r.bench(); !res.Accepted {
				t.Fatalf("%+v", res)
			}
			target, err := sky.FindTarget(c.name, r.place.Site.Hemisphere())
			if err != nil {
				t.Fatal(err)
			}
			o, m := r.observer()
			at := target.Place(o, m)
			if !at.Visible {
				got, err := r.d.Sight(c.sight)
				var refusal *daemon.Refusal
				if !errors.As(err, &refusal) || refusal.Code != "below-horizon" {
					t.Fatalf("%s is down: %+v, %v", c.name, got, err)
				}
				return
			}
			r.point(at.Seen.AltDeg, at.Seen.AzDeg)
			r.run(2 * time.Second)
			got, err := r.d.Sight(c.sight)
			if err != nil {
				t.Fatal(err)
			}
			o, m = r.observer()
			pointsAt(t, c.name, got, target.Place(o, m).Seen, 0.3)
			if math.Abs(got.Altitude.SigmaDeg/c.sigma-1) > 0.05 {
				t.Errorf("altitude ± %.4f°, want %.3f°", got.Altitude.SigmaDeg, c.sigma)
			}
			if want := c.sigma / math.Cos(got.Altitude.Deg*math.Pi/180); math.Abs(got.Azimuth.SigmaDeg/want-1) > 0.06 {
				t.Errorf("azimuth ± %.4f°, want %.3f°", got.Azimuth.SigmaDeg, want)
			}
			r.run(time.Second)
			if _, _, as, zs := r.off(); math.Abs(as) > 4 || math.Abs(zs) > 4 {
				t.Errorf("off by %.1f and %.1f sigma", as, zs)
			}
		})
	}
}

// The Sun by day, from the shadow of a plumb line that falls along the axis: the
// axis points away from it. A clock that is off counts.
func TestSunByShadow(t *testing.T) {
	noon := time.Date(2027, 6, 9, 9, 30, 0, 0, time.UTC)
	r := newRig(t, "larkmoor", 15, func(o *daemon.Options) {
		o.UTC = func(now time.Duration) time.Time { return noon.Add(now) }
		o.ClockSigmaS = 60
	})
	r.place.Begin = noon
	if res := r.bench(); !res.Accepted {
		t.Fatalf("%+v", res)
	}
	o, m := r.observer()
	sun := o.Body(m, m.Sun())
	if !sun.Visible || sun.Seen.AltDeg > 70 {
		t.Fatalf("the Sun is at %+v", sun.Seen)
	}
	r.point(20, sun.Seen.AzDeg+180)
	got, err := r.d.Sight(daemon.Sight{Kind: daemon.SightSun, How: daemon.SightAbove, OffsetDeg: 180})
	if err != nil {
		t.Fatal(err)
	}
	if got.Altitude != nil || got.Azimuth == nil || math.Abs(astro.Turn180(got.Azimuth.Deg-sun.Seen.AzDeg-180)) > 0.2 {
		t.Errorf("%+v, the Sun at %+v", got, sun.Seen)
	}
	// 60 s are 15' of hour angle, more in azimuth for a high Sun.
	if s := got.Azimuth.SigmaDeg; s < 0.4 || s > 1 {
		t.Errorf("± %.2f°", s)
	}
	var refusal *daemon.Refusal
	for _, how := range []daemon.SightHow{daemon.SightCentred, daemon.SightInFinder, daemon.SightAtMark} {
		if _, err := r.d.Sight(daemon.Sight{Kind: daemon.SightSun, How: how}); !errors.As(err, &refusal) || !strings.Contains(err.Error(), "Never look at the Sun") {
			t.Errorf("the Sun %s: %v", how, err)
		}
	}
}

// The star brought to its mark puts the axis at the aim.
func TestPoleStarAtItsMark(t *testing.T) {
	for _, key := range []string{"larkmoor", "dry-lagoon"} {
		r := newRig(t, key, 16, nil)
		if res := r.bench(); !res.Accepted {
			t.Fatalf("%+v", res)
		}
		aim := r.seen.Guidance.Aim
		r.point(aim.AltitudeDeg, aim.AzimuthDeg)
		got, err := r.d.Sight(daemon.Sight{Kind: daemon.SightPoleStar, How: daemon.SightAtMark})
		if err != nil {
			t.Fatal(err)
		}
		pointsAt(t, key, got, astro.Direction{AltDeg: aim.AltitudeDeg, AzDeg: aim.AzimuthDeg}, 0.01)
		r.run(time.Second)
		if g := r.seen.Guidance; !g.Error.Known || g.Error.Deg > 4*g.Error.SigmaDeg || g.Error.SigmaDeg > 0.2 {
			t.Errorf("%s: %+v", key, g.Error)
		}
	}
}

func ptr(v float64) *float64 { return &v }

// A landmark by its bearing, and by its coordinates.
func TestLandmark(t *testing.T) {
	r := ready(t, "larkmoor", 17, 2, 75, nil)
	got, err := r.d.Sight(daemon.Sight{Kind: daemon.SightLandmark, BearingDeg: ptr(75)})
	if err != nil {
		t.Fatal(err)
	}
	if got.Altitude != nil || got.Azimuth == nil || got.Azimuth.Deg != 75 || math.Abs(got.Azimuth.SigmaDeg-math.Hypot(0.3, 0.2)) > 1e-6 {
		t.Errorf("%+v", got)
	}
	// 5 km to the east-north-east and 150 m higher.
	there := astro.Site{LatDeg: 51.9 + 5/111.26*math.Cos(75*math.Pi/180), LonDeg: 8.4 + 5/68.7*math.Sin(75*math.Pi/180), HeightM: 360}
	line, err := r.place.Site.Sight(there)
	if err != nil {
		t.Fatal(err)
	}
	r.point(line.AltDeg, line.AzDeg)
	if got, err = r.d.Sight(daemon.Sight{Kind: daemon.SightLandmark, Landmark: &there, HeightKnown: true}); err != nil {
		t.Fatal(err)
	}
	pointsAt(t, "landmark", got, line.Direction, 0.01)
	r.run(time.Second)
	if _, _, as, zs := r.off(); math.Abs(as) > 4 || math.Abs(zs) > 4 || r.seen.Estimate.Azimuth.Source != "sighting" {
		t.Errorf("off by %.1f and %.1f sigma, %+v", as, zs, r.seen.Estimate.Azimuth)
	}
	// Over the back: the axis points the other way.
	r.point(3, line.AzDeg+180)
	if got, err = r.d.Sight(daemon.Sight{Kind: daemon.SightLandmark, Landmark: &there, OffsetDeg: 180, HeightKnown: true}); err != nil {
		t.Fatal(err)
	}
	if got.Altitude != nil || math.Abs(astro.Turn180(got.Azimuth.Deg-line.AzDeg-180)) > 1e-9 {
		t.Errorf("over the back: %+v", got)
	}
}

func TestSightingsRefused(t *testing.T) {
	r := ready(t, "larkmoor", 18, 50, 0, nil)
	check := func(name string, s daemon.Sight, says string, isConflict bool) {
		t.Helper()
		_, err := r.d.Sight(s)
		var refusal *daemon.Refusal
		if !errors.As(err, &refusal) || !strings.Contains(err.Error(), says) || refusal.Conflict != isConflict || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want %q, conflict %v", name, err, says, isConflict)
		}
	}
	check("no kind", daemon.Sight{}, "choose sun", false)
	check("planet", daemon.Sight{Kind: daemon.SightPlanet, Body: "pluto"}, "choose venus", false)
	check("star", daemon.Sight{Kind: daemon.SightStar, Body: "nowhere"}, "not in the lists", false)
	check("how", daemon.Sight{Kind: daemon.SightPoleStar, How: "sideways"}, "choose along", false)
	check("sun at night", daemon.Sight{Kind: daemon.SightSun}, "below the horizon", true)
	check("sigma", daemon.Sight{Kind: daemon.SightPoleStar, SigmaDeg: 40}, "give 0.001 to 10", false)
	check("outside the finder", daemon.Sight{Kind: daemon.SightPoleStar, How: daemon.SightInFinder, XDeg: 9}, "outside the finder", false)
	check("landmark", daemon.Sight{Kind: daemon.SightLandmark}, "true bearing", false)
	check("landmark twice", daemon.Sight{Kind: daemon.SightLandmark, BearingDeg: ptr(1), Landmark: &astro.Site{}}, "not both", false)
	check("landmark far", daemon.Sight{Kind: daemon.SightLandmark, Landmark: &astro.Site{LatDeg: 10}}, "300 km", false)
	check("landmark how", daemon.Sight{Kind: daemon.SightLandmark, BearingDeg: ptr(1), How: daemon.SightCentred}, "along the axis", false)
	check("no mark", daemon.Sight{Kind: daemon.SightStar, Body: "Capella", How: daemon.SightAtMark}, "does not show", false)
	check("elsewhere", daemon.Sight{Kind: daemon.SightLandmark, BearingDeg: ptr(90)}, "if you are sure", true)
	r.path.Turn(r.clock.Now(), 5*time.Second, r3.Vec{Z: 1}, 0.6)
	r.run(2 * time.Second)
	check("while moving", daemon.Sight{Kind: daemon.SightLandmark, BearingDeg: ptr(0), Sure: true}, "stand still", true)
	if n := len(r.d.Sightings()); n != 0 {
		t.Errorf("%d sightings were kept", n)
	}
	// The clock.
	for _, c := range []struct {
		change func(*daemon.Options)
		says   string
	}{
		{func(o *daemon.Options) { o.ClockSigmaS = -1; o.ClockSource = "system" }, "set it first"},
		{func(o *daemon.Options) { o.NotBefore = r.place.Begin.Add(24 * time.Hour) }, "set the clock"},
		{func(o *daemon.Options) { o.Site = nil }, "site is not known"},
	} {
		r = newRig(t, "larkmoor", 18, c.change)
		r.run(2 * time.Second)
		check("clock", daemon.Sight{Kind: daemon.SightPoleStar}, c.says, true)
	}
}

// Steel turns the compass by far more than is believed. The sighting that says so
// must be confirmed; then it counts alone. A change of the site ends it.
func TestSightingAgainstADisturbedCompass(t *testing.T) {
	r := ready(t, "larkmoor", 19, 50, 0, nil)
	r.mu.Lock()
	r.field = r3.Add(r.field, r3.Vec{X: -12})
	r.mu.Unlock()
	r.restart(nil)
	r.run(8 * time.Second)
	_, az, _, _ := r.off()
	if math.Abs(az) < 20 {
		t.Fatalf("the steel turns the compass by %.1f° only", az)
	}
	s := daemon.Sight{Kind: daemon.SightLandmark, BearingDeg: ptr(0)}
	if _, err := r.d.Sight(s); err == nil || !strings.Contains(err.Error(), "if you are sure") {
		t.Fatalf("not doubted: %v", err)
	}
	s.Sure = true
	if _, err := r.d.Sight(s); err != nil {
		t.Fatal(err)
	}
	r.run(time.Second)
	if _, az, _, zs := r.off(); math.Abs(zs) > 3 || math.Abs(az) > 1 {
		t.Errorf("azimuth off by %.2f° (%.1f sigma)", az, zs)
	}
	if all := r.d.Sightings(); len(all) != 1 || !all[0].InUse {
		t.Errorf("%+v", all)
	}
	if err := r.d.SetSite("Another", astro.Site{LatDeg: 52.5, LonDeg: 8.4}, "entered"); err != nil {
		t.Fatal(err)
	}
	r.run(time.Second)
	if all := r.d.Sightings(); all[0].InUse || r.seen.Estimate.Azimuth.Source == "sighting" {
		t.Errorf("after a change of the site: %+v", all)
	}
}

// The clock turns out wrong after the sighting: the sighting no longer counts.
func TestSightingWithAWrongClock(t *testing.T) {
	r := ready(t, "larkmoor", 20, 52, 1, nil)
	o, m := r.observer()
	x, y := inFinder(r.here(), o.Seen(m, sky.PoleStar(astro.North)).Direction)
	if _, err := r.d.Sight(daemon.Sight{Kind: daemon.SightPoleStar, How: daemon.SightInFinder, XDeg: x, YDeg: y}); err != nil {
		t.Fatal(err)
	}
	r.run(time.Second)
	if s := r.seen.Estimate.Azimuth.Source; s != "stars" {
		t.Fatalf("azimuth rests on %s", s)
	}
	if err := r.d.SetClock(r.place.Begin.Add(r.clock.Now()).Add(20*time.Minute), daemon.ClockEntered, 1); err != nil {
		t.Fatal(err)
	}
	r.run(time.Second)
	if s := r.seen.Estimate.Azimuth.Source; s == "stars" {
		t.Error("the sighting still counts")
	}
}

// After a sighting the azimuth is carried through small moves by the gyroscope,
// slow and quick ones, far better than the compass repeats itself, and its sigma
// holds.
func TestSightingIsCarriedOn(t *testing.T) {
	moves := []struct{ alt, az, rate float64 }{{0, 0.1, 0.07}, {0, -0.4, 4}, {0.3, 1, 0.5}, {-0.5, -3, 1.5}, {1, 6, 1.5}}
	var sum, sigma, n float64
	for seed := range uint64(4) {
		r := ready(t, []string{"larkmoor", "dry-lagoon"}[seed%2], 300+10*seed, []float64{52, 31}[seed%2], []float64{3, 176}[seed%2], nil)
		r.run(8 * time.Second)
		for _, m := range moves {
			at := r.here()
			// The error of the sight is none, so what is seen is that of the carrying.
			if _, err := r.d.Sight(daemon.Sight{Kind: daemon.SightLandmark, BearingDeg: &at.AzDeg, AltitudeDeg: &at.AltDeg, SigmaDeg: 0.001, Sure: true}); err != nil {
				t.Fatal(err)
			}
			takes := 400*time.Millisecond + time.Duration(math.Hypot(m.alt, m.az)/m.rate*float64(time.Second))
			r.path.TurnTo(r.clock.Now(), takes, scenario.Attitude(at.AltDeg+m.alt, at.AzDeg+m.az, 0))
			r.run(takes + 10*time.Second)
			_, az, _, _ := r.off()
			carried := math.Sqrt(math.Pow(r.seen.Estimate.Azimuth.SigmaDeg, 2) - 0.2*0.2) // less the bearing's own
			sum += az * az / (carried * carried)
			sigma = max(sigma, carried)
			n++
			if err := r.d.RevokeSightings(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if z := math.Sqrt(sum / n); z < 0.5 || z > 1.5 || sigma > 0.15 {
		t.Errorf("off by %.2f sigma, root mean square of %v moves; largest sigma %.3f°", z, n, sigma)
	}
}
