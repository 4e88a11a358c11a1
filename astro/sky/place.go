package sky

import (
	"math"

	"github.com/soniakeys/meeus/v3/globe"
	"github.com/soniakeys/unit"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// Observer is a site with its air, ready to look at many bodies.
type Observer struct {
	site           astro.Site
	sinLat, cosLat float64
	lon            float64 // radians, east positive
	refraction     astro.Refraction
	// The site's distance from the Earth's axis, and north of its equator, au.
	fromAxisAU, northAU float64
	aberration          float64 // the Earth's rotation carries the site east at this part of light's speed
}

// rotationSpeed of the equator in units of light's: 0.3192 arcsec, Meeus ch. 23.
const rotationSpeed = 0.3192 * radPerArcsec

// NewObserver refuses a site or an air that cannot be.
func NewObserver(site astro.Site, air astro.Air) (*Observer, error) {
	if err := site.Validate(); err != nil {
		return nil, err
	}
	if err := air.Validate(); err != nil {
		return nil, err
	}
	o := &Observer{site: site, lon: site.LonDeg * radPerDeg, refraction: air.Refraction()}
	o.sinLat, o.cosLat = math.Sincos(site.LatDeg * radPerDeg)
	o.aberration = rotationSpeed * o.cosLat
	north, fromAxis := globe.Earth76.ParallaxConstants(unit.Angle(site.LatDeg*radPerDeg), site.HeightM)
	o.fromAxisAU, o.northAU = fromAxis*earthRadiusAU, north*earthRadiusAU
	return o, nil
}

// Site is where the observer stands.
func (o *Observer) Site() astro.Site { return o.site }

// Place is where a body stands for an observer.
type Place struct {
	// RADeg and DecDeg: apparent, true equator and equinox of date. Geocentric for
	// stars, as parallax leaves them there; topocentric for Sun, Moon and planets.
	RADeg, DecDeg float64
	// HourAngleDeg is west positive, -180 to 180.
	HourAngleDeg float64
	// Airless is what geometry gives, Seen what the air makes of it.
	Airless, Seen astro.Direction
	// Visible is false below the horizon; Seen is then the same as Airless.
	Visible bool
}

// Look computes the place of an apparent direction of a moment. Between two
// moments less than an hour apart an apparent direction changes by less than 0.05
// arcsec and may be used again.
func (o *Observer) Look(m *Moment, apparent r3.Vec) Place {
	east, north, up, hourAngle := o.horizontal(m, apparent)
	p := Place{
		RADeg:        astro.Turn360(math.Atan2(apparent.Y, apparent.X) / radPerDeg),
		DecDeg:       math.Atan2(apparent.Z, math.Hypot(apparent.X, apparent.Y)) / radPerDeg,
		HourAngleDeg: hourAngle / radPerDeg,
	}
	p.Airless = direction(east, north, up)
	p.Seen, p.Visible = p.Airless, true
	p.Seen.AltDeg, p.Visible = o.refraction.Apparent(p.Airless.AltDeg)
	return p
}

// Direction is where an apparent direction is seen, and whether it is above the
// horizon; Look without the equatorial part.
func (o *Observer) Direction(m *Moment, apparent r3.Vec) (astro.Direction, bool) {
	east, north, up, _ := o.horizontal(m, apparent)
	d := direction(east, north, up)
	var visible bool
	d.AltDeg, visible = o.refraction.Apparent(d.AltDeg)
	return d, visible
}

// horizontal turns a direction of the true equator of date into east, north, up
// with diurnal aberration, and into the hour angle in radians.
func (o *Observer) horizontal(m *Moment, v r3.Vec) (east, north, up, hourAngle float64) {
	sin, cos := math.Sincos(m.gast + o.lon)
	toMeridian := v.X*cos + v.Y*sin
	west := v.X*sin - v.Y*cos
	east = o.aberration - west
	north = v.Z*o.cosLat - toMeridian*o.sinLat
	up = v.Z*o.sinLat + toMeridian*o.cosLat
	return east, north, up, math.Atan2(west, toMeridian)
}

func direction(east, north, up float64) astro.Direction {
	return astro.Direction{
		AzDeg:  astro.Turn360(math.Atan2(east, north) / radPerDeg),
		AltDeg: math.Atan2(up, math.Hypot(east, north)) / radPerDeg,
	}
}

// Seen is where a star appears to the observer.
func (o *Observer) Seen(m *Moment, s *Star) astro.Seen {
	d, _ := o.Direction(m, m.Apparent(s))
	return astro.Seen{ID: s.ID(), Name: s.Label(), VMag: s.VMag, Direction: d}
}

// Field are the stars about the pole of the observer's hemisphere, to 6° and a
// magnitude of at most 8.0, brightest first, without those below the horizon.
func (o *Observer) Field(m *Moment, limitMag float64) []astro.Seen {
	stars := Polar(o.site.Hemisphere(), limitMag)
	out := make([]astro.Seen, 0, len(stars))
	for _, s := range stars {
		if d, visible := o.Direction(m, m.Apparent(s)); visible {
			out = append(out, astro.Seen{ID: s.ID(), Name: s.Label(), VMag: s.VMag, Direction: d})
		}
	}
	return out
}
