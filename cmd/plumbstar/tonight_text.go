package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"plumbstar/astro"
)

// text is the page for a person: the night's moments in their order.
func (r tonightReport) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Night of %s at %s %s (times in UTC, local mean time is %s)\n\n",
		r.Date, side(r.LatDeg, 4, "N", "S"), side(wrap180(r.LonDeg), 4, "E", "W"), offsetText(wrap180(r.LonDeg)))
	for _, m := range r.moments() {
		fmt.Fprintf(&b, "  %s  %s\n", m.at.UTC().Round(time.Minute).Format("01-02 15:04"), m.what)
	}
	if moments := r.moments(); len(moments) == 0 {
		b.WriteString("  Nothing rises, sets, begins or ends.\n")
	}
	fmt.Fprintf(&b, "\n  Sun from %.1f° down to %.1f°.", r.SunHighestDeg, r.SunLowestDeg)
	switch {
	case r.SunLowestDeg > -0.833:
		b.WriteString(" It does not set.")
	case r.SunHighestDeg < -0.833:
		b.WriteString(" It does not rise.")
	case len(r.SunDark) == 0:
		b.WriteString(" It does not get fully dark.")
	}
	growth := "waning"
	if r.Moon.Waxing {
		growth = "waxing"
	}
	fmt.Fprintf(&b, "\n  Moon %.0f %% lit, %s; ", 100*r.Moon.LitFraction, growth)
	switch {
	case len(r.Moon.Up) == 0:
		b.WriteString("below the horizon all night.\n")
	case len(r.Moon.Rises)+len(r.Moon.Sets) == 0:
		b.WriteString("up all night.\n")
	default:
		fmt.Fprintf(&b, "up %s.\n", spansText(r.Moon.Up))
	}
	if len(r.Dark) > 0 {
		fmt.Fprintf(&b, "  Dark without Moon %s.\n", spansText(r.Dark))
	} else if len(r.SunDark) > 0 {
		b.WriteString("  The Moon is up through all the dark hours.\n")
	}
	if r.Align == nil {
		fmt.Fprintf(&b, "\nNo window to align by the pole star: %s.\n", r.AlignNote)
		return b.String()
	}
	fmt.Fprintf(&b, "\nBest time to align: %s; %s.\n", spansText([]astro.Span{*r.Align}), r.AlignNote)
	fmt.Fprintf(&b, "%s belongs then in the finder (%s view):\n", r.PoleStar.Name, r.Finder.View)
	for _, m := range r.InFinder {
		fmt.Fprintf(&b, "  %s  %.1f' from the pole, at %s on a clock face (%s° clockwise from up)\n",
			hourMinute(m.Time), m.OffsetArcmin, clock(m.ClockHour), aroundFixed(m.AngleDeg, 1))
	}
	fmt.Fprintf(&b, "When a star shows depends on eye and sky, give or take five minutes and more in haze. Model: %s.\n", r.PoleStar.Model)
	return b.String()
}

type nightMoment struct {
	at   time.Time
	what string
}

// moments are all that happens, in order.
func (r tonightReport) moments() []nightMoment {
	var out []nightMoment
	names := [8]string{"sunset", "civil dusk (Sun 6° down)", "nautical dusk (12°)", "astronomical dusk (18°): dark",
		"astronomical dawn", "nautical dawn", "civil dawn", "sunrise"}
	for i, at := range r.Times() {
		if at != nil {
			out = append(out, nightMoment{*at, names[i]})
		}
	}
	star := r.PoleStar.Name
	inside := func(t time.Time) bool { return t.After(r.Whole.From) && t.Before(r.Whole.Until) }
	add := func(spans []astro.Span, begins, ends string) {
		for _, s := range spans {
			if begins != "" && inside(s.From) {
				out = append(out, nightMoment{s.From, begins})
			}
			if ends != "" && inside(s.Until) {
				out = append(out, nightMoment{s.Until, ends})
			}
		}
	}
	add(r.PoleStar.InFinder, star+" shows in the finder", star+" fades in the finder")
	add(r.PoleStar.ByEye, star+" shows to the eye", "")
	for _, t := range r.Moon.Rises {
		out = append(out, nightMoment{t, "Moon rises"})
	}
	for _, t := range r.Moon.Sets {
		out = append(out, nightMoment{t, "Moon sets"})
	}
	slices.SortStableFunc(out, func(a, b nightMoment) int { return cmp.Compare(a.at.Unix(), b.at.Unix()) })
	return out
}

func spansText(spans []astro.Span) string {
	var words []string
	for _, s := range spans {
		if s.Until.Sub(s.From) > 23*time.Hour { // the hours alone would say nothing
			words = append(words, "all of these 24 hours")
			continue
		}
		words = append(words, fmt.Sprintf("%s to %s", hourMinute(s.From), hourMinute(s.Until)))
	}
	return strings.Join(words, ", ")
}

func hourMinute(t time.Time) string { return t.UTC().Round(time.Minute).Format("15:04") }

// offsetText is local mean time against UTC: UTC+00:34.
func offsetText(lonDeg float64) string {
	minutes := int(math.Round(math.Abs(lonDeg) * 4))
	sign := "+"
	if lonDeg < 0 {
		sign = "-"
	}
	return fmt.Sprintf("UTC%s%02d:%02d", sign, minutes/60, minutes%60)
}
