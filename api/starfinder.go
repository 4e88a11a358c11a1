package api

import (
	"context"
	"math"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
	"plumbstar/daemon"
)

// PoleStar is where a star, mostly the pole star, belongs in the finder.
type PoleStar struct {
	Time     Time   `json:"time"`
	AimKind  string `json:"aim_kind" enum:"refracted,true"`
	Caution  Text   `json:"caution" doc:"To be shown before the body is sighted"`
	RA       Number `json:"ra_deg" doc:"Apparent, equinox of date"`
	Dec      Number `json:"dec_deg"`
	Hour     Number `json:"hour_angle_deg" doc:"West positive"`
	Azimuth  Number `json:"azimuth_deg"`
	Altitude Number `json:"altitude_deg" doc:"Without air"`
	AltSeen  Number `json:"altitude_refracted_deg" doc:"As seen; null below the horizon"`
	Above    bool   `json:"above_horizon"`

	Accuracy PlaceAccuracy    `json:"accuracy"`
	Finder   FinderShape      `json:"finder" doc:"The finder that the marks are for"`
	Aim      astro.Direction  `json:"aim"`
	Star     astro.Seen       `json:"star"`
	Mark     pole.Mark        `json:"mark" doc:"Where it belongs while the axis points at the aim"`
	Circles  *CirclePlace     `json:"circles" doc:"Among the finder's circles; null for a finder without any"`
	Knobs    pole.Knobs       `json:"knobs" doc:"Which way it moves in the finder when an adjuster moves the axis by 1°"`
	Later    []pole.MarkAt    `json:"later" nullable:"false" doc:"Where it goes within the hour while the axis stays"`
	Field    []pole.FieldStar `json:"field" nullable:"false" doc:"Stars in the finder while the axis points at the aim, brightest first"`
}

// PlaceAccuracy is what may be wrong with a place, 1 sigma, the clock's error
// included where it is known.
type PlaceAccuracy struct {
	Altitude Number `json:"altitude_sigma_deg"`
	Azimuth  Number `json:"azimuth_sigma_deg" doc:"Degrees of azimuth"`
	Offset   Number `json:"offset_sigma_arcmin"`
	Angle    Number `json:"position_angle_sigma_deg" doc:"null when the clock's error is not known"`
}

// FinderShape is a finder as its owner describes it.
type FinderShape struct {
	View             string        `json:"view" enum:"erect,inverted,mirrored,flipped" doc:"How it shows the night sky"`
	Field            float64       `json:"field_deg" minimum:"0.5" maximum:"60" doc:"Diameter of its field"`
	LimitMag         float64       `json:"limit_mag" minimum:"0" maximum:"12" doc:"Faintest star in a dark sky"`
	Rotation         float64       `json:"rotation_deg" required:"false" minimum:"-360" maximum:"360" doc:"Turn of the pattern's zero mark from the top, clockwise as seen in it"`
	Hours            int           `json:"scale_hours" enum:"0,12,24" doc:"Hours round its scale; 0 for none"`
	CounterClockwise bool          `json:"counterclockwise" required:"false" doc:"The scale's numbers grow against the clock"`
	Circles          []pole.Circle `json:"circles" required:"false" maxItems:"12" nullable:"false" doc:"Rings of its pattern, made for the pole star of a year"`
}

func shapeOf(f pole.Finder) FinderShape {
	c := f.Circles
	if c == nil {
		c = []pole.Circle{}
	}
	return FinderShape{View: string(f.View), Field: f.FieldDeg, LimitMag: f.LimitMag, Rotation: f.RotationDeg, Hours: f.Hours, CounterClockwise: f.CounterClockwise, Circles: c}
}

func (f *FinderShape) finder() pole.Finder {
	return pole.Finder{View: pole.View(f.View), FieldDeg: f.Field, LimitMag: f.LimitMag, RotationDeg: f.Rotation, Hours: f.Hours, CounterClockwise: f.CounterClockwise, Circles: f.Circles}
}

// CirclePlace is a place among a finder's circles.
type CirclePlace struct {
	_        struct{} `nullable:"true"`
	Inner    *Ring    `json:"inner" doc:"The circle just inside; null inside the first"`
	Outer    *Ring    `json:"outer" doc:"The one just outside; null beyond the last"`
	Fraction float64  `json:"fraction" doc:"Way from inner to outer, 0 to 1"`
}

// Ring is one circle.
type Ring struct {
	_      struct{} `nullable:"true"`
	Year   float64  `json:"year"`
	Radius float64  `json:"radius_arcmin"`
}

func ringOf(c *pole.Circle) *Ring {
	if c == nil {
		return nil
	}
	return &Ring{Year: c.Year, Radius: c.RadiusArcmin}
}

