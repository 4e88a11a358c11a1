package pole

import (
	"math"
	"math/rand/v2"

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
