package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"plumbstar/api/mdns"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// contract checks answers against the OpenAPI document that the board serves,
// with a validator of others.
type contract struct {
	*board
	doc    *openapi3.T
	router routers.Router
}

func newContract(t *testing.T, b *board) *contract {
	t.Helper()
	_, body := b.do(t, http.MethodGet, "/openapi.json", "", nil)
	loader := openapi3.NewLoader()
	doc, err := loader.LoadFromData(body)
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(loader.Context); err != nil {
		t.Fatalf("the document is not valid OpenAPI: %v", err)
	}
	if !strings.HasPrefix(doc.OpenAPI, "3.1") {
		t.Errorf("OpenAPI %s, want 3.1", doc.OpenAPI)
	}
	router, err := legacy.NewRouter(doc)
	if err != nil {
		t.Fatal(err)
	}
	return &contract{b, doc, router}
}

// do sends one request; headers alternate name and value.
func (b *board) do(t testing.TB, method, path, body string, header http.Header) (*http.Response, []byte) {
	t.Helper()
	var r io.Reader
	if body != "" {
		r = strings.NewReader(body)
	}
	req, err := http.NewRequest(method, b.url+path, r)
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for k, v := range header {
		req.Header[k] = v
		if k == "Host" {
			req.Host = v[0]
		}
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	out, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, out
}

func bearer(token string) http.Header { return http.Header{"Authorization": {"Bearer " + token}} }

// check sends the request, compares the status and validates the answer.
func (c *contract) check(t *testing.T, status int, method, path, body string, header http.Header) []byte {
	t.Helper()
	resp, out := c.do(t, method, path, body, header)
	if resp.StatusCode != status {
		t.Errorf("%s %s %s: status %d, want %d: %s", method, path, body, resp.StatusCode, status, out)
		return out
	}
	if err := c.valid(method, path, resp.StatusCode, resp.Header, out); err != nil {
		t.Errorf("%s %s %d does not answer as described: %v\n%s", method, path, resp.StatusCode, err, out)
	}
	return out
}

func (c *contract) valid(method, path string, status int, header http.Header, body []byte) error {
	req, err := http.NewRequest(method, path, nil)
	if err != nil {
		return err
	}
	route, params, err := c.router.FindRoute(req)
	if err != nil {
		return err
	}
	return openapi3filter.ValidateResponse(context.Background(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: req, PathParams: params, Route: route},
		Status:                 status, Header: header,
		Body:    io.NopCloser(bytes.NewReader(body)),
		Options: &openapi3filter.Options{IncludeResponseStatus: true, MultiError: true},
	})
}

// TestContractCanFail: the validator notices what it is here for.
func TestContractCanFail(t *testing.T) {
	c := newContract(t, start(t, nil))
	resp, good := c.do(t, http.MethodGet, "/api/v1/guidance", "", nil)
	for _, change := range [][2]string{
		{`"state":"steady"`, `"state":"good"`}, {`"altitude_deg":51.52,`, ``}, {`"altitude_deg":51.52,`, `"altitude_deg":"51",`},
		{`"warnings":[]`, `"warnings":null`}, {`"kind":"refracted"`, `"kind":1`}, {`"state":`, `"extra":1,"state":`},
	} {
		bad := strings.Replace(string(good), change[0], change[1], 1)
		if bad == string(good) {
			t.Fatalf("nothing to change at %s in %s", change[0], good)
		}
		if c.valid("GET", "/api/v1/guidance", 200, resp.Header, []byte(bad)) == nil {
			t.Errorf("%s in place of %s passes", change[1], change[0])
		}
	}
	if c.valid("GET", "/api/v1/guidance", 418, resp.Header, good) == nil {
		t.Error("a status that is not described passes")
	}
}

