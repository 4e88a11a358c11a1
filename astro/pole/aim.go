// Package pole knows where the axis of a tracker has to point, where stars
// stand about that point in a finder, and how to find the axis from what was
// seen. It is pure; the places of stars come in as arguments.
package pole

import (
	"fmt"

	"plumbstar/astro"
)

// Kind says which pole is aimed at.
type Kind string

const (
	// Refracted is the pole as the air lifts it: where it is seen, and what
	// anything compared with visible stars must be aimed at.
	Refracted Kind = "refracted"
	// True is the end of the Earth's axis, as if there were no air.
	True Kind = "true"
)

// Aim is the direction of the celestial pole that can be seen from a site:
// altitude |latitude| (plus refraction) and azimuth 0 in the north, 180 in the
// south, both in degrees. On the equator it is the northern pole.
//
// The true pole is exact to the 0.3 arcsec of polar motion that is left out and
// to the deflection of the plumb line, which a geodetic latitude does not hold
// (seldom over 0.01°). The refracted one adds the error of astro.Refraction:
// 2 arcsec above 15°, minutes of arc at the horizon.
func Aim(site astro.Site, kind Kind, air astro.Air) (altDeg, azDeg float64, err error) {
	if err := site.Validate(); err != nil {
		return 0, 0, err
	}
	altDeg = site.LatDeg
	if site.Hemisphere() == astro.South {
		altDeg, azDeg = -altDeg, 180
	}
	switch kind {
	case True:
		return altDeg, azDeg, nil
	case Refracted:
		if err := air.Validate(); err != nil {
			return 0, 0, err
		}
		altDeg, _ = air.Refraction().Apparent(altDeg)
		return altDeg, azDeg, nil
	}
	return 0, 0, fmt.Errorf("aim %q: give %q or %q", kind, Refracted, True)
}
