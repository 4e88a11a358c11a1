package sky

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// Worked examples. "Meeus" is Jean Meeus, Astronomical Algorithms, 2nd edition,
// Willmann-Bell 1998, with the numbers as they stand in the example tests of the
// module meeus v3.0.1. The book's 16.a stands with the refraction in package astro.

func hms(h, m, s float64) float64 { return 15 * (h + m/60 + s/3600) }

func dms(d, m, s float64) float64 { return math.Copysign(math.Abs(d)+m/60+s/3600, d) }

// placed checks a direction against right ascension and declination in degrees.
func placed(t *testing.T, name string, got r3.Vec, raDeg, decDeg, arcsec float64) {
	t.Helper()
	want := unitVec(raDeg*radPerDeg, decDeg*radPerDeg)
	if d := r3.Norm(r3.Sub(r3.Unit(got), want)) / radPerArcsec; d > arcsec {
		t.Errorf("%s: %.3f arcsec off, allowed %v", name, d, arcsec)
	}
}

// thetaPer is theta Persei as in Meeus 21.b and 23.a: proper motion +0.03425 s
// and -0.0895 arcsec a year.
func thetaPer() *Star {
	s := &Star{RADeg: hms(2, 44, 11.986), DecDeg: dms(49, 13, 42.48), PMDec: -89.5}
	s.PMRA = 0.03425 * 15 * 1000 * math.Cos(s.DecDeg*radPerDeg)
	s.prepare()
	return s
}

func TestMeeus12aSiderealTime(t *testing.T) {
	m := moment(t, "1987-04-10T00:00:00Z")
	if got, want := m.SiderealDeg(0), hms(13, 10, 46.1351); math.Abs(got-want) > 0.02*15/3600 {
		t.Errorf("%.6f°, want %.6f°", got, want)
	}
}

func TestMeeus12bSiderealTime(t *testing.T) {
	m := moment(t, "1987-04-10T19:21:00Z")
	mean := m.SiderealDeg(0) - m.nutationLon*m.cosObliquity/radPerDeg
	if want := hms(8, 34, 57.0896); math.Abs(mean-want) > 0.001*15/3600 {
		t.Errorf("mean %.7f°, want %.7f°", mean, want)
	}
}

func TestMeeus13aEclipticOfPollux(t *testing.T) {
	m := &Moment{}
	m.sinObliquity, m.cosObliquity = math.Sincos(23.4392911 * radPerDeg)
	placed(t, "Pollux", m.ofEcliptic(113.215630*radPerDeg, 6.684170*radPerDeg, 1), hms(7, 45, 18.946), dms(28, 1, 34.26), 0.02)
}

func TestMeeus13bHorizontalVenus(t *testing.T) {
	m := moment(t, "1987-04-10T19:21:00Z")
	o, err := NewObserver(astro.Site{LatDeg: dms(38, 55, 17), LonDeg: -dms(77, 3, 56)}, astro.NoAir)
	if err != nil {
		t.Fatal(err)
	}
	p := o.Look(m, unitVec(hms(23, 9, 16.641)*radPerDeg, dms(-6, 43, 11.61)*radPerDeg))
	if math.Abs(p.Airless.AzDeg-248.0337) > 0.001 || math.Abs(p.Airless.AltDeg-15.1249) > 0.001 {
		t.Errorf("%+v, want azimuth 248.034 (68.034 from the south), altitude 15.125", p.Airless)
	}
}

// Meeus 15.a: rising, transit and setting of Venus at Boston, 1988-03-20; the
// crossing search on his interpolated places.
func TestMeeus15aRiseAndSet(t *testing.T) {
	ra := [3]float64{hms(2, 42, 43.25), hms(2, 46, 55.51), hms(2, 51, 7.69)}
	dec := [3]float64{dms(18, 2, 51.4), dms(18, 26, 27.3), dms(18, 49, 38.7)}
	interpolate := func(y [3]float64, n float64) float64 {
		a, b := y[1]-y[0], y[2]-y[1]
		return y[1] + n/2*(a+b+n*(b-a))
	}
	sinLat, cosLat := math.Sincos(dms(42, 20, 0) * radPerDeg)
	altitude := func(seconds float64) float64 {
		day := seconds / dayS
		n := day + 56/dayS // to dynamical time
		hour := hms(11, 50, 58.1) + 360.985647*day - dms(71, 5, 0) - interpolate(ra, n)
		d := interpolate(dec, n) * radPerDeg
		return math.Asin(sinLat*math.Sin(d)+cosLat*math.Cos(d)*math.Cos(hour*radPerDeg)) / radPerDeg
	}
	c := newCurve(altitude, dayS, stepS)
	passages := c.crossings(-0.5667)
	rise, _ := first(passages, true)
	set, _ := first(passages, false)
	const second = 1 / dayS
	if math.Abs(rise/dayS-0.51766) > 2*second || math.Abs(set/dayS-0.12130) > 2*second {
		t.Errorf("rise %.5f, set %.5f of the day, want 0.51766 and 0.12130", rise/dayS, set/dayS)
	}
	transit := 0.0
	for i, x := range c.knots {
		if c.value[i] > 60 {
			transit = x / dayS
		}
	}
	if math.Abs(transit-0.81980) > 10*second { // the highest point is later than the transit, as Venus moves north
		t.Errorf("transit %.5f, want 0.81980", transit)
	}
}

