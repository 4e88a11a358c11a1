package pole

import (
	"fmt"
	"math"
	"slices"

	"plumbstar/astro"
)

// View is how an optic shows the night sky.
type View string

const (
	Erect    View = "erect"    // as the naked eye sees it
	Inverted View = "inverted" // turned by half a turn
	Mirrored View = "mirrored" // left and right exchanged
	Flipped  View = "flipped"  // top and bottom exchanged
)

// signs are what the view does to right and up.
func (v View) signs() (x, y float64) {
	switch v {
	case Inverted:
		return -1, -1
	case Mirrored:
		return -1, 1
	case Flipped:
		return 1, -1
	}
	return 1, 1
}

// Circle is a ring of a finder's pattern, made for the pole star of a year.
type Circle struct {
	Year         float64 `json:"year"`
	RadiusArcmin float64 `json:"radius_arcmin"`
}

// Finder is a small telescope, or a sight tube, along the tracker's axis. Its
// owner describes it; nothing is presumed of any make.
type Finder struct {
	View View `json:"view"`
	// FieldDeg is the diameter of the field.
	FieldDeg float64 `json:"field_deg"`
	// LimitMag is the faintest star it shows in a dark sky; the star lists end at 8.
	LimitMag float64 `json:"limit_mag"`
	// RotationDeg is how far the pattern's zero mark is turned from the top,
	// clockwise as the eye sees it in the finder.
	RotationDeg float64 `json:"rotation_deg"`
	// Hours is 12 or 24 on the scale round the pattern, 0 for none.
	Hours int `json:"scale_hours"`
	// CounterClockwise is the sense in which the scale's numbers grow.
	CounterClockwise bool `json:"counterclockwise"`
	// Circles may be empty.
	Circles []Circle `json:"circles"`
}

// DefaultFinder is a plain one, for whoever has set nothing: erect, 6° of field,
// stars to 7.5, a clock face. Common practice, no source.
func DefaultFinder() Finder {
	return Finder{View: Erect, FieldDeg: 6, LimitMag: 7.5, Hours: 12, Circles: []Circle{}}
}

// Validate refuses a finder that cannot be.
func (f Finder) Validate() error {
	switch {
	case !slices.Contains([]View{Erect, Inverted, Mirrored, Flipped}, f.View):
		return fmt.Errorf("view %q: give %s, %s, %s or %s", f.View, Erect, Inverted, Mirrored, Flipped)
	case !(f.FieldDeg >= 0.5 && f.FieldDeg <= 60):
		return fmt.Errorf("field %v°: give its diameter, 0.5 to 60", f.FieldDeg)
	case !(f.LimitMag >= 0 && f.LimitMag <= 12):
		return fmt.Errorf("limiting magnitude %v: give 0 to 12", f.LimitMag)
	case !(math.Abs(f.RotationDeg) <= 360):
		return fmt.Errorf("rotation %v°: give -360 to 360", f.RotationDeg)
	case f.Hours != 0 && f.Hours != 12 && f.Hours != 24:
		return fmt.Errorf("scale of %d hours: give 12, 24, or 0 for none", f.Hours)
	}
	for i, c := range f.Circles {
		if !(c.Year >= 1900 && c.Year <= 2200) || !(c.RadiusArcmin > 0 && c.RadiusArcmin <= 600) {
			return fmt.Errorf("circle %d (year %v, radius %v'): give a year from 1900 to 2200 and a radius up to 600'", i+1, c.Year, c.RadiusArcmin)
		}
	}
	return nil
}

// Mark is where a star belongs in the finder while the axis points at the aim.
type Mark struct {
	// On the night sky, from the aim; see Offset.
	OffsetArcmin     float64 `json:"offset_arcmin"`
	PositionAngleDeg float64 `json:"position_angle_deg"`
	// In the finder as the eye sees it: degrees of sky right and up of the centre,
	// the angle clockwise from the top, and the same on a clock face, 0 (at the
	// twelve) up to 12.
	XDeg      float64 `json:"x_deg"`
	YDeg      float64 `json:"y_deg"`
	AngleDeg  float64 `json:"angle_deg"`
	ClockHour float64 `json:"clock_hour"`
	// ScaleHour is the reading on the finder's own scale; null without one.
	ScaleHour *float64 `json:"scale_hour"`
	InField   bool     `json:"in_field"`
}

