package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"
)

// Knocks kick a simulated tripod. Only the demo has them.
type Knocks interface {
	// Knock moves the axis at once by so many degrees on the night sky: higher, and
	// to the east.
	Knock(ctx context.Context, upDeg, eastDeg float64) error
}

// KnockEntry is a kick against the simulated tripod.
type KnockEntry struct {
	Up   float64 `json:"up_deg,omitempty" minimum:"-5" maximum:"5" doc:"Positive: the axis ends higher"`
	East float64 `json:"east_deg,omitempty" minimum:"-5" maximum:"5" doc:"Arc on the night sky; positive: it ends further east"`
}

type knockInput struct{ Body KnockEntry }

func (s *Server) registerKnocks(api huma.API) {
	if s.o.Knocks == nil {
		return
	}
	op := s.operation(http.MethodPost, "/api/v1/simulated-knock", "kick-simulated-tripod", "Kick the simulated tripod", "Exists in the demo only.")
	huma.Register(api, op, func(ctx context.Context, in *knockInput) (*none, error) {
		return s.answer("kicking the tripod", s.o.Knocks.Knock(ctx, in.Body.Up, in.Body.East))
	})
}
