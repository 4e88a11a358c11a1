package astro

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// WGS 84 (NGA.STND.0036): semi-major axis in metres and flattening.
const (
	wgs84A = 6378137.0
	wgs84F = 1 / 298.257223563
)

const (
	// terrestrialRefraction is the coefficient k of C. F. Gauss for sight lines
	// near the ground (0.13, from memory), by which the air bends them down
	// towards the Earth; it varies from about 0 to 0.25 with the weather.
	terrestrialRefraction = 0.13
	refractionSpread      = 0.08 // 1 sigma of it
	// nearestLandmarkM keeps the error of both places from mattering too much.
	nearestLandmarkM  = 20.0
	farthestLandmarkM = 300e3
)

// Sightline is the direction from one place on the Earth to another.
type Sightline struct {
	// Direction as it is seen: the altitude is raised by the air near the ground.
	Direction
	DistanceM float64 // straight
	// AltSigmaDeg is the 1 sigma that the air leaves to the altitude.
	AltSigmaDeg float64
}

// Sight is the line of sight from the site to another place, both on the WGS 84
// ellipsoid: the difference of the two in Earth-fixed coordinates, seen east,
// north, up of the site (textbook geometry, without series). Its azimuth is what
// an eye sees; a geodesic on the ellipsoid differs from it by 0.02 arcsec at 100 km
// and 0.11 arcsec for each km of height of the other end. Exact but for the air,
// which lifts the far end by k/2 of the angle between the two at the Earth's
// centre.
//
// Places closer than 20 m or farther than 300 km are refused.
func (s Site) Sight(to Site) (Sightline, error) {
	if err := s.Validate(); err != nil {
		return Sightline{}, err
	}
	if err := to.Validate(); err != nil {
		return Sightline{}, err
	}
	d := r3.Sub(to.earthFixed(), s.earthFixed())
	n := r3.Norm(d)
	if !(n >= nearestLandmarkM && n <= farthestLandmarkM) {
		return Sightline{}, fmt.Errorf("the other place is %.0f m away: give one at %.0f m to %.0f km", n, nearestLandmarkM, farthestLandmarkM/1000)
	}
	sinLat, cosLat := math.Sincos(s.LatDeg * radPerDeg)
	sinLon, cosLon := math.Sincos(s.LonDeg * radPerDeg)
	east := -sinLon*d.X + cosLon*d.Y
	north := -sinLat*(cosLon*d.X+sinLon*d.Y) + cosLat*d.Z
	up := cosLat*(cosLon*d.X+sinLon*d.Y) + sinLat*d.Z
	out := Sightline{Direction: DirectionOf(r3.Vec{X: east, Y: north, Z: up}), DistanceM: n}
	arc := math.Hypot(east, north) / wgs84A / radPerDeg
	out.AltDeg += terrestrialRefraction * arc / 2
	out.AltSigmaDeg = refractionSpread * arc / 2
	return out, nil
}

// earthFixed are the coordinates from the Earth's centre, metres.
func (s Site) earthFixed() r3.Vec {
	const e2 = wgs84F * (2 - wgs84F)
	sinLat, cosLat := math.Sincos(s.LatDeg * radPerDeg)
	sinLon, cosLon := math.Sincos(s.LonDeg * radPerDeg)
	n := wgs84A / math.Sqrt(1-e2*sinLat*sinLat)
	return r3.Vec{
		X: (n + s.HeightM) * cosLat * cosLon,
		Y: (n + s.HeightM) * cosLat * sinLon,
		Z: (n*(1-e2) + s.HeightM) * sinLat,
	}
}
