package api

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
	"plumbstar/daemon"
)

// LastStep says what to do at the finder, given what shows in it.
type LastStep struct {
	Seen string `json:"seen" enum:"none,one,several" doc:"How many stars were reported"`
	Text string `json:"text" doc:"What to do, in a sentence or two"`
	// Search is for when no star is in view.
	Search []pole.SearchStep `json:"search" nullable:"false" doc:"Moves of the adjusters, one look after each, the likeliest first; empty when a star is in view"`
	// Which is for when stars are in view.
	Which *WhichStar `json:"which" doc:"Which star each of them is; null when none is in view"`
	Move  *StarMove  `json:"move" doc:"How the pole star must move; null while it is not known which one it is"`
}

// WhichStar names the stars that were seen.
type WhichStar struct {
	_        struct{}       `nullable:"true"`
	Sure     bool           `json:"sure" doc:"The first reading can be acted upon: 95 % and more"`
	Advice   string         `json:"advice" doc:"What would help while it is not"`
	Readings []pole.Reading `json:"readings" nullable:"false" doc:"The likeliest first, at most five"`
}

// StarMove is the way of the star to its place.
type StarMove struct {
	_        struct{} `nullable:"true"`
	Star     string   `json:"star"`
	Right    Number   `json:"right_deg" doc:"Degrees of sky in the finder, as the eye sees it there"`
	Up       Number   `json:"up_deg"`
	Words    Text     `json:"words" doc:"Which way it must move: up and left"`
	Raise    Number   `json:"raise_deg" doc:"The adjusters that bring it there; degrees of altitude"`
	TurnEast Number   `json:"turn_east_deg" doc:"Degrees of azimuth"`
	MarkX    Number   `json:"mark_x_deg" doc:"Its place in the finder"`
	MarkY    Number   `json:"mark_y_deg"`
}

type (
	lastStepInput struct {
		Spots     string          `query:"spots" maxLength:"400" doc:"Places of the stars that show in the finder, degrees right and up of its centre as the eye sees them there, the brightest first: x,y;x,y; empty: no star is in view" example:"0.4,-1.2;2,0.3"`
		Brightest bool            `query:"brightest" doc:"The first spot is the brightest star in view"`
		Sigma     option[float64] `query:"sigma_deg" doc:"How well places are told, 1 sigma; left out: 0.05"`
		FinderQuery
	}
	lastStepOutput struct{ Body LastStep }
)

func (s *Server) registerLastStep(api huma.API) {
	register(api, s.reading("/api/v1/last-step", "get-last-step", "What to do at the finder, given what shows in it",
		"No star in view: a search pattern with moves of the adjusters, the likeliest error first. Several: which one is the pole star. And which way it must move."),
		func(_ context.Context, in *lastStepInput) (*lastStepOutput, error) {
			out, err := s.lastStep(in)
			if err != nil {
				return nil, s.refused("looking into the finder", err)
			}
			return &lastStepOutput{Body: out}, nil
		})
}

func (s *Server) lastStep(in *lastStepInput) (LastStep, error) {
	spots, err := in.places()
	if err != nil {
		return LastStep{}, err
	}
	h := s.o.Board.Here()
	v, err := lookAt(&h, h.UTC)
	if err != nil {
		return LastStep{}, err
	}
	aim, err := h.AimDirection()
	if err != nil {
		return LastStep{}, err
	}
	finder, err := in.finder(&h.Kit)
	if err != nil {
		return LastStep{}, err
	}
	prior, err := knownError(&h)
	if err != nil {
		return LastStep{}, err
	}
	star := v.observer.Seen(&v.moment, sky.PoleStar(h.Site.Site.Hemisphere()))
	if len(spots) == 0 {
		return search(finder, aim, star, prior), nil
	}
	id, err := finder.Identify(aim, v.observer.Field(&v.moment, finder.LimitMag), spots, prior)
	if err != nil {
		return LastStep{}, &daemon.Refusal{Code: "spots", Text: err.Error()}
	}
	return which(finder, aim, star, spots, id), nil
}

