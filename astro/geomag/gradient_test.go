package geomag

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// potential is a second, slow route that shares no formula with sum: Schmidt
// functions by their explicit polynomial (Rodrigues), powers of x+iy for the
// longitude, Earth-centred axes, so nothing is special at the poles. nT km.
func potential(rows []row, years float64, p r3.Vec) float64 {
	r := r3.Norm(p)
	z := p.Z / r
	var v float64
	for _, c := range rows {
		re, im := 1.0, 0.0 // ((x+iy)/r)^m = u^m (cos m lon + i sin m lon)
		for range c.m {
			re, im = (re*p.X-im*p.Y)/r, (re*p.Y+im*p.X)/r
		}
		angle := (c.g+years*c.gDot)*re + (c.h+years*c.hDot)*im
		v += math.Pow(referenceRadiusKm/r, float64(c.n+1)) * schmidtPolynomial(c.n, c.m, z) * angle
	}
	return referenceRadiusKm * v
}

// schmidtPolynomial is P(n,m)/u^m = norm * d^(n+m)/dz^(n+m) (z^2-1)^n / (2^n n!).
func schmidtPolynomial(n, m int, z float64) float64 {
	factorial := func(k int) float64 { return math.Gamma(float64(k) + 1) }
	var sum float64
	for k := 0; 2*k <= n-m; k++ {
		c := factorial(2*n-2*k) / (factorial(k) * factorial(n-k) * factorial(n-m-2*k))
		if k%2 == 1 {
			c = -c
		}
		sum += c * math.Pow(z, float64(n-m-2*k))
	}
	norm := 1.0
	if m > 0 {
		norm = math.Sqrt(2 * factorial(n-m) / factorial(n+m))
	}
	return norm * sum / math.Pow(2, float64(n))
}

// byGradient differentiates the potential along north, east and down.
func byGradient(rows []row, latDeg, lonDeg, heightKm, years float64) vector {
	sinLat, cosLat := math.Sincos(latDeg * math.Pi / 180)
	sinLon, cosLon := math.Sincos(lonDeg * math.Pi / 180)
	n := 6378.137 / math.Sqrt(1-0.00669437999014*sinLat*sinLat)
	at := r3.Vec{X: (n + heightKm) * cosLat * cosLon, Y: (n + heightKm) * cosLat * sinLon, Z: (n*(1-0.00669437999014) + heightKm) * sinLat}
	north := r3.Vec{X: -sinLat * cosLon, Y: -sinLat * sinLon, Z: cosLat}
	east := r3.Vec{X: -sinLon, Y: cosLon}
	down := r3.Vec{X: -cosLat * cosLon, Y: -cosLat * sinLon, Z: -sinLat}
	along := func(d r3.Vec) float64 {
		const step = 8.0 // km; five-point rule
		v := func(k float64) float64 { return potential(rows, years, r3.Add(at, r3.Scale(k*step, d))) }
		return -(v(-2) - 8*v(-1) + 8*v(1) - v(2)) / (12 * step)
	}
	return vector{along(north), along(east), along(down)}
}

// rowsOf undoes the scaling of setCoefficients by the explicit polynomial's
// leading coefficient.
func rowsOf(m *Model) []row {
	var rows []row
	for order, terms := range m.orders {
		for _, t := range terms {
			n := int(t.n)
			if n == 0 {
				continue
			}
			norm := 1.0
			if order > 0 {
				norm = math.Sqrt(2 * math.Gamma(float64(n-order)+1) / math.Gamma(float64(n+order)+1))
			}
			c := norm * math.Gamma(float64(2*n)+1) / (math.Pow(2, t.n) * math.Gamma(t.n+1) * math.Gamma(float64(n-order)+1))
			rows = append(rows, row{n, order, t.g / c, t.h / c, t.gDot / c, t.hDot / c})
		}
	}
	return rows
}

func TestFieldIsTheGradientOfThePotential(t *testing.T) {
	m := WMM2025()
	rows := rowsOf(m)
	if got := len(rows); got != 90 {
		t.Fatalf("%d coefficient rows, want 90", got)
	}
	for _, r := range rows { // the file has one decimal: the scaling must come back to it
		for _, c := range []float64{r.g, r.h, r.gDot, r.hDot} {
			if math.Abs(c*10-math.Round(c*10)) > 1e-6 {
				t.Fatalf("degree %d order %d comes back as %v", r.n, r.m, c)
			}
		}
	}
	var worst float64
	for _, lat := range []float64{-90, -89.999, -64.3, -31.6, 0, 12.5, 51.9, 80, 89.9999, 90} {
		for _, lon := range []float64{-180, -97.25, 0, 8.4, 90, 139.3, 180, 270, 360} {
			for _, km := range []float64{-1, 0, 2.2, 850} {
				const year = 2027.3
				f, err := m.At(lat, lon, km, year)
				if err != nil {
					t.Fatal(err)
				}
				g := byGradient(rows, lat, lon, km, year-2025)
				off := max(math.Abs(f.NorthNT-g.north), math.Abs(f.EastNT-g.east), math.Abs(f.DownNT-g.down))
				worst = max(worst, off)
				if off > 1e-4 {
					t.Errorf("%v %v %v km: %.6f %.6f %.6f, gradient %.6f", lat, lon, km, f.NorthNT, f.EastNT, f.DownNT, g)
				}
			}
		}
	}
	t.Logf("largest difference %.2g nT", worst)
}
