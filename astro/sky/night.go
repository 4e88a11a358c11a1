package sky

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// FinderView is what Night must know of a finder.
type FinderView struct {
	FieldDeg float64 // diameter of the field
	LimitMag float64 // faintest star that it shows in a dark sky
}

// Night is what a site offers between two local noons.
type Night struct {
	Date    string  `json:"date"`
	LatDeg  float64 `json:"lat_deg"`
	LonDeg  float64 `json:"lon_deg"`
	HeightM float64 `json:"height_m"`
	// Whole is from mean noon to mean noon, UTC.
	Whole astro.Span `json:"whole"`
	Twilight

	PoleStar PoleStarNight `json:"pole_star"`
	// Align is the best time to bring the pole star to its place; null with the
	// reason in AlignNote, which also says what the end of the window is.
	Align     *astro.Span `json:"align"`
	AlignNote string      `json:"align_note"`
	// Path is where the pole star stands during Align: start, quarters, end.
	Path []astro.SeenAt `json:"path"`

	Moon MoonNight `json:"moon"`
	// SunDark is when the Sun is more than 18° down, Dark when the Moon is down too.
	SunDark []astro.Span `json:"sun_dark"`
	Dark    []astro.Span `json:"dark"`
}

// PoleStarNight is when the pole star of the hemisphere can be seen; model and
// limits: EyeLimit and, for what the finder adds, common practice without source.
type PoleStarNight struct {
	ID   string  `json:"id"`
	Name string  `json:"name"`
	VMag float64 `json:"v_mag"`
	// ByEye and InFinder are empty when the night sky never gets dark enough, or the star
	// is below the horizon.
	ByEye    []astro.Span `json:"by_eye"`
	InFinder []astro.Span `json:"in_finder"`
	// Alone is when it is the only star that the finder can show within its field,
	// so that it cannot be mistaken; empty in the south, where others are as bright.
	Alone []astro.Span `json:"alone"`
	Model string       `json:"model"`
}

// MoonNight is the Moon of a night. Rising and setting are of the upper edge, as
// the Sun's: within 20 s of the model, minutes of the real horizon.
type MoonNight struct {
	Rises []time.Time  `json:"rises"`
	Sets  []time.Time  `json:"sets"`
	Up    []astro.Span `json:"up"`
	// Phase and altitude are those of local midnight.
	Phase
	AltitudeDeg float64 `json:"altitude_deg"`
	HighestDeg  float64 `json:"highest_deg"`
}

const visibilityModel = "naked eye: twilight brightness of Patat et al. 2006 and limiting magnitude of Schaefer 1990; " +
	"finder: the same plus the magnitudes that it gains in a dark sky (common practice, no source)"

// Night computes the night that follows the mean local noon of a date.
func (o *Observer) Night(date time.Time, finder FinderView) (Night, error) {
	start := LocalNoon(date, o.site.LonDeg)
	sun, err := o.followSun(start)
	if err != nil {
		return Night{}, err
	}
	n := Night{
		Date: date.UTC().Format(time.DateOnly), LatDeg: o.site.LatDeg, LonDeg: o.site.LonDeg, HeightM: o.site.HeightM,
		Whole:    astro.Span{From: start.Round(time.Second), Until: start.Add(24 * time.Hour).Round(time.Second)},
		Twilight: sun.twilight(),
		SunDark:  spansOf(sun.curve, start, astronomicalAlt, false),
	}
	midnight, err := At(astro.InstantOf(start.Add(12 * time.Hour)))
	if err != nil {
		return Night{}, err
	}
	if n.PoleStar, err = o.poleStarNight(sun, &midnight, finder); err != nil {
		return Night{}, err
	}
	if err := o.moonNight(&n, start, &midnight); err != nil {
		return Night{}, err
	}
	n.Align, n.AlignNote = alignWindow(&n)
	if n.Align != nil {
		if n.Path, err = o.Path(Target{star: PoleStar(o.site.Hemisphere())}, *n.Align, 5); err != nil {
			return Night{}, err
		}
	}
	return n, nil
}

// spansOf are the stretches of a day's curve above or below a level, as times.
func spansOf(c curve, start time.Time, level float64, above bool) []astro.Span {
	out := []astro.Span{} // JSON: no null
	for _, s := range c.spans(level, above) {
		at := func(x float64) time.Time {
			return start.Add(time.Duration(x * float64(time.Second))).Round(time.Second)
		}
		out = append(out, astro.Span{From: at(s[0]), Until: at(s[1])})
	}
	return out
}

