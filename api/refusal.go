package api

import (
	"errors"
	"net/http"
	"reflect"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon"
	"plumbstar/daemon/guidance"
)

// Board is the daemon as it is asked for calibrations, sightings and the night sky.
// *daemon.Daemon is one. A *daemon.Refusal is shown to the client.
type Board interface {
	Here() daemon.Here
	SetKit(daemon.Kit) error

	BeginCalibration(daemon.CalibrationKind) (daemon.CalibrationStatus, error)
	Calibrating() (daemon.CalibrationStatus, error)
	FinishCalibration() (daemon.CalibrationResult, error)
	CancelCalibration() error
	Calibrations() (inUse, kept []daemon.CalibrationRecord)
	TemperatureOffer() daemon.TemperatureOffer
	AcceptTemperature() (notKept string, err error)

	Sight(daemon.Sight) (daemon.SightingRecord, error)
	ReadDrift(daemon.DriftReadings) (daemon.SightingRecord, error)
	ReadFrames(daemon.FrameCentres) (daemon.SightingRecord, error)
	Sightings() []daemon.SightingRecord
	RevokeSightings() error

	TellTurns(guidance.Adjuster, float64) error
	Knobs() (altitude, azimuth guidance.KnobState, tell bool)
	ForgetKnobs() error
}

// refusal is a problem with a stable name.
type refusal struct {
	huma.ErrorModel
	Code string `json:"code,omitempty"`
}

// refused is the answer to an error of the board: a refusal that the client can
// act upon, or a fault that the log keeps and the client only hears of.
func (s *Server) refused(what string, err error) error {
	var r *daemon.Refusal
	if !errors.As(err, &r) {
		s.o.Log.Error("request failed", "what", what, "error", err)
		return huma.Error500InternalServerError(what + " failed on the board: see its log")
	}
	status := http.StatusUnprocessableEntity
	if r.Conflict {
		status = http.StatusConflict
	}
	return &refusal{ErrorModel: huma.ErrorModel{Status: status, Title: http.StatusText(status), Detail: r.Text}, Code: r.Code}
}

// describeCode adds the name of a refusal to the description of problems.
func describeCode(api huma.API) {
	model := api.OpenAPI().Components.Schemas.Map()["ErrorModel"]
	model.Properties["code"] = &huma.Schema{Type: huma.TypeString, Description: "Stable name of a refusal; absent when there is none"}
}

// reading is an operation that reads what depends on the board's state.
func (s *Server) reading(path, id, summary, description string) huma.Operation {
	op := s.operation(http.MethodGet, path, id, summary, description)
	op.Errors = append(op.Errors, http.StatusConflict)
	return op
}

// writing is an operation that changes it.
func (s *Server) writing(method, path, id, summary, description string) huma.Operation {
	op := s.operation(method, path, id, summary, description)
	op.Errors = append(op.Errors, http.StatusConflict)
	return op
}

// option is a query parameter that may be left out.
type option[T any] struct {
	Value T
	IsSet bool
}

// Schema is that of the value.
func (o option[T]) Schema(r huma.Registry) *huma.Schema {
	return huma.SchemaFromType(r, reflect.TypeFor[T]())
}

// Receiver is where huma puts the value.
func (o *option[T]) Receiver() reflect.Value { return reflect.ValueOf(o).Elem().Field(0) }

// OnParamSet is told whether there was one.
func (o *option[T]) OnParamSet(isSet bool, _ any) { o.IsSet = isSet }
