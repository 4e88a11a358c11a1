package report

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbstar/daemon/nightlog"
)

func TestHandler(t *testing.T) {
	dir := t.TempDir()
	l := nightlog.Start(nightlog.Options{Dir: dir, Opened: moment(0)})
	l.BeginNight(moment(0), nightlog.NightInfo{Name: "one"})
	l.EndNight(moment(time.Hour))
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	open := func(ctx context.Context) (*nightlog.Reader, error) {
		return nightlog.OpenReader(ctx, filepath.Join(dir, nightlog.FileName))
	}
	refuse := func(w http.ResponseWriter, _ *http.Request, status int, detail string) {
		w.WriteHeader(status)
		fmt.Fprint(w, detail)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /api/v1/nights/{id}/report", Handler(open, "1", refuse))
	for _, c := range []struct {
		path, accept string
		status       int
		says         string
	}{
		{"1/report", "", 200, "Night 1: one"},
		{"last/report?look=night", "fr, en;q=0.5", 200, `checked="checked"`},
		{"1/report", "de-AT,de;q=0.9,en;q=0.8", 200, "Nacht 1"},
		{"1/report?lang=en", "de", 200, "Night 1"},
		{"2/report", "", 404, "no such night"},
		{"x/report", "", 422, "give a number"},
		{"0/report", "", 422, "give a number"},
		{"1/report?lang=xx", "", 422, "en de"},
		{"1/report?look=pink", "", 422, "day or night"},
	} {
		r := httptest.NewRequest(http.MethodGet, "/api/v1/nights/"+c.path, nil)
		r.Header.Set("Accept-Language", c.accept)
		w := httptest.NewRecorder()
		mux.ServeHTTP(w, r)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: %d %.200s", c.path, w.Code, w.Body.String())
		}
		if c.status == 200 && (w.Header().Get("Content-Security-Policy") != Policy || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html")) {
			t.Errorf("%s: %v", c.path, w.Header())
		}
	}
	mux = http.NewServeMux()
	mux.Handle("GET /{id}", Handler(func(ctx context.Context) (*nightlog.Reader, error) {
		return nightlog.OpenReader(ctx, filepath.Join(dir, "none.db"))
	}, "1", refuse))
	w := httptest.NewRecorder()
	mux.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/1", nil))
	if w.Code != 503 || !strings.Contains(w.Body.String(), "start the daemon once") {
		t.Errorf("no log: %d %s", w.Code, w.Body.String())
	}
}