func (o *Observer) poleStarNight(sun sunCurve, midnight *Moment, finder FinderView) (PoleStarNight, error) {
	hemisphere := o.site.Hemisphere()
	star := PoleStar(hemisphere)
	p := PoleStarNight{ID: star.ID(), Name: star.Label(), VMag: star.VMag, Model: visibilityModel,
		ByEye: []astro.Span{}, InFinder: []astro.Span{}, Alone: []astro.Span{}}
	place, _ := o.Direction(midnight, midnight.Apparent(star))
	dimmed := extinction(place.AltDeg) // hardly changes in a night
	gain := finder.LimitMag - EyeLimit(darkestDepression)
	if d, ok := depressionFor(star.VMag+dimmed, 0); ok {
		p.ByEye = spansOf(sun.curve, sun.start, -d, false)
	}
	seen, ok := depressionFor(star.VMag+dimmed, gain)
	if !ok {
		return p, nil
	}
	p.InFinder = spansOf(sun.curve, sun.start, -seen, false)

	// The brightest other star that can come into the field while the axis is near
	// the pole.
	pole := r3.Vec{Z: 1}
	if hemisphere == astro.South {
		pole.Z = -1
	}
	for _, other := range Polar(hemisphere, 8) {
		if other == star || math.Acos(math.Min(r3.Dot(midnight.Apparent(other), pole), 1))/radPerDeg > finder.FieldDeg/2 {
			continue
		}
		rival, ok := depressionFor(other.VMag+dimmed, gain)
		switch {
		case !ok:
			p.Alone = p.InFinder
		case rival > seen:
			p.Alone = between(sun, -rival, -seen)
		}
		return p, nil // Polar is sorted: the first is the brightest
	}
	p.Alone = p.InFinder
	return p, nil
}

// between are the stretches in which the Sun is above low and below high.
func between(sun sunCurve, low, high float64) []astro.Span {
	return intersect(spansOf(sun.curve, sun.start, high, false), spansOf(sun.curve, sun.start, low, true))
}

// intersect are the stretches that lie in both lists.
func intersect(a, b []astro.Span) []astro.Span {
	out := []astro.Span{}
	for _, x := range a {
		for _, y := range b {
			from, until := x.From, x.Until
			if y.From.After(from) {
				from = y.From
			}
			if y.Until.Before(until) {
				until = y.Until
			}
			if from.Before(until) {
				out = append(out, astro.Span{From: from, Until: until})
			}
		}
	}
	return out
}

func (o *Observer) moonNight(n *Night, start time.Time, midnight *Moment) error {
	var failed error
	altitude := func(seconds float64) float64 {
		m, err := At(astro.InstantOf(start.Add(time.Duration(seconds * float64(time.Second)))))
		if err != nil {
			failed = err
			return 0
		}
		return o.Body(&m, m.Moon()).Airless.AltDeg
	}
	c := newCurve(altitude, dayS, 2*stepS)
	moon := MoonNight{Rises: []time.Time{}, Sets: []time.Time{}, Up: spansOf(c, start, sunsetAlt, true), Phase: midnight.MoonPhase(), HighestDeg: math.Inf(-1)}
	for _, x := range c.crossings(sunsetAlt) {
		at := start.Add(time.Duration(x.at * float64(time.Second))).Round(time.Second)
		if x.rising {
			moon.Rises = append(moon.Rises, at)
		} else {
			moon.Sets = append(moon.Sets, at)
		}
	}
	for _, v := range c.value {
		moon.HighestDeg = math.Max(moon.HighestDeg, v)
	}
	moon.AltitudeDeg = o.Body(midnight, midnight.Moon()).Airless.AltDeg
	n.Moon = moon
	n.Dark = intersect(n.SunDark, spansOf(c, start, sunsetAlt, false))
	return failed
}

// shortestWindow is the least time that is worth being called a window.
const shortestWindow = 5 * time.Minute

// alignWindow picks the first stretch in which the pole star shows in the finder:
// its part with the star alone, where there is one, else its part before the night sky
// is dark and the time better spent.
func alignWindow(n *Night) (*astro.Span, string) {
	name := n.PoleStar.Name
	if len(n.PoleStar.InFinder) == 0 {
		d := -n.SunLowestDeg
		switch {
		case n.SunLowestDeg > sunsetAlt:
			return nil, fmt.Sprintf("the Sun does not set: %s cannot be seen", name)
		case d < darkestDepression:
			return nil, fmt.Sprintf("the Sun stays within %.1f° of the horizon: %s does not show in the finder", d, name)
		}
		return nil, fmt.Sprintf("%s is too low or too faint for the finder", name)
	}
	window := n.PoleStar.InFinder[0]
	if len(n.PoleStar.Alone) > 0 {
		alone := n.PoleStar.Alone[0]
		if alone.From.Equal(window.From) && alone.Length() >= shortestWindow {
			return &alone, fmt.Sprintf("%s is the only star in the finder until the end of this window", name)
		}
	}
	if dusk := n.AstronomicalDusk; dusk != nil && dusk.After(window.From) && dusk.Before(window.Until) {
		window.Until = *dusk
		return &window, fmt.Sprintf("other stars show with %s: compare the pattern; ends when it is dark", name)
	}
	return &window, fmt.Sprintf("other stars show with %s: compare the pattern", name)
}

// Path is where a target appears at count moments, evenly spread from the first to
// the last of a span.
func (o *Observer) Path(target Target, span astro.Span, count int) ([]astro.SeenAt, error) {
	out := make([]astro.SeenAt, 0, count)
	for i := range count {
		at := span.From
		if count > 1 {
			at = at.Add(span.Length() * time.Duration(i) / time.Duration(count-1)).Round(time.Second)
		}
		m, err := At(astro.InstantOf(at))
		if err != nil {
			return nil, err
		}
		out = append(out, astro.SeenAt{Time: at, Seen: target.Seen(o, &m)})
	}
	return out, nil
}
