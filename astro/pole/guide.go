package pole

import (
	"time"

	"plumbstar/astro"
)

// Guide is what a person at the finder needs about one star at one moment.
type Guide struct {
	Aim  astro.Direction `json:"aim"`
	Star astro.Seen      `json:"star"`
	Mark Mark            `json:"mark"`
	// Circles is null for a finder without any.
	Circles *CirclePlace `json:"circles"`
	Knobs   Knobs        `json:"knobs"`
	// Later is where the star goes while the axis stays.
	Later []MarkAt `json:"later"`
	// Field are the stars in the finder while the axis points at the aim,
	// brightest first.
	Field []FieldStar `json:"field"`
}

// MarkAt is a place in the finder at a moment.
type MarkAt struct {
	Time time.Time `json:"time"`
	Mark
}

// Guide puts a star, its way, and the stars around it into the finder.
func (f Finder) Guide(aim astro.Direction, star astro.Seen, later []astro.SeenAt, field []astro.Seen) Guide {
	mark := f.Mark(aim, star.Direction)
	return Guide{
		Aim: aim, Star: star, Mark: mark,
		Circles: f.AmongCircles(mark.OffsetArcmin),
		Knobs:   f.Knobs(aim, star.Direction),
		Later:   f.Marks(aim, later),
		Field:   f.Field(aim, field),
	}
}

// Marks places a star in the finder at several moments.
func (f Finder) Marks(aim astro.Direction, path []astro.SeenAt) []MarkAt {
	out := make([]MarkAt, 0, len(path))
	for _, p := range path {
		out = append(out, MarkAt{Time: p.Time, Mark: f.Mark(aim, p.Direction)})
	}
	return out
}
