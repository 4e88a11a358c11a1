package guidance

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"plumbstar/astro"
	"plumbstar/daemon/estimator"
)

// Adjuster is one of the two screws that move the axis.
type Adjuster string

const (
	AltitudeAdjuster Adjuster = "altitude"
	AzimuthAdjuster  Adjuster = "azimuth"
)

// Step is a movement of the axis between two rests.
type Step struct {
	// RaisedDeg and TurnedDeg are what altitude and azimuth grew by; azimuth as
	// degrees of azimuth. RaisedSigma and TurnedSigma are their 1 sigmas.
	RaisedDeg, TurnedDeg     float64
	RaisedSigma, TurnedSigma float64
	// AltDeg is the altitude of the axis.
	AltDeg float64
}

// Knobs learns what the adjusters of a mount do: degrees per turn, backlash, and
// how much each moves the axis across its own direction, because the base is not
// level. It learns by recursive least squares (Ljung, "System Identification", 2nd
// ed. 1999, chapter 11) with the model
//
//	movement = gain · turns − sign · backlash (when the turn reverses)
//	across   = coupling · movement
//
// from the steps that the sensors see and the turns that a person tells; the
// couplings need no turns told. The zero value knows nothing. It is not safe for
// concurrent use.
type Knobs struct {
	altitude, azimuth knob
}

// knob is what is known of one adjuster. Gain and backlash in degrees of
// altitude or azimuth; coupling in arc across per arc along.
type knob struct {
	Gain     float64    `json:"deg_per_turn"`
	Backlash float64    `json:"backlash_deg"`
	Cov      [3]float64 `json:"covariance"` // of gain and backlash: gg, gb, bb
	Told     int        `json:"told"`       // turns told that count
	Way      float64    `json:"way"`        // sign of the last turn told; 0: not known
	Missed   int        `json:"missed"`     // turns in a row that did not fit

	Coupling    float64 `json:"coupling"`
	CouplingVar float64 `json:"coupling_variance"`
	Steps       int     `json:"steps"`
}

const (
	// gainPrior and backlashPrior are what is believed of any adjuster, 1 sigma,
	// degrees (common practice, no source).
	gainPrior     = 30.0
	backlashPrior = 0.3
	// couplingPrior: a base that leans by 5° moves the axis across by 0.09.
	couplingPrior = 0.1
	// toldTurns is how far a told number of turns is off, 1 sigma, in turns: half
	// an eighth (common practice, no source).
	toldTurns = 0.06
	// surprise is from how many sigmas on a told turn is taken for a mistake, and
	// another after so many in a row for another adjuster.
	surprise = 4.0
	missedIn = 3
	// knownTurns are needed before words are given, and relative doubt at most.
	knownTurns = 2
	knownShare = 0.2
	// crossLimit is the largest share across that still tells which adjuster was
	// turned.
	crossLimit = 0.35
	wander     = 1.003 // by which the doubt grows at each step: adjusters wear
)

func (k *Knobs) of(a Adjuster) *knob {
	if a == AltitudeAdjuster {
		return &k.altitude
	}
	return &k.azimuth
}

// split gives the movement along and across an adjuster, in degrees of arc, and
// the degrees along as the adjuster counts them.
func (s *Step) split(a Adjuster) (along, alongSigma, across, acrossSigma, counted, countedSigma float64) {
	cos := math.Cos(s.AltDeg * degree)
	if a == AltitudeAdjuster {
		return s.RaisedDeg, s.RaisedSigma, s.TurnedDeg * cos, s.TurnedSigma * cos, s.RaisedDeg, s.RaisedSigma
	}
	return s.TurnedDeg * cos, s.TurnedSigma * cos, s.RaisedDeg, s.RaisedSigma, s.TurnedDeg, s.TurnedSigma
}

// See takes a step that was seen. When one adjuster alone can have made it, its
// coupling is learned, and that adjuster is returned; otherwise "".
func (k *Knobs) See(s Step) Adjuster {
	for _, a := range [2]Adjuster{AltitudeAdjuster, AzimuthAdjuster} {
		along, sigma, across, acrossSigma, _, _ := s.split(a)
		if math.Abs(along) > 6*sigma && math.Abs(across) < crossLimit*math.Abs(along)+acrossSigma {
			k.of(a).couple(along, across, sigma, acrossSigma)
			return a
		}
	}
	return ""
}