// Mark places a star in the finder.
func (f Finder) Mark(aim, star astro.Direction) Mark {
	x, y := tangent(aim).of(star.Vec())
	sx, sy := f.View.signs()
	m := Mark{
		OffsetArcmin:     math.Hypot(x, y) / radPerDeg * 60,
		PositionAngleDeg: astro.Turn360(math.Atan2(x, y) / radPerDeg),
		XDeg:             sx * x / radPerDeg,
		YDeg:             sy * y / radPerDeg,
	}
	m.AngleDeg = astro.Turn360(math.Atan2(sx*x, sy*y) / radPerDeg)
	m.ClockHour = m.AngleDeg / 30
	m.InField = m.OffsetArcmin <= f.FieldDeg*30
	if f.Hours > 0 {
		turned := m.AngleDeg - f.RotationDeg
		if f.CounterClockwise {
			turned = -turned
		}
		hour := astro.Turn360(turned) / 360 * float64(f.Hours)
		m.ScaleHour = &hour
	}
	return m
}

// StarMove is how a star must move in the finder, as the eye sees it.
type StarMove struct {
	RightDeg float64 `json:"right_deg"`
	UpDeg    float64 `json:"up_deg"`
	Words    string  `json:"words"` // "down and left"; empty when it is in place
}

// From is the move that brings a star, seen at a place in the finder in degrees
// right and up, to the mark.
func (m Mark) From(xDeg, yDeg float64) StarMove {
	right, up := m.XDeg-xDeg, m.YDeg-yDeg
	return StarMove{RightDeg: right, UpDeg: up, Words: Towards(right, up)}
}

// AtHour is the place in the finder, degrees right and up, of a reading on its
// scale (on a clock face when it has none) and a distance from the centre.
func (f Finder) AtHour(hour, offsetArcmin float64) (xDeg, yDeg float64) {
	angle := hour * 30
	if f.Hours > 0 {
		turned := hour / float64(f.Hours) * 360
		if f.CounterClockwise {
			turned = -turned
		}
		angle = turned + f.RotationDeg
	}
	sin, cos := math.Sincos(angle * radPerDeg)
	return offsetArcmin / 60 * sin, offsetArcmin / 60 * cos
}

// CirclePlace tells where an offset lies among the finder's circles.
type CirclePlace struct {
	// Inner and Outer are the circles just inside and outside; null beyond the last.
	Inner *Circle `json:"inner"`
	Outer *Circle `json:"outer"`
	// Fraction is the way from Inner to Outer, 0 to 1; 0 without both.
	Fraction float64 `json:"fraction"`
}

// AmongCircles places an offset among the circles; nil when the finder has none.
func (f Finder) AmongCircles(offsetArcmin float64) *CirclePlace {
	if len(f.Circles) == 0 {
		return nil
	}
	var p CirclePlace
	for i := range f.Circles {
		c := &f.Circles[i]
		switch {
		case c.RadiusArcmin <= offsetArcmin && (p.Inner == nil || c.RadiusArcmin > p.Inner.RadiusArcmin):
			p.Inner = c
		case c.RadiusArcmin > offsetArcmin && (p.Outer == nil || c.RadiusArcmin < p.Outer.RadiusArcmin):
			p.Outer = c
		}
	}
	if p.Inner != nil && p.Outer != nil {
		p.Fraction = (offsetArcmin - p.Inner.RadiusArcmin) / (p.Outer.RadiusArcmin - p.Inner.RadiusArcmin)
	}
	return &p
}

// FieldStar is a star with its place in the finder.
type FieldStar struct {
	astro.Seen
	Mark
}

// Field places stars in the finder and leaves out those outside its field or
// fainter than its limit; the order stays.
func (f Finder) Field(aim astro.Direction, stars []astro.Seen) []FieldStar {
	out := []FieldStar{}
	for _, s := range stars {
		if s.VMag > f.LimitMag {
			continue
		}
		if m := f.Mark(aim, s.Direction); m.InField {
			out = append(out, FieldStar{s, m})
		}
	}
	return out
}

// toSky turns a place in the finder, degrees right and up, into radians right and
// up for the naked eye, and back: the views undo themselves.
func (f Finder) toSky(xDeg, yDeg float64) (x, y float64) {
	sx, sy := f.View.signs()
	return sx * xDeg * radPerDeg, sy * yDeg * radPerDeg
}
