package api

import (
	"context"
	"errors"
	"net/http"
	"reflect"
	"slices"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
)

// maxBody bounds request bodies, bytes.
const maxBody = 64 << 10

// RefusedError is what Controls and Knobs return for values that they do not
// take; the client sees the reason. Any other error is a fault of the board.
type RefusedError struct{ Reason string }

func (e *RefusedError) Error() string { return e.Reason }

type none struct{}

// newAPI describes and serves every resource on mux.
func (s *Server) newAPI(mux *http.ServeMux) huma.API {
	config := huma.DefaultConfig("plumbstar", s.o.Version)
	config.Info.Description = "Points a star tracker's axis at the celestial pole. Angles are degrees; azimuth counts from true north through east; " +
		"uncertainties are 1 sigma; what is not known is null and has a warning. Writing needs a token from /api/v1/pairing."
	// huma's own document handler is not safe for concurrent first requests, its
	// documentation page loads scripts from elsewhere, and its $schema fields
	// repeat the Host of the request.
	config.Transformers = []huma.Transformer{sayWhat}
	config.OpenAPIPath, config.DocsPath, config.SchemasPath, config.CreateHooks = "", "", "", nil
	config.Components.SecuritySchemes = map[string]*huma.SecurityScheme{
		"token":  {Type: "http", Scheme: "bearer", Description: "The token that pairing gives"},
		"cookie": {Type: "apiKey", In: "cookie", Name: cookieName, Description: "The same token, set by pairing for the page"},
	}
	api := humago.New(mux, config)
	s.registerGuidance(api)
	s.registerHealth(api)
	s.registerSite(api)
	s.registerDeclination(api)
	s.registerClock(api)
	s.registerPairing(api)
	s.registerKnobs(api)
	s.registerKnocks(api)
	s.registerNights(api)
	if s.o.Alarms != nil {
		s.registerAlarms(api)
	}
	if s.o.Board != nil {
		s.registerCalibrations(api)
		s.registerSightings(api)
		s.registerStarFinder(api)
		s.registerKit(api)
		s.registerAdjusters(api)
	}
	if s.o.Watch != nil {
		s.registerWatch(api)
		s.registerEvents(api)
	}
	describeCode(api)
	s.describeStream(api)
	s.describePlain(api, "/metrics", "metrics", "Metrics in the Prometheus text format")
	s.describePlain(api, "/healthz", "alive", "Whether the sensor loop runs; 503 when it has been silent", http.StatusServiceUnavailable)
	if s.o.Authority != nil {
		s.describePlain(api, authorityPath, "certificate-authority", "The certificate authority of this board, which a device must trust once")
	}
	return api
}

// operation is the common part of every described operation.
func (s *Server) operation(method, path, id, summary, description string) huma.Operation {
	op := huma.Operation{
		Method: method, Path: path, OperationID: id, Summary: summary, Description: description,
		MaxBodyBytes: maxBody, BodyReadTimeout: s.o.RequestTimeout,
		Errors: []int{http.StatusUnauthorized, http.StatusForbidden, http.StatusMisdirectedRequest, http.StatusUnprocessableEntity, http.StatusInternalServerError},
	}
	if method != http.MethodGet {
		op.Security = []map[string][]string{{"token": {}}, {"cookie": {}}}
		op.Errors = append(op.Errors, http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType)
	}
	return op
}

// document adds an operation that has a plain handler to the description.
func document(api huma.API, op huma.Operation, more ...int) {
	model := api.OpenAPI().Components.Schemas.Schema(reflect.TypeFor[huma.ErrorModel](), true, "Error")
	for _, code := range slices.Concat(op.Errors, more) {
		op.Responses[statusKey(code)] = &huma.Response{
			Description: http.StatusText(code),
			Content:     map[string]*huma.MediaType{"application/problem+json": {Schema: model}},
		}
	}
	api.OpenAPI().AddOperation(&op)
}

func (s *Server) describePlain(api huma.API, path, id, summary string, more ...int) {
	op := s.operation(http.MethodGet, path, id, summary, "")
	op.Responses = map[string]*huma.Response{
		"200": {Description: "OK", Content: map[string]*huma.MediaType{"text/plain": {Schema: &huma.Schema{Type: huma.TypeString}}}},
	}
	document(api, op, more...)
}

// answer is the result of a write: nothing, a refusal, or a fault that the log
// keeps and the client only hears of.
func (s *Server) answer(what string, err error) (*none, error) {
	var refused *RefusedError
	switch {
	case err == nil:
		return &none{}, nil
	case errors.As(err, &refused):
		return nil, huma.Error422UnprocessableEntity(refused.Reason)
	case errors.Is(err, context.Canceled):
		return nil, huma.Error503ServiceUnavailable("the board is stopping: try again in a moment")
	}
	s.o.Log.Error("write failed", "what", what, "error", err)
	return nil, huma.Error500InternalServerError(what + " failed on the board: see its log")
}

type guidanceOutput struct{ Body Guidance }

func (s *Server) registerGuidance(api huma.API) {
	op := s.operation(http.MethodGet, "/api/v1/guidance", "get-guidance", "Where the axis points and how to move it", "")
	register(api, op, func(context.Context, *struct{}) (*guidanceOutput, error) {
		return &guidanceOutput{Body: s.hub.guidance()}, nil
	})
}
