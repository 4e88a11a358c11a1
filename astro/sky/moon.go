package sky

import (
	"math"

	"github.com/soniakeys/meeus/v3/moonposition"
	"gonum.org/v1/gonum/spatial/r3"
)

const kmPerAU = 149597870.7

// Moon is the Moon: the series of Meeus's chapter 47 (ELP 2000-82 shortened, 10
// arcsec), which contains the light time. Within 5 arcsec of ERFA's eraMoon98;
// that one is within 19 arcsec of the full theory.
func (m *Moment) Moon() Body {
	lon, lat, km := moonposition.Position(m.jdTT)
	return Body{Name: "Moon", vec: m.ofEcliptic(lon.Rad()+m.nutationLon, lat.Rad(), km/kmPerAU)}
}

// Phase is how much of the Moon is lit.
type Phase struct {
	LitFraction   float64 `json:"lit_fraction"`   // 0 new, 1 full
	ElongationDeg float64 `json:"elongation_deg"` // from the Sun, geocentric, 0 to 180
	Waxing        bool    `json:"waxing"`
}

// MoonPhase is the phase as seen from the Earth's centre (Meeus, ch. 48).
func (m *Moment) MoonPhase() Phase {
	sun, moon := m.Sun().vec, m.Moon().vec
	// Angle at the Moon between Sun and Earth.
	toSun := r3.Sub(sun, moon)
	cosPhase := -r3.Dot(toSun, moon) / (r3.Norm(toSun) * r3.Norm(moon))
	cross := r3.Cross(sun, moon)
	// The Moon is waxing while it stands east of the Sun along the ecliptic, whose
	// pole is (0, -sin obliquity, cos obliquity).
	eastward := cross.Z*m.cosObliquity - cross.Y*m.sinObliquity
	return Phase{
		LitFraction:   (1 + cosPhase) / 2,
		ElongationDeg: math.Atan2(r3.Norm(cross), r3.Dot(sun, moon)) / radPerDeg,
		Waxing:        eastward > 0,
	}
}
