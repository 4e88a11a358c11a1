package pole

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbstar/astro"
)

// The forward models of these tests rotate plain vectors by Rodrigues' formula,
// apart from the package's own geometry.

type vec3 [3]float64

func (a vec3) dot(b vec3) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func (a vec3) cross(b vec3) vec3 {
	return vec3{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func (a vec3) turned(axis vec3, rad float64) vec3 {
	s, c := math.Sincos(rad)
	x, along := axis.cross(a), axis.dot(a)*(1-c)
	return vec3{c*a[0] + s*x[0] + along*axis[0], c*a[1] + s*x[1] + along*axis[1], c*a[2] + s*x[2] + along*axis[2]}
}

// enu is a direction as east, north, up; azAlt back.
func enu(azDeg, altDeg float64) vec3 {
	az, alt := azDeg*math.Pi/180, altDeg*math.Pi/180
	return vec3{math.Cos(alt) * math.Sin(az), math.Cos(alt) * math.Cos(az), math.Sin(alt)}
}

func azAlt(v vec3) astro.Direction {
	return astro.Direction{AzDeg: math.Mod(math.Atan2(v[0], v[1])*180/math.Pi+360, 360), AltDeg: math.Asin(v[2]/math.Sqrt(v.dot(v))) * 180 / math.Pi}
}

// starAt is the direction of an hour angle and declination: the pole's frame
// tilted into the site's.
func starAt(latDeg, hourDeg, decDeg float64) vec3 {
	h, d := hourDeg*math.Pi/180, decDeg*math.Pi/180
	v := vec3{-math.Cos(d) * math.Sin(h), -math.Cos(d) * math.Cos(h), math.Sin(d)} // as at the north pole: H = 0 is south
	return v.turned(vec3{1, 0, 0}, -(90-latDeg)*math.Pi/180)
}

// poleOf is the aim without air of a latitude, and a random axis near it.
func poleOf(latDeg float64) astro.Direction {
	if latDeg < 0 {
		return astro.Direction{AzDeg: 180, AltDeg: -latDeg}
	}
	return astro.Direction{AltDeg: latDeg}
}

func axisNear(r *rand.Rand, aim astro.Direction, maxArcmin float64) (astro.Direction, vec3) {
	alt := aim.AltDeg + (2*r.Float64()-1)*maxArcmin/60/math.Sqrt2
	az := aim.AzDeg + (2*r.Float64()-1)*maxArcmin/60/math.Sqrt2/math.Cos(aim.AltDeg*math.Pi/180)
	v := enu(az, alt)
	return azAlt(v), v
}

// eye is what an eye along the axis sees of a direction: degrees right (growing
// azimuth) and up, with true distances.
func eye(axis vec3, star vec3) (x, y float64) {
	right := vec3{axis[1], -axis[0], 0}
	n := math.Hypot(right[0], right[1])
	right = vec3{right[0] / n, right[1] / n, 0}
	up := right.cross(axis)
	rho := math.Acos(math.Min(1, axis.dot(star)))
	pa := math.Atan2(star.dot(right), star.dot(up))
	return rho * math.Sin(pa) * 180 / math.Pi, rho * math.Cos(pa) * 180 / math.Pi
}

// tally counts how often fixes hold the truth.
type tally struct {
	n, alt, az, both int
	sumAlt, sumAz    float64 // of normalised errors
	sumAlt2, sumAz2  float64
}

func (c *tally) add(f Fix, truth astro.Direction) {
	da := (f.Axis.AltDeg - truth.AltDeg) / f.AltSigmaDeg
	dz := astro.Turn180(f.Axis.AzDeg-truth.AzDeg) / f.AzSigmaDeg
	c.n++
	if math.Abs(da) < 1.96 {
		c.alt++
	}
	if math.Abs(dz) < 1.96 {
		c.az++
	}
	q := (da*da - 2*f.AltAzCorrelate*da*dz + dz*dz) / (1 - f.AltAzCorrelate*f.AltAzCorrelate)
	if q < 5.991 {
		c.both++
	}
	c.sumAlt += da
	c.sumAz += dz
	c.sumAlt2 += da * da
	c.sumAz2 += dz * dz
}

func (c *tally) check(t *testing.T, name string) {
	t.Helper()
	n := float64(c.n)
	for _, v := range []struct {
		what string
		in   int
	}{{"altitude", c.alt}, {"azimuth", c.az}, {"both", c.both}} {
		if share := float64(v.in) / n; share < 0.93 || share > 0.97 {
			t.Errorf("%s: %s inside its 95 %% bound in %.1f %% of %d seeds", name, v.what, 100*share, c.n)
		}
	}
	if bias := math.Max(math.Abs(c.sumAlt), math.Abs(c.sumAz)) / n; bias > 4/math.Sqrt(n) {
		t.Errorf("%s: biased by %.2f sigma", name, bias)
	}
	t.Logf("%s: %d seeds, inside 95 %%: altitude %.1f, azimuth %.1f, both %.1f; mean %.3f %.3f, spread %.3f %.3f sigma",
		name, c.n, 100*float64(c.alt)/n, 100*float64(c.az)/n, 100*float64(c.both)/n, c.sumAlt/n, c.sumAz/n, math.Sqrt(c.sumAlt2/n), math.Sqrt(c.sumAz2/n))
}

const seeds = 1000

var latitudes = []float64{51.9, -31.6, 69, -8, 22}

func TestFromFinderCoverage(t *testing.T) {
	for _, view := range []View{Erect, Inverted, Mirrored} {
		var c tally
		for seed := range uint64(seeds) {
			r := rand.New(rand.NewPCG(seed, 10))
			lat := latitudes[seed%uint64(len(latitudes))]
			aim := poleOf(lat)
			truth, axis := axisNear(r, aim, 60)
			finder := DefaultFinder()
			finder.View = view
			var readings []FinderReading
			for range 1 + r.IntN(3) {
				star := starAt(lat, 360*r.Float64(), math.Copysign(90-1.2*r.Float64(), lat))
				x, y := eye(axis, star)
				switch view {
				case Inverted:
					x, y = -x, -y
				case Mirrored:
					x = -x
				}
				sigma := 0.02 + 0.05*r.Float64()
				readings = append(readings, FinderReading{Star: astro.Seen{Name: "a star", Direction: azAlt(star)}, SigmaDeg: sigma,
					XDeg: x + sigma*r.NormFloat64(), YDeg: y + sigma*r.NormFloat64()})
			}
			f, err := FromFinder(aim, finder, readings)
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			c.add(f, truth)
		}
		c.check(t, string(view))
	}
}

// driftOf is the brute-force drift of a star about a time, arcsec a minute north
// and east: two moments, the camera turned with its axis.
func driftOf(latDeg, hourDeg, decDeg float64, axis vec3, air astro.Air) (north, east float64) {
	const w, dt = 7.292115e-5, 30.0
	pole := enu(0, latDeg) // the northern one, below the horizon in the south
	axisNorth := axis
	if latDeg < 0 {
		axisNorth = vec3{-axis[0], -axis[1], -axis[2]}
	}
	refraction := air.Refraction()
	at := func(seconds float64) vec3 {
		d := azAlt(starAt(latDeg, hourDeg+w*seconds*180/math.Pi, decDeg))
		d.AltDeg, _ = refraction.Apparent(d.AltDeg)
		// Seen in the camera, which has turned since time 0.
		return enu(d.AzDeg, d.AltDeg).turned(axisNorth, w*seconds)
	}
	s0, s1, s2 := at(-dt/2), at(0), at(dt/2)
	move := vec3{s2[0] - s0[0], s2[1] - s0[1], s2[2] - s0[2]}
	e := pole.cross(s1)
	ne := math.Sqrt(e.dot(e))
	n := s1.cross(e)
	const arcsec = 180 * 3600 / math.Pi
	return move.dot(n) / ne * arcsec * 60 / dt, move.dot(e) / ne * arcsec * 60 / dt
}

func TestFromDriftCoverage(t *testing.T) {
	for _, tt := range []struct {
		name string
		air  astro.Air
		rate float64
		east bool
	}{
		{"declination only, no air", astro.NoAir, 0, false},
		{"both drifts, air", astro.Air{PressureHPa: 1000, TempC: 5}, 0, true},
		{"both drifts, drive unsure", astro.NoAir, 0.5, true},
	} {
		var c tally
		for seed := range uint64(seeds) {
			r := rand.New(rand.NewPCG(seed, 11))
			lat := latitudes[seed%4]
			aim := poleOf(lat)
			truth, axis := axisNear(r, aim, 60)
			setup := DriftSetup{Site: astro.Site{LatDeg: lat}, Air: tt.air, Aim: aim, RateSigmaArcsecPerMin: tt.rate}
			rateError := tt.rate * r.NormFloat64()
			var readings []DriftReading
			// Near the equator of the sky, from east over the meridian to west.
			for k, hour := range []float64{-60, -5, 55, -30}[:2+r.IntN(3)] {
				dr := DriftReading{HourAngleDeg: hour + 8*r.Float64(), DecDeg: 30 * (2*r.Float64() - 1), NorthSigma: 0.05 + 0.2*r.Float64(), Label: fmt.Sprint(k)}
				north, east := driftOf(lat, dr.HourAngleDeg, dr.DecDeg, axis, tt.air)
				dr.NorthArcsecPerMin = north + dr.NorthSigma*r.NormFloat64()
				if tt.east {
					dr.EastSigma = 0.05 + 0.2*r.Float64()
					dr.EastArcsecPerMin = east + rateError*math.Cos(dr.DecDeg*math.Pi/180) + dr.EastSigma*r.NormFloat64()
				}
				if azAlt(starAt(lat, dr.HourAngleDeg, dr.DecDeg)).AltDeg < 5 {
					continue
				}
				readings = append(readings, dr)
			}
			f, err := FromDrift(setup, readings)
			var open *Degenerate
			if errors.As(err, &open) {
				continue
			}
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			c.add(f, truth)
		}
		if c.n < 700 {
			t.Errorf("%s: only %d fixes of %d", tt.name, c.n, seeds)
		}
		c.check(t, tt.name)
	}
}

// noisy moves a direction by so much to both sides.
func noisy(r *rand.Rand, v vec3, sigmaDeg float64) vec3 {
	s := sigmaDeg * math.Pi / 180
	d := azAlt(v)
	right := vec3{math.Cos(d.AzDeg * math.Pi / 180), -math.Sin(d.AzDeg * math.Pi / 180), 0}
	return v.turned(right, s*r.NormFloat64()).turned(right.cross(v), s*r.NormFloat64())
}

func TestFromFramesCoverage(t *testing.T) {
	for _, tt := range []struct {
		name   string
		known  bool
		frames int
	}{{"head angles known", true, 2}, {"head angles unknown", false, 3}} {
		var c tally
		for seed := range uint64(seeds) {
			r := rand.New(rand.NewPCG(seed, 12))
			lat := latitudes[seed%uint64(len(latitudes))]
			aim := poleOf(lat)
			truth, axis := axisNear(r, aim, 60)
			forward := -1.0 // following the sky is clockwise about the southern end, the other way about the northern
			if lat < 0 {
				forward = 1
			}
			radius := (3 + 40*r.Float64()) * math.Pi / 180
			d := azAlt(axis)
			right := vec3{math.Cos(d.AzDeg * math.Pi / 180), -math.Sin(d.AzDeg * math.Pi / 180), 0}
			zero := axis.turned(right, radius).turned(axis, 6.28*r.Float64())
			var frames []FrameCentre
			for k := range tt.frames + r.IntN(3) {
				head := float64(k)*60 + 20*r.Float64()
				sigma, headSigma := 0.003+0.01*r.Float64(), 0.02+0.3*r.Float64()
				v := zero.turned(axis, forward*head*math.Pi/180)
				fc := FrameCentre{Direction: azAlt(noisy(r, v, sigma)), SigmaDeg: sigma}
				if tt.known {
					fc.HeadKnown, fc.HeadDeg, fc.HeadSigmaDeg = true, head+headSigma*r.NormFloat64(), headSigma
				}
				frames = append(frames, fc)
			}
			f, err := FromFrames(aim, frames)
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			c.add(f, truth)
		}
		c.check(t, tt.name)
	}
}

// Signs worked out by hand. North: east is to the right of an eye that faces the
// pole; south: to the left.
func TestSignsOfTheFix(t *testing.T) {
	near := func(got, want float64) bool { return math.Abs(got-want) < 0.02 }
	for _, tt := range []struct {
		name             string
		lat              float64
		star             astro.Direction // at the pole itself: it is then seen opposite to the error
		x, y             float64
		raise, turnEast  float64
		highMin, eastMin float64
	}{
		{"north, pole seen below the centre: axis too high", 50, astro.Direction{AltDeg: 50}, 0, -0.5, -0.5, 0, 30, 0},
		{"north, pole seen right of the centre: axis too far west", 50, astro.Direction{AltDeg: 50}, 0.5, 0, 0, 0.5 / math.Cos(50*math.Pi/180), 0, -30},
		{"south, pole seen above the centre: axis too low", -35, astro.Direction{AzDeg: 180, AltDeg: 35}, 0, 0.25, 0.25, 0, -15, 0},
		{"south, pole seen left of the centre: axis too far west", -35, astro.Direction{AzDeg: 180, AltDeg: 35}, -0.5, 0, 0, 0.5 / math.Cos(35*math.Pi/180), 0, -30},
	} {
		f, err := FromFinder(poleOf(tt.lat), DefaultFinder(), []FinderReading{{Star: astro.Seen{Direction: tt.star}, XDeg: tt.x, YDeg: tt.y, SigmaDeg: 0.01}})
		if err != nil {
			t.Fatal(err)
		}
		if !near(f.RaiseDeg, tt.raise) || !near(f.TurnEastDeg, tt.turnEast) || !near(f.HighArcmin/60, tt.highMin/60) || !near(f.EastArcmin/60, tt.eastMin/60) {
			t.Errorf("%s: raise %.3f, turn east %.3f, high %.1f', east %.1f'", tt.name, f.RaiseDeg, f.TurnEastDeg, f.HighArcmin, f.EastArcmin)
		}
	}
	// The sign table of refdata polar_error.md: 10' of error, |declination| 20°.
	for _, tt := range []struct {
		name             string
		lat              float64
		eastStar, merid  float64 // drift in declination of a star in the east, on the meridian
		highMin, eastMin float64
	}{
		{"too high, north", 45, 2.625, 0, 10, 0},
		{"too far east, north", 45, 0, -2.625, 0, 10},
		{"too high, south", -45, -2.625, 0, 10, 0},
		{"too far east, south", -45, 0, 2.625, 0, 10},
	} {
		dec := math.Copysign(20, tt.lat)
		f, err := FromDrift(DriftSetup{Site: astro.Site{LatDeg: tt.lat}, Aim: poleOf(tt.lat)}, []DriftReading{
			{HourAngleDeg: -90, DecDeg: dec, NorthArcsecPerMin: tt.eastStar, NorthSigma: 0.05},
			{HourAngleDeg: 0, DecDeg: dec, NorthArcsecPerMin: tt.merid, NorthSigma: 0.05},
		})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(f.HighArcmin-tt.highMin) > 0.1 || math.Abs(f.EastArcmin-tt.eastMin) > 0.1 {
			t.Errorf("%s: high %.2f', east %.2f'", tt.name, f.HighArcmin, f.EastArcmin)
		}
	}
}

func TestOutliersAreNamed(t *testing.T) {
	found, wrong := 0, 0
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 13))
		lat := latitudes[seed%uint64(len(latitudes))]
		aim := poleOf(lat)
		truth, axis := axisNear(r, aim, 30)
		bad := r.IntN(5)
		var readings []FinderReading
		for k := range 5 {
			star := starAt(lat, 360*r.Float64(), math.Copysign(89.3, lat))
			x, y := eye(axis, star)
			if k == bad {
				x += 0.6
			}
			readings = append(readings, FinderReading{Star: astro.Seen{Direction: azAlt(star)}, Label: fmt.Sprintf("star %d", k),
				XDeg: x + 0.05*r.NormFloat64(), YDeg: y + 0.05*r.NormFloat64(), SigmaDeg: 0.05})
		}
		f, err := FromFinder(aim, DefaultFinder(), readings)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range f.Outliers {
			if o.Index == bad && o.Label == fmt.Sprintf("star %d", bad) && o.Sigmas > 5 {
				found++
			} else {
				wrong++
			}
		}
		if d := astro.Separation(f.Axis, truth); d > 6*math.Hypot(f.AltSigmaDeg, f.AzSigmaDeg) {
			t.Errorf("seed %d: %.3f° from the truth, outliers %v", seed, d, f.Outliers)
		}
	}
	if found < 297 || wrong > 6 {
		t.Errorf("the bad reading was named in %d of 300, a good one in %d", found, wrong)
	}
	// Two readings that disagree: neither can be blamed, the sigma grows.
	star := astro.Seen{Direction: astro.Direction{AltDeg: 50.5}}
	f, err := FromFinder(poleOf(50), DefaultFinder(), []FinderReading{
		{Star: star, XDeg: 0, YDeg: 0.5, SigmaDeg: 0.05}, {Star: star, XDeg: 1, YDeg: 0.5, SigmaDeg: 0.05}})
	if err != nil || len(f.Outliers) != 0 || f.Note == "" || f.AzSigmaDeg < 0.3 {
		t.Errorf("two readings a degree apart: %+v, %v", f, err)
	}
}