// Tonight is one night's times; all UTC.
type Tonight struct {
	Date   string     `json:"date" doc:"The evening's date at the place"`
	Lat    float64    `json:"lat_deg"`
	Lon    float64    `json:"lon_deg"`
	Height float64    `json:"height_m"`
	Whole  astro.Span `json:"whole" doc:"From mean noon to mean noon"`
	sky.Twilight
	PoleStar  sky.PoleStarNight `json:"pole_star"`
	Align     *Window           `json:"align" doc:"The best time to bring the pole star to its place; null with the reason in align_note"`
	AlignNote string            `json:"align_note"`
	Moon      sky.MoonNight     `json:"moon"`
	SunDark   []astro.Span      `json:"sun_dark" nullable:"false" doc:"The Sun more than 18° down"`
	Dark      []astro.Span      `json:"dark" nullable:"false" doc:"The Moon down too"`
	Aim       astro.Direction   `json:"aim"`
	InFinder  []pole.MarkAt     `json:"in_finder" nullable:"false" doc:"Where the pole star belongs during the window to align"`
	Finder    FinderShape       `json:"finder"`
}

// Window is a stretch of time.
type Window struct {
	_     struct{}  `nullable:"true"`
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
}

// FinderQuery describes another finder than the kit's.
type FinderQuery struct {
	View     option[string]  `query:"view" doc:"erect, inverted, mirrored or flipped; this and the next: in place of the kit's finder"`
	Field    option[float64] `query:"field_deg"`
	LimitMag option[float64] `query:"limit_mag"`
	Rotation option[float64] `query:"rotation_deg"`
	Hours    option[int]     `query:"scale_hours"`
	Counter  option[bool]    `query:"counterclockwise"`
}

type (
	poleStarInput struct {
		Star string `query:"star" default:"pole-star" maxLength:"60" doc:"pole-star (that of the hemisphere), sun, moon, a planet, a star's name or HIP number"`
		Time string `query:"time" maxLength:"40" doc:"UTC, RFC 3339; left out: now"`
		FinderQuery
	}
	poleStarOutput struct{ Body PoleStar }
	tonightInput   struct {
		Date string `query:"date" maxLength:"10" doc:"The evening's date at the place, such as 2026-09-12; left out: the present night"`
		FinderQuery
	}
	tonightOutput struct{ Body Tonight }
)

func (s *Server) registerStarFinder(api huma.API) {
	register(api, s.reading("/api/v1/polestar", "get-polestar", "Where the pole star, or another body, belongs in the finder",
		"With the stars around it, its way within the hour, and which way it moves when an adjuster is turned."),
		func(_ context.Context, in *poleStarInput) (*poleStarOutput, error) {
			out, err := s.poleStar(in)
			if err != nil {
				return nil, s.refused("finding the star", err)
			}
			return &poleStarOutput{Body: out}, nil
		})
	register(api, s.reading("/api/v1/tonight", "get-tonight", "One night's times: twilight, pole star, window to align, Moon, darkness", ""),
		func(_ context.Context, in *tonightInput) (*tonightOutput, error) {
			out, err := s.tonight(in)
			if err != nil {
				return nil, s.refused("computing the night", err)
			}
			return &tonightOutput{Body: out}, nil
		})
	s.registerLastStep(api)
}

// look is a moment as seen from the site.
type look struct {
	observer *sky.Observer
	moment   sky.Moment
}

// lookAt prepares the night sky of a moment at the board's site.
func lookAt(h *daemon.Here, at time.Time) (look, error) {
	if err := h.Sky(); err != nil {
		return look{}, err
	}
	m, err := sky.At(astro.InstantOf(at))
	if err != nil {
		return look{}, &daemon.Refusal{Code: "date", Text: err.Error()}
	}
	o, err := sky.NewObserver(h.Site.Site, h.Air)
	if err != nil {
		return look{}, &daemon.Refusal{Code: "site", Text: err.Error()}
	}
	return look{observer: o, moment: m}, nil
}

// finder is the kit's, changed by what the query says.
func (q *FinderQuery) finder(k *daemon.Kit) (pole.Finder, error) {
	f := k.View()
	if q.View.IsSet {
		f.View = pole.View(q.View.Value)
	}
	if q.Field.IsSet {
		f.FieldDeg = q.Field.Value
	}
	if q.LimitMag.IsSet {
		f.LimitMag = q.LimitMag.Value
	}
	if q.Rotation.IsSet {
		f.RotationDeg = q.Rotation.Value
	}
	if q.Hours.IsSet {
		f.Hours = q.Hours.Value
	}
	if q.Counter.IsSet {
		f.CounterClockwise = q.Counter.Value
	}
	if err := f.Validate(); err != nil {
		return f, &daemon.Refusal{Code: "finder", Text: err.Error()}
	}
	return f, nil
}

// Within the next hour, every ten minutes.
const (
	laterSteps = 7
	laterSpan  = time.Hour
)