// places reads the spots of a query.
func (in *lastStepInput) places() ([]pole.Spot, error) {
	var out []pole.Spot
	for _, part := range strings.FieldsFunc(in.Spots, func(r rune) bool { return r == ';' }) {
		xs, ys, ok := strings.Cut(part, ",")
		x, err1 := strconv.ParseFloat(strings.TrimSpace(xs), 64)
		y, err2 := strconv.ParseFloat(strings.TrimSpace(ys), 64)
		if !ok || err1 != nil || err2 != nil || math.IsInf(x+y, 0) || math.IsNaN(x+y) {
			return nil, &daemon.Refusal{Code: "spots", Text: fmt.Sprintf("spot %.40q: give degrees right and up, such as 0.4,-1.2", part)}
		}
		spot := pole.Spot{XDeg: x, YDeg: y, SigmaDeg: in.Sigma.Value}
		spot.Brightest = in.Brightest && len(out) == 0
		out = append(out, spot)
	}
	return out, nil
}

// search is what to do when no star is in view.
func search(f pole.Finder, aim astro.Direction, star astro.Seen, p pole.Prior) LastStep {
	out := LastStep{Seen: "none", Search: []pole.SearchStep{}}
	steps, err := f.Search(aim, star.Direction, p)
	switch {
	case err != nil:
		out.Text = sentence(err.Error())
	case len(steps) == 0:
		out.Text = fmt.Sprintf("%s should be in view: check that the finder is open and focused, and that it is dark enough.", star.Name)
	default:
		out.Search = steps
		out.Text = fmt.Sprintf("%s is not in view. Make the moves one after the other and look after each; the first finds it with %.0f %%, all %d with %.0f %%. First: %s.",
			star.Name, 100*steps[0].Found, len(steps), 100*steps[len(steps)-1].Found, steps[0].Text)
	}
	return out
}

// which is what to do when stars are in view.
func which(f pole.Finder, aim astro.Direction, star astro.Seen, spots []pole.Spot, id pole.Identification) LastStep {
	out := LastStep{Seen: "several", Search: []pole.SearchStep{}, Which: &WhichStar{Sure: id.Sure, Advice: id.Advice, Readings: id.Readings}}
	if len(spots) == 1 {
		out.Seen = "one"
	}
	if len(id.Readings) == 0 || !id.Sure {
		out.Text = sentence(id.Advice)
		return out
	}
	best := id.Readings[0]
	mark := f.Mark(aim, star.Direction)
	now := f.Mark(best.Axis, star.Direction)
	x, y := now.XDeg, now.YDeg
	seen := ""
	for i, name := range best.IDs {
		if name == star.ID {
			spot := spots[i]
			x, y = spot.XDeg, spot.YDeg
			seen = fmt.Sprintf("The star %s is %s. ", spotWords(spot), star.Name)
		}
	}
	if seen == "" {
		seen = fmt.Sprintf("What you see is %s; %s is outside the field. ", strings.Join(named(best.Stars), ", "), star.Name)
	}
	east := 1.0
	if math.Abs(astro.Turn180(aim.AzDeg)) > 90 {
		east = -1
	}
	m := StarMove{
		Star: star.Name, Right: Known(mark.XDeg - x), Up: Known(mark.YDeg - y), Words: Text(pole.Towards(mark.XDeg-x, mark.YDeg-y)),
		Raise: Known(aim.AltDeg - best.Axis.AltDeg), TurnEast: Known(east * astro.Turn180(aim.AzDeg-best.Axis.AzDeg)),
		MarkX: Known(mark.XDeg), MarkY: Known(mark.YDeg),
	}
	out.Move = &m
	size := math.Hypot(mark.XDeg-x, mark.YDeg-y)
	if size < 0.02 {
		out.Text = seen + "It stands in its place."
		return out
	}
	out.Text = fmt.Sprintf("%sIt must move %s by %.2f°: %s, %s.", seen, m.Words, size, amount(m.Raise.Value, "raise", "lower"), amount(m.TurnEast.Value, "turn east", "turn west"))
	return out
}

func amount(deg float64, positive, negative string) string {
	word := positive
	if deg < 0 {
		word = negative
	}
	return fmt.Sprintf("%s %.2f°", word, math.Abs(deg))
}

// spotWords tells where a spot is.
func spotWords(s pole.Spot) string {
	if math.Hypot(s.XDeg, s.YDeg) < 0.05 {
		return "in the centre"
	}
	return fmt.Sprintf("%.1f° %s of the centre", math.Hypot(s.XDeg, s.YDeg), pole.Towards(s.XDeg, s.YDeg))
}

func named(stars []string) []string {
	var out []string
	for _, n := range stars {
		if n == "" {
			n = "an unknown star"
		}
		out = append(out, n)
	}
	return out
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}
