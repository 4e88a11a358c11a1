package api

import (
	"net/http"
	"strings"
	"testing"

	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// A query that an operation does not know is refused: left out silently it would get
// the answer to another question.
func TestUnknownQueries(t *testing.T) {
	c := newContract(t, start(t, func(o *Options) { o.Board = newFakeBoard() }))
	for path, want := range map[string]string{
		"/api/v1/guidance?lat_deg=3":                            "takes no query",
		"/api/v1/polestar?lat_deg=3":                            "it takes star, time",
		"/api/v1/polestar?star=sun&star=moon":                   "2 times",
		"/api/v1/polestar?star=%zz":                             "cannot be read",
		"/api/v1/exposure?focal_mm=50&exposure_s=60&trail_px=0": "trail 0 pixels",
	} {
		at, query, _ := strings.Cut(path, "?")
		resp, body := c.do(t, http.MethodGet, path, "", nil)
		if resp.StatusCode != 422 || !strings.Contains(string(body), want) {
			t.Errorf("%s: %d %s, want 422 with %q", path, resp.StatusCode, body, want)
		}
		if err := c.valid(http.MethodGet, at, resp.StatusCode, resp.Header, body); err != nil {
			t.Errorf("%s: %v", query, err)
		}
	}
	for _, path := range []string{"/api/v1/polestar?star=sun", "/metrics?x=1", "/healthz?x=1", "/?x=1"} {
		if resp, body := c.do(t, http.MethodGet, path, "", nil); resp.StatusCode != 200 {
			t.Errorf("%s: %d %s", path, resp.StatusCode, body)
		}
	}
}

// The field is that of the site, with its sigma; without one there is a reason.
func TestDeclination(t *testing.T) {
	b := start(t, nil)
	c := newContract(t, b)
	snap := larkmoor(2)
	f, err := geomag.WMM2025().At(snap.Site.Site.LatDeg, snap.Site.Site.LonDeg, 0.21, 2026.9)
	if err != nil {
		t.Fatal(err)
	}
	snap.Field = &f
	b.source.publish(snap)
	body := string(c.check(t, 200, http.MethodGet, "/api/v1/declination", "", nil))
	for _, want := range []string{`"declination_deg":3.79`, `"declination_sigma_deg":0.38`, `"zone":"ok"`, `"why":null`, `"lat_deg":51.9`} {
		if !strings.Contains(body, want) {
			t.Errorf("%s without %s", body, want)
		}
	}
	b.source.publish(&daemon.Snapshot{Seq: 3, Warnings: []estimator.Warning{{Code: "site-not-known", Text: "Site not known: enter it."}}})
	body = string(c.check(t, 200, http.MethodGet, "/api/v1/declination", "", nil))
	for _, want := range []string{`"declination_deg":null`, `"lat_deg":null`, `"zone":null`, `"why":"Site not known: enter it."`} {
		if !strings.Contains(body, want) {
			t.Errorf("%s without %s", body, want)
		}
	}
}

// What is wrong with a body is one sentence, and says where.
func TestWrongBodiesSayWhat(t *testing.T) {
	b := start(t, nil)
	w := bearer(b.token(t, RoleWrite))
	for body, want := range map[string]string{
		`{"lat_deg":91,"lon_deg":0}`:      `"detail":"lat_deg: expected number <= 90"`,
		`{"lat_deg":51.9}`:                `"detail":"expected required property lon_deg to be present"`,
		`{"lat_deg":1e999,"lon_deg":0}`:   `"detail":"the body is not the JSON that /openapi.json describes: `,
		`{"lat_deg":`:                     `"detail":"the body is not the JSON that /openapi.json describes: `,
		`{"lat_deg":1,"lon_deg":2,"x":3}`: `"detail":"x: unexpected property"`,
	} {
		if resp, out := b.do(t, http.MethodPut, "/api/v1/site", body, w); resp.StatusCode/100 != 4 || !strings.Contains(string(out), want) {
			t.Errorf("%s: %d %s, want %s", body, resp.StatusCode, out, want)
		}
	}
	if resp, out := b.do(t, http.MethodPut, "/api/v1/site", `{"lat_deg":-0.0,"lon_deg":351.6}`, w); resp.StatusCode != 204 {
		t.Errorf("%d %s", resp.StatusCode, out)
	}
	if got := b.controls.site; got.LonDeg < -8.41 || got.LonDeg > -8.39 {
		t.Errorf("%+v", got)
	}
}