// couple is the scalar update of the coupling.
func (k *knob) couple(along, across, alongSigma, acrossSigma float64) {
	if k.Steps == 0 {
		k.CouplingVar = couplingPrior * couplingPrior
	}
	r := acrossSigma*acrossSigma + math.Pow(k.Coupling*alongSigma, 2)
	s := along*along*k.CouplingVar + r
	g := k.CouplingVar * along / s
	k.Coupling += g * (across - k.Coupling*along)
	k.CouplingVar *= 1 - g*along
	k.Steps++
}

// ErrNoMovement refuses turns that moved nothing.
var ErrNoMovement = errors.New("the axis did not move along that adjuster: was it the other one?")

// Told takes the turns of an adjuster that made a step: clockwise positive, as
// the person looks at the screw's head.
func (k *Knobs) Told(a Adjuster, turns float64, s Step) error {
	if !(math.Abs(turns) >= 0.02 && math.Abs(turns) <= 100) {
		return fmt.Errorf("%v turns: give 0.02 to 100, negative for counterclockwise", turns)
	}
	_, _, _, _, moved, sigma := s.split(a)
	if math.Abs(moved) < 3*sigma {
		return ErrNoMovement
	}
	k.of(a).learn(turns, moved, sigma)
	return nil
}

// learn is the update of gain and backlash by one told turn.
func (k *knob) learn(turns, moved, sigma float64) {
	if k.Told == 0 {
		k.Cov = [3]float64{gainPrior * gainPrior, 0, backlashPrior * backlashPrior}
		k.Gain, k.Backlash = 0, 0
	}
	way := math.Copysign(1, turns)
	reversed, doubt := 0.0, 0.0
	switch {
	case k.Way == 0: // it may have been a reversal
		reversed, doubt = 0.5, 0.5*math.Hypot(k.Backlash, math.Sqrt(k.Cov[2]))
	case way != k.Way:
		reversed = 1
	}
	k.Way = way
	gg, gb, bb := k.Cov[0]*wander, k.Cov[1], k.Cov[2]
	h1, h2 := turns, -math.Copysign(reversed, moved)
	p1, p2 := gg*h1+gb*h2, gb*h1+bb*h2
	// The told turns are off by a share that acts through the gain; before the gain
	// is known, through what the step itself suggests.
	gain := k.Gain
	if k.Told == 0 {
		gain = moved / turns
	}
	r := sigma*sigma + math.Pow(gain*toldTurns, 2) + doubt*doubt
	v := h1*p1 + h2*p2 + r
	off := moved - k.Gain*h1 - k.Backlash*h2
	if off*off > surprise*surprise*v {
		if k.Missed++; k.Missed < missedIn {
			return
		}
		*k = knob{Coupling: k.Coupling, CouplingVar: k.CouplingVar, Steps: k.Steps}
		k.learn(turns, moved, sigma)
		return
	}
	k.Missed = 0
	k.Gain += p1 / v * off
	k.Backlash += p2 / v * off
	k.Cov = [3]float64{gg - p1*p1/v, gb - p1*p2/v, bb - p2*p2/v}
	// No adjuster has less than no backlash.
	k.Backlash = max(k.Backlash, 0)
	k.Told++
}

// Turns is how far an adjuster must be turned to move the axis by deg (of
// altitude, or of growing azimuth), with its 1 sigma: clockwise positive,
// backlash included when the turn reverses. False while that is not known well
// enough to be told.
func (k *Knobs) Turns(a Adjuster, deg float64) (turns, sigma float64, known bool) {
	n := k.of(a)
	if n.Told < knownTurns || n.Gain == 0 || math.Sqrt(n.Cov[0]) > knownShare*math.Abs(n.Gain) {
		return 0, 0, false
	}
	way := math.Copysign(1, deg*n.Gain)
	reversed := 0.0
	if n.Way != 0 && way != n.Way {
		reversed = 1
	}
	turns = (deg + math.Copysign(reversed*n.Backlash, deg)) / n.Gain
	// d turns = (−turns dg + reversed·sign db)/g.
	s := math.Copysign(reversed, deg)
	v := turns*turns*n.Cov[0] - 2*turns*s*n.Cov[1] + s*s*n.Cov[2]
	return turns, math.Sqrt(max(v, 0)) / math.Abs(n.Gain), true
}

