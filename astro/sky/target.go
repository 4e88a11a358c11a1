package sky

import (
	"fmt"
	"strings"

	"plumbstar/astro"
)

// Target is anything whose place can be asked for by name.
type Target struct {
	star *Star // nil for a body
	body string
}

// FindTarget understands all names of Find, "pole-star" (that of the
// hemisphere), "sun", "moon" and the planets.
func FindTarget(name string, h astro.Hemisphere) (Target, error) {
	switch key := strings.ToLower(strings.TrimSpace(name)); key {
	case "pole-star", "":
		return Target{star: PoleStar(h)}, nil
	case "sun", "moon", string(Venus), string(Mars), string(Jupiter), string(Saturn):
		return Target{body: key}, nil
	}
	s, err := Find(name)
	if err != nil {
		return Target{}, fmt.Errorf("%w, or pole-star, sun, moon, venus, mars, jupiter, saturn", err)
	}
	return Target{star: s}, nil
}

// Star is the target's star, nil for the Sun, the Moon and planets.
func (t Target) Star() *Star { return t.star }

// BodyName is "Sun", "Moon" or a planet's name, empty for a star.
func (t Target) BodyName() string {
	if t.body == "" {
		return ""
	}
	return strings.ToUpper(t.body[:1]) + t.body[1:]
}

// Label is the name to show.
func (t Target) Label() string {
	if t.star != nil {
		return t.star.Label()
	}
	return t.BodyName()
}

// Place computes where the target stands.
func (t Target) Place(o *Observer, m *Moment) Place {
	if t.star != nil {
		return o.Look(m, m.Apparent(t.star))
	}
	return o.Body(m, t.at(m))
}

func (t Target) at(m *Moment) Body {
	switch t.body {
	case "sun":
		return m.Sun()
	case "moon":
		return m.Moon()
	}
	return m.Planet(Planet(t.body))
}

// Seen is where the target appears, as a Seen; bodies have no magnitude here.
func (t Target) Seen(o *Observer, m *Moment) astro.Seen {
	if t.star != nil {
		return o.Seen(m, t.star)
	}
	return astro.Seen{ID: t.body, Name: t.BodyName(), Direction: t.Place(o, m).Seen}
}

// DirectionOfICRS is where the air shows a place of the night sky given by ICRS right
// ascension and declination in degrees, such as the centre of a solved picture;
// false below the horizon. No proper motion, no parallax.
func (o *Observer) DirectionOfICRS(m *Moment, raDeg, decDeg float64) (astro.Direction, bool) {
	return o.Direction(m, rotated(m.toDate, aberrated(unitVec(raDeg*radPerDeg, decDeg*radPerDeg), m.velocity)))
}