func TestDegenerateReadingsAreRefused(t *testing.T) {
	north := DriftSetup{Site: astro.Site{LatDeg: 45}, Aim: poleOf(45)}
	drift := func(hours ...float64) (out []DriftReading) {
		for _, h := range hours {
			out = append(out, DriftReading{HourAngleDeg: h * 15, DecDeg: 40, NorthSigma: 0.1, NorthArcsecPerMin: 1})
		}
		return out
	}
	frame := func(az, alt float64) FrameCentre {
		return FrameCentre{Direction: astro.Direction{AzDeg: az, AltDeg: alt}}
	}
	eastOnly := []DriftReading{{HourAngleDeg: -60, DecDeg: 0, EastSigma: 0.1}, {HourAngleDeg: 10, DecDeg: 0, EastSigma: 0.1}}
	for _, tt := range []struct {
		name string
		err  func() error
		says string
	}{
		{"no star", func() error { _, err := FromFinder(poleOf(45), DefaultFinder(), nil); return err }, "pole star"},
		{"no drift", func() error { _, err := FromDrift(north, nil); return err }, "meridian"},
		{"one drift on the meridian", func() error { _, err := FromDrift(north, drift(0)); return err }, "east or west"},
		{"one drift in the east", func() error { _, err := FromDrift(north, drift(-6)); return err }, "near the meridian"},
		{"the same place twice", func() error { _, err := FromDrift(north, drift(-6, -6.01)); return err }, "near the meridian"},
		{"opposite places", func() error { _, err := FromDrift(north, drift(-6, 6)); return err }, "near the meridian"},
		{"eastward drift on the equator says nothing", func() error { _, err := FromDrift(north, eastOnly); return err }, "declination"},
		{"no frame", func() error { _, err := FromFrames(poleOf(45), nil); return err }, "turn the head"},
		{"two frames without angles", func() error {
			_, err := FromFrames(poleOf(45), []FrameCentre{frame(0, 50), frame(5, 47)})
			return err
		}, "third"},
		{"three frames at one place", func() error {
			_, err := FromFrames(poleOf(45), []FrameCentre{frame(0, 50), frame(0, 50), frame(0, 50)})
			return err
		}, "turn the head"},
		{"three frames within a minute of arc", func() error {
			_, err := FromFrames(poleOf(45), []FrameCentre{frame(0, 55), frame(0.01, 55.0001), frame(0.02, 55)})
			return err
		}, "turn the head"},
	} {
		err := tt.err()
		var open *Degenerate
		if !errors.As(err, &open) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, want a refusal that says %q", tt.name, err, tt.says)
		}
	}
}

