package guidance

import (
	"fmt"
	"math"

	"plumbstar/astro"
	"plumbstar/daemon/estimator"
)

const degree = math.Pi / 180

// Steps of the spoken amounts and the share of a sigma below which a direction
// is called reached: nothing finer can be told.
const (
	reachedEnter = 0.25 // of sigma
	reachedLeave = 0.40
	reachedMin   = 0.02 // degrees
	flicker      = 0.8  // of a step, before a shown amount changes
)

// VagueDeg is the 1 sigma, degrees of arc, beyond which nothing is called right: the
// pole star would not surely stand in a finder of 6°.
const VagueDeg = 3.0

// Guide makes guidance from estimates. It remembers the words given last, so
// that they do not flicker; the numbers are never smoothed. The zero value is
// ready; it is not safe for concurrent use.
type Guide struct {
	// Knobs, when set, adds to the words how far to turn the adjusters.
	Knobs *Knobs

	raise, turn              word
	raiseTurns, azimuthTurns turnSaid
}

// word is the memory of one direction.
type word struct {
	shown   float64 // amount last said, signed
	step    float64
	reached bool
	vague   bool // reached, by a doubt so wide that this is no news
	said    bool
}

// Reset forgets the words, for a new site or aim.
func (g *Guide) Reset() { *g = Guide{Knobs: g.Knobs} }

// Next is the guidance for one estimate; aim is nil when the site is not
// known, and why then says what is missing.
func (g *Guide) Next(e estimator.Estimate, aim *Aim, why string) Guidance {
	out := Guidance{Aim: aim}
	if aim == nil {
		u := estimator.Quantity{Why: why}
		out.Raise, out.TurnEast, out.Error = u, u, u
		out.Text = "Not known: " + why
		g.Reset()
		return out
	}
	out.Hand = hand(aim.Hemisphere)
	out.Raise = difference(aim.AltitudeDeg, e.Altitude, false)
	out.TurnEast = difference(aim.AzimuthDeg, e.Azimuth, true)
	if aim.AltitudeDeg > 89 {
		out.TurnEast = estimator.Quantity{Why: "the pole stands at the zenith: azimuth has no meaning here, level the axis upright instead"}
	}
	if aim.Hemisphere == astro.South && out.TurnEast.Known {
		// Facing south, a growing azimuth turns towards the west.
		out.TurnEast.Deg = -out.TurnEast.Deg
	}
	out.Error = total(out.Raise, out.TurnEast, e.Altitude, aim)
	out.Text = g.text(&out, e.Altitude.Deg)
	return out
}

// difference is aim minus axis; an azimuth is taken the short way round.
func difference(aim float64, q estimator.Quantity, round bool) estimator.Quantity {
	if !q.Known {
		return estimator.Quantity{Why: q.Why}
	}
	d := aim - q.Deg
	if round {
		d = math.Mod(d+540, 360) - 180
		if d < -180 {
			d += 360
		}
	}
	return estimator.Quantity{Deg: d, SigmaDeg: q.SigmaDeg, Known: true, Source: q.Source}
}

// total is the angle on the night sky between axis and aim (spherical law of cosines
// in its half-angle form, exact for small angles) and the 1 sigma of the
// place of the axis, both directions together.
func total(raise, turn, alt estimator.Quantity, aim *Aim) estimator.Quantity {
	if !raise.Known || !turn.Known {
		why := raise.Why
		if raise.Known {
			why = turn.Why
		}
		return estimator.Quantity{Why: why}
	}
	a, b := alt.Deg*degree, aim.AltitudeDeg*degree
	sv, sh := math.Sin((a-b)/2), math.Sin(turn.Deg*degree/2)
	h := sv*sv + math.Cos(a)*math.Cos(b)*sh*sh
	return estimator.Quantity{
		Deg:      2 * math.Asin(math.Sqrt(min(1, max(0, h)))) / degree,
		SigmaDeg: math.Hypot(raise.SigmaDeg, turn.SigmaDeg*math.Cos(a)),
		Known:    true,
		Source:   turn.Source,
	}
}

