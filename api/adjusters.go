package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon/guidance"
)

// Adjusters are what is known of the mount's two adjusters.
type Adjusters struct {
	Altitude Adjuster `json:"altitude"`
	Azimuth  Adjuster `json:"azimuth"`
	Tell     bool     `json:"tell" doc:"A movement was just seen: how far the adjuster was turned can be told now"`
}

// Adjuster is what one adjuster does, learned from movements and turns told.
type Adjuster struct {
	Known         bool   `json:"known" doc:"Well enough that the guidance says how far to turn"`
	Turn          Number `json:"deg_per_turn" doc:"Degrees of altitude or azimuth per turn clockwise, as one looks at its head; null before any turn was told"`
	TurnSigma     Number `json:"deg_per_turn_sigma" doc:"1 sigma"`
	Backlash      Number `json:"backlash_deg" doc:"Lost when the turn reverses"`
	BacklashSigma Number `json:"backlash_sigma_deg" doc:"1 sigma"`
	Cross         Number `json:"cross" doc:"Movement across its own direction, per movement along it; null before any movement"`
	CrossSigma    Number `json:"cross_sigma" doc:"1 sigma"`
	TurnsTold     int    `json:"turns_told"`
	StepsSeen     int    `json:"steps_seen"`
}

// TurnEntry tells how far an adjuster was turned.
type TurnEntry struct {
	Adjuster string  `json:"adjuster" enum:"altitude,azimuth"`
	Turns    float64 `json:"turns" minimum:"-50" maximum:"50" doc:"Clockwise is positive, as one looks at its head"`
}

type (
	adjustersOutput struct{ Body Adjusters }
	turnInput       struct{ Body TurnEntry }
)

func (s *Server) registerAdjusters(api huma.API) {
	const path = "/api/v1/adjusters"
	register(api, s.operation(http.MethodGet, path, "get-adjusters", "What the mount's adjusters do, as learned", ""),
		func(context.Context, *struct{}) (*adjustersOutput, error) {
			return &adjustersOutput{Body: s.adjusters()}, nil
		})
	register(api, s.writing(http.MethodPost, path+"/turns", "tell-turns", "Tell how far an adjuster was turned",
		"In the movement that was just seen; 409 when none was. After two or three the guidance says how far to turn."),
		func(_ context.Context, in *turnInput) (*adjustersOutput, error) {
			if err := s.o.Board.TellTurns(guidance.Adjuster(in.Body.Adjuster), in.Body.Turns); err != nil {
				return nil, s.refused("learning the adjuster", err)
			}
			return &adjustersOutput{Body: s.adjusters()}, nil
		})
	huma.Register(api, s.writing(http.MethodDelete, path, "forget-adjusters", "Forget what was learned", "For another mount."),
		func(context.Context, *struct{}) (*none, error) {
			if err := s.o.Board.ForgetKnobs(); err != nil {
				return nil, s.refused("forgetting the adjusters", err)
			}
			return &none{}, nil
		})
}

func (s *Server) adjusters() Adjusters {
	altitude, azimuth, tell := s.o.Board.Knobs()
	return Adjusters{Altitude: adjusterOf(&altitude), Azimuth: adjusterOf(&azimuth), Tell: tell}
}

func adjusterOf(k *guidance.KnobState) Adjuster {
	a := Adjuster{Known: k.Known, TurnsTold: k.TurnsTold, StepsSeen: k.StepsSeen}
	if k.TurnsTold > 0 {
		a.Turn, a.TurnSigma = Known(k.DegPerTurn), knownSigma(k.DegPerTurnSigma)
		a.Backlash, a.BacklashSigma = Known(k.BacklashDeg), knownSigma(k.BacklashSigma)
	}
	if k.StepsSeen > 0 {
		a.Cross, a.CrossSigma = Known(k.Coupling), knownSigma(k.CouplingSigma)
	}
	return a
}
