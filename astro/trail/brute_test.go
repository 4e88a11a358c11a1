package trail

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbstar/astro"
)

// The brute force of these tests: rotation matrices by Rodrigues' formula, apart
// from the package's quaternions, after refdata polar_sim.py.

type vec3 [3]float64

func (a vec3) dot(b vec3) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func (a vec3) norm() float64 { return math.Sqrt(a.dot(a)) }

// turned is a rotated by angle about a unit axis.
func (a vec3) turned(axis vec3, angle float64) vec3 {
	s, c := math.Sincos(angle)
	along := axis.dot(a) * (1 - c)
	cross := vec3{axis[1]*a[2] - axis[2]*a[1], axis[2]*a[0] - axis[0]*a[2], axis[0]*a[1] - axis[1]*a[0]}
	var out vec3
	for i := range out {
		out[i] = c*a[i] + s*cross[i] + along*axis[i]
	}
	return out
}

func bruteStar(s Star) vec3 {
	h, d := s.HourAngleDeg*math.Pi/180, s.DecDeg*math.Pi/180
	return vec3{math.Cos(d) * math.Cos(h), -math.Cos(d) * math.Sin(h), math.Sin(d)}
}

// bruteAxis tilts the elevated pole: first by the size of the error towards the
// zenith, then round the pole to the error's direction.
func bruteAxis(e Error, hemisphere astro.Hemisphere) vec3 {
	sign := 1.0
	if hemisphere == astro.South {
		sign = -1
	}
	pole := vec3{0, 0, sign}
	rho := e.Size() / 60 * math.Pi / 180
	towards := math.Atan2(e.EastArcmin, e.HighArcmin) // from zenith to east
	tilted := pole.turned(vec3{0, sign, 0}, rho)      // y times z (or -y times -z) is x
	axis := tilted.turned(vec3{0, 0, 1}, towards)     // x to y
	return vec3{sign * axis[0], sign * axis[1], sign * axis[2]}
}

// bruteMoved follows a star through the camera's frame.
func bruteMoved(e Error, hemisphere astro.Hemisphere, v vec3, seconds float64) vec3 {
	const w = 7.292115e-5
	return v.turned(vec3{0, 0, 1}, -w*seconds).turned(bruteAxis(e, hemisphere), w*seconds)
}

func randomCase(r *rand.Rand, maxArcmin float64) (Error, astro.Hemisphere, Star) {
	size, towards := r.Float64()*maxArcmin, r.Float64()*2*math.Pi
	e := Error{HighArcmin: size * math.Cos(towards), EastArcmin: size * math.Sin(towards)}
	hemisphere := astro.North
	if r.IntN(2) == 0 {
		hemisphere = astro.South
	}
	return e, hemisphere, Star{HourAngleDeg: r.Float64()*360 - 180, DecDeg: math.Asin(2*r.Float64()-1) * 180 / math.Pi}
}

func TestMovedAgainstBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 4))
	for range 5000 {
		e, hemisphere, s := randomCase(r, 60)
		seconds := math.Pow(10, 1+3*r.Float64())
		got := Moved(e, hemisphere, s, seconds)

		v0 := bruteStar(s)
		v1 := bruteMoved(e, hemisphere, v0, seconds)
		gap := vec3{v1[0] - v0[0], v1[1] - v0[1], v1[2] - v0[2]}
		want := 2 * math.Asin(gap.norm()/2) * 180 * 3600 / math.Pi
		tolerance := 1e-6*want + 1e-8
		if d := math.Abs(got.Length() - want); d > tolerance {
			t.Fatalf("%+v %s %+v %.0f s: moved %.8f, brute force %.8f arcsec", e, hemisphere, s, seconds, got.Length(), want)
		}
		// Direction: a star placed where the motion says is where brute force has it.
		moved := v0.turned(vec3{-math.Sin(s.HourAngleDeg * math.Pi / 180), -math.Cos(s.HourAngleDeg * math.Pi / 180), 0}, got.NorthArcsec/3600*math.Pi/180)
		if math.Abs(s.DecDeg) < 80 && got.Length() < 120 {
			cd := math.Cos((s.DecDeg + got.NorthArcsec/7200) * math.Pi / 180)
			moved = moved.turned(vec3{0, 0, 1}, got.EastArcsec/3600*math.Pi/180/cd)
			off := vec3{moved[0] - v1[0], moved[1] - v1[1], moved[2] - v1[2]}
			if m := off.norm() * 180 * 3600 / math.Pi; m > 0.01*want+1e-6 {
				t.Fatalf("%+v %s %+v %.0f s: %+v ends %.5f arcsec from brute force, way %.5f", e, hemisphere, s, seconds, got, m, want)
			}
		}
	}
}

