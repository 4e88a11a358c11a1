package report

import (
	"fmt"
	"math"
	"strings"
)

// language holds every sentence of the page, in one language. Verbs are those of
// package fmt, always %s; numbers are put into words first.
type language struct {
	code    string
	decimal string

	title, untitled, times, open, cut, hoursUnit string
	clockKnown, clockUnknown                     string

	summary, plots, events, sensor, used, settings, unknownTitle string

	// the summary
	armed, armedUnknown, rearmed, neverArmed         string
	noMove, noMoveBlind, oneMove, moves, moveItem    string
	andMore, after, afterUnknown                     string
	stillHeld, mayHold, noLonger, noLimit, holdRange string
	ended, endedUnknown                              string
	colder, warmer, sameTemp                         string
	driftBy, driftUnknown                            string
	hysteresis, perHour                              string
	noGap, gaps, gapAt                               string
	noSteps, step, steps                             string
	shaken, shakenBlur, quiet                        string
	rests                                            string

	// plots
	altitudeAim, altitudeOnly, azimuthAim, azimuthOnly string
	temperature, field, vibration                      string
	bandNote, axisNote, pastNote, closer               string
	night                                              string

	// tables
	colNo, colTime, colWhat, colMove, colAfter, colLongest string
	noEvents, eventsLeft, upTo, times2                     string
	colUsed, colMade, colChip, colSigma, colTemp           string
	noCalibrations, noSettings                             string
	higher, lower, east, west                              string
	kinds                                                  map[string]string
	calibrations                                           map[string]string
	sources                                                map[string]string

	// what is not known
	allKnown                                               string
	notAim, badSite, airGuess                              string
	notClock, notAltitude, notAzimuth, notError, notTemp   string
	notField, notVibration, outside, wasOpen, noWatch, one string
	gapsUnseen, given, holdLeast                           string

	foot, madeBy string
}

func (l *language) number(v float64, digits int) string {
	s := fmt.Sprintf("%.*f", digits, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	s = strings.Replace(s, "-", "−", 1)
	return strings.Replace(s, ".", l.decimal, 1)
}

// deg shows small angles; 0.004° would be hidden by two decimals.
func (l *language) deg(v float64) string {
	switch a := math.Abs(v); {
	case a < 0.0095:
		return l.number(v, 3) + "°"
	case a < 9.95:
		return l.number(v, 2) + "°"
	}
	return l.number(v, 1) + "°"
}

func (l *language) pm(v, sigma float64) string { return l.deg(v) + "\u00a0±\u00a0" + l.deg(sigma) }

// rounded has two figures for its sigma.
func (l *language) rounded(v, sigma float64) string {
	d := 3
	if sigma > 0 {
		d = min(max(1-int(math.Floor(math.Log10(sigma))), 0), 6)
	}
	return l.number(v, d) + "\u00a0±\u00a0" + l.number(sigma, d)
}

func (l *language) span(s float64) string {
	switch {
	case s < 99.5:
		return l.number(s, 0) + "\u00a0s"
	case s < 99.5*60:
		return l.number(s/60, 0) + "\u00a0min"
	}
	return l.number(s/3600, 1) + "\u00a0h"
}

func (l *language) exposure(s float64) string {
	switch {
	case s < 9.95:
		return l.number(s, 1) + "\u00a0s"
	case s < 599.5:
		return l.number(s, 0) + "\u00a0s"
	}
	return l.number(s/60, 0) + "\u00a0min"
}

// kind is the name of an event for people.
func (l *language) kind(k string) string {
	if s, ok := l.kinds[k]; ok {
		return s
	}
	return strings.ReplaceAll(k, "-", " ")
}

func named(names map[string]string, key string) string {
	if s, ok := names[key]; ok {
		return s
	}
	return key
}

// direction names the parts of a move that are certain: 2 sigma, and a fifth of
// the whole.
func (l *language) direction(e *event) string {
	size, _ := e.size()
	var parts []string
	say := func(v, sigma float64, more, less string) {
		if math.Abs(v) <= 2*sigma || math.Abs(v) <= 0.2*size {
			return
		}
		if v < 0 {
			more = less
		}
		parts = append(parts, fmt.Sprintf(more, l.deg(math.Abs(v))))
	}
	say(e.Numbers[keyUp], e.Numbers[keyUpS], l.higher, l.lower)
	say(e.Numbers[keyEast], e.Numbers[keyEastS], l.east, l.west)
	return strings.Join(parts, ", ")
}