// Uncouple turns what altitude and azimuth need, in degrees, into what each
// adjuster must do, where their couplings are known beyond doubt.
func (k *Knobs) Uncouple(raiseDeg, turnDeg, altDeg float64) (altitude, azimuth float64) {
	cos := math.Cos(altDeg * degree)
	ca, cz := k.altitude.coupling(), k.azimuth.coupling()
	if det := 1 - ca*cz; (ca != 0 || cz != 0) && cos > 0.02 && det > 0.5 {
		// raise = a + cz·z, turn = z + ca·a, in arcs.
		z := turnDeg * cos
		return (raiseDeg - cz*z) / det, (z - ca*raiseDeg) / det / cos
	}
	return raiseDeg, turnDeg
}

// coupling is zero until it stands out of its own doubt.
func (n *knob) coupling() float64 {
	if n.Steps < 3 || n.Coupling*n.Coupling < 9*n.CouplingVar {
		return 0
	}
	return n.Coupling
}

// KnobState is what is known of one adjuster, with 1 sigmas.
type KnobState struct {
	Known                       bool    // well enough to be told in turns
	DegPerTurn, DegPerTurnSigma float64 // clockwise positive; 0 and infinity before any turn was told
	BacklashDeg, BacklashSigma  float64
	Coupling, CouplingSigma     float64 // arc across per arc along
	TurnsTold, StepsSeen        int
}

// State is what is known of an adjuster.
func (k *Knobs) State(a Adjuster) KnobState {
	n := k.of(a)
	s := KnobState{
		DegPerTurn: n.Gain, DegPerTurnSigma: math.Inf(1), BacklashDeg: n.Backlash, BacklashSigma: math.Inf(1),
		Coupling: n.Coupling, CouplingSigma: math.Inf(1), TurnsTold: n.Told, StepsSeen: n.Steps,
	}
	if n.Told > 0 {
		s.DegPerTurnSigma, s.BacklashSigma = math.Sqrt(n.Cov[0]), math.Sqrt(n.Cov[2])
	}
	if n.Steps > 0 {
		s.CouplingSigma = math.Sqrt(n.CouplingVar)
	}
	_, _, s.Known = k.Turns(a, 1)
	return s
}

// MarshalJSON and UnmarshalJSON keep what was learned.
func (k Knobs) MarshalJSON() ([]byte, error) {
	return json.Marshal(map[Adjuster]knob{AltitudeAdjuster: k.altitude, AzimuthAdjuster: k.azimuth})
}

// UnmarshalJSON refuses what cannot have been learned.
func (k *Knobs) UnmarshalJSON(b []byte) error {
	var m map[Adjuster]knob
	if err := json.Unmarshal(b, &m); err != nil {
		return err
	}
	for a, n := range m {
		if a != AltitudeAdjuster && a != AzimuthAdjuster {
			return fmt.Errorf("%.40q is no adjuster", a)
		}
		if err := n.check(); err != nil {
			return fmt.Errorf("%s adjuster: %w", a, err)
		}
	}
	k.altitude, k.azimuth = m[AltitudeAdjuster], m[AzimuthAdjuster]
	return nil
}