func TestReadingsOutOfRange(t *testing.T) {
	aim := poleOf(45)
	star := astro.Seen{Name: "a star", Direction: astro.Direction{AltDeg: 45.5}}
	setup := DriftSetup{Site: astro.Site{LatDeg: 45}, Aim: aim}
	for _, tt := range []struct {
		name string
		err  func() error
		says string
	}{
		{"star outside the field", func() error {
			_, err := FromFinder(aim, DefaultFinder(), []FinderReading{{Star: star, XDeg: 4}})
			return err
		}, "field"},
		{"place not a number", func() error {
			_, err := FromFinder(aim, DefaultFinder(), []FinderReading{{Star: star, XDeg: math.NaN()}})
			return err
		}, "field"},
		{"negative sigma", func() error {
			_, err := FromFinder(aim, DefaultFinder(), []FinderReading{{Star: star, SigmaDeg: -1}})
			return err
		}, "sigma"},
		{"no view", func() error { _, err := FromFinder(aim, Finder{}, nil); return err }, "view"},
		{"star at the pole", func() error {
			_, err := FromDrift(setup, []DriftReading{{DecDeg: 90, NorthSigma: 1}})
			return err
		}, "pole"},
		{"star below the horizon", func() error {
			_, err := FromDrift(setup, []DriftReading{{DecDeg: -60, NorthSigma: 1}})
			return err
		}, "horizon"},
		{"drift without sigma", func() error {
			_, err := FromDrift(setup, []DriftReading{{DecDeg: 10, NorthArcsecPerMin: 1}})
			return err
		}, "sigma"},
		{"drift of a car", func() error {
			_, err := FromDrift(setup, []DriftReading{{DecDeg: 10, NorthArcsecPerMin: 1e6, NorthSigma: 1}})
			return err
		}, "drift"},
		{"frame nowhere", func() error {
			_, err := FromFrames(aim, []FrameCentre{{Direction: astro.Direction{AltDeg: math.NaN()}}})
			return err
		}, "direction"},
	} {
		if err := tt.err(); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, want an error about %q", tt.name, err, tt.says)
		}
	}
}