func TestMeeus21bPrecession(t *testing.T) {
	s := thetaPer()
	const jd = 2462088.69 // 2028-11-13.19 TD
	years := (jd - 2451545) / daysPerYear
	v := rotated(precessionMatrix(2000+years), r3.Add(s.place, r3.Scale(years, s.motion)))
	placed(t, "theta Persei 2028", v, hms(2, 46, 11.331), dms(49, 20, 54.54), 0.02)
}

// The exercise of Meeus, chapter 21, p. 136: Polaris.
func TestMeeus21PolarisOverTheCenturies(t *testing.T) {
	s := &Star{RADeg: hms(2, 31, 48.704), DecDeg: dms(89, 15, 50.72), PMDec: -15.2}
	s.PMRA = 0.19877 * 15 * 1000 * math.Cos(s.DecDeg*radPerDeg)
	s.prepare()
	for _, tt := range []struct{ epoch, ra, dec float64 }{
		{2000 + (2415020.3135-2451545)/daysPerYear, hms(1, 22, 33.90), dms(88, 46, 26.18)}, // B1900.0
		{2050, hms(3, 48, 16.43), dms(89, 27, 15.38)},
		{2100, hms(5, 53, 29.17), dms(89, 32, 22.18)},
	} {
		v := rotated(precessionMatrix(tt.epoch), r3.Add(s.place, r3.Scale(tt.epoch-2000, s.motion)))
		placed(t, "Polaris", v, tt.ra, tt.dec, 0.05)
	}
}

func TestMeeus21dSiriusThroughSpace(t *testing.T) {
	s := &Star{RADeg: hms(6, 45, 8.871), DecDeg: dms(-16, 42, 57.99), PMDec: -1205.3, ParallaxMas: 1000 / 2.64, RVKms: -7.6}
	s.PMRA = -0.03847 * 15 * 1000 * math.Cos(s.DecDeg*radPerDeg)
	s.prepare()
	placed(t, "year 1000", r3.Add(s.place, r3.Scale(-1000, s.motion)), hms(6, 45, 47.16), dms(-16, 22, 56.0), 0.2)
	placed(t, "year 0", r3.Add(s.place, r3.Scale(-2000, s.motion)), hms(6, 46, 25.09), dms(-16, 3, 0.8), 0.2)
}

func TestMeeus22aNutation(t *testing.T) {
	m := moment(t, "1987-04-09T23:59:04.816Z") // 1987-04-10 0h TD: TAI-UTC 23 s
	obliquity := math.Atan2(m.sinObliquity, m.cosObliquity) / radPerDeg
	if math.Abs(m.nutationLon/radPerArcsec+3.788) > 0.001 || math.Abs(obliquity-dms(23, 26, 36.850))*3600 > 0.002 {
		t.Errorf("nutation %.4f arcsec, obliquity %.6f°", m.nutationLon/radPerArcsec, obliquity)
	}
}

func TestMeeus23aApparentPlace(t *testing.T) {
	m := moment(t, "2028-11-13T04:32:26.816Z") // 2028-11-13.19 TD
	placed(t, "theta Persei", m.Apparent(thetaPer()), hms(2, 46, 14.390), dms(49, 21, 7.45), 0.05)
}

// Meeus 25.b has the Sun of the full theory for the date of 25.a.
func TestMeeus25SunOf1992(t *testing.T) {
	m := moment(t, "1992-10-12T23:59:00.816Z") // 1992-10-13 0h TD: TAI-UTC 27 s
	sun := m.Sun()
	placed(t, "Sun", sun.Apparent(), hms(13, 13, 30.749), dms(-7, 47, 1.74), 4)
	if d := sun.DistanceAU(); math.Abs(d-0.99760775) > 3e-5 {
		t.Errorf("distance %.6f au", d)
	}
}

func TestMeeus40aParallaxOfMars(t *testing.T) {
	m := moment(t, "2003-08-28T03:17:00Z")
	o, err := NewObserver(astro.Site{LatDeg: dms(33, 21, 22), LonDeg: -hms(7, 47, 27), HeightM: 1706}, astro.NoAir)
	if err != nil {
		t.Fatal(err)
	}
	mars := Body{vec: r3.Scale(0.37276, unitVec(339.530208*radPerDeg, -15.771083*radPerDeg))}
	p := o.Body(m, mars)
	placed(t, "Mars", unitVec(p.RADeg*radPerDeg, p.DecDeg*radPerDeg), hms(22, 38, 8.54), dms(-15, 46, 30.0), 0.2)
}

func TestMeeus47aMoon(t *testing.T) {
	m := moment(t, "1992-04-11T23:59:01.816Z") // 1992-04-12 0h TD: TAI-UTC 26 s
	moon := m.Moon()
	back := r3.Vec{X: moon.vec.X, Y: moon.vec.Y*m.cosObliquity + moon.vec.Z*m.sinObliquity, Z: moon.vec.Z*m.cosObliquity - moon.vec.Y*m.sinObliquity}
	lon := math.Atan2(back.Y, back.X) - m.nutationLon
	lat := math.Asin(back.Z / r3.Norm(back))
	if math.Abs(lon/radPerDeg-133.162655) > 1e-5 || math.Abs(lat/radPerDeg+3.229126) > 1e-5 || math.Abs(moon.DistanceAU()*kmPerAU-368409.7) > 0.2 {
		t.Errorf("longitude %.6f, latitude %.6f, distance %.1f km", lon/radPerDeg, lat/radPerDeg, moon.DistanceAU()*kmPerAU)
	}
	// Meeus 48.a: the same date, 0.6786 lit.
	if p := m.MoonPhase(); math.Abs(p.LitFraction-0.6786) > 5e-4 || !p.Waxing {
		t.Errorf("phase %+v", p)
	}
}