// check refuses what no turns can have taught: the bounds are those of the priors,
// many times over, and what was told of leaves a doubt.
func (n *knob) check() error {
	const most = 1000 // degrees, also per turn
	switch {
	case !(math.Abs(n.Gain) <= most && n.Backlash >= 0 && n.Backlash <= most):
		return fmt.Errorf("%v° per turn with %v° of backlash: no screw has them", n.Gain, n.Backlash)
	case n.Told < 0 || n.Steps < 0 || n.Missed < 0 || n.Missed >= missedIn || math.Abs(n.Way) > 1 || n.Way != math.Trunc(n.Way):
		return fmt.Errorf("told %d, seen %d, missed %d, way %v: these are no counts", n.Told, n.Steps, n.Missed, n.Way)
	case n.Told == 0 && (n.Gain != 0 || n.Backlash != 0):
		return fmt.Errorf("%v° per turn before any turn was told", n.Gain)
	case !(n.Cov[0] >= 0 && n.Cov[0] <= most*most && n.Cov[2] >= 0 && n.Cov[2] <= most*most && n.Cov[1]*n.Cov[1] <= n.Cov[0]*n.Cov[2]*(1+1e-9)) || n.Told > 0 && n.Cov[0]*n.Cov[2] == 0:
		return fmt.Errorf("its covariance %v is none", n.Cov)
	case !(math.Abs(n.Coupling) <= 10 && n.CouplingVar >= 0 && n.CouplingVar <= 100) || n.Steps > 0 && n.CouplingVar == 0:
		return fmt.Errorf("%v ± √%v across per degree along: no base leans so", n.Coupling, n.CouplingVar)
	}
	return nil
}

// turnSaid is the memory of one adjuster's words.
type turnSaid struct {
	eighths int
	said    bool
}

// addTurns puts "(about a quarter turn clockwise)" after the degrees of both
// directions, where the knobs are known well enough.
func (g *Guide) addTurns(out *Guidance, raise, turn string, altDeg float64) (string, string) {
	if g.Knobs == nil || !out.Raise.Known || !out.TurnEast.Known {
		g.raiseTurns, g.azimuthTurns = turnSaid{}, turnSaid{}
		return raise, turn
	}
	azimuth := out.TurnEast.Deg
	if out.Aim.Hemisphere == astro.South {
		azimuth = -azimuth
	}
	a, z := g.Knobs.Uncouple(out.Raise.Deg, azimuth, altDeg)
	return g.addTurn(&g.raiseTurns, AltitudeAdjuster, raise, a, out.Raise), g.addTurn(&g.azimuthTurns, AzimuthAdjuster, turn, z, out.TurnEast)
}

func (g *Guide) addTurn(m *turnSaid, a Adjuster, words string, deg float64, q estimator.Quantity) string {
	turns, sigma, known := g.Knobs.Turns(a, deg)
	if words == "" || !known || sigma > 0.4*math.Abs(turns)+0.1 || q.SigmaDeg > 2*math.Abs(q.Deg) {
		*m = turnSaid{}
		return words
	}
	// Words change only when another eighth has clearly become nearer.
	if x := 8 * turns; !m.said || math.Abs(x-float64(m.eighths)) > 0.8 {
		m.eighths, m.said = int(math.Round(x)), true
	}
	return words + " (" + turnWords(m.eighths) + ")"
}

// turnWords says a number of eighths of a turn, clockwise positive; beyond two
// turns in halves, beyond five in whole ones.
func turnWords(eighths int) string {
	way := " clockwise"
	n := eighths
	if n < 0 {
		n, way = -n, " counterclockwise"
	}
	switch {
	case n == 0:
		return "a touch"
	case n > 40:
		return fmt.Sprintf("about %d turns", (n+4)/8) + way
	case n > 16:
		n = (n + 2) / 4 * 4
	}
	whole, rest := n/8, n%8
	switch {
	case n == 1:
		return "about an eighth of a turn" + way
	case n == 2:
		return "about a quarter turn" + way
	case n == 4:
		return "about half a turn" + way
	case n == 8:
		return "about one turn" + way
	case n == 6:
		return "about three quarters of a turn" + way
	case whole == 0:
		return "about " + map[int]string{3: "three", 5: "five", 7: "seven"}[rest] + " eighths of a turn" + way
	}
	part := [8]string{"", "⅛", "¼", "⅜", "½", "⅝", "¾", "⅞"}[rest]
	return fmt.Sprintf("about %d%s turns", whole, part) + way
}