func hand(h astro.Hemisphere) string {
	if h == astro.South {
		return "east is to your left as you face the pole"
	}
	return "east is to your right as you face the pole"
}

func (g *Guide) text(out *Guidance, altDeg float64) string {
	r, rDone := g.raise.say(out.Raise, 1, "raise", "lower")
	t, tDone := g.turn.say(out.TurnEast, math.Cos(altDeg*degree), "turn east", "turn west")
	altitude, direction := g.raise.right("altitude", out.Raise), g.turn.right("direction", out.TurnEast)
	out.RaiseSaid, out.TurnSaid = g.raise.brief(), g.turn.brief()
	r, t = g.addTurns(out, r, t, altDeg)
	switch {
	case !out.Raise.Known && !out.TurnEast.Known:
		return "Not known: " + out.Raise.Why
	case !out.TurnEast.Known && rDone:
		return capital(altitude) + "; direction not known"
	case !out.TurnEast.Known:
		return capital(r) + "; direction not known"
	case !out.Raise.Known && tDone:
		return capital(direction) + "; altitude not known"
	case !out.Raise.Known:
		return capital(t) + "; altitude not known"
	case rDone && tDone && (g.raise.vague || g.turn.vague):
		return fmt.Sprintf("The sensors tell no more: known only to ±%s", degrees(out.Error.SigmaDeg, 0.1))
	case rDone && tDone:
		return fmt.Sprintf("Leave it: within ±%s of the pole, as far as the sensors can tell", degrees(out.Error.SigmaDeg, 0.1))
	case rDone:
		return capital(altitude) + ", " + t
	case tDone:
		return capital(r) + ", " + direction
	}
	return capital(r) + ", " + t
}

// right is what is said of a direction that counts as reached.
func (w *word) right(what string, q estimator.Quantity) string {
	if w.vague {
		return what + " known only to ±" + degrees(q.SigmaDeg, 0.1)
	}
	return what + " is right"
}

// say gives the words for one direction and whether it counts as reached; arc is how
// many degrees on the night sky one of its degrees makes.
func (w *word) say(q estimator.Quantity, arc float64, positive, negative string) (string, bool) {
	if !q.Known {
		*w = word{}
		return "", false
	}
	abs := math.Abs(q.Deg)
	limit := reachedEnter
	if w.reached {
		limit = reachedLeave
	}
	w.reached = abs < max(limit*q.SigmaDeg, reachedMin)
	w.vague = w.reached && q.SigmaDeg*arc > VagueDeg
	if w.reached {
		w.said = false
		return "", true
	}
	step := 0.1
	switch {
	case abs >= 10:
		step = 1
	case abs < 0.95 && q.SigmaDeg < 0.05:
		step = 0.01
	}
	if !w.said || w.step != step || math.Abs(q.Deg-w.shown) > flicker*step || (q.Deg < 0) != (w.shown < 0) {
		w.shown, w.step, w.said = math.Round(q.Deg/step)*step, step, true
		if w.shown == 0 {
			w.shown = math.Copysign(step, q.Deg)
		}
	}
	verb := positive
	if w.shown < 0 {
		verb = negative
	}
	return verb + " " + degrees(math.Abs(w.shown), step), false
}

// brief is what say said last.
func (w *word) brief() Said {
	if !w.said {
		return Said{Reached: w.reached && !w.vague, Vague: w.vague}
	}
	return Said{Amount: degrees(math.Abs(w.shown), w.step), Positive: w.shown > 0}
}

func degrees(v, step float64) string {
	switch {
	case step >= 1:
		return fmt.Sprintf("%.0f°", v)
	case step < 0.1:
		return fmt.Sprintf("%.2f°", v)
	}
	if v < 0.05 {
		return fmt.Sprintf("%.2f°", v)
	}
	return fmt.Sprintf("%.1f°", v)
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}
