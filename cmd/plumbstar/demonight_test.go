package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbstar/api"
	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
)

// client talks to a running demo.
type client struct {
	t           *testing.T
	base, token string
}

func (c *client) do(method, path, body string, into any) int {
	c.t.Helper()
	req, err := http.NewRequest(method, c.base+path, strings.NewReader(body))
	if err != nil {
		c.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		c.t.Fatal(err)
	}
	defer resp.Body.Close()
	if into != nil {
		if err := json.NewDecoder(resp.Body).Decode(into); err != nil {
			c.t.Fatalf("%s %s: %d %v", method, path, resp.StatusCode, err)
		}
	}
	return resp.StatusCode
}

// Somebody at the page arms the watch and kicks the tripod: the event comes
// within 2 s of simulated time, guidance warns until it is acknowledged, and the
// night has it.
func TestDemoKick(t *testing.T) {
	t.Parallel()
	e, _, errs := testEnv()
	w := &urlWriter{url: make(chan string, 1)}
	e.stdout = w
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan int)
	go func() {
		done <- run(ctx, e, []string{"demo", "--hands", "page", "--for", "2h", "--speed", "20", "--listen", "127.0.0.1:0"})
	}()
	defer func() {
		cancel()
		if code := <-done; code != 0 {
			t.Errorf("status %d after the interrupt: %s", code, errs)
		}
	}()
	url := <-w.url
	base, code, _ := strings.Cut(url, "/#code=")
	c := &client{t: t, base: base}
	var grant api.PairingGrant
	if s := c.do("POST", "/api/v1/pairing", `{"code":"`+code+`"}`, &grant); s != 200 && s != 201 {
		t.Fatalf("pairing: %d", s)
	}
	c.token = grant.Token
	wait := func(what string, ok func(*api.Watch) bool) {
		t.Helper()
		for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
			var x api.Watch
			if c.do("GET", "/api/v1/watch", "", &x); ok(&x) {
				return
			}
			if time.Now().After(end) {
				t.Fatalf("%s: %+v", what, x)
			}
		}
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if c.do("POST", "/api/v1/watch/arm", `{}`, nil) == 200 {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the watch cannot be armed")
		}
	}
	wait("never watching", func(x *api.Watch) bool { return x.State == "watching" })
	var list api.EventList
	c.do("GET", "/api/v1/events", "", &list)
	stream, err := http.Get(base + "/api/v1/guidance/stream?events=" + strconv.FormatUint(list.Last, 10))
	if err != nil {
		t.Fatal(err)
	}
	defer stream.Body.Close()
	if s := c.do("POST", "/api/v1/simulated-knock", `{"up_deg":-0.05}`, nil); s != 204 {
		t.Fatalf("knock: %d", s)
	}
	in := bufio.NewScanner(stream.Body)
	in.Buffer(nil, 1<<20)
	var knock api.Event
	for named := false; in.Scan(); {
		line := in.Text()
		if data, ok := strings.CutPrefix(line, "data: "); ok && named {
			if err := json.Unmarshal([]byte(data), &knock); err != nil {
				t.Fatal(err)
			}
			break
		}
		named = line == "event: happened" || named && line != ""
	}
	took := time.Time(knock.Time).Sub(time.Time(knock.Began))
	t.Logf("%v after it began: %s", took, knock.Text)
	if knock.Kind != "knock" || knock.Severity != string(daemon.Moved) || took > 2*time.Second || took <= 0 {
		t.Errorf("first event after the kick: %+v", knock)
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		var g api.Guidance // made ten times a second, and so a little later
		if c.do("GET", "/api/v1/guidance", "", &g); strings.Contains(string(mustMarshal(t, g.Warnings)), "watch-knock") {
			break
		}
		if time.Now().After(end) {
			t.Fatal("guidance does not warn")
		}
	}
	wait("no last word about the knock", func(x *api.Watch) bool { return len(x.Findings) == 1 && x.Findings[0].Final })
	c.do("POST", "/api/v1/watch/acknowledge", "", nil)
	wait("not acknowledged", func(x *api.Watch) bool { return len(x.Findings) == 0 && x.State == "watching" })
	var nights api.Nights
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		var chart api.NightChart
		if c.do("GET", "/api/v1/nights", "", &nights); nights.Total == 1 {
			c.do("GET", "/api/v1/nights/last/chart?points=50", "", &chart)
		}
		if strings.Contains(string(mustMarshal(t, chart.Events)), `"kind":"knock"`) && len(chart.T) > 10 {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("the night has no knock: %+v", chart.Events)
		}
	}
	if resp, err := http.Get(base + "/api/v1/nights/last/report"); err != nil || resp.StatusCode != 200 {
		t.Errorf("report: %v %v", resp, err)
	}
}

func mustMarshal(t *testing.T, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A demo that runs as fast as it can leaves a night with its events and no second
// missing.
func TestDemoWritesANight(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	e, out, errs := testEnv()
	code := run(context.Background(), e, []string{"demo", "--for", "30m", "--speed", "max", "--listen", "127.0.0.1:0", "--json", "--watch",
		"--fault", "knock:0.1@15m", "--fault", "magnetometer@20m-21m", "--state-dir", dir})
	if code != 0 || !bytes.Contains(out.Bytes(), []byte(`"seed":7`)) {
		t.Fatalf("status %d: %s %s", code, out, errs)
	}
	r, err := nightlog.OpenReader(context.Background(), dir+"/"+nightlog.FileName)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n, err := r.Night(context.Background(), nightlog.Latest)
	if err != nil || n.Site == nil || n.End.Sub(n.Begin) < 29*time.Minute {
		t.Fatalf("night %+v, %v", n, err)
	}
	kinds := ""
	for ev, err := range r.Events(context.Background(), n.ID) {
		if err != nil {
			t.Fatal(err)
		}
		kinds += ev.Kind + " "
	}
	for _, want := range []string{"night-began", "watch-armed", "knock knock", "sensor-lost", "sensor-found"} {
		if !strings.Contains(kinds, want) {
			t.Errorf("no %s in the night: %s", want, kinds)
		}
	}
	rows, last := 0, time.Time{}
	for s, err := range r.Samples(context.Background(), n.ID) {
		if err != nil {
			t.Fatal(err)
		}
		if rows > 0 && s.UTC.Sub(last).Round(10*time.Millisecond) != time.Second {
			t.Errorf("%v between two seconds, at %v s", s.UTC.Sub(last), s.TS)
		}
		rows, last = rows+1, s.UTC
	}
	if rows < 1790 {
		t.Errorf("%d seconds in half an hour", rows)
	}
}

func TestDemoRefusesWrongKicks(t *testing.T) {
	for _, f := range []string{"knock@2m", "knock:@2m", "knock:9@2m", "knock:x@2m", "sink:0.1@2m", "bus:1@2s-3s", "earthquake:1@2s"} {
		if _, err := parseDemoFault(f); err == nil {
			t.Errorf("--fault %s was taken", f)
		}
	}
	if f, err := parseDemoFault("sink:0.1@1m-2m"); err != nil || f.deg != 0.1 || f.to != 2*time.Minute {
		t.Errorf("sink: %+v, %v", f, err)
	}
}
