package sky

import (
	"math"

	"github.com/soniakeys/meeus/v3/base"
	"gonum.org/v1/gonum/spatial/r3"
)

// Planet is one of the four that outshine most stars and can serve for a
// sighting when no star is out yet.
type Planet string

const (
	Venus   Planet = "venus"
	Mars    Planet = "mars"
	Jupiter Planet = "jupiter"
	Saturn  Planet = "saturn"
)

// Planets lists them.
func Planets() []Planet { return []Planet{Venus, Mars, Jupiter, Saturn} }

// orbit holds mean elements and their periodic terms: J. L. Simon et al. (1994),
// A&A 282, 663, tables 5 and 6, the figures as in ERFA's eraPlan94. Angles in
// degrees at J2000, then arcsec per thousand years and its square.
type orbit struct {
	axis                         [3]float64 // au
	lon, peri, inclination, node [3]float64
	eccentricity                 [3]float64
	axisArg, axisCos, axisSin    [9]float64
	lonArg, lonCos, lonSin       [10]float64
}

var orbits = map[Planet]*orbit{
	Venus: {
		axis:         [3]float64{0.7233298200, 0, 0},
		lon:          [3]float64{181.97980085, 2106641364.33548, 0.59381},
		eccentricity: [3]float64{0.0067719164, -0.0004776521, 98127e-10},
		peri:         [3]float64{131.56370300, 175.48640, -498.48184},
		inclination:  [3]float64{3.39466189, -30.84437, -11.67836},
		node:         [3]float64{76.67992019, -10008.48154, -51.32614},
		axisArg:      [9]float64{21863, 32794, 26934, 10931, 26250, 43725, 53867, 28939, 0},
		axisCos:      [9]float64{-156, 59, -42, 6, 19, -20, -10, -12, 0},
		axisSin:      [9]float64{-48, -125, -26, -37, 18, -13, -20, -2, 0},
		lonArg:       [10]float64{21863, 32794, 10931, 73, 4387, 26934, 1473, 2157, 0, 0},
		lonCos:       [10]float64{-160, -313, -235, 60, -74, -76, -27, 34, 0, 0},
		lonSin:       [10]float64{524, -149, -35, 117, 151, 122, -71, -62, 0, 0},
	},
	Mars: {
		axis:         [3]float64{1.5236793419, 3e-10, 0},
		lon:          [3]float64{355.43299958, 689050774.93988, 0.94264},
		eccentricity: [3]float64{0.0934006477, 0.0009048438, -80641e-10},
		peri:         [3]float64{336.06023395, 15980.45908, -62.32800},
		inclination:  [3]float64{1.84972648, -293.31722, -8.11830},
		node:         [3]float64{49.55809321, -10620.90088, -230.57416},
		axisArg:      [9]float64{6345, 7818, 15636, 7077, 8184, 14163, 1107, 4872, 0},
		axisCos:      [9]float64{124, 621, -145, 208, 54, -57, 30, 15, 0},
		axisSin:      [9]float64{-621, 532, -694, -20, 192, -94, 71, -73, 0},
		lonArg:       [10]float64{10, 6345, 7818, 1107, 15636, 7077, 8184, 532, 10, 0},
		lonCos:       [10]float64{2268, -979, 802, 602, -668, -33, 345, 201, -55, 0},
		lonSin:       [10]float64{854, -205, -936, -240, 140, -341, -97, -232, 536, 0},
	},
	Jupiter: {
		axis:         [3]float64{5.2026032092, 19132e-10, -39e-10},
		lon:          [3]float64{34.35151874, 109256603.77991, -30.60378},
		eccentricity: [3]float64{0.0484979255, 0.0016322542, -0.0000471366},
		peri:         [3]float64{14.33120687, 7758.75163, 259.95938},
		inclination:  [3]float64{1.30326698, -71.55890, 11.95297},
		node:         [3]float64{100.46440702, 6362.03561, 326.52178},
		axisArg:      [9]float64{1760, 1454, 1167, 880, 287, 2640, 19, 2047, 1454},
		axisCos:      [9]float64{-23437, -2634, 6601, 6259, -1507, -1821, 2620, -2115, -1489},
		axisSin:      [9]float64{-14614, -19828, -5869, 1881, -4372, -2255, 782, 930, 913},
		lonArg:       [10]float64{19, 1760, 1454, 287, 1167, 880, 574, 2640, 19, 1454},
		lonCos:       [10]float64{7610, -4997, -7689, -5841, -2617, 1115, -748, -607, 6074, 354},
		lonSin:       [10]float64{-56980, 8016, 1012, 1448, -3024, -3710, 318, 503, 3767, 577},
	},
	Saturn: {
		axis:         [3]float64{9.5549091915, -0.0000213896, 444e-10},
		lon:          [3]float64{50.07744430, 43996098.55732, 75.61614},
		eccentricity: [3]float64{0.0555481426, -0.0034664062, -0.0000643639},
		peri:         [3]float64{93.05723748, 20395.49439, 190.25952},
		inclination:  [3]float64{2.48887878, 91.85195, -17.66225},
		node:         [3]float64{113.66550252, -9240.19942, -66.23743},
		axisArg:      [9]float64{574, 0, 880, 287, 19, 1760, 1167, 306, 574},
		axisCos:      [9]float64{62911, -119919, 79336, 17814, -24241, 12068, 8306, -4893, 8902},
		axisSin:      [9]float64{139737, 0, 24667, 51123, -5102, 7429, -4095, -1976, -9566},
		lonArg:       [10]float64{19, 574, 287, 306, 1760, 12, 31, 38, 19, 574},
		lonCos:       [10]float64{-18549, 30125, 20012, -730, 824, 23, 1289, -352, -14767, -2062},
		lonSin:       [10]float64{138606, -13478, -4964, 1441, -1319, -1482, 427, 1236, -9167, -1918},
	},
}

