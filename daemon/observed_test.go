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
)

const sidereal = 7.292115e-5 // rad/s

// poleOf is the northern celestial pole, and how the elevated end relates to it.
func poleOf(s astro.Site) (north r3.Vec, elevated float64) {
	lat := s.LatDeg * math.Pi / 180
	elevated = 1
	if lat < 0 {
		elevated = -1
	}
	return r3.Vec{Y: math.Cos(lat), Z: math.Sin(lat)}, elevated
}

// drifts turns the night sky about the pole and a camera about the axis for a minute,
// by plain rotations, and looks where a star went in the camera: arcsec north and
// east.
func drifts(site astro.Site, axis astro.Direction, hourAngleDeg, decDeg float64) (north, east float64) {
	pole, elevated := poleOf(site)
	// The star: from the southern meridian point of the equator, turned.
	lat := site.LatDeg * math.Pi / 180
	equator := r3.Vec{Y: -math.Sin(lat), Z: math.Cos(lat)} // hour angle 0
	west := r3.Vec{X: -1}
	h, dec := hourAngleDeg*math.Pi/180, decDeg*math.Pi/180
	star := r3.Add(r3.Scale(math.Sin(dec), pole), r3.Scale(math.Cos(dec), r3.Add(r3.Scale(math.Cos(h), equator), r3.Scale(math.Sin(h), west))))
	angle := 60 * sidereal
	// The night sky turns from east to west: against the right hand about the north pole.
	later := r3.NewRotation(-angle, pole).Rotate(star)
	// Seen from the camera, which turned likewise about the northern end of its axis.
	inCamera := r3.NewRotation(angle, r3.Scale(elevated, axis.Vec())).Rotate(later)
	toNorth := r3.Unit(r3.Sub(pole, r3.Scale(r3.Dot(pole, star), star)))
	toEast := r3.Cross(toNorth, star)
	const arcsec = 180 * 3600 / math.Pi
	d := r3.Sub(inCamera, star)
	return arcsec * r3.Dot(d, toNorth), arcsec * r3.Dot(d, toEast)
}

func airless(o *daemon.Options) { o.Air, o.AimKind = astro.NoAir, "true" }

// Drifts by brute force give the axis back, north and south, off in all ways.
func TestDriftReadings(t *testing.T) {
	for _, c := range []struct {
		key  string
		base astro.Direction
	}{{"larkmoor", astro.Direction{AltDeg: 51.9, AzDeg: 0}}, {"dry-lagoon", astro.Direction{AltDeg: 31.6, AzDeg: 180}}} {
		r := newRig(t, c.key, 21, airless)
		if res := r.bench(); !res.Accepted {
			t.Fatalf("%+v", res)
		}
		for _, off := range [][2]float64{{0.3, 0.5}, {-0.8, 0.2}, {0.1, -0.7}, {-0.2, -0.1}} {
			r.point(c.base.AltDeg+off[0], c.base.AzDeg+off[1])
			truth := r.here()
			dec := math.Copysign(10, r.place.Site.LatDeg)
			var q daemon.DriftReadings
			for _, ha := range []float64{-4, -78, 70} {
				n, e := drifts(r.place.Site, truth, ha, dec)
				q.Readings = append(q.Readings, daemon.DriftReading{Rates: pole.DriftReading{
					HourAngleDeg: ha, DecDeg: dec, NorthArcsecPerMin: n, NorthSigma: 0.2, EastArcsecPerMin: e, EastSigma: 0.4}})
			}
			got, err := r.d.ReadDrift(q)
			if err != nil {
				t.Fatalf("%s %v: %v", c.key, off, err)
			}
			pointsAt(t, c.key, got, truth, 0.3)
			if got.Fix == nil || got.Altitude.SigmaDeg > 0.05 {
				t.Errorf("%+v", got)
			}
			r.run(time.Second)
			if g := r.seen.Guidance; math.Abs(g.Raise.Deg-(c.base.AltDeg-truth.AltDeg)) > 4*g.Raise.SigmaDeg || g.TurnEast.SigmaDeg > 0.2 {
				t.Errorf("%s: %+v", c.key, g)
			}
			if err := r.d.RevokeSightings(); err != nil {
				t.Fatal(err)
			}
		}
		// A star by name, at the time when it was seen.
		o, m := r.observer()
		name := map[string]string{"larkmoor": "Capella", "dry-lagoon": "Canopus"}[c.key]
		target, err := sky.FindTarget(name, r.place.Site.Hemisphere())
		if err != nil {
			t.Fatal(err)
		}
		p := target.Place(o, m)
		n1, _ := drifts(r.place.Site, r.here(), p.HourAngleDeg, p.DecDeg)
		other := p.HourAngleDeg - math.Copysign(85, p.HourAngleDeg)
		n2, _ := drifts(r.place.Site, r.here(), other, 0)
		truth := r.here()
		got, err := r.d.ReadDrift(daemon.DriftReadings{Readings: []daemon.DriftReading{
			{Star: name, Time: r.place.Begin.Add(r.clock.Now()), Rates: pole.DriftReading{NorthArcsecPerMin: n1, NorthSigma: 0.2}},
			{Rates: pole.DriftReading{HourAngleDeg: other, NorthArcsecPerMin: n2, NorthSigma: 0.2}},
		}})
		if err != nil {
			t.Fatal(err)
		}
		pointsAt(t, name, got, truth, 0.5)
	}
}

