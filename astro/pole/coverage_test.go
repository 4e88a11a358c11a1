package pole

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbstar/astro"
)

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
			// Near the equator of the night sky, from east over the meridian to west.
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
		name          string
		known         bool
		frames        int
		nearest, wide float64 // distance of the camera's aim from the axis, degrees
	}{
		{"head angles known", true, 2, 3, 40}, {"head angles unknown", false, 3, 3, 40},
		{"camera across the axis", true, 3, 85, 10}, {"camera along the axis", true, 3, 0.1, 0.5},
	} {
		var c tally
		for seed := range uint64(seeds) {
			r := rand.New(rand.NewPCG(seed, 12))
			lat := latitudes[seed%uint64(len(latitudes))]
			aim := poleOf(lat)
			truth, axis := axisNear(r, aim, 60)
			forward := -1.0 // following the night sky is clockwise about the southern end, the other way about the northern
			if lat < 0 {
				forward = 1
			}
			radius := (tt.nearest + tt.wide*r.Float64()) * math.Pi / 180
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
