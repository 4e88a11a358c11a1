package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

// Problem is problem for handlers of other packages.
func Problem(w http.ResponseWriter, status int, detail string) { problem(w, status, detail) }

// problem answers with RFC 9457 problem details.
func problem(w http.ResponseWriter, status int, detail string) {
	body, err := json.Marshal(&huma.ErrorModel{Status: status, Title: http.StatusText(status), Detail: detail})
	if err != nil {
		http.Error(w, detail, status)
		return
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	// The client may be gone; nothing is left to tell it.
	_, _ = w.Write(append(body, '\n'))
}

// sayWhat puts the first thing that is wrong with a body or query, and where it
// stands, in place of huma's "validation failed".
func sayWhat(_ huma.Context, _ string, v any) (any, error) {
	m, ok := v.(*huma.ErrorModel)
	if !ok || len(m.Errors) == 0 {
		return v, nil
	}
	e := m.Errors[0]
	_, where, _ := strings.Cut(e.Location, ".") // body, query or path
	switch {
	case strings.HasPrefix(e.Message, "json: ") || strings.HasPrefix(e.Message, "invalid character") || strings.HasPrefix(e.Message, "unexpected e"):
		m.Detail = "the body is not the JSON that /openapi.json describes: " + strings.TrimPrefix(e.Message, "json: ")
	case where == "":
		m.Detail = e.Message
	default:
		m.Detail = where + ": " + e.Message
	}
	return m, nil
}

// unmatched answers what no route takes. The mux says which of 404 and 405 it
// is, and which methods are allowed, but only in plain text.
func unmatched(w http.ResponseWriter, r *http.Request, mux http.Handler) {
	probe := statusProbe{header: http.Header{}}
	mux.ServeHTTP(&probe, r)
	if allow := probe.header.Get("Allow"); allow != "" {
		w.Header().Set("Allow", allow)
		problem(w, http.StatusMethodNotAllowed, fmt.Sprintf("%s does not take %s: use %s", r.URL.Path, r.Method, allow))
		return
	}
	problem(w, http.StatusNotFound, fmt.Sprintf("nothing is at %s: /openapi.json lists what there is", r.URL.Path))
}

// statusProbe keeps the header of an answer and drops the rest.
type statusProbe struct{ header http.Header }

func (p *statusProbe) Header() http.Header         { return p.header }
func (p *statusProbe) Write(b []byte) (int, error) { return len(b), nil }
func (p *statusProbe) WriteHeader(int)             {}
