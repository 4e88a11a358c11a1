package api

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3filter"

	"plumbstar/daemon"
	"plumbstar/daemon/watch"
)

// fakeWatcher keeps events as the daemon does, and what it was armed with.
type fakeWatcher struct {
	mu     sync.Mutex
	status daemon.WatchStatus
	arming daemon.Arming
	err    error
	all    []daemon.Event
	came   chan struct{}
}

func newFakeWatcher() *fakeWatcher {
	f := &fakeWatcher{came: make(chan struct{})}
	f.status.State = watch.Unarmed
	f.status.Error.Why = "the compass is not calibrated"
	f.status.TempFallC = math.NaN()
	return f
}

func (f *fakeWatcher) happen(e daemon.Event) daemon.Event {
	f.mu.Lock()
	defer f.mu.Unlock()
	e.ID = uint64(len(f.all) + 1)
	f.all = append(f.all, e)
	close(f.came)
	f.came = make(chan struct{})
	return e
}

func (f *fakeWatcher) Watch() daemon.WatchStatus {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.status
}

func (f *fakeWatcher) ArmWatch(a daemon.Arming) (daemon.WatchStatus, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.arming = a
	return f.status, f.err
}

func (f *fakeWatcher) DisarmWatch() daemon.WatchStatus { return f.Watch() }
func (f *fakeWatcher) Acknowledge() daemon.WatchStatus { return f.Watch() }

func (f *fakeWatcher) TryAlarm(s daemon.Severity) (daemon.Event, error) {
	return f.happen(daemon.Event{Kind: daemon.EventTrial, Severity: s, Text: "A trial.", Trial: true}), nil
}

