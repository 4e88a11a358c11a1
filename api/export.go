package api

import (
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon/nightlog"
)

// maxExports is how many nights may be read out at once: each keeps a core busy.
const maxExports = 2

// serveNights serves what is no JSON.
func (s *Server) serveNights(mux *http.ServeMux) {
	if s.o.Nights == nil {
		return
	}
	mux.HandleFunc("GET "+nightPath+"/{file}", s.exportNight)
	if s.o.Report != nil {
		mux.Handle("GET "+reportPath, s.o.Report)
	}
}

// exports are the files of a night: samples.csv and so on.
func exports() (names []string) {
	for _, t := range []nightlog.Table{nightlog.TableSamples, nightlog.TableEvents, nightlog.TableFullRate} {
		for _, f := range []nightlog.Format{nightlog.CSV, nightlog.JSONLines} {
			names = append(names, string(t)+"."+string(f))
		}
	}
	return names
}

// exportNight streams a table of a night, row by row.
func (s *Server) exportNight(w http.ResponseWriter, r *http.Request) {
	table, format, _ := strings.Cut(r.PathValue("file"), ".")
	t, err := nightlog.ParseTable(table)
	f, err2 := nightlog.ParseFormat(format)
	if err != nil || err2 != nil || t != nightlog.TableSamples && t != nightlog.TableEvents && t != nightlog.TableFullRate {
		problem(w, http.StatusNotFound, "a night has "+strings.Join(exports(), ", "))
		return
	}
	id, fault := nightID(r.PathValue("id"))
	if fault != "" {
		problem(w, http.StatusUnprocessableEntity, fault)
		return
	}
	select {
	case s.exports <- struct{}{}:
		defer func() { <-s.exports }()
	default:
		w.Header().Set("Retry-After", "5")
		problem(w, http.StatusServiceUnavailable, "other nights are being read out: try again in a moment")
		return
	}
	log, err := s.o.Nights.Open(r.Context())
	if err == nil {
		defer log.Close()
		// So that a night that is not there is an answer and no broken file.
		_, err = log.Night(r.Context(), id)
	}
	if err != nil {
		status, detail := s.logProblem(err)
		problem(w, status, detail)
		return
	}
	h := w.Header()
	h.Set("Content-Type", map[nightlog.Format]string{nightlog.CSV: "text/csv; charset=utf-8; header=present", nightlog.JSONLines: "application/jsonl"}[f])
	h.Set("Content-Disposition", `attachment; filename="plumbstar-night-`+r.PathValue("id")+"-"+r.PathValue("file")+`"`)
	if r.Method == http.MethodHead {
		return
	}
	out := &patient{w: w, rc: http.NewResponseController(w), now: s.o.Now, each: s.o.StreamWriteTimeout}
	if err := log.Export(r.Context(), out, t, id, f); err != nil {
		if r.Context().Err() == nil && !out.failed {
			s.o.Log.Error("a night could not be read out to its end", "error", err)
		}
		panic(http.ErrAbortHandler) // the reader must not take what came for the whole
	}
}

// patient lets an answer take as long as it takes, as long as the reader takes each
// piece of it in time.
type patient struct {
	w      io.Writer
	rc     *http.ResponseController
	now    func() time.Time
	each   time.Duration
	failed bool
}

func (p *patient) Write(b []byte) (int, error) {
	if err := p.rc.SetWriteDeadline(p.now().Add(p.each)); err != nil {
		p.failed = true
		return 0, err
	}
	n, err := p.w.Write(b)
	p.failed = p.failed || err != nil
	return n, err
}

func (s *Server) describeExports(api huma.API) {
	files := make([]any, 0, 6)
	for _, name := range exports() {
		files = append(files, name)
	}
	id := &huma.Param{Name: "id", In: "path", Required: true, Description: "Number of the night, or last", Schema: &huma.Schema{Type: huma.TypeString}}
	text := &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeString}}
	op := s.operation(http.MethodGet, nightPath+"/{file}", "export-night", "A table of a night as CSV or JSON lines",
		"Streamed row by row. Names of columns end in the unit; `plumbstar export --dictionary` explains each. full-rate has the raw samples around events, as a recording.")
	op.Parameters = []*huma.Param{id, {Name: "file", In: "path", Required: true, Schema: &huma.Schema{Type: huma.TypeString, Enum: files}}}
	op.Responses = map[string]*huma.Response{"200": {Description: "The table", Content: map[string]*huma.MediaType{"text/csv": text, "application/jsonl": text}}}
	document(api, op, http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable)
	if s.o.Report == nil {
		return
	}
	op = s.operation(http.MethodGet, reportPath, "get-night-report", "A page about a night", "Self-contained HTML with plots and a summary.")
	op.Parameters = []*huma.Param{id, queryParam("look", "left out: day", "day", "night"), queryParam("lang", "left out: as the browser wishes", "en", "de")}
	op.Responses = map[string]*huma.Response{"200": {Description: "The page", Content: map[string]*huma.MediaType{"text/html": text}}}
	document(api, op, http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable)
}
