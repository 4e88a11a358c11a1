package api

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3filter"

	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
)

// fileNights is a night log on the disk, or one that cannot be opened.
type fileNights struct {
	log *nightlog.Log
	err error
}

func (f *fileNights) Open(ctx context.Context) (*nightlog.Reader, error) {
	if f.err != nil {
		return nil, f.err
	}
	return nightlog.OpenReader(ctx, f.log.Path())
}

func (f *fileNights) Annotate(ctx context.Context, night int64, name, note string) error {
	return f.log.Annotate(ctx, night, name, note)
}

// twoNights has a night of ten minutes and one of a second.
func twoNights(t *testing.T) *fileNights {
	t.Helper()
	m := nightlog.Moment{UTC: time.Date(2027, 1, 15, 18, 0, 0, 0, time.UTC), SigmaS: 1, Source: "entered"}
	l := nightlog.Start(nightlog.Options{Dir: t.TempDir(), Opened: m})
	t.Cleanup(func() { _ = l.Close() })
	l.BeginNight(m, nightlog.NightInfo{Site: &nightlog.Site{Name: "Larkmoor", LatDeg: 51.9, LonDeg: 8.4, HeightM: 210}, Settings: json.RawMessage(`{"aim":"refracted"}`)})
	for i := range 600 {
		s := nightlog.NewSample(time.Duration(i)*time.Second + time.Second/2)
		s.State = "steady"
		if i < 300 || i >= 360 { // a minute without readings
			s.AxisAltitude = nightlog.Angle{Deg: 50 + float64(i)/1000, SigmaDeg: 0.05}
			s.AxisAzimuth = nightlog.Angle{Deg: math.Mod(359.9+0.2*float64(i%2), 360), SigmaDeg: 0.5}
			s.TempC, s.VibrationMS2 = 10-float64(i)/100, 0.01
		}
		l.Sample(s)
	}
	l.Event(100*time.Second, nightlog.Event{Kind: "knock", Text: "The axis moved: \"0.05°\", lower.", Numbers: map[string]float64{"size_deg": 0.05}})
	m.At += time.Hour
	m.UTC = m.UTC.Add(time.Hour)
	l.BeginNight(m, nightlog.NightInfo{})
	if err := l.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	return &fileNights{log: l}
}

func TestNightsAnswerAsDescribed(t *testing.T) {
	f := twoNights(t)
	seen := ""
	c := newContract(t, start(t, func(o *Options) {
		o.Nights, o.Watch = f, newFakeWatcher()
		o.Report = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { seen = r.PathValue("id") })
	}))
	openapi3filter.RegisterBodyDecoder("application/problem+json", openapi3filter.JSONBodyDecoder)
	w := bearer(c.token(t, RoleWrite))
	var all Nights
	if err := json.Unmarshal(c.check(t, 200, http.MethodGet, "/api/v1/nights", "", nil), &all); err != nil || all.Total != 2 || len(all.Nights) != 2 || all.Nights[0].ID != 2 || all.Nights[1].Site.Name != "Larkmoor" || all.Nights[0].Site != nil {
		t.Errorf("nights: %+v, %v", all, err)
	}
	if out := c.check(t, 200, http.MethodGet, "/api/v1/nights?limit=1", "", nil); strings.Contains(string(out), "Larkmoor") {
		t.Errorf("limit: %s", out)
	}
	if out := c.check(t, 200, http.MethodPut, "/api/v1/nights/1", `{"name":" First light ","note":"cold"}`, w); !strings.Contains(string(out), `"name":"First light","note":"cold"`) || !strings.Contains(string(out), `"settings":{"aim":"refracted"}`) {
		t.Errorf("named: %s", out)
	}
	c.check(t, 401, http.MethodPut, "/api/v1/nights/1", `{"name":"x"}`, nil)
	c.check(t, 422, http.MethodPut, "/api/v1/nights/1", `{"name":"`+strings.Repeat("x", 101)+`"}`, w)
	c.check(t, 404, http.MethodPut, "/api/v1/nights/7", `{"name":"x"}`, w)
	if out := c.check(t, 200, http.MethodGet, "/api/v1/nights/last", "", nil); !strings.Contains(string(out), `"night":2`) {
		t.Errorf("last: %s", out)
	}
	for path, status := range map[string]int{"/api/v1/nights/7": 404, "/api/v1/nights/x": 422, "/api/v1/nights/0": 422, "/api/v1/nights/7/chart": 404, "/api/v1/nights/1/chart?points=5": 422} {
		c.check(t, status, http.MethodGet, path, "", nil)
	}
	for path, status := range map[string]int{"/api/v1/nights/7/samples.csv": 404, "/api/v1/nights/x/samples.csv": 422, "/api/v1/nights/1/sites.csv": 404, "/api/v1/nights/1/samples.xml": 404} {
		if r, out := c.do(t, http.MethodGet, path, "", nil); r.StatusCode != status || r.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %s, want %d", path, r.StatusCode, out, status)
		}
	}
	if r, _ := c.do(t, http.MethodGet, "/api/v1/nights/1/report", "", nil); r.StatusCode != 200 || seen != "1" {
		t.Errorf("report: %d for night %q", r.StatusCode, seen)
	}
	f.err = &nightlog.Error{Kind: nightlog.Newer}
	if out := c.check(t, 503, http.MethodGet, "/api/v1/nights", "", nil); !strings.Contains(string(out), "newer plumbstar") {
		t.Errorf("a newer log: %s", out)
	}
	if r, _ := c.do(t, http.MethodGet, "/api/v1/nights/1/samples.csv", "", nil); r.StatusCode != 503 {
		t.Errorf("export of a newer log: %d", r.StatusCode)
	}
	f.err = errors.New("disk on fire at /some/place")
	if out := c.check(t, 500, http.MethodGet, "/api/v1/nights/1", "", nil); strings.Contains(string(out), "fire") {
		t.Errorf("an inner fault is shown: %s", out)
	}
}