func (f *fakeWatcher) Events(ctx context.Context, after uint64) <-chan daemon.Event {
	out := make(chan daemon.Event)
	go func() {
		defer close(out)
		for {
			f.mu.Lock()
			came := f.came
			list := f.all[min(after, uint64(len(f.all))):]
			f.mu.Unlock()
			for _, e := range list {
				select {
				case out <- e:
					after = e.ID
				case <-ctx.Done():
					return
				}
			}
			select {
			case <-came:
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

func (f *fakeWatcher) RecentEvents(after uint64, limit int) []daemon.Event {
	f.mu.Lock()
	defer f.mu.Unlock()
	list := f.all[min(after, uint64(len(f.all))):]
	return list[:min(limit, len(list))]
}

// knock is a finding as the daemon publishes it.
func knock() daemon.Event {
	return daemon.Event{
		Time: time.Date(2026, 11, 20, 22, 0, 2, 0, time.UTC), TimeSure: true, Mono: 3 * time.Hour, Began: 3*time.Hour - time.Second,
		Kind: "knock", Severity: daemon.Moved, Text: "The axis moved: 0.05° ± 0.002° (0.05° lower).", Finding: 3, Final: true,
		Numbers: map[string]float64{"size_deg": 0.0512345, "size_sigma_deg": 0.002},
	}
}

func TestWatchAnswersAsDescribed(t *testing.T) {
	f := newFakeWatcher()
	c := newContract(t, start(t, func(o *Options) { o.Watch = f }))
	openapi3filter.RegisterBodyDecoder("application/problem+json", openapi3filter.JSONBodyDecoder)
	w := bearer(c.token(t, RoleWrite))
	if out := c.check(t, 200, http.MethodGet, "/api/v1/watch", "", nil); !strings.Contains(string(out), `"error_deg":null`) || !strings.Contains(string(out), "not calibrated") {
		t.Errorf("watch without a known error: %s", out)
	}
	f.status.Armed, f.status.State, f.status.ArmedAt = true, watch.Moved, time.Date(2026, 11, 20, 19, 0, 0, 0, time.UTC)
	f.status.Error = watch.Offset{SizeDeg: 0.13, SigmaDeg: 0.06, Known: true}
	f.status.Exposure = watch.Exposure{Known: true, LongestS: math.Inf(1), FromS: 300, ToS: math.Inf(1)}
	f.status.Minute, f.status.Findings = &watch.Minute{ShakeRMSDeg: 0.001}, []daemon.Event{knock()}
	out := c.check(t, 200, http.MethodGet, "/api/v1/watch", "", nil)
	for _, want := range []string{`"longest_exposure_s":null`, `"longest_exposure_unlimited":true`, `"shake_arcsec":3.6`, `"size_deg":0.0512`, `"began":"2026-11-20T22:00:01.000Z"`} {
		if !strings.Contains(string(out), want) {
			t.Errorf("watch lacks %s: %s", want, out)
		}
	}
	c.check(t, 200, http.MethodPost, "/api/v1/watch/arm", `{"lens":"135 mm","exposure_s":60}`, w)
	if f.arming.Lens != "135 mm" || f.arming.ExposureS != 60 {
		t.Errorf("armed with %+v", f.arming)
	}
	c.check(t, 200, http.MethodPost, "/api/v1/watch/arm", `{}`, w)
	f.err = &daemon.Refusal{Code: "sensor-lost", Text: "the inertial sensor does not answer", Conflict: true}
	if out := c.check(t, 409, http.MethodPost, "/api/v1/watch/arm", `{}`, w); !strings.Contains(string(out), `"code":"sensor-lost"`) {
		t.Errorf("refusal: %s", out)
	}
	c.check(t, 422, http.MethodPost, "/api/v1/watch/arm", `{"exposure_s":-1}`, w)
	c.check(t, 200, http.MethodPost, "/api/v1/watch/disarm", ``, w2json(w))
	c.check(t, 200, http.MethodPost, "/api/v1/watch/acknowledge", ``, w2json(w))
	c.check(t, 200, http.MethodPost, "/api/v1/watch/try", `{"severity":"moved"}`, w)
	c.check(t, 422, http.MethodPost, "/api/v1/watch/try", `{"severity":"loud"}`, w)
	c.check(t, 401, http.MethodPost, "/api/v1/watch/arm", `{}`, nil)
	f.happen(knock())
	out = c.check(t, 200, http.MethodGet, "/api/v1/events?after=1&limit=5", "", nil)
	var list EventList
	if err := json.Unmarshal(out, &list); err != nil || len(list.Events) != 1 || list.Last != 2 || list.Events[0].Kind != "knock" {
		t.Errorf("events: %s %v", out, err)
	}
	c.check(t, 422, http.MethodGet, "/api/v1/events?limit=1000", "", nil)
	c.check(t, 400, http.MethodGet, "/api/v1/events/stream?after=x", "", nil)
	for _, p := range []string{"/api/v1/watch", "/api/v1/watch/arm", "/api/v1/events", "/api/v1/events/stream"} {
		if c.doc.Paths.Find(p) == nil {
			t.Errorf("%s is not described", p)
		}
	}
}

// w2json says that the empty body is JSON, as the page does.
func w2json(h http.Header) http.Header {
	out := h.Clone()
	out.Set("Content-Type", "application/json")
	return out
}

// follow reads server-sent events until n of the name came.
func follow(t *testing.T, b *board, path, name string, n int, header http.Header) (ids, data []string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, b.url+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	for k, v := range header {
		req.Header[k] = v
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	in := bufio.NewScanner(resp.Body)
	is, id, text := "", "", ""
	for in.Scan() {
		line := in.Text()
		switch {
		case strings.HasPrefix(line, "event: "):
			is = line[7:]
		case strings.HasPrefix(line, "id: "):
			id = line[4:]
		case strings.HasPrefix(line, "data: "):
			text = line[6:]
		case line == "" && text != "":
			if is == name {
				ids, data = append(ids, id), append(data, text)
			}
			is, id, text = "", "", ""
			if len(data) == n {
				return ids, data
			}
		}
	}
	t.Fatalf("%s ended after %d events: %v", path, len(data), in.Err())
	return nil, nil
}

func TestEventStreams(t *testing.T) {
	f := newFakeWatcher()
	b := start(t, func(o *Options) { o.Watch = f })
	for range 3 {
		f.happen(knock())
	}
	ids, data := follow(t, b, "/api/v1/events/stream", "happened", 3, nil)
	if fmt.Sprint(ids) != "[1 2 3]" || !strings.Contains(data[0], `"kind":"knock"`) {
		t.Errorf("stream: %v %v", ids, data)
	}
	go func() {
		time.Sleep(50 * time.Millisecond)
		f.happen(knock())
	}()
	if ids, _ := follow(t, b, "/api/v1/events/stream", "happened", 2, http.Header{"Last-Event-Id": {"2"}}); fmt.Sprint(ids) != "[3 4]" {
		t.Errorf("stream after 2: %v", ids)
	}
	// In the guidance stream events come on demand, without an id.
	if ids, data := follow(t, b, "/api/v1/guidance/stream?events=3", "happened", 1, nil); ids[0] != "" || !strings.Contains(data[0], `"id":4`) {
		t.Errorf("guidance stream with events: %v %v", ids, data)
	}
	if ids, _ := follow(t, b, "/api/v1/guidance/stream", "", 1, nil); ids[0] != "1" {
		t.Errorf("guidance stream: %v", ids)
	}
}