func TestResourcesAnswerAsDescribed(t *testing.T) {
	c := newContract(t, start(t, nil))
	openapi3filter.RegisterBodyDecoder("application/problem+json", openapi3filter.JSONBodyDecoder)
	w := bearer(c.token(t, RoleWrite))
	for _, s := range []*daemon.Snapshot{larkmoor(2), nil, lostSnapshot()} {
		c.source.publish(s)
		for _, path := range []string{"/api/v1/guidance", "/api/v1/health", "/api/v1/site", "/api/v1/clock", "/api/v1/pairing", "/metrics", "/healthz"} {
			c.check(t, 200, http.MethodGet, path, "", nil)
		}
	}
	c.source.publish(larkmoor(3))
	c.check(t, 204, http.MethodPut, "/api/v1/site", `{"name":"Dry Lagoon","lat_deg":-31.6,"lon_deg":139.3,"height_m":80}`, w)
	c.check(t, 204, http.MethodPut, "/api/v1/clock", `{"time":"2026-11-20T18:30:00+01:00","sigma_s":0.5}`, w)
	c.check(t, 204, http.MethodPost, "/api/v1/simulated-knobs", `{"altitude_deg":0.25}`, w)
	c.check(t, 204, http.MethodPost, "/api/v1/simulated-knobs", `{"azimuth_deg":-1}`, w)
	if c.controls.name != "Dry Lagoon" || c.controls.site.LatDeg != -31.6 || c.controls.site.LonDeg != 139.3 || c.controls.site.HeightM != 80 {
		t.Errorf("the daemon got the site %+v", c.controls.site)
	}
	if want := time.Date(2026, 11, 20, 17, 30, 0, 0, time.UTC); !c.controls.clock.Equal(want) || c.controls.sigmaS != 0.5 {
		t.Errorf("the daemon got the time %v ± %v s", c.controls.clock, c.controls.sigmaS)
	}
	if c.knobs.alt != 0.25 || c.knobs.az != -1 {
		t.Errorf("the knobs were turned by %v, %v", c.knobs.alt, c.knobs.az)
	}
	// Without a sigma, one second is assumed.
	c.check(t, 204, http.MethodPut, "/api/v1/clock", `{"time":"2026-11-20T18:30:00Z"}`, w)
	if c.controls.sigmaS != 1 {
		t.Errorf("sigma %v s, want 1", c.controls.sigmaS)
	}
	// Every refusal is a described problem, too.
	for _, r := range []struct {
		status             int
		method, path, body string
		says               string
	}{
		{400, "PUT", "/api/v1/site", `{"lat_deg":`, "unexpected end"},
		{422, "PUT", "/api/v1/site", `{"lat_deg":91,"lon_deg":0}`, "<= 90"},
		{422, "PUT", "/api/v1/site", `{"lat_deg":"51","lon_deg":0}`, "expected number"},
		{422, "PUT", "/api/v1/site", `{"lat_deg":51}`, "lon_deg"},
		{422, "PUT", "/api/v1/site", `{"lat_deg":51,"lon_deg":8,"latitude":1}`, "latitude"},
		{422, "PUT", "/api/v1/site", `[]`, "expected object"},
		{422, "PUT", "/api/v1/site", `null`, "expected object"},
		{422, "PUT", "/api/v1/clock", `{"time":"yesterday"}`, "date-time"},
		{422, "PUT", "/api/v1/clock", `{"time":"2026-11-20T18:30:00Z","sigma_s":0}`, "> 0"},
		{422, "POST", "/api/v1/simulated-knobs", `{"altitude_deg":90}`, "<= 45"},
		{409, "POST", "/api/v1/pairing", `{"code":"00000000"}`, "plumbstar pair"},
		{422, "POST", "/api/v1/pairing", `{"code":"1"}`, "length"},
	} {
		if out := c.check(t, r.status, r.method, r.path, r.body, w); !strings.Contains(string(out), r.says) && !strings.Contains(unescape(out), r.says) {
			t.Errorf("%s %s %s: %s does not say %q", r.method, r.path, r.body, out, r.says)
		}
	}
	c.controls.err = &RefusedError{Reason: "the date lies beyond the model"}
	if out := c.check(t, 422, http.MethodPut, "/api/v1/clock", `{"time":"2099-11-20T18:30:00Z"}`, w); !strings.Contains(string(out), "beyond the model") {
		t.Errorf("the reason of a refusal is lost: %s", out)
	}
	c.controls.err = errors.New("disk on fire at /some/place")
	if out := c.check(t, 500, http.MethodPut, "/api/v1/clock", `{"time":"2026-11-20T18:30:00Z"}`, w); strings.Contains(string(out), "disk") {
		t.Errorf("an inner fault is shown to the client: %s", out)
	}
}

func unescape(b []byte) string {
	return strings.NewReplacer(`\u003c`, "<", `\u003e`, ">").Replace(string(b))
}

func lostSnapshot() *daemon.Snapshot {
	u := estimator.Quantity{Why: "nothing is wired"}
	s := &daemon.Snapshot{Seq: 9, Estimate: estimator.Estimate{State: estimator.Lost, Altitude: u, Azimuth: u, Roll: u}}
	s.Guidance.Raise, s.Guidance.TurnEast, s.Guidance.Error = u, u, u
	s.Clock.SigmaS = -1
	return s
}

