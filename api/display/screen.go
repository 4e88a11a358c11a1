package display

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

// Screen is what stands on the glass. Two screens that are equal look the same.
type Screen struct {
	// Big are up to two lines, each as large as fits, and Small what stands below,
	// columns characters a line; the empty ones at the end are not there.
	Big   [2]string
	Small [4]string
	// Beat moves the mark at the edge.
	Beat int
}

const (
	columns = 15 // of a small line
	// beatEvery is how often the mark moves; turnEvery how long one part of a longer
	// text stands.
	beatEvery = time.Second
	turnEvery = 3 * time.Second
	// newsAge is the age of a snapshot from which its numbers are taken away: that
	// at which the page does so.
	newsAge = 2 * time.Second
)

// Moment is what a screen is made of.
type Moment struct {
	// Now is on the clock of the snapshots.
	Now      time.Duration
	Snapshot *daemon.Snapshot // nil: none yet
	// Armed is that the watch looks after the axis.
	Armed bool
	// Page is the address of the phone page, empty until it is known.
	Page string
	// Code is a pairing code that waits, or empty.
	Code string
	// Language is that of the settings.
	Language string
}

// Compose decides what is shown. It gives no number that the API does not give: none
// when the state is stale or lost or the snapshot is older than 2 s, and each
// other only when its own quantity is known.
func Compose(m Moment) Screen {
	w := wordsOf(m.Language)
	s := w.compose(&m)
	s.Beat = int(m.Now/beatEvery) % beats
	return s
}

func (w *words) compose(m *Moment) Screen {
	var s Screen
	if m.Code != "" {
		s.Big[0] = m.Code
		if len(m.Code) == 8 {
			s.Big[0] = m.Code[:4] + " " + m.Code[4:]
		}
		copy(s.Small[:3], append([]string{w.pairing}, wrap(address(m.Page))...))
		return s
	}
	n := m.Snapshot
	switch {
	case n == nil:
		s.Big[0] = w.wait
		turn(s.Small[:3], m.Now, wrap(w.starting), wrap(address(m.Page)))
		return s
	case m.Now-n.Mono > newsAge:
		return w.refuse(m, w.notKnown, w.noNews)
	case n.Estimate.State == estimator.Lost:
		return w.refuse(m, w.notKnown, n.Guidance.Raise.Why)
	case n.Estimate.State == estimator.Stale:
		return w.refuse(m, w.wait, w.tooOld)
	case !n.Guidance.Raise.Known && !n.Guidance.TurnEast.Known:
		return w.refuse(m, w.notKnown, n.Guidance.Raise.Why)
	}
	w.move(m, &s)
	return s
}

// refuse shows no number, and why.
func (w *words) refuse(m *Moment, big, why string) Screen {
	s := Screen{Big: [2]string{big}}
	turn(s.Small[:3], m.Now, wrap(why), w.alarms(m.Snapshot), wrap(address(m.Page)))
	return s
}

// move shows the correction; below it the hand, the 1 sigma of the place of the axis
// on the night sky and the state, taking turns with what is wrong.
func (w *words) move(m *Moment, s *Screen) {
	g, e := &m.Snapshot.Guidance, &m.Snapshot.Estimate
	sigma, why := g.Error.SigmaDeg, ""
	switch {
	case !g.Raise.Known:
		sigma, why = g.TurnEast.SigmaDeg, g.Raise.Why
	case !g.TurnEast.Known:
		sigma, why = g.Raise.SigmaDeg, g.TurnEast.Why
	}
	state := w.state[e.State]
	if m.Armed && (e.State == estimator.Steady || e.State == estimator.Settling) {
		state = w.watched
	}
	below := []string{"", w.sigma(sigma) + " " + state}
	if g.RaiseSaid.Reached && g.TurnSaid.Reached {
		s.Big[0] = w.leaveIt
		turn(s.Small[:3], m.Now, []string{w.within + " " + w.sigma(g.Error.SigmaDeg), w.ofPole, state}, w.alarms(m.Snapshot))
		return
	}
	s.Big[0] = said(g.Raise, g.RaiseSaid, w.raise, w.lower, w.altitudeOK, w.altitude, w.noAltitude)
	s.Big[1] = said(g.TurnEast, g.TurnSaid, w.east, w.west, w.directionOK, w.direction, w.noDirection)
	for i := range s.Big {
		s.Big[i] = w.number(s.Big[i])
	}
	if g.TurnSaid.Amount != "" && g.Aim != nil {
		below[0] = w.toLeft
		if g.TurnSaid.Positive != (g.Aim.Hemisphere == astro.South) {
			below[0] = w.toRight
		}
	}
	turn(s.Small[:2], m.Now, below, wrap(why), w.alarms(m.Snapshot))
}

func said(q estimator.Quantity, s guidance.Said, up, down, reached, vague, unknown string) string {
	switch {
	case !q.Known:
		return unknown
	case s.Reached:
		return reached
	case s.Vague:
		return fmt.Sprintf("%s ±%.0f°", vague, q.SigmaDeg)
	case s.Positive:
		return up + " " + s.Amount
	}
	return down + " " + s.Amount
}

// sigma is an uncertainty to two figures, "±" before it.
func (w *words) sigma(deg float64) string {
	format := "±%.1f°"
	switch {
	case deg < 0.095:
		format = "±%.2f°"
	case deg >= 9.95:
		format = "±%.0f°"
	}
	return w.number(fmt.Sprintf(format, deg))
}

// alarms are the moves that the watch found and nobody has acknowledged.
func (w *words) alarms(n *daemon.Snapshot) []string {
	if n == nil {
		return nil
	}
	var out []string
	for _, x := range n.Warnings {
		switch strings.TrimPrefix(x.Code, "watch-") {
		case "knock", "slip", "creep", "gap":
			out = append(out, wrap(w.moved+" "+x.Text)...)
		}
	}
	return out
}

// turn fills lines with one part of the texts, each turnEvery long, as often as
// there is more than fits.
func turn(lines []string, now time.Duration, texts ...[]string) {
	var parts [][]string
	for _, t := range texts {
		for len(t) > 0 {
			n := min(len(t), len(lines))
			parts = append(parts, t[:n])
			t = t[n:]
		}
	}
	if len(parts) > 0 {
		copy(lines, parts[int(now/turnEvery)%len(parts)])
	}
}

// wrap breaks text at spaces into lines of columns; a longer word is cut.
func wrap(text string) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		for word != "" {
			used := utf8.RuneCountInString(line)
			if used > 0 {
				used++
			}
			n := utf8.RuneCountInString(word)
			switch {
			case used+n <= columns && used > 0:
				line += " " + word
				word = ""
			case used+n <= columns:
				line, word = word, ""
			case used > 0:
				lines, line = append(lines, line), ""
			default:
				r := []rune(word)
				lines, word = append(lines, string(r[:columns])), string(r[columns:])
			}
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// address is that of the page without what a browser adds, broken before the port.
func address(page string) string {
	a, encrypted := strings.CutPrefix(strings.TrimSuffix(page, "/"), "https://")
	a = strings.TrimPrefix(a, "http://")
	if i := strings.LastIndexByte(a, ':'); i > 0 {
		a = a[:i] + " " + a[i:]
	}
	if encrypted {
		a += " https"
	}
	return a
}
