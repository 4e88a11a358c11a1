package api

import (
	"fmt"
	"math"
	"strings"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// Guidance is what one moment of the daemon says to a person or a program, in
// the shape that the API, `replay --json` and `demo` share. Angles are degrees,
// uncertainties 1 sigma. What is not known is null and has a warning.
type Guidance struct {
	// T is the time within a recording, seconds; only `replay` sets it.
	T Number `json:"t_s,omitzero" doc:"Time within the recording, seconds; only when a recording is replayed"`
	// Time is the UTC that the daemon believes in; zero (null) when its clock
	// cannot be right.
	Time       Time      `json:"time" doc:"UTC, RFC 3339; null when the clock cannot be right"`
	State      string    `json:"state" enum:"settling,steady,moving,disturbed,stale,lost" doc:"What the estimate is worth now"`
	Hemisphere Text      `json:"hemisphere" doc:"north or south: which pole is aimed at; null without a site"`
	Axis       Axis      `json:"axis"`
	Aim        Aim       `json:"aim"`
	Move       Move      `json:"move"`
	Error      Number    `json:"error_deg" doc:"Angle on the night sky between axis and aim"`
	ErrorSigma Number    `json:"error_sigma_deg" doc:"1 sigma of error_deg"`
	Budget     []Part    `json:"budget" nullable:"false" doc:"Named parts of the uncertainty, 1 sigma each; a key that is absent does not act"`
	Reliance   Reliance  `json:"reliance"`
	GoodFor    []GoodFor `json:"good_for" nullable:"false" doc:"Whether the alignment suffices for the configured lenses"`
	Warnings   []Warning `json:"warnings" nullable:"false"`
}

// Axis is where the tracker's axis points.
type Axis struct {
	Altitude      Number `json:"altitude_deg" doc:"Above the horizon"`
	AltitudeSigma Number `json:"altitude_sigma_deg"`
	Azimuth       Number `json:"azimuth_deg" doc:"From true north through east, 0 to 360"`
	AzimuthSigma  Number `json:"azimuth_sigma_deg"`
	Roll          Number `json:"roll_deg" doc:"About the axis"`
}

// Aim is where the axis should point.
type Aim struct {
	Altitude Number `json:"altitude_deg"`
	Azimuth  Number `json:"azimuth_deg" doc:"0 in the north, 180 in the south"`
	Kind     Text   `json:"kind" doc:"refracted: the pole as the air lifts it; or true"`
}

// Move is how to get there.
type Move struct {
	Raise    Number `json:"raise_deg" doc:"Positive: raise the axis; negative: lower it"`
	TurnEast Number `json:"turn_east_deg" doc:"Degrees of azimuth; positive: turn towards the east; negative: west"`
	Text     string `json:"text" doc:"The move as a sentence"`
}

// Part is one named contribution to the uncertainty.
type Part struct {
	Part     string `json:"part"`
	Altitude Number `json:"altitude_deg,omitzero"`
	Azimuth  Number `json:"azimuth_deg,omitzero"`
	Roll     Number `json:"roll_deg,omitzero"`
}

// Reliance names what each angle rests on.
type Reliance struct {
	Altitude Text `json:"altitude"`
	Azimuth  Text `json:"azimuth"`
}

// GoodFor is the verdict for one lens and exposure.
type GoodFor struct {
	Lens     string  `json:"lens"`
	Exposure float64 `json:"exposure_s"`
	Verdict  string  `json:"verdict" doc:"yes, probably, no, or not known"`
}

// Warning is a condition that the user should know of.
type Warning struct {
	Code string `json:"code" doc:"Stable name"`
	Text string `json:"text" doc:"What it is and what to do"`
}

// GuidanceFrom is the guidance object of a snapshot; nil stands for a daemon
// that has not published yet.
//
// The rules of what may be shown: `lost` shows no number of the axis or the
// move; `stale` shows the last axis, which the state marks as old, but no move,
// error or verdict; in every other state each number stands or falls with its
// own quantity. Every null of a quantity has a warning that says why.
func GuidanceFrom(s *daemon.Snapshot) Guidance {
	var g Guidance
	g.fill(s)
	return g
}

// fill is GuidanceFrom into g, whose slices are used again.
func (g *Guidance) fill(s *daemon.Snapshot) {
	*g = Guidance{Budget: emptied(g.Budget), GoodFor: emptied(g.GoodFor), Warnings: emptied(g.Warnings)}
	if s == nil {
		const why = "the daemon has not read a sensor yet"
		g.State = string(estimator.Lost)
		g.Move.Text = "Not known: " + why
		g.warn("starting", "Nothing is known yet: "+why+". Wait a few seconds, then look at the health.")
		return
	}
	e, m := &s.Estimate, &s.Guidance
	g.State = string(e.State)
	for _, w := range e.Warnings {
		if w.Code != "declination-not-known" || !saidBy(s.Warnings, w.Text) {
			g.warn(w.Code, w.Text)
		}
	}
	for _, w := range s.Warnings {
		g.warn(w.Code, w.Text)
	}
	if s.Clock.Plausible {
		g.Time = Time(s.Time.UTC())
	} else {
		g.because("clock-not-known", "The time is not known", orElse(s.Clock.Why, "the clock cannot be right, set it"))
	}
	// withhold is the reason that the state itself gives against a number.
	var withhold string
	switch e.State {
	case estimator.Lost:
		withhold = "no sensor can be used"
	case estimator.Stale:
		withhold = "the last reading is too old"
	}
	g.fillAxis(e)
	g.fillAim(s)
	g.Move.Raise, _ = g.quantity(&m.Raise, withhold, "raise-not-known", "How far to raise or lower is not known")
	g.Move.TurnEast, _ = g.quantity(&m.TurnEast, withhold, "turn-not-known", "How far to turn is not known")
	g.Error, g.ErrorSigma = g.quantity(&m.Error, withhold, "error-not-known", "The angle to the aim is not known")
	g.Move.Text = orElse(m.Text, "Not known")
	if withhold != "" && (m.Raise.Known || m.TurnEast.Known) {
		g.Move.Text = "Not known: " + withhold
	}
	for _, f := range s.GoodFor {
		v := f.Verdict
		if !g.Error.Known {
			v = "not known"
		}
		g.GoodFor = append(g.GoodFor, GoodFor{Lens: f.Lens, Exposure: f.ExposureS, Verdict: v})
	}
}

// saidBy tells whether another warning gives the reason of "No direction: reason.":
// site and clock know it first.
func saidBy(others []estimator.Warning, text string) bool {
	_, reason, _ := strings.Cut(text, ": ")
	for i := range others {
		if strings.Contains(others[i].Text, reason) {
			return true
		}
	}
	return false
}

func (g *Guidance) fillAxis(e *estimator.Estimate) {
	var withhold string
	if e.State == estimator.Lost {
		withhold = "no sensor can be used"
	}
	x := &g.Axis
	x.Altitude, x.AltitudeSigma = g.quantity(&e.Altitude, withhold, "altitude-not-known", "The altitude of the axis is not known")
	x.Azimuth, x.AzimuthSigma = g.quantity(&e.Azimuth, withhold, "azimuth-not-known", "The azimuth of the axis is not known")
	x.Roll, _ = g.quantity(&e.Roll, withhold, "roll-not-known", "The roll about the axis is not known")
	if x.Azimuth.Known {
		x.Azimuth = azimuth(x.Azimuth.Value)
		g.Reliance.Azimuth = Text(e.Azimuth.Source)
	}
	if x.Altitude.Known {
		g.Reliance.Altitude = Text(e.Altitude.Source)
	}
	for _, p := range e.Budget {
		q := Part{Part: p.Name, Altitude: part(p.AltitudeDeg, x.Altitude), Azimuth: part(p.AzimuthDeg, x.Azimuth), Roll: part(p.RollDeg, x.Roll)}
		if q.Altitude.Known || q.Azimuth.Known || q.Roll.Known {
			g.Budget = append(g.Budget, q)
		}
	}
}

func (g *Guidance) fillAim(s *daemon.Snapshot) {
	if a := s.Guidance.Aim; a != nil {
		g.Hemisphere = Text(a.Hemisphere)
		g.Aim = Aim{Altitude: Known(a.AltitudeDeg), Azimuth: azimuth(a.AzimuthDeg), Kind: Text(a.Kind)}
		return
	}
	if s.Site.Known {
		g.Hemisphere = Text(s.Site.Site.Hemisphere())
	}
	g.because("aim-not-known", "The aim is not known", orElse(s.Guidance.Raise.Why, "no site is set"))
}

// quantity gives value and sigma of q, or two nulls and a warning when q is not
// known or the state speaks against it.
func (g *Guidance) quantity(q *estimator.Quantity, withhold, code, subject string) (v, sigma Number) {
	why := q.Why
	switch {
	case !q.Known:
	case withhold != "":
		why = withhold
	default:
		v, sigma = Known(q.Deg), knownSigma(q.SigmaDeg)
		if v.Known && sigma.Known {
			return v, sigma
		}
		why = "the estimate is not a finite number, which is a fault of the program"
	}
	g.because(code, subject, why)
	return Number{}, Number{}
}

// warn adds a warning unless the same sentence stands there already.
func (g *Guidance) warn(code, text string) {
	for i := range g.Warnings {
		if g.Warnings[i].Text == text {
			return
		}
	}
	g.Warnings = append(g.Warnings, Warning{Code: code, Text: text})
}

// because adds "subject: why." unless another warning gives that reason already.
func (g *Guidance) because(code, subject, why string) {
	if why == "" {
		g.warn(code, subject+".")
		return
	}
	for i := range g.Warnings {
		if strings.Contains(g.Warnings[i].Text, why) {
			return
		}
	}
	g.warn(code, subject+": "+strings.TrimSuffix(why, ".")+".")
}

// withdraw takes every number of axis and move back because nothing was heard
// from the loop for that long.
func (g *Guidance) withdraw(silent time.Duration) {
	why := fmt.Sprintf("the sensor loop has been silent for %.0f s", silent.Seconds())
	for i := range g.GoodFor {
		g.GoodFor[i].Verdict = "not known"
	}
	g.State = string(estimator.Lost)
	g.Axis, g.Reliance = Axis{}, Reliance{}
	g.Move = Move{Text: "Not known: " + why}
	g.Error, g.ErrorSigma = Number{}, Number{}
	g.Budget = emptied(g.Budget)
	g.Warnings = append(emptied(g.Warnings), Warning{Code: "loop-silent", Text: "Nothing is known now: " + why + ". Restart plumbstar if this stays."})
}

// emptied is s without elements and never nil, because nil is null in JSON.
func emptied[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s[:0]
}

func part(v float64, of Number) Number {
	if v == 0 || !of.Known {
		return Number{}
	}
	return knownSigma(v)
}

// azimuth keeps what rounding lifts to 360 below it.
func azimuth(deg float64) Number {
	n := Known(math.Mod(math.Mod(deg, 360)+360, 360))
	if n.Value >= 360 {
		n.Value = 0
	}
	return n
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
