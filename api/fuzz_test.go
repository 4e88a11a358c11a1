package api

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// FuzzBodies sends arbitrary bodies to every resource that takes one: nothing
// may panic, a refusal is a problem, and what reaches the daemon is in range.
func FuzzBodies(f *testing.F) {
	for _, s := range []string{
		`{"lat_deg":51.9,"lon_deg":8.4,"height_m":110,"name":"Larkmoor"}`, `{"time":"2026-11-20T18:30:00Z","sigma_s":1}`, `{"code":"1234 5678","name":"x"}`,
		`{"altitude_deg":0.1,"azimuth_deg":-1}`, `{"lat_deg":1e999}`, `{"lat_deg":null,"lon_deg":null}`, `{"LAT_DEG":99,"lat_deg":1,"lon_deg":1}`, `[[[[`, `"`, `{"time":""}`, "\x00", `{"lat_deg":1,"lat_deg":2,"lon_deg":3}`,
	} {
		f.Add(uint8(0), s)
		f.Add(uint8(1), s)
		f.Add(uint8(2), s)
		f.Add(uint8(3), s)
	}
	for k, s := range []string{
		`{"pixel_um":4.3,"trail_px":2,"lenses":[{"name":"24 mm","focal_mm":24,"exposure_s":60}],"finder":{"view":"erect","field_deg":8}}`, `{"kind":"star","body":"Polaris","how":"along"}`,
		`{"readings":[{"star":"Capella","time":"2027-01-15T18:00:00Z","drift_arcmin":1,"minutes":5}]}`, `{"frames":[{"ra_deg":37.9,"dec_deg":89.2,"time":"2027-01-15T18:00:00Z"}]}`, `{"kind":"board"}`, `{"adjuster":"altitude","turns":0.25}`,
	} {
		f.Add(uint8(4+k), s)
	}
	p, err := OpenPairingDir(filepath.Join(f.TempDir(), "access"), time.Now)
	if err != nil {
		f.Fatal(err)
	}
	g, err := p.Grant("fuzz", RoleWrite)
	if err != nil {
		f.Fatal(err)
	}
	c, k := &fakeControls{}, &fakeKnobs{}
	s, err := New(Options{Source: &fakeSource{snap: larkmoor(1)}, Pairing: p, Controls: c, Knobs: k, Board: newFakeBoard(), Now: time.Now, Log: quiet()})
	if err != nil {
		f.Fatal(err)
	}
	targets := [][2]string{
		{"PUT", "/api/v1/site"}, {"PUT", "/api/v1/clock"}, {"POST", "/api/v1/pairing"}, {"POST", "/api/v1/simulated-knobs"},
		{"PUT", "/api/v1/kit"}, {"POST", "/api/v1/sightings"}, {"POST", "/api/v1/drift-readings"}, {"POST", "/api/v1/frame-centres"}, {"POST", "/api/v1/calibrations"}, {"POST", "/api/v1/adjusters/turns"},
	}
	f.Fuzz(func(t *testing.T, which uint8, body string) {
		target := targets[int(which)%len(targets)]
		r := httptest.NewRequest(target[0], "http://127.0.0.1"+target[1], strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Authorization", "Bearer "+g.Token)
		w := httptest.NewRecorder()
		k.alt, k.az = 0, 0
		s.handler.ServeHTTP(w, r)
		switch {
		case w.Code == http.StatusNoContent || w.Code == http.StatusOK && int(which)%len(targets) > 3:
		case w.Code >= 400 && w.Code < 500:
			var m map[string]any
			if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil || w.Header().Get("Content-Type") != "application/problem+json" {
				t.Errorf("%d as %s: %s", w.Code, w.Header().Get("Content-Type"), w.Body)
			}
		default:
			t.Errorf("%s %s %q: %d %s", target[0], target[1], body, w.Code, w.Body)
		}
		if err := c.site.Validate(); err != nil {
			t.Errorf("%q set the site %+v: %v", body, c.site, err)
		}
		if w.Code == http.StatusNoContent && target[1] == "/api/v1/clock" && !(c.sigmaS > 0) {
			t.Errorf("%q set the clock with sigma %v", body, c.sigmaS)
		}
		if k.alt < -45 || k.alt > 45 || k.az < -45 || k.az > 45 {
			t.Errorf("%q turned the knobs by %v, %v", body, k.alt, k.az)
		}
	})
}

// FuzzHeaders: the gate lets nothing through that it cannot read.
func FuzzHeaders(f *testing.F) {
	f.Add("127.0.0.1", "http://127.0.0.1", "same-origin", "Bearer x", "plumbstar_token=x", "/api/v1/site")
	f.Add("evil.example", "", "cross-site", "", "", "/")
	f.Add("[::1]:8484", "null", "", "bearer", ";;=", "//x")
	p, err := OpenPairingDir(filepath.Join(f.TempDir(), "access"), time.Now)
	if err != nil {
		f.Fatal(err)
	}
	c := &fakeControls{}
	s, err := New(Options{Source: &fakeSource{snap: larkmoor(1)}, Pairing: p, Controls: c, Now: time.Now, Log: quiet()})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, host, origin, site, auth, cookie, path string) {
		for _, method := range []string{"GET", "PUT"} {
			r := httptest.NewRequest(method, "http://127.0.0.1/", strings.NewReader(`{"lat_deg":1,"lon_deg":2}`))
			r.Host = host
			r.URL.Path = "/" + path
			r.Header["Content-Type"] = []string{"application/json"}
			r.Header["Origin"], r.Header["Sec-Fetch-Site"] = []string{origin}, []string{site}
			r.Header["Authorization"], r.Header["Cookie"] = []string{auth}, []string{cookie}
			if strings.HasSuffix(r.URL.Path, "stream") {
				continue
			}
			w := httptest.NewRecorder()
			s.handler.ServeHTTP(w, r)
			if w.Code >= 500 {
				t.Errorf("%d %s", w.Code, w.Body)
			}
		}
		if c.site.LatDeg != 0 {
			t.Error("a write went through without a token")
		}
	})
}

// FuzzPairingFiles: whatever lies in the directory, checking and redeeming
// neither panic nor open anything.
func FuzzPairingFiles(f *testing.F) {
	f.Add(`{"id":"a","role":"write","sha256":""}`, `{"id":"a","role":"write","expires":"2999-01-01T00:00:00Z","issued":"2000-01-01T00:00:00Z","sha256":"","salt":""}`, "12345678")
	f.Add(`{"id":"../x"}`, `{`, "")
	dir := filepath.Join(f.TempDir(), "access")
	if _, err := OpenPairingDir(dir, time.Now); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, token, code, guess string) {
		d := &PairingDir{dir: dir, now: time.Now} // remembers nothing of the run before
		for name, content := range map[string]string{"token-a.json": token, "code-a.json": code} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if role, ok := d.Check(guess); ok && !strings.Contains(token, hashOf(guess)) {
			t.Errorf("%q opens as %s with %s", guess, role, token)
		}
		// A salt and hash that fit the guess cannot be met by chance.
		if g, err := d.Redeem(guess, guess, netip.Addr{}); err == nil {
			t.Errorf("%q was redeemed (%s) with %s", guess, g.Role, code)
		}
	})
}
