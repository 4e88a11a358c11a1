package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// sentences is the summary.
func (p *page) sentences() []string {
	var out []string
	say := func(form string, a ...any) { out = append(out, fmt.Sprintf(form, a...)) }
	l, d, f := p.l, p.d, p.f
	p.sayArmed(say)
	p.sayMoves(say)
	if f.armed != nil {
		if d.ended.ok {
			say(l.ended, l.pm(d.ended.error.Deg, d.ended.error.SigmaDeg))
		} else {
			say("%s", l.endedUnknown)
		}
	}
	p.sayTemperature(say)
	switch g := d.longestGap(); {
	case d.samples == 0:
	case d.gapCount == 0:
		say("%s", l.noGap)
	case d.gapCount == 1:
		say(l.gapAt, l.span(g.to-g.from), p.clock(g.from))
	default:
		say(l.gaps, strconv.Itoa(d.gapCount), l.span(d.gapTotalS), l.span(g.to-g.from), p.clock(g.from))
	}
	switch len(d.steps) {
	case 0:
		say("%s", l.noSteps)
	case 1:
		say(l.step, l.signed(d.steps[0].Numbers[keyStep]), p.clock(d.steps[0].tS))
	default:
		most := 0.0
		for _, e := range d.steps {
			if v := e.Numbers[keyStep]; math.Abs(v) > math.Abs(most) {
				most = v
			}
		}
		say(l.steps, strconv.Itoa(len(d.steps)), l.signed(most))
	}
	if d.shakiest.ok {
		s := fmt.Sprintf(l.shaken, l.number(d.shakiest.v, 3), p.clock(d.shakiest.tS))
		if f.shaking > 0 {
			s += " " + fmt.Sprintf(l.shakenBlur, strconv.Itoa(f.shaking))
		}
		out = append(out, s)
	}
	return out
}

func (l *language) signed(v float64) string {
	s := l.number(v, 1)
	if v > 0 {
		s = "+" + s
	}
	return s
}

func (p *page) sayArmed(say func(string, ...any)) {
	l, d, e := p.l, p.d, p.f.armed
	if e == nil {
		say("%s", l.neverArmed)
		return
	}
	at := p.clock(e.tS)
	switch deg, ok := e.number(keyError); {
	case ok:
		say(l.armed, at, l.pm(deg, e.Numbers[keyErrorS]))
	case d.armed.ok && math.Abs(d.armed.tS-e.tS) < 60:
		say(l.armed, at, l.pm(d.armed.error.Deg, d.armed.error.SigmaDeg))
	default:
		say(l.armedUnknown, at)
	}
	if p.f.arms > 1 {
		say(l.rearmed, strconv.Itoa(p.f.arms-1))
	}
}

// namedMoves are said in the summary; the table has the others.
const namedMoves = 4

func (p *page) sayMoves(say func(string, ...any)) {
	l, f := p.l, p.f
	if len(f.moves) == 0 {
		switch {
		case f.armed == nil:
		case f.blind > gapS:
			say(l.noMoveBlind, l.span(f.watchedS), l.span(f.blind))
		default:
			say(l.noMove, l.span(f.watchedS))
		}
		return
	}
	var items []string
	for i, e := range f.moves {
		if i == namedMoves && len(f.moves) > namedMoves+1 {
			items = append(items, fmt.Sprintf(l.andMore, strconv.Itoa(len(f.moves)-i)))
			break
		}
		items = append(items, fmt.Sprintf(l.moveItem, l.kind(e.Kind), p.clock(e.tS), p.amount(e)))
	}
	list := strings.Join(items, "; ")
	if len(f.moves) == 1 {
		say(l.oneMove, list)
	} else {
		say(l.moves, strconv.Itoa(len(f.moves)), list)
	}
	w := f.worst
	deg, ok := w.number(keyError)
	if !ok {
		say("%s", l.afterUnknown+".")
		return
	}
	say("%s", fmt.Sprintf(l.after, l.pm(deg, w.Numbers[keyErrorS]))+p.cost(w))
}

// amount is size, doubt and direction of a move.
func (p *page) amount(e *event) string {
	deg, sigma := e.size()
	s := p.l.pm(deg, sigma)
	if d := p.l.direction(e); d != "" {
		s += " (" + d + ")"
	}
	return s
}

