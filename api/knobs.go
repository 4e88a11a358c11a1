package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"
)

// Knobs are the adjusters of a simulated mount. Only the demo has them.
type Knobs interface {
	// Turn moves the axis by so many degrees: up, and towards growing azimuth.
	Turn(ctx context.Context, altitudeDeg, azimuthDeg float64) error
}

// KnobTurn is a relative turn of the simulated knobs.
type KnobTurn struct {
	Altitude float64 `json:"altitude_deg,omitempty" minimum:"-45" maximum:"45" doc:"Positive: up"`
	Azimuth  float64 `json:"azimuth_deg,omitempty" minimum:"-45" maximum:"45" doc:"Positive: towards growing azimuth, that is eastward when facing north, westward when facing south"`
}

type knobInput struct{ Body KnobTurn }

func (s *Server) registerKnobs(api huma.API) {
	if s.o.Knobs == nil {
		return
	}
	op := s.operation(http.MethodPost, "/api/v1/simulated-knobs", "turn-simulated-knobs", "Turn the knobs of the simulated mount", "Exists in the demo only.")
	huma.Register(api, op, func(ctx context.Context, in *knobInput) (*none, error) {
		return s.answer("turning the knobs", s.o.Knobs.Turn(ctx, in.Body.Altitude, in.Body.Azimuth))
	})
}
