package sky

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// Altitudes of the Sun's centre without air that bound day and twilights,
// degrees (Astronomical Almanac, glossary: rising and setting, twilight; 0.833 is
// 34' of refraction and 16' of semidiameter).
const (
	sunsetAlt       = -0.833
	civilAlt        = -6.0
	nauticalAlt     = -12.0
	astronomicalAlt = -18.0
)

// Twilight holds the times of one night, to the second; nil where the Sun does
// not pass that altitude.
type Twilight struct {
	Sunset           *time.Time `json:"sunset"`
	CivilDusk        *time.Time `json:"civil_dusk"`
	NauticalDusk     *time.Time `json:"nautical_dusk"`
	AstronomicalDusk *time.Time `json:"astronomical_dusk"`
	AstronomicalDawn *time.Time `json:"astronomical_dawn"`
	NauticalDawn     *time.Time `json:"nautical_dawn"`
	CivilDawn        *time.Time `json:"civil_dawn"`
	Sunrise          *time.Time `json:"sunrise"`
	// The Sun's lowest and highest altitude between noon and noon, degrees.
	SunLowestDeg  float64 `json:"sun_lowest_deg"`
	SunHighestDeg float64 `json:"sun_highest_deg"`
}

// Times lists the eight times in the order of an ordinary night.
func (t Twilight) Times() [8]*time.Time {
	return [8]*time.Time{t.Sunset, t.CivilDusk, t.NauticalDusk, t.AstronomicalDusk, t.AstronomicalDawn, t.NauticalDawn, t.CivilDawn, t.Sunrise}
}

// ParseDate reads a day such as 2026-09-12; its hour means nothing.
func ParseDate(s string) (time.Time, error) {
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return time.Time{}, fmt.Errorf("date %.40q: give a day that exists, such as 2026-09-12", s)
	}
	return d, nil
}

// LocalNoon is the mean noon of a date at a longitude, as UTC.
func LocalNoon(date time.Time, lonDeg float64) time.Time {
	date = date.UTC()
	noon := time.Date(date.Year(), date.Month(), date.Day(), 12, 0, 0, 0, time.UTC)
	if lonDeg > 180 {
		lonDeg -= 360
	}
	return noon.Add(-time.Duration(lonDeg / 360 * float64(24*time.Hour)))
}

// TonightOf is the date whose night, from mean noon to mean noon at a
// longitude, holds a moment.
func TonightOf(t time.Time, lonDeg float64) time.Time {
	if lonDeg > 180 {
		lonDeg -= 360
	}
	local := t.UTC().Add(time.Duration((lonDeg/360 - 0.5) * float64(24*time.Hour)))
	return time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC)
}

// Twilight computes the night that follows the mean local noon of a date: for
// each altitude the Sun's first passage down and its first passage up until the
// next noon. Within 5 s of ERFA where the Sun moves more than 1" a second in
// altitude; the real sunset differs by minutes with the air near the horizon.
func (o *Observer) Twilight(date time.Time) (Twilight, error) {
	sun, err := o.followSun(LocalNoon(date, o.site.LonDeg))
	if err != nil {
		return Twilight{}, err
	}
	return sun.twilight(), nil
}

const (
	dayS  = 86400.0
	stepS = 900.0 // the Sun's altitude turns at most once in two steps: near the poles, too
)

// sunCurve is the Sun's altitude over the day after start.
type sunCurve struct {
	curve
	start time.Time
}

// followSun prepares the Sun's airless altitude for 24 hours. Its place is
// computed three times and interpolated (the third difference of a day is under
// 0.01 arcsec), its turning with the Earth is not.
func (o *Observer) followSun(start time.Time) (sunCurve, error) {
	var node [3]r3.Vec
	var gast [3]float64
	for i := range node {
		m, err := At(astro.InstantOf(start.Add(time.Duration(i) * 12 * time.Hour)))
		if err != nil {
			return sunCurve{}, err
		}
		node[i], gast[i] = m.Sun().vec, m.gast
	}
	// gast jumps by full turns; two half days are one turn and 0.98560°.
	turn := 2*math.Pi + math.Remainder(gast[2]-gast[0], 2*math.Pi)
	return sunCurve{start: start, curve: newCurve(func(seconds float64) float64 {
		x := seconds / dayS
		v := r3.Scale(2*(x-0.5)*(x-1), node[0])
		v = r3.Add(v, r3.Scale(-4*x*(x-1), node[1]))
		v = r3.Add(v, r3.Scale(2*x*(x-0.5), node[2]))
		m := Moment{gast: gast[0] + turn*x}
		_, _, up, _ := o.horizontal(&m, r3.Unit(r3.Sub(v, o.stand(&m))))
		return math.Asin(up) / radPerDeg
	}, dayS, stepS)}, nil
}

// at is a moment of the curve as time, to the second.
func (s sunCurve) at(seconds float64) time.Time {
	return s.start.Add(time.Duration(seconds * float64(time.Second))).Round(time.Second)
}

func (s sunCurve) twilight() Twilight {
	t := Twilight{SunLowestDeg: math.Inf(1), SunHighestDeg: math.Inf(-1)}
	for _, v := range s.value {
		t.SunLowestDeg, t.SunHighestDeg = math.Min(t.SunLowestDeg, v), math.Max(t.SunHighestDeg, v)
	}
	for _, level := range []struct {
		altDeg   float64
		down, up **time.Time
	}{
		{sunsetAlt, &t.Sunset, &t.Sunrise},
		{civilAlt, &t.CivilDusk, &t.CivilDawn},
		{nauticalAlt, &t.NauticalDusk, &t.NauticalDawn},
		{astronomicalAlt, &t.AstronomicalDusk, &t.AstronomicalDawn},
	} {
		passages := s.crossings(level.altDeg)
		if x, ok := first(passages, false); ok {
			at := s.at(x)
			*level.down = &at
		}
		if x, ok := first(passages, true); ok {
			at := s.at(x)
			*level.up = &at
		}
	}
	return t
}

// SunAltitudes is the airless altitude of the Sun's centre in degrees, at the
// start of a day's span and every step until its end: a curve to draw.
func (o *Observer) SunAltitudes(span astro.Span, step time.Duration) ([]float64, error) {
	if step <= 0 || span.Length() > 25*time.Hour {
		return nil, fmt.Errorf("span %v in steps of %v: give a day at most, in positive steps", span.Length(), step)
	}
	sun, err := o.followSun(span.From)
	if err != nil {
		return nil, err
	}
	var out []float64
	for t := time.Duration(0); t <= span.Length(); t += step {
		out = append(out, sun.f(t.Seconds()))
	}
	return out, nil
}