// radec finds the ICRS place that is seen in a direction, by Newton's method on
// DirectionOfICRS.
func radec(o *sky.Observer, m *sky.Moment, at astro.Direction) (ra, dec float64) {
	ra, dec = m.SiderealDeg(o.Site().LonDeg), 20*math.Copysign(1, o.Site().LatDeg)
	want := at.Vec()
	miss := func(ra, dec float64) r3.Vec {
		d, _ := o.DirectionOfICRS(m, ra, dec)
		return r3.Sub(d.Vec(), want)
	}
	for range 50 {
		const h = 1e-4
		f := miss(ra, dec)
		a := r3.Scale(1/h, r3.Sub(miss(ra+h, dec), f))
		b := r3.Scale(1/h, r3.Sub(miss(ra, dec+h), f))
		aa, ab, bb := r3.Dot(a, a), r3.Dot(a, b), r3.Dot(b, b)
		det := aa*bb - ab*ab
		fa, fb := r3.Dot(a, f), r3.Dot(b, f)
		ra -= max(-20, min(20, (bb*fa-ab*fb)/det))
		dec = max(-89.9, min(89.9, dec-(aa*fb-ab*fa)/det))
	}
	return astro.Turn360(ra), dec
}

// A camera on the head, turned about the axis by hand between pictures: two with
// head angles, or four without, give the axis.
func TestFrameCentres(t *testing.T) {
	for _, c := range []struct {
		key  string
		base astro.Direction
	}{{"larkmoor", astro.Direction{AltDeg: 52.3, AzDeg: 0.9}}, {"dry-lagoon", astro.Direction{AltDeg: 31.1, AzDeg: 179.2}}} {
		r := newRig(t, c.key, 22, airless)
		if res := r.bench(); !res.Accepted {
			t.Fatalf("%+v", res)
		}
		r.point(c.base.AltDeg, c.base.AzDeg)
		truth := r.here()
		_, elevated := poleOf(r.place.Site)
		northEnd := r3.Scale(elevated, truth.Vec())
		o, err := sky.NewObserver(r.place.Site, astro.NoAir)
		if err != nil {
			t.Fatal(err)
		}
		now := r.place.Begin.Add(r.clock.Now())
		frame := func(head float64, k int) daemon.FrameCentre {
			at := now.Add(-time.Duration(k) * 40 * time.Second)
			m, err := sky.At(astro.InstantOf(at))
			if err != nil {
				t.Fatal(err)
			}
			// 25° from the axis, turned with the night sky by head.
			start := astro.Direction{AltDeg: truth.AltDeg + 25, AzDeg: truth.AzDeg}
			v := r3.NewRotation(-head*math.Pi/180, northEnd).Rotate(start.Vec())
			ra, dec := radec(o, &m, astro.DirectionOf(v))
			return daemon.FrameCentre{RADeg: ra, DecDeg: dec, Time: at, SigmaDeg: 0.005}
		}
		var q daemon.FrameCentres
		for k, head := range []float64{0, 70} {
			f := frame(head, k)
			f.HeadDeg, f.HeadSigmaDeg = ptr(head+200), 0.1
			q.Frames = append(q.Frames, f)
		}
		got, err := r.d.ReadFrames(q)
		if err != nil {
			t.Fatalf("%s: %v", c.key, err)
		}
		pointsAt(t, c.key+" with head angles", got, truth, 0.5)
		q = daemon.FrameCentres{}
		for k, head := range []float64{0, 50, -40, 95} {
			q.Frames = append(q.Frames, frame(head, k))
		}
		if got, err = r.d.ReadFrames(q); err != nil {
			t.Fatalf("%s: %v", c.key, err)
		}
		pointsAt(t, c.key+" without", got, truth, 0.5)
		r.run(time.Second)
		if g := r.seen.Guidance; g.TurnEast.SigmaDeg > 0.2 || g.TurnEast.Source != "stars" {
			t.Errorf("%s: %+v", c.key, g.TurnEast)
		}
	}
}

