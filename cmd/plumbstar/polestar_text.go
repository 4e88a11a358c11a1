package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"plumbstar/astro"
)

// text is the page for a person.
func (r polestarReport) text() string {
	var b strings.Builder
	if r.Caution != "" {
		fmt.Fprintf(&b, "CAUTION: %s\n\n", r.Caution)
	}
	fmt.Fprintf(&b, "%s from %s %s, %s\n\n", r.title(), side(r.LatDeg, 4, "N", "S"), side(wrap180(r.LonDeg), 4, "E", "W"), r.Time.UTC().Format("2006-01-02 15:04:05 UTC"))
	line := func(name, format string, a ...any) {
		fmt.Fprintf(&b, "  %-20s"+format+"\n", append([]any{name}, a...)...)
	}
	line("without air", "azimuth %s°, altitude %.4f° (hour angle %.3f°)", aroundFixed(r.AzDeg, 4), r.AltDeg, r.HourAngle)
	if r.AltSeenDeg == nil {
		line("as seen", "below the horizon")
		return b.String()
	}
	line("as seen", "azimuth %s° ± %s°, altitude %.4f° ± %s°", aroundFixed(r.Star.AzDeg, 4), rough(r.Accuracy.AzDeg), *r.AltSeenDeg, rough(r.Accuracy.AltDeg))
	line("the "+string(r.AimedAt)+" pole", "azimuth %.0f°, altitude %.4f°", r.Aim.AzDeg, r.Aim.AltDeg)
	line("from that pole", "%.2f' ± %s', at %.2f° ± %s° clockwise from up for the naked eye",
		r.Mark.OffsetArcmin, rough(r.Accuracy.OffsetArcmin), r.Mark.PositionAngleDeg, rough(r.Accuracy.PositionAngleDeg))
	if !r.Mark.InField {
		fmt.Fprintf(&b, "\nIt does not show in a finder of %.1f° while the axis points at the pole.\n", r.Finder.FieldDeg)
		return b.String()
	}
	line("in the finder", "at %s on a clock face (%s view)%s", clock(r.Mark.ClockHour), r.Finder.View, r.onScale())
	if c := r.Circles; c != nil {
		switch {
		case c.Inner == nil:
			line("among circles", "inside that of %.0f", c.Outer.Year)
		case c.Outer == nil:
			line("among circles", "outside that of %.0f", c.Inner.Year)
		default:
			line("among circles", "%.0f %% of the way from that of %.0f to that of %.0f", 100*c.Fraction, c.Inner.Year, c.Outer.Year)
		}
	}
	b.WriteByte('\n')
	b.WriteString(drawFinder(r.Guide, r.Finder))
	b.WriteByte('\n')
	facing, right, left := "north", "east", "west"
	if r.hemisphere == astro.South {
		facing, right, left = "south", "west", "east"
	}
	fmt.Fprintf(&b, "Facing %s, %s is to your right and %s to your left.\n", facing, right, left)
	fmt.Fprintf(&b, "Raise the axis: the star goes %s. Turn it east: the star goes %s.\n", r.Knobs.Raise.Words, r.Knobs.TurnEast.Words)
	b.WriteString("While the axis stays:")
	for _, l := range r.Later[1:] {
		if minutes := l.Time.Sub(r.Later[0].Time).Minutes(); math.Mod(math.Round(minutes), 20) == 0 {
			fmt.Fprintf(&b, " in %.0f min at %s;", minutes, clock(l.ClockHour))
		}
	}
	text := strings.TrimSuffix(b.String(), ";") + ".\n"
	return text + "± is 1 sigma with a right clock; each minute that the clock is wrong turns the star's place by a quarter of a degree.\n"
}

func (r polestarReport) title() string {
	if r.Star.ID == strings.ToLower(r.Star.Name) { // the Sun, the Moon, a planet
		return r.Star.Name
	}
	if r.Star.ID == r.Star.Name {
		return fmt.Sprintf("%s (magnitude %.1f)", r.Star.Name, r.Star.VMag)
	}
	return fmt.Sprintf("%s (%s, magnitude %.1f)", r.Star.Name, r.Star.ID, r.Star.VMag)
}

// onScale is the reading of the finder's own scale, if it has one.
func (r polestarReport) onScale() string {
	if r.Mark.ScaleHour == nil {
		return ""
	}
	return fmt.Sprintf(", %.2f on the scale of %d h", *r.Mark.ScaleHour, r.Finder.Hours)
}

// rough writes an uncertainty with one digit that counts.
func rough(v float64) string {
	if !(v > 0) || v >= 1 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return strconv.FormatFloat(v, 'f', -int(math.Floor(math.Log10(v))), 64)
}

// clock writes the hour of a clock face as a time: 9:45.
func clock(hour float64) string {
	minutes := int(math.Round(hour*60)) % 720
	h := minutes / 60
	if h == 0 {
		h = 12
	}
	return fmt.Sprintf("%d:%02d", h, minutes%60)
}
