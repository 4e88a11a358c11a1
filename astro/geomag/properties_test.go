package geomag

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// drawLat prefers what breaks formulas: poles, equator, their neighbours.
func drawLat(t *rapid.T) float64 {
	return rapid.OneOf(
		rapid.Float64Range(-90, 90),
		rapid.SampledFrom([]float64{-90, -89.9999999, -55, -1e-9, 0, 1e-9, 55, 66.5, 89.9999999, 90}),
	).Draw(t, "lat")
}

func drawLon(t *rapid.T) float64 {
	return rapid.OneOf(
		rapid.Float64Range(-180, 360),
		rapid.SampledFrom([]float64{-180, -179.9999999, -90, 0, 90, 179.9999999, 180, 180.0000001, 270, 360}),
	).Draw(t, "lon")
}

func mustAt(t rapid.TB, m *Model, lat, lon, km, year float64) Field {
	t.Helper()
	f, err := m.At(lat, lon, km, year)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestElementsBelongTogether(t *testing.T) {
	m := WMM2025()
	rapid.Check(t, func(t *rapid.T) {
		lat, lon := drawLat(t), drawLon(t)
		f := mustAt(t, m, lat, lon, rapid.Float64Range(-1, 850).Draw(t, "km"), rapid.Float64Range(2025, 2030).Draw(t, "year"))
		near := func(name string, got, want, tolerance float64) {
			if !(math.Abs(got-want) <= tolerance) {
				t.Errorf("%s: %v, want %v", name, got, want)
			}
		}
		d, i := f.DeclinationDeg*math.Pi/180, f.InclinationDeg*math.Pi/180
		near("H from X, Y", math.Hypot(f.NorthNT, f.EastNT), f.HorizontalNT, 1e-8)
		near("F from H, Z", math.Hypot(f.HorizontalNT, f.DownNT), f.TotalNT, 1e-8)
		near("X from D, I, F", f.TotalNT*math.Cos(i)*math.Cos(d), f.NorthNT, 1e-8)
		near("Y from D, I, F", f.TotalNT*math.Cos(i)*math.Sin(d), f.EastNT, 1e-8)
		near("Z from I, F", f.TotalNT*math.Sin(i), f.DownNT, 1e-8)
		near("sigma of D", f.DeclinationSigmaDeg, math.Min(180, math.Hypot(0.26, 5417/f.HorizontalNT)), 1e-12)
		if (f.Zone == ZoneBlackout) != (f.HorizontalNT < 2000) || (f.Zone == ZoneOK) != (f.HorizontalNT >= 6000) {
			t.Errorf("zone %q at H = %v", f.Zone, f.HorizontalNT)
		}
		if grid, ok := GridVariation(f.DeclinationDeg, lat, lon); ok != (math.Abs(lat) >= 55) || math.Abs(grid) > 180 {
			t.Errorf("grid variation %v, %v at latitude %v", grid, ok, lat)
		}
	})
}

// earthFixed turns the field into axes that do not depend on the place.
func earthFixed(f Field, latDeg, lonDeg float64) r3.Vec {
	sinLat, cosLat := math.Sincos(latDeg * math.Pi / 180)
	sinLon, cosLon := math.Sincos(lonDeg * math.Pi / 180)
	north := r3.Vec{X: -sinLat * cosLon, Y: -sinLat * sinLon, Z: cosLat}
	east := r3.Vec{X: -sinLon, Y: cosLon}
	down := r3.Vec{X: -cosLat * cosLon, Y: -cosLat * sinLon, Z: -sinLat}
	return r3.Add(r3.Add(r3.Scale(f.NorthNT, north), r3.Scale(f.EastNT, east)), r3.Scale(f.DownNT, down))
}

func TestFieldHasNoSeam(t *testing.T) {
	m := WMM2025()
	rapid.Check(t, func(t *rapid.T) {
		lat, lon, km := drawLat(t), drawLon(t), rapid.Float64Range(-1, 850).Draw(t, "km")
		const year = 2028.5
		f := mustAt(t, m, lat, lon, km, year)
		here := earthFixed(f, lat, lon)
		close := func(what string, v r3.Vec) {
			if d := r3.Norm(r3.Sub(v, here)); !(d < 1e-3) {
				t.Errorf("%s: jumps by %v nT", what, d)
			}
		}
		near := math.Copysign(math.Min(math.Abs(lat)+1e-7, 90), lat) // 11 mm: 1e-6 nT for the field's slope
		close("next latitude", earthFixed(mustAt(t, m, near, lon, km, year), near, lon))
		step := math.Min(lon+1e-7, 360)
		close("next longitude", earthFixed(mustAt(t, m, lat, step, km, year), lat, step))
		if lon <= 0 {
			close("a turn later", earthFixed(mustAt(t, m, lat, lon+360, km, year), lat, lon+360))
		}
		other := drawLon(t)
		pole := math.Copysign(90, lat)
		atPole := earthFixed(mustAt(t, m, pole, lon, km, year), pole, lon)
		if d := r3.Norm(r3.Sub(atPole, earthFixed(mustAt(t, m, pole, other, km, year), pole, other))); !(d < 1e-6) {
			t.Errorf("the pole's field depends on the meridian by %v nT", d)
		}
	})
	for _, lat := range []float64{-90, -33, 0, 71, 90} {
		if a, b := mustAt(t, m, lat, 180, 0, 2026), mustAt(t, m, lat, -180, 0, 2026); a != b {
			t.Errorf("latitude %v: two answers on the date line: %v %v", lat, a, b)
		}
	}
}

// At a pole north is the direction of the meridian given, so the declination
// changes by as much as the longitude: with it at the north pole, against it
// at the south pole.
func TestDeclinationAtThePolesFollowsTheMeridian(t *testing.T) {
	m := WMM2025()
	for _, pole := range []struct{ lat, sense float64 }{{90, 1}, {-90, -1}} {
		zero := mustAt(t, m, pole.lat, 0, 0, 2025)
		for _, lon := range []float64{-180, -121.5, -1, 37, 90, 180, 359} {
			f := mustAt(t, m, pole.lat, lon, 0, 2025)
			if off := math.Remainder(f.DeclinationDeg-zero.DeclinationDeg-pole.sense*lon, 360); math.Abs(off) > 1e-9 {
				t.Errorf("%v %v: declination %v, %v at longitude 0", pole.lat, lon, f.DeclinationDeg, zero.DeclinationDeg)
			}
			if math.Abs(f.HorizontalNT-zero.HorizontalNT) > 1e-8 || math.Abs(f.DownNT-zero.DownNT) > 1e-8 {
				t.Errorf("%v %v: H %v Z %v, at longitude 0 %v %v", pole.lat, lon, f.HorizontalNT, f.DownNT, zero.HorizontalNT, zero.DownNT)
			}
		}
	}
}

func TestRatesAreDifferencesInTime(t *testing.T) {
	m := WMM2025()
	rapid.Check(t, func(t *rapid.T) {
		lat, lon, km := drawLat(t), drawLon(t), rapid.Float64Range(-1, 850).Draw(t, "km")
		year := rapid.Float64Range(2025.1, 2029.9).Draw(t, "year")
		now := mustAt(t, m, lat, lon, km, year)
		if now.HorizontalNT < 200 {
			t.Skip("declination turns too fast for a difference")
		}
		const half = 1.0 / 64 // exact in binary; 1/64 year
		a, b := mustAt(t, m, lat, lon, km, year-half), mustAt(t, m, lat, lon, km, year+half)
		d, err := m.RatesAt(lat, lon, km, year)
		if err != nil {
			t.Fatal(err)
		}
		near := func(name string, rate, before, after, tolerance float64) {
			if got := (after - before) / (2 * half); !(math.Abs(got-rate) <= tolerance) {
				t.Errorf("%s: %v per year, difference %v", name, rate, got)
			}
		}
		near("X", d.NorthNTPerYear, a.NorthNT, b.NorthNT, 1e-6)
		near("Y", d.EastNTPerYear, a.EastNT, b.EastNT, 1e-6)
		near("Z", d.DownNTPerYear, a.DownNT, b.DownNT, 1e-6)
		// The elements bend: the third derivative is of the order (rate/H)^3.
		bend := math.Pow(200/now.HorizontalNT, 3) * half * half
		near("H", d.HorizontalNTPerYear, a.HorizontalNT, b.HorizontalNT, 1e-6+now.HorizontalNT*bend)
		near("F", d.TotalNTPerYear, a.TotalNT, b.TotalNT, 1e-5)
		near("D", d.DeclinationDegPerYear, 0, math.Remainder(b.DeclinationDeg-a.DeclinationDeg, 360), 1e-6+60*bend)
		near("I", d.InclinationDegPerYear, a.InclinationDeg, b.InclinationDeg, 1e-6+60*bend)
	})
}

// Turning the Earth about its axis is turning the longitude; and a mirror in the
// equator changes the sign of the terms with odd n-m.
func TestRotationAndMirror(t *testing.T) {
	m := WMM2025()
	rapid.Check(t, func(t *rapid.T) {
		turn := rapid.Float64Range(-90, 90).Draw(t, "turn")
		lat, lon, km := drawLat(t), rapid.Float64Range(-90, 90).Draw(t, "lon"), rapid.Float64Range(-1, 850).Draw(t, "km")
		turned, mirrored := *m, *m
		turned.orders, mirrored.orders = nil, nil
		for order, terms := range m.orders {
			s, c := math.Sincos(float64(order) * turn * math.Pi / 180)
			var rotate, mirror []term
			for _, x := range terms {
				y := x
				y.g, y.h = c*x.g-s*x.h, s*x.g+c*x.h
				y.gDot, y.hDot = c*x.gDot-s*x.hDot, s*x.gDot+c*x.hDot
				rotate = append(rotate, y)
				if (int(x.n)-order)%2 == 1 {
					x.g, x.h, x.gDot, x.hDot = -x.g, -x.h, -x.gDot, -x.hDot
				}
				mirror = append(mirror, x)
			}
			turned.orders = append(turned.orders, rotate)
			mirrored.orders = append(mirrored.orders, mirror)
		}
		a := mustAt(t, m, lat, lon, km, 2026.25)
		b := mustAt(t, &turned, lat, lon+turn, km, 2026.25)
		if off := max(math.Abs(a.NorthNT-b.NorthNT), math.Abs(a.EastNT-b.EastNT), math.Abs(a.DownNT-b.DownNT)); off > 1e-8 {
			t.Errorf("turned by %v: off by %v nT", turn, off)
		}
		c := mustAt(t, &mirrored, -lat, lon, km, 2026.25)
		if off := max(math.Abs(a.NorthNT+c.NorthNT), math.Abs(a.EastNT-c.EastNT), math.Abs(a.DownNT-c.DownNT)); off > 1e-8 {
			t.Errorf("mirrored: off by %v nT", off)
		}
	})
}

func TestAtDoesNotAllocate(t *testing.T) {
	m := WMM2025()
	if n := testing.AllocsPerRun(100, func() {
		if _, err := m.At(51.9, 8.4, 0.1, 2026.4); err != nil {
			t.Error(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