func TestReadingsRefused(t *testing.T) {
	r := ready(t, "larkmoor", 23, 51, 0, nil)
	now := r.place.Begin.Add(r.clock.Now())
	refused := func(name string, err error, code, says string) {
		t.Helper()
		var x *daemon.Refusal
		if !errors.As(err, &x) || x.Code != code || !strings.Contains(err.Error(), says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want %s with %q", name, err, code, says)
		}
	}
	one := daemon.DriftReading{Rates: pole.DriftReading{DecDeg: 10, NorthArcsecPerMin: 3, NorthSigma: 0.2}}
	_, err := r.d.ReadDrift(daemon.DriftReadings{})
	refused("no drift", err, "degenerate", "measure the drift")
	_, err = r.d.ReadDrift(daemon.DriftReadings{Readings: []daemon.DriftReading{one, one}})
	refused("one direction", err, "degenerate", "east or west")
	_, err = r.d.ReadDrift(daemon.DriftReadings{Readings: make([]daemon.DriftReading, 61)})
	refused("too many", err, "too-many", "at most 60")
	low := one
	low.Rates.HourAngleDeg = 180
	_, err = r.d.ReadDrift(daemon.DriftReadings{Readings: []daemon.DriftReading{low}})
	refused("below the horizon", err, "readings", "below the horizon")
	_, err = r.d.ReadDrift(daemon.DriftReadings{Readings: []daemon.DriftReading{{Star: "Capella", Time: now.Add(-30 * time.Hour)}}})
	refused("old", err, "time", "of this night")
	_, err = r.d.ReadDrift(daemon.DriftReadings{Readings: []daemon.DriftReading{{Star: "nowhere", Time: now}}})
	refused("star", err, "body", "not in the lists")
	_, err = r.d.ReadFrames(daemon.FrameCentres{Frames: []daemon.FrameCentre{{RADeg: 10, DecDeg: 80, Time: now}}})
	refused("one frame", err, "degenerate", "take another")
	_, err = r.d.ReadFrames(daemon.FrameCentres{Frames: []daemon.FrameCentre{{RADeg: 400, Time: now}}})
	refused("right ascension", err, "frame", "0 to 360")
	_, err = r.d.ReadFrames(daemon.FrameCentres{Frames: []daemon.FrameCentre{{RADeg: 10, DecDeg: -80, Time: now}}})
	refused("frame below", err, "below-horizon", "below the horizon")
	_, err = r.d.ReadFrames(daemon.FrameCentres{Frames: make([]daemon.FrameCentre, 61)})
	refused("many frames", err, "too-many", "at most 60")
}