// heliocentric is the planet seen from the Sun in au, equator and equinox of
// J2000, at a Julian date of TT.
func (o *orbit) heliocentric(jd float64) r3.Vec {
	t := (jd - base.J2000) / 365250
	arcsec := func(c [3]float64) float64 {
		return math.Mod((3600*c[0]+(c[1]+c[2]*t)*t)*radPerArcsec, 2*math.Pi)
	}
	axis := o.axis[0] + (o.axis[1]+o.axis[2]*t)*t
	lon := arcsec(o.lon)
	mu := 0.35953620 * t
	for k := range o.axisArg {
		sin, cos := math.Sincos(o.axisArg[k] * mu)
		term := (o.axisCos[k]*cos + o.axisSin[k]*sin) * 1e-7
		if k == 8 {
			term *= t
		}
		axis += term
	}
	for k := range o.lonArg {
		sin, cos := math.Sincos(o.lonArg[k] * mu)
		term := (o.lonCos[k]*cos + o.lonSin[k]*sin) * 1e-7
		if k >= 8 {
			term *= t
		}
		lon += term
	}
	e := o.eccentricity[0] + (o.eccentricity[1]+o.eccentricity[2]*t)*t
	peri, inclination, node := arcsec(o.peri), arcsec(o.inclination), arcsec(o.node)

	mean := lon - peri
	eccentric := mean
	for range 10 { // Newton on Kepler's equation
		sin, cos := math.Sincos(eccentric)
		eccentric -= (eccentric - e*sin - mean) / (1 - e*cos)
	}
	sinE, cosE := math.Sincos(eccentric)
	sinNu, cosNu := math.Sqrt(1-e*e)*sinE, cosE-e // times radius over axis
	sinW, cosW := math.Sincos(peri - node)
	sinN, cosN := math.Sincos(node)
	sinI, cosI := math.Sincos(inclination)
	along, across := axis*(cosNu*cosW-sinNu*sinW), axis*(sinNu*cosW+cosNu*sinW)
	x, y, z := along*cosN-across*sinN*cosI, along*sinN+across*cosN*cosI, across*sinI
	const sinEps, cosEps = 0.3977771559319137, 0.9174820620691818 // obliquity of J2000, IAU 1976
	return r3.Vec{X: x, Y: y*cosEps - z*sinEps, Z: y*sinEps + z*cosEps}
}

// Planet is the apparent place of a planet, good to 20 arcsec for Venus, 60 for
// Mars, 100 for Jupiter and Saturn: the largest errors that the elements'
// authors state for 1800 to 2050, seen from the Earth. Enough for a sighting by
// eye, not for more.
func (m *Moment) Planet(p Planet) Body {
	o := orbits[p]
	lon, lat, distance := geometricSun(base.J2000Century(m.jdTT))
	sun := m.ofEcliptic(lon+m.nutationLon, lat, distance)
	var v r3.Vec
	lightDays := 0.0
	for range 3 {
		v = r3.Add(rotated(m.toDate, o.heliocentric(m.jdTT-lightDays)), sun)
		lightDays = r3.Norm(v) * lightDaysPerAU
	}
	d := r3.Norm(v)
	velocity := rotated(m.toDate, m.velocity)
	return Body{Name: map[Planet]string{Venus: "Venus", Mars: "Mars", Jupiter: "Jupiter", Saturn: "Saturn"}[p],
		vec: r3.Scale(d, aberrated(r3.Scale(1/d, v), velocity))}
}

const lightDaysPerAU = 499.004782 / 86400 // IAU 2012 au over the speed of light
