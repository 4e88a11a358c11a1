package geomag

import "math"

const (
	referenceRadiusKm = 6371.2
	wgs84SemiMajorKm  = 6378.137
	wgs84Flattening   = 1 / 298.257223563
	wgs84Ecc2         = wgs84Flattening * (2 - wgs84Flattening)
	degPerRad         = 180 / math.Pi
)

// vector is north, east, down in nT.
type vector struct{ north, east, down float64 }

// term is one coefficient pair, scaled for sum: P(n,m) = c u^m p, where u is
// the cosine of the latitude and p a polynomial whose leading coefficient is 1;
// c goes into the pair.
type term struct {
	g, h       float64 // nT times c
	gDot, hDot float64 // nT per year times c
	n          float64
	slope      float64 // (n^2-m^2)/(2n-1): weight of p(n-1) in the derivative
	next       float64 // (n^2-m^2)/((2n+1)(2n-1)): weight of p(n-1) in p(n+1)
}

// newTerm scales one row of a coefficient file; c as in term.
func newTerm(n, m int, c, g, h, gDot, hDot float64) term {
	diff := float64(n*n - m*m)
	return term{
		g: c * g, h: c * h, gDot: c * gDot, hDot: c * hDot,
		n:     float64(n),
		slope: diff / float64(2*n-1),
		next:  diff / float64((2*n+1)*(2*n-1)),
	}
}

// place holds what a sum needs to know of a place.
type place struct {
	u, z           float64 // cosine and sine of the geocentric latitude
	cosLon, sinLon float64
	ratio          float64 // reference radius over distance from the Earth's centre
	cosTilt        float64 // of the geodetic vertical against the geocentric one
	sinTilt        float64
}

func placeOf(latDeg, lonDeg, heightKm float64) place {
	sinLat, cosLat := sincosDeg(latDeg)
	sinLon, cosLon := sincosDeg(lonDeg)
	curvature := wgs84SemiMajorKm / math.Sqrt(1-wgs84Ecc2*sinLat*sinLat)
	axial := (curvature*(1-wgs84Ecc2) + heightKm) * sinLat
	equatorial := (curvature + heightKm) * cosLat
	r := math.Sqrt(axial*axial + equatorial*equatorial)
	z, u := axial/r, equatorial/r
	return place{
		u: u, z: z, cosLon: cosLon, sinLon: sinLon, ratio: referenceRadiusKm / r,
		cosTilt: u*cosLat + z*sinLat,
		sinTilt: u*sinLat - z*cosLat,
	}
}

// sum is the gradient of the potential, years after the epoch.
func (m *Model) sum(p place, years float64) vector {
	zRatio, ratio2 := p.z*p.ratio, p.ratio*p.ratio
	up, south := sumZonal(m.orders[0], p.ratio, zRatio, ratio2, years) // geocentric
	south *= p.u
	east := 0.0
	cosM, sinM := p.cosLon, p.sinLon
	first := ratio2 * p.ratio
	for i, terms := range m.orders[1:] {
		s := sumOrder(terms, first, zRatio, ratio2, years)
		up += p.u * ((s.gN+s.g)*cosM + (s.hN+s.h)*sinM)
		south -= (p.z*s.gN-p.ratio*s.gSlope)*cosM + (p.z*s.hN-p.ratio*s.hSlope)*sinM
		east += float64(i+1) * (s.g*sinM - s.h*cosM)
		cosM, sinM = cosM*p.cosLon-sinM*p.sinLon, sinM*p.cosLon+cosM*p.sinLon
		first *= p.u * p.ratio
	}
	// Turn from the geocentric to the geodetic vertical.
	return vector{
		north: -south*p.cosTilt - up*p.sinTilt,
		east:  east,
		down:  south*p.sinTilt - up*p.cosTilt,
	}
}

// sumZonal is order 0: no longitude, and the derivative of the polynomial
// itself (d), as there is no factor u to divide by.
func sumZonal(terms []term, ratio, zRatio, ratio2, years float64) (up, south float64) {
	r1, r2, d1, d2 := ratio2, 0.0, 0.0, 0.0
	for i := range terms {
		t := &terms[i]
		g := t.g + years*t.gDot
		up += (t.n + 1) * g * r1
		south += g * d1
		k := t.next * ratio2
		r1, r2, d1, d2 = zRatio*r1-k*r2, r1, ratio*r1+zRatio*d1-k*d2, d1
	}
	return up, south
}

// orderSums are the sums over the degrees of one order: of the coefficients
// times p(n), times n p(n), and times slope p(n-1).
type orderSums struct{ g, h, gN, hN, gSlope, hSlope float64 }

// sumOrder divides the functions by u once, which keeps the east and north
// components finite at the poles. r1 and r2 are p(n) and p(n-1), times u^(m-1) and
// the power of the radius ratio that belongs to their degree; first is the one with
// n = m. It is a function of its own because the sums then stay in registers: a
// third faster at degree 133.
func sumOrder(terms []term, first, zRatio, ratio2, years float64) orderSums {
	var gSum, hSum, gN, hN, gSlope, hSlope float64
	r1, r2 := first, 0.0
	for i := range terms {
		t := &terms[i]
		k := t.slope * r2
		r2 *= t.next * ratio2
		g := t.g + years*t.gDot
		gSlope += g * k
		g *= r1
		gSum += g
		gN += t.n * g
		h := t.h + years*t.hDot
		hSlope += h * k
		h *= r1
		hSum += h
		hN += t.n * h
		r1, r2 = zRatio*r1-r2, r1
	}
	return orderSums{gSum, hSum, gN, hN, gSlope, hSlope}
}

// sincosDeg is exact at multiples of 90 degrees, so that the date line has one
// answer and the poles have no remainder of pi.
func sincosDeg(deg float64) (sin, cos float64) {
	quarter := math.Round(deg / 90)
	s, c := math.Sincos((deg - 90*quarter) / degPerRad)
	switch int(quarter) & 3 {
	case 1:
		return c, 0 - s
	case 2:
		return 0 - s, 0 - c
	case 3:
		return 0 - c, s
	}
	return s, c
}