// cost is what a move does to the exposure, with the leading colon, or a full stop.
func (p *page) cost(e *event) string {
	want, ok := e.number(keyExposure)
	if !ok {
		return "."
	}
	l := p.l
	longest := p.longest(e)
	from, limited := e.number(keyLongestLo)
	to, toLimited := e.number(keyLongestHi)
	form := l.noLonger
	switch {
	case !limited || want <= from:
		form = l.stillHeld
	case !toLimited || want <= to:
		form = l.mayHold
	}
	return fmt.Sprintf(form, l.exposure(want), longest)
}

// longest is the longest exposure after an event, with its range; empty when the
// event has none.
func (p *page) longest(e *event) string {
	if _, ok := e.number(keyExposure); !ok || e.Kind == kindArmed {
		return ""
	}
	l := p.l
	v, ok := e.number(keyLongest)
	if !ok {
		return l.noLimit
	}
	from, ok1 := e.number(keyLongestLo)
	to, ok2 := e.number(keyLongestHi)
	if ok1 && !ok2 {
		return fmt.Sprintf(l.holdLeast, l.exposure(v), l.exposure(from))
	}
	if !ok1 {
		return l.exposure(v)
	}
	return fmt.Sprintf(l.holdRange, l.exposure(v), l.exposure(from), l.exposure(to))
}

func (p *page) sayTemperature(say func(string, ...any)) {
	l, d := p.l, p.d
	if !d.warmest.ok {
		return
	}
	form, a, b := l.warmer, d.first.tempC, d.last.tempC
	switch {
	case d.warmest.v-d.coldest.v < 1:
		form, a, b = l.sameTemp, d.coldest.v, d.warmest.v
	case d.warmest.tS < d.coldest.tS:
		form, a, b = l.colder, d.warmest.v, d.coldest.v
	case a != a || b != b:
		a, b = d.coldest.v, d.warmest.v
	}
	say(form, l.number(a, 1), l.number(b, 1))
	if t := p.f.trend.PerC; t.Known {
		say(l.driftBy, l.rounded(t.Value, t.Sigma))
	}
}

// unknowns is what is not known, and why.
func (p *page) unknowns() []string {
	var out []string
	say := func(form string, a ...any) { out = append(out, fmt.Sprintf(form, a...)) }
	l, d := p.l, p.d
	switch {
	case d.noAim == "no-site":
		say("%s", l.notAim)
	case d.noAim != "":
		say("%s", l.badSite)
	case d.aim.airGuessed:
		say("%s", l.airGuess)
	}
	if d.ClockSigmaS < 0 {
		say("%s", l.notClock)
	}
	if p.f.armed == nil {
		say("%s", l.noWatch)
	}
	share := func(n int) (string, bool) {
		x := float64(n) / float64(max(d.samples-d.outside, 1))
		return l.number(100*x, 0), x >= leastState
	}
	why := p.stateShares()
	if s, ok := share(d.noAltitude); ok {
		say(l.notAltitude, s, why)
	}
	if s, ok := share(d.noAzimuth); ok {
		say(l.notAzimuth, s, why)
	}
	if s, ok := share(d.noError); ok && d.aim != nil {
		say(l.notError, s)
	}
	if d.samples > 0 {
		if d.columns.empty(temperature) {
			say("%s", l.notTemp)
		}
		if d.columns.empty(strength) {
			say("%s", l.notField)
		}
		if d.columns.empty(vibration) {
			say("%s", l.notVibration)
		}
	}
	if t := p.f.trend.PerC; !t.Known && p.f.armed != nil && d.warmest.ok {
		say(l.driftUnknown, t.Why)
	}
	if d.gapTotalS > 60 {
		say(l.gapsUnseen, l.span(d.gapTotalS))
	}
	if d.outside > 0 {
		say(l.outside, strconv.Itoa(d.outside))
	}
	if d.Open {
		say("%s", l.wasOpen)
	}
	if len(out) == 0 {
		out = append(out, l.allKnown)
	}
	return out
}

// stateShares says how much of the night was spent in which state.
func (p *page) stateShares() string {
	var parts []string
	for _, s := range []string{"settling", "steady", "moving", "disturbed", "stale", "lost"} {
		if x := float64(p.d.states[s]) / float64(max(p.d.samples, 1)); x >= leastState {
			parts = append(parts, fmt.Sprintf("%s %s %%", s, p.l.number(100*x, 0)))
		}
	}
	return fmt.Sprintf(p.l.one, strings.Join(parts, ", "))
}
