package main

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// TestDemoTellsItsAlarms: from the simulated fault through the daemon to a web
// server, and no secret in what is printed.
func TestDemoTellsItsAlarms(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	var got []string
	ids := map[string]bool{}
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var m struct{ ID, Kind, Severity, Board string }
		err := json.NewDecoder(r.Body).Decode(&m)
		mu.Lock()
		defer mu.Unlock()
		if err != nil || r.URL.Path != "/key-77" || r.Header.Get("Authorization") != "Bearer larkmoor-owl-77" || !strings.HasSuffix(m.Board, "-demo") {
			t.Errorf("%v %v: %+v (%v)", r.URL, r.Header, m, err)
		}
		if !ids[m.ID] {
			got = append(got, m.Kind+" "+m.Severity)
		}
		ids[m.ID] = true
	}))
	defer srv.Close()
	file := filepath.Join(t.TempDir(), "p.toml")
	text := "[alarms.webhook]\nurl = '" + srv.URL + "/key-77'\nauth = 'bearer'\nsecret = 'larkmoor-owl-77'\nmin_severity = 'info'\n[alarms.buzzer]\npin = 'NOSUCHPIN'\n"
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	e, out, errs := testEnv()
	code := run(context.Background(), e, []string{"demo", "--for", "20s", "--speed", "max", "--json", "--listen", "127.0.0.1:0",
		"--fault", "magnetometer@4s-8s", "--alarms", file})
	if code != 0 {
		t.Fatalf("status %d: %s", code, errs)
	}
	mu.Lock()
	defer mu.Unlock()
	lost, found := slices.Index(got, "sensor-lost sensor-lost"), slices.Index(got, "sensor-found info")
	if lost < 0 || found < lost {
		t.Errorf("told: %q", got)
	}
	for _, want := range []string{"NOSUCHPIN", "chmod 640"} {
		if !strings.Contains(errs.String(), want) {
			t.Errorf("the log does not say %q: %s", want, errs)
		}
	}
	if all := out.String() + errs.String(); strings.Contains(all, "owl") || strings.Contains(all, "key-77") {
		t.Errorf("a secret is printed: %s", all)
	}
	e, _, errs = testEnv()
	if err := os.WriteFile(file, []byte("[alarms.webhook]\nurl = 'nowhere'\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code := run(context.Background(), e, []string{"demo", "--for", "1s", "--listen", "127.0.0.1:0", "--alarms", file}); code != 1 || !strings.Contains(errs.String(), "p.toml:2: alarms.webhook.url") {
		t.Errorf("bad settings: status %d: %s", code, errs)
	}
}
