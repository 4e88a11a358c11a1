package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon/nightlog"
)

// NightLog is the log of nights as the API reads and annotates it.
type NightLog interface {
	// Open gives a reader of what was committed; the caller closes it.
	Open(context.Context) (*nightlog.Reader, error)
	// Annotate returns when it is on the disk.
	Annotate(ctx context.Context, night int64, name, note string) error
}

// Nights lists nights.
type Nights struct {
	Nights []Night `json:"nights" nullable:"false" doc:"The newest first"`
	Total  int     `json:"total" doc:"How many there are"`
}

// Night is one night in the log.
type Night struct {
	ID          int64           `json:"night"`
	Name        string          `json:"name"`
	Note        string          `json:"note"`
	Begin       Time            `json:"begin" doc:"UTC, dated by the best clock of its first run"`
	End         Time            `json:"end" doc:"That of the last record while the night is open, or when it was cut short"`
	Open        bool            `json:"open" doc:"It has not ended"`
	Runs        int             `json:"runs" doc:"Starts of the program in it"`
	ClockSigma  Number          `json:"clock_sigma_s" doc:"1 sigma of the clock that dates it"`
	ClockSource Text            `json:"clock_source"`
	Site        *NightSite      `json:"site" doc:"null when it was not known"`
	Settings    json.RawMessage `json:"settings,omitempty" doc:"What it was measured with; in the answer about one night only"`
}

// NightSite is where a night was spent.
type NightSite struct {
	_      struct{} `nullable:"true"`
	Name   string   `json:"name"`
	Lat    float64  `json:"lat_deg"`
	Lon    float64  `json:"lon_deg"`
	Height float64  `json:"height_m"`
}

// NightEntry names a night.
type NightEntry struct {
	Name string `json:"name,omitempty" maxLength:"100"`
	Note string `json:"note,omitempty" maxLength:"4000"`
}

type (
	nightsInput struct {
		Limit int `query:"limit" minimum:"1" maximum:"1000" default:"100"`
	}
	nightInput struct {
		ID string `path:"id" doc:"Number of the night, or last"`
	}
	nightEntryInput struct {
		ID   string `path:"id" doc:"Number of the night, or last"`
		Body NightEntry
	}
	chartInput struct {
		ID     string `path:"id" doc:"Number of the night, or last"`
		Points int    `query:"points" minimum:"10" maximum:"2000" default:"600" doc:"How many steps of time the night is divided into at most"`
	}
	nightsOutput struct{ Body Nights }
	nightOutput  struct{ Body Night }
	chartOutput  struct{ Body NightChart }
)

const (
	nightsPath = "/api/v1/nights"
	nightPath  = nightsPath + "/{id}"
	reportPath = nightPath + "/report"
)