func TestNightChart(t *testing.T) {
	c := newContract(t, start(t, func(o *Options) { o.Nights = twoNights(t) }))
	var x NightChart
	if err := json.Unmarshal(c.check(t, 200, http.MethodGet, "/api/v1/nights/1/chart?points=20", "", nil), &x); err != nil {
		t.Fatal(err)
	}
	// The night ends with its end at 3600 s of the monotonic clock: 180 s a step.
	if len(x.T) != 20 || len(x.Altitude) != 20 || x.Step.Value != 180 || x.T[0].Value != 90 {
		t.Fatalf("%d points of %v s: %+v", len(x.T), x.Step, x.T)
	}
	near := func(what string, n Number, want, tol float64) {
		t.Helper()
		if !n.Known || math.Abs(n.Value-want) > tol {
			t.Errorf("%s %+v, want %v", what, n, want)
		}
	}
	near("altitude", x.Altitude[0], 50.0895, 1e-3)
	near("lowest", x.AltLow[0], 50, 1e-4)
	near("highest", x.AltHigh[0], 50.179, 1e-4)
	near("azimuth across north", x.Azimuth[0], 0, 1e-3)
	near("temperature", x.Temp[1], 7.605, 0.001)
	near("vibration", x.Vibration[0], 0.01, 1e-6)
	if x.Altitude[10].Known || x.Shake[0].Known {
		t.Error("what was not measured is shown")
	}
	if len(x.Events) != 1 || x.Events[0].T.Value != 100 || x.Events[0].Numbers["size_deg"].Value != 0.05 {
		t.Errorf("events: %+v", x.Events)
	}
	// The second night is still empty.
	if err := json.Unmarshal(c.check(t, 200, http.MethodGet, "/api/v1/nights/2/chart", "", nil), &x); err != nil || len(x.T) != 1 {
		t.Errorf("an empty night: %+v, %v", x, err)
	}
}