func (s *Server) poleStar(in *poleStarInput) (PoleStar, error) {
	h := s.o.Board.Here()
	at := h.UTC
	if in.Time != "" {
		i, err := astro.ParseInstant(in.Time)
		if err != nil {
			return PoleStar{}, &daemon.Refusal{Code: "time", Text: err.Error()}
		}
		at = i.Time()
	}
	v, err := lookAt(&h, at)
	if err != nil {
		return PoleStar{}, err
	}
	aim, err := h.AimDirection()
	if err != nil {
		return PoleStar{}, err
	}
	finder, err := in.finder(&h.Kit)
	if err != nil {
		return PoleStar{}, err
	}
	target, err := sky.FindTarget(in.Star, h.Site.Site.Hemisphere())
	if err != nil {
		return PoleStar{}, &daemon.Refusal{Code: "body", Text: err.Error()}
	}
	later, err := v.observer.Path(target, astro.Span{From: at, Until: at.Add(laterSpan)}, laterSteps)
	if err != nil {
		return PoleStar{}, &daemon.Refusal{Code: "date", Text: err.Error()}
	}
	p := target.Place(v.observer, &v.moment)
	g := finder.Guide(aim, target.Seen(v.observer, &v.moment), later, v.observer.Field(&v.moment, finder.LimitMag))
	out := PoleStar{
		Time: Time(at), AimKind: h.Aim.Kind, Caution: Text(sky.Caution(target.BodyName())),
		RA: exact(p.RADeg), Dec: exact(p.DecDeg), Hour: exact(p.HourAngleDeg), Azimuth: exact(p.Airless.AzDeg), Altitude: exact(p.Airless.AltDeg),
		Above: p.Visible, Finder: shapeOf(finder), Aim: g.Aim, Star: g.Star, Mark: g.Mark, Knobs: g.Knobs, Later: g.Later, Field: g.Field,
	}
	if p.Visible {
		out.AltSeen = exact(p.Seen.AltDeg)
	}
	if c := g.Circles; c != nil {
		out.Circles = &CirclePlace{Inner: ringOf(c.Inner), Outer: ringOf(c.Outer), Fraction: c.Fraction}
	}
	out.Accuracy = accuracyOf(v.observer.Accuracy(p, target.BodyName(), false, g.Mark.OffsetArcmin), &h)
	return out, nil
}

// accuracyOf adds the clock: a second turns the night sky, and the star about the
// pole, by 15 arcsec.
func accuracyOf(a sky.Accuracy, h *daemon.Here) PlaceAccuracy {
	out := PlaceAccuracy{Altitude: exact(a.AltDeg), Azimuth: exact(a.AzDeg), Offset: exact(a.OffsetArcmin)}
	if h.Clock.SigmaS >= 0 {
		const degPerS = 360.0 / 86164.1
		out.Angle = Known(math.Min(180, math.Hypot(a.PositionAngleDeg, degPerS*h.Clock.SigmaS)))
	}
	return out
}

// exact keeps seven decimals: 0.0004 arcsec.
func exact(v float64) Number {
	const k = 1e7
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Number{}
	}
	return Number{Value: math.Round(v*k) / k, Known: true}
}

func (s *Server) tonight(in *tonightInput) (Tonight, error) {
	h := s.o.Board.Here()
	v, err := lookAt(&h, h.UTC)
	if err != nil {
		return Tonight{}, err
	}
	aim, err := h.AimDirection()
	if err != nil {
		return Tonight{}, err
	}
	finder, err := in.finder(&h.Kit)
	if err != nil {
		return Tonight{}, err
	}
	date := sky.TonightOf(h.UTC, h.Site.Site.LonDeg)
	if in.Date != "" {
		if date, err = sky.ParseDate(in.Date); err != nil {
			return Tonight{}, &daemon.Refusal{Code: "date", Text: err.Error()}
		}
	}
	n, err := v.observer.Night(date, sky.FinderView{FieldDeg: finder.FieldDeg, LimitMag: finder.LimitMag})
	if err != nil {
		return Tonight{}, &daemon.Refusal{Code: "date", Text: err.Error()}
	}
	out := Tonight{
		Date: n.Date, Lat: n.LatDeg, Lon: n.LonDeg, Height: n.HeightM, Whole: n.Whole, Twilight: n.Twilight, PoleStar: n.PoleStar,
		AlignNote: n.AlignNote, Moon: n.Moon, SunDark: n.SunDark, Dark: n.Dark, Aim: aim, InFinder: finder.Marks(aim, n.Path), Finder: shapeOf(finder),
	}
	if n.Align != nil {
		out.Align = &Window{From: n.Align.From, Until: n.Align.Until}
	}
	return out, nil
}

// knownError is where the axis stands, as the finder's searches take it.
func knownError(h *daemon.Here) (pole.Prior, error) {
	if h.Error == nil {
		why := h.WhyNoError
		if why == "" {
			why = "the sensors do not tell"
		}
		return pole.Prior{}, &daemon.Refusal{Code: "error-not-known", Conflict: true, Text: "where the axis points is not known: " + why}
	}
	e := h.Error
	return pole.Prior{HighArcmin: e.HighArcmin, EastArcmin: e.EastArcmin, HighSigmaArcmin: e.HighSigmaArcmin, EastSigmaArcmin: e.EastSigmaArcmin, Correlation: e.Correlation}, nil
}