// Field rotation by brute force: the position angle between two stars a
// hundredth of a degree apart, before and after.
func TestRotationAgainstBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 4))
	for range 3000 {
		e, hemisphere, s := randomCase(r, 60)
		if math.Abs(s.DecDeg) > 70 {
			continue
		}
		seconds := 60 + 540*r.Float64()
		const gap = 0.01
		a, b := bruteStar(s), bruteStar(Star{s.HourAngleDeg, s.DecDeg + gap})
		a1, b1 := bruteMoved(e, hemisphere, a, seconds), bruteMoved(e, hemisphere, b, seconds)
		angle := positionAngle(a1, b1) - positionAngle(a, b)
		// Position angles are of the equatorial grid, which turns by sin(dec) times
		// the eastward motion under a star that moved; the motion is east-positive.
		m := Moved(e, hemisphere, s, seconds)
		mid := (s.DecDeg + m.NorthArcsec/7200) * math.Pi / 180
		want := math.Remainder(angle, 2*math.Pi)*180*3600/math.Pi - m.EastArcsec*math.Tan(mid)
		largest := Bound(e.Size(), seconds)
		if d := math.Abs(m.RotationArcsec - want); d > 0.01*largest {
			t.Fatalf("%+v %s %+v %.0f s: rotation %.4f, brute force %.4f arcsec", e, hemisphere, s, seconds, m.RotationArcsec, want)
		}
	}
}

// positionAngle of b seen from a, from north through east.
func positionAngle(a, b vec3) float64 {
	ha, da := math.Atan2(-a[1], a[0]), math.Asin(a[2])
	hb, db := math.Atan2(-b[1], b[0]), math.Asin(b[2])
	dra := ha - hb // right ascension grows as the hour angle falls
	return math.Atan2(math.Cos(db)*math.Sin(dra), math.Sin(db)*math.Cos(da)-math.Cos(db)*math.Sin(da)*math.Cos(dra))
}

// Rates against brute force over a short time about the moment, within 1 % of
// the fastest motion in the night sky, for errors to 1° and all hour angles.
func TestRatesAgainstBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 3000 {
		e, hemisphere, s := randomCase(r, 60)
		if e.Size() < 0.1 || math.Abs(s.DecDeg) > 80 {
			continue
		}
		rates := RatesAt(e, hemisphere, s)
		const seconds = 10.0
		m := Moved(e, hemisphere, s, seconds)
		largest := Bound(e.Size(), seconds) * 60 / seconds
		for _, d := range []float64{
			rates.NorthArcsecPerMin - m.NorthArcsec*60/seconds,
			rates.EastArcsecPerMin - m.EastArcsec*60/seconds,
			rates.RotationArcsecPerMin - m.RotationArcsec*60/seconds,
		} {
			if math.Abs(d) > 0.01*largest {
				t.Fatalf("%+v %s %+v: rates %+v, moved %+v in %v s", e, hemisphere, s, rates, m, seconds)
			}
		}
	}
}

// No star goes farther than Bound, and some star goes as far.
func TestBoundIsReachedAndNeverPassed(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for _, size := range []float64{1, 10, 60, 600} {
		for _, seconds := range []float64{60, 240, 7200, 30000, 43000} {
			e := Error{HighArcmin: size * 0.6, EastArcmin: size * 0.8}
			farthest := 0.0
			for range 3000 {
				_, _, s := randomCase(r, 1)
				farthest = math.Max(farthest, Moved(e, astro.South, s, seconds).Length())
			}
			bound := Bound(size, seconds)
			if farthest > bound*(1+1e-9) || farthest < 0.995*bound {
				t.Errorf("%v' %v s: farthest star %.4f, bound %.4f arcsec", size, seconds, farthest, bound)
			}
			if back := longest(size, bound); math.Abs(back-seconds) > 1e-3*seconds {
				t.Errorf("%v' %v s: the bound is reached after %v s", size, seconds, back)
			}
			if back := allowed(seconds, bound); math.Abs(back-size) > 1e-6*size {
				t.Errorf("%v' %v s: the bound allows %v'", size, seconds, back)
			}
		}
	}
}

// Trails in a picture against brute force with its own pinhole.
func TestTrailsInAgainstBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 4))
	k := Kit{TrailPx: 1, FocalMM: 14, PixelUM: 4.3, SensorWidthMM: 36, SensorHeightMM: 24}
	for range 300 {
		e, hemisphere, s := randomCase(r, 60)
		if math.Abs(s.DecDeg) > 80 {
			continue
		}
		seconds := 30 + 570*r.Float64()
		got, err := TrailsIn(k, e, hemisphere, Frame{Centre: s}, seconds) // north is up, so west is right
		if err != nil {
			t.Fatal(err)
		}
		h, d := s.HourAngleDeg*math.Pi/180, s.DecDeg*math.Pi/180
		forward := bruteStar(s)
		up := vec3{-math.Sin(d) * math.Cos(h), math.Sin(d) * math.Sin(h), math.Cos(d)}
		right := vec3{-math.Sin(h), -math.Cos(h), 0}
		pinhole := func(v vec3) (float64, float64) {
			return 14 * v.dot(right) / v.dot(forward), 14 * v.dot(up) / v.dot(forward)
		}
		for n, corner := range [4][2]float64{{-18, 12}, {18, 12}, {-18, -12}, {18, -12}} {
			var v vec3
			for i := range v {
				v[i] = forward[i] + (corner[0]*right[i]+corner[1]*up[i])/14
			}
			size := v.norm()
			for i := range v {
				v[i] /= size
			}
			x0, y0 := pinhole(v)
			x1, y1 := pinhole(bruteMoved(e, hemisphere, v, seconds))
			want := math.Hypot(x1-x0, y1-y0) * 1000 / 4.3
			if math.Abs(got.CornersPx[n]-want) > 0.01*want+1e-6 {
				t.Fatalf("%+v %s %+v %.0f s, corner %d: %.4f pixels, brute force %.4f", e, hemisphere, s, seconds, n, got.CornersPx[n], want)
			}
		}
	}
}