func TestNightExports(t *testing.T) {
	b := start(t, func(o *Options) { o.Nights = twoNights(t) })
	r, out := b.do(t, http.MethodGet, "/api/v1/nights/1/samples.csv", "", nil)
	rows, err := csv.NewReader(bytes.NewReader(out)).ReadAll()
	if err != nil || len(rows) != 601 || rows[0][1] != "time_utc" || rows[1][1] != "2027-01-15T18:00:00.500Z" || !strings.HasPrefix(r.Header.Get("Content-Type"), "text/csv") {
		t.Errorf("samples.csv: %d rows, %v, %v", len(rows), r.Header, err)
	}
	r, out = b.do(t, http.MethodGet, "/api/v1/nights/1/samples.jsonl", "", nil)
	lines := bufio.NewScanner(bytes.NewReader(out))
	n := 0
	for ; lines.Scan(); n++ {
		var row map[string]any
		if err := json.Unmarshal(lines.Bytes(), &row); err != nil || row["night"] != 1.0 {
			t.Fatalf("line %d: %v %s", n, err, lines.Bytes())
		}
	}
	if n != 600 || r.Header.Get("Content-Type") != "application/jsonl" {
		t.Errorf("samples.jsonl: %d lines", n)
	}
	if _, out := b.do(t, http.MethodGet, "/api/v1/nights/1/events.csv", "", nil); !strings.Contains(string(out), `"The axis moved: ""0.05°"", lower."`) {
		t.Errorf("events.csv: %s", out)
	}
	if r, out := b.do(t, http.MethodHead, "/api/v1/nights/1/full-rate.csv", "", nil); r.StatusCode != 200 || len(out) > 0 {
		t.Errorf("HEAD: %d %s", r.StatusCode, out)
	}
	for range maxExports {
		b.exports <- struct{}{}
	}
	if r, _ := b.do(t, http.MethodGet, "/api/v1/nights/1/samples.csv", "", nil); r.StatusCode != 503 || r.Header.Get("Retry-After") == "" {
		t.Errorf("too many at once: %d", r.StatusCode)
	}
}

func TestKnockAndLogHealth(t *testing.T) {
	k := &fakeKnocks{}
	c := newContract(t, start(t, func(o *Options) { o.Knocks = k }))
	openapi3filter.RegisterBodyDecoder("application/problem+json", openapi3filter.JSONBodyDecoder)
	w := bearer(c.token(t, RoleWrite))
	c.check(t, 204, http.MethodPost, "/api/v1/simulated-knock", `{"up_deg":-0.05}`, w)
	c.check(t, 422, http.MethodPost, "/api/v1/simulated-knock", `{"up_deg":-50}`, w)
	if k.up != -0.05 {
		t.Errorf("kicked by %v", k.up)
	}
	s := larkmoor(5)
	s.Log = &daemon.LogStatus{Night: true, NightID: 3, Problem: "night log: the disk is full", Dropped: 7}
	c.source.publish(s)
	out := c.check(t, 200, http.MethodGet, "/api/v1/health", "", nil)
	for _, want := range []string{`"status":"impaired"`, `"night":3`, `"dropped":7`, `disk is full`} {
		if !strings.Contains(string(out), want) {
			t.Errorf("health lacks %s: %s", want, out)
		}
	}
}

func TestLogMetrics(t *testing.T) {
	b := start(t, func(o *Options) { o.Watch = newFakeWatcher() })
	s := larkmoor(6)
	s.Log = &daemon.LogStatus{Night: true, Problem: "full", Dropped: 7, Written: 40}
	b.source.publish(s)
	_, out := b.do(t, http.MethodGet, "/metrics", "", nil)
	for _, want := range []string{"plumbstar_night_log_up 0", "plumbstar_night_log_night 1", "plumbstar_night_log_dropped_records_total 7", "plumbstar_watch_armed 0"} {
		if !strings.Contains(string(out), want+"\n") {
			t.Errorf("metrics lack %s", want)
		}
	}
}

type fakeKnocks struct{ up, east float64 }

func (f *fakeKnocks) Knock(_ context.Context, up, east float64) error {
	f.up, f.east = up, east
	return nil
}

func BenchmarkNightChart(b *testing.B) {
	m := nightlog.Moment{UTC: time.Date(2027, 1, 15, 18, 0, 0, 0, time.UTC)}
	l := nightlog.Start(nightlog.Options{Dir: b.TempDir(), Opened: m})
	defer l.Close()
	l.BeginNight(m, nightlog.NightInfo{})
	for i := range 12 * 3600 {
		s := nightlog.NewSample(time.Duration(i) * time.Second)
		s.AxisAltitude.Deg = 50
		l.Sample(s)
		if i%1000 == 0 {
			if err := l.Flush(context.Background()); err != nil {
				b.Fatal(err)
			}
		}
	}
	if err := l.Flush(context.Background()); err != nil {
		b.Fatal(err)
	}
	r, err := nightlog.OpenReader(context.Background(), filepath.Join(l.Path()))
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	n, err := r.Night(context.Background(), 1)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if c, err := chartOf(context.Background(), r, &n, 600); err != nil || len(c.T) != 600 {
			b.Fatal(fmt.Errorf("%d points: %w", len(c.T), err))
		}
	}
}