func (s *Server) registerNights(api huma.API) {
	if s.o.Nights == nil {
		return
	}
	read := func(path, id, summary, description string) huma.Operation {
		op := s.reading(path, id, summary, description)
		op.Errors = append(op.Errors, http.StatusNotFound, http.StatusServiceUnavailable)
		return op
	}
	register(api, read(nightsPath, "get-nights", "The nights in the log", ""),
		func(ctx context.Context, in *nightsInput) (*nightsOutput, error) {
			out := Nights{Nights: []Night{}}
			err := s.readLog(ctx, func(r *nightlog.Reader) error {
				all, err := r.Nights(ctx)
				out.Total = len(all)
				for _, n := range slices.Backward(all) {
					if len(out.Nights) < in.Limit {
						n.Settings = nil
						out.Nights = append(out.Nights, nightOf(&n))
					}
				}
				return err
			})
			return &nightsOutput{Body: out}, err
		})
	register(api, read(nightPath, "get-night", "One night", ""),
		func(ctx context.Context, in *nightInput) (*nightOutput, error) {
			n, err := s.night(ctx, in.ID)
			return &nightOutput{Body: nightOf(&n)}, err
		})
	put := s.writing(http.MethodPut, nightPath, "name-night", "Name a night, and write a note to it", "Both are replaced.")
	put.Errors = append(put.Errors, http.StatusNotFound, http.StatusServiceUnavailable)
	register(api, put, func(ctx context.Context, in *nightEntryInput) (*nightOutput, error) {
		n, err := s.night(ctx, in.ID)
		if err == nil {
			err = s.logFault(s.o.Nights.Annotate(ctx, n.ID, printable(in.Body.Name), strings.TrimSpace(in.Body.Note)))
		}
		if err != nil {
			return nil, err
		}
		n, err = s.night(ctx, strconv.FormatInt(n.ID, 10))
		return &nightOutput{Body: nightOf(&n)}, err
	})
	register(api, read(nightPath+"/chart", "get-night-chart", "A night as columns for a chart",
		"Means over equal steps of time, so that a night of any length has at most so many points; null where nothing was measured."),
		func(ctx context.Context, in *chartInput) (*chartOutput, error) {
			var c NightChart
			n, err := s.night(ctx, in.ID)
			if err == nil {
				err = s.readLog(ctx, func(r *nightlog.Reader) (err error) {
					c, err = chartOf(ctx, r, &n, in.Points)
					return err
				})
			}
			return &chartOutput{Body: c}, err
		})
	s.describeExports(api)
}

// readLog runs f on a reader of the log.
func (s *Server) readLog(ctx context.Context, f func(*nightlog.Reader) error) error {
	r, err := s.o.Nights.Open(ctx)
	if err != nil {
		return s.logFault(err)
	}
	defer r.Close()
	return s.logFault(f(r))
}

// night finds the night of a path.
func (s *Server) night(ctx context.Context, text string) (n nightlog.Night, err error) {
	id, fault := nightID(text)
	if fault != "" {
		return n, huma.Error422UnprocessableEntity(fault)
	}
	err = s.readLog(ctx, func(r *nightlog.Reader) (err error) {
		n, err = r.Night(ctx, id)
		return err
	})
	return n, err
}

// nightID reads the number of a night, or says what is wrong with it.
func nightID(text string) (id int64, fault string) {
	if text == "last" {
		return nightlog.Latest, ""
	}
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 1 {
		return 0, "night " + strconv.QuoteToASCII(text[:min(len(text), 40)]) + ": give the number of a night, or last"
	}
	return id, ""
}

// logFault is the answer to an error of the log.
func (s *Server) logFault(err error) error {
	if err == nil {
		return nil
	}
	status, detail := s.logProblem(err)
	return huma.NewError(status, detail)
}

func (s *Server) logProblem(err error) (status int, detail string) {
	var e *nightlog.Error
	switch {
	case errors.As(err, &e) && e.Kind == nightlog.NotFound:
		return http.StatusNotFound, "there is no such night: " + nightsPath + " lists them"
	case errors.As(err, &e):
		return http.StatusServiceUnavailable, "the night log: " + e.Brief()
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return http.StatusServiceUnavailable, "the night log took too long: try again in a moment"
	}
	s.o.Log.Error("reading the night log failed", "error", err)
	return http.StatusInternalServerError, "reading the night log failed on the board: see its log"
}

func nightOf(n *nightlog.Night) Night {
	out := Night{
		ID: n.ID, Name: n.Name, Note: n.Note, Begin: logTime(n.Begin), End: logTime(n.End), Open: n.Open, Runs: n.Runs,
		ClockSource: Text(n.ClockSource), Settings: n.Settings,
	}
	if n.ClockSigmaS >= 0 {
		out.ClockSigma = Known(n.ClockSigmaS)
	}
	if p := n.Site; p != nil {
		out.Site = &NightSite{Name: p.Name, Lat: p.LatDeg, Lon: p.LonDeg, Height: p.HeightM}
	}
	return out
}

// logTime leaves out what no clock can have shown.
func logTime(t time.Time) Time {
	if t.Year() < 2000 {
		return Time{}
	}
	return Time(t)
}