// TestDocumentIsComplete: what is described exists, and each operation says
// which token it needs.
func TestDocumentIsComplete(t *testing.T) {
	c := newContract(t, start(t, nil))
	want := []string{"/api/v1/clock", "/api/v1/declination", "/api/v1/guidance", "/api/v1/guidance/stream", "/api/v1/health", "/api/v1/pairing", "/api/v1/simulated-knobs", "/api/v1/site", "/healthz", "/metrics"}
	for _, p := range want {
		if c.doc.Paths.Find(p) == nil {
			t.Errorf("%s is not described", p)
		}
	}
	if n := c.doc.Paths.Len(); n != len(want) {
		t.Errorf("%d paths are described, want %d", n, len(want))
	}
	for path, item := range c.doc.Paths.Map() {
		for method, op := range item.Operations() {
			if op.Summary == "" || op.OperationID == "" {
				t.Errorf("%s %s: no summary or name", method, path)
			}
			if needs := op.Security != nil && len(*op.Security) > 0; needs != (method != "GET" && path != "/api/v1/pairing") {
				t.Errorf("%s %s: security %v", method, path, op.Security)
			}
		}
	}
	if strings.Contains(string(mustJSON(t, c.doc)), "$schema") {
		t.Error("bodies would carry $schema")
	}
	_, body := c.do(t, http.MethodGet, "/api/v1/guidance", "", nil)
	if strings.Contains(string(body), "$schema") || strings.Contains(string(body), c.addr) {
		t.Errorf("the body repeats the host: %s", body)
	}
}

func TestWithoutControlsAndKnobs(t *testing.T) {
	b := start(t, func(o *Options) { o.Controls, o.Knobs = nil, nil })
	w := bearer(b.token(t, RoleWrite))
	if r, _ := b.do(t, http.MethodPut, "/api/v1/site", `{"lat_deg":1,"lon_deg":2}`, w); r.StatusCode != 405 {
		t.Errorf("PUT site: %d, want 405", r.StatusCode)
	}
	if r, _ := b.do(t, http.MethodPost, "/api/v1/simulated-knobs", `{}`, w); r.StatusCode != 404 {
		t.Errorf("knobs: %d, want 404", r.StatusCode)
	}
}

func TestHealth(t *testing.T) {
	t.Parallel()
	b := start(t, func(o *Options) { o.SilentAfter = 300 * time.Millisecond })
	_, body := b.do(t, http.MethodGet, "/api/v1/health", "", nil)
	var h Health
	if err := json.Unmarshal(body, &h); err != nil {
		t.Fatal(err)
	}
	if h.Status != "impaired" || len(h.Sensors) != 2 || h.Sensors[0].Rate.Value != 104 || h.Sensors[1].Age.Known || h.Sensors[1].Temp.Known ||
		h.Sensors[1].Faults["bus"] != 7 || h.Loop.Late != 2 || !h.SimulatedKnobs {
		t.Errorf("health: %s", body)
	}
	time.Sleep(400 * time.Millisecond)
	_, body = b.do(t, http.MethodGet, "/api/v1/health", "", nil)
	if !strings.Contains(string(body), `"status":"silent"`) {
		t.Errorf("a silent loop: %s", body)
	}
	if r, _ := b.do(t, http.MethodGet, "/healthz", "", nil); r.StatusCode != 503 {
		t.Errorf("healthz of a silent loop: %d", r.StatusCode)
	}
	if _, body := b.do(t, http.MethodGet, "/api/v1/guidance", "", nil); !strings.Contains(string(body), `"loop-silent"`) || !strings.Contains(string(body), `"raise_deg":null`) {
		t.Errorf("guidance of a silent loop: %s", body)
	}
	b.source.publish(larkmoor(2))
	if r, _ := b.do(t, http.MethodGet, "/healthz", "", nil); r.StatusCode != 200 {
		t.Errorf("healthz after news: %d", r.StatusCode)
	}
}

// TestLocalName: how the board's name fares stands in health, as described.
func TestLocalName(t *testing.T) {
	for _, n := range []mdns.Status{
		{Name: "plumbstar.local", State: mdns.Answering},
		{Name: "larkmoor.local", State: mdns.Elsewhere},
		{Name: "plumbstar.local", State: mdns.Asking, Why: "this board has no address in a network yet"},
		{Name: "plumbstar.local", State: mdns.Failing, Why: "port 5353 cannot be used"},
	} {
		c := newContract(t, start(t, func(o *Options) { o.LocalName = func() mdns.Status { return n } }))
		var h Health
		if err := json.Unmarshal(c.check(t, 200, http.MethodGet, "/api/v1/health", "", nil), &h); err != nil {
			t.Fatal(err)
		}
		if h.LocalName == nil || h.LocalName.Name != n.Name || h.LocalName.State != n.State || string(h.LocalName.Why) != n.Why {
			t.Errorf("%+v became %+v", n, h.LocalName)
		}
	}
}

func mustJSON(t *testing.T, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
