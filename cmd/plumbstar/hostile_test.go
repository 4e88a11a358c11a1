package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// hostileNumbers are what no honest client sends for a number, as text.
var hostileNumbers = []string{
	"NaN", "-nan", "Infinity", "-Inf", "1e309", "-1e309", "1e308", "-1e308", "-0", "5e-324", "1e999999999",
	"9007199254740993", "99999999999999999999999999", "0x7f", "1_000", "٣", "1,5", "", "1;2", "%00", strings.Repeat("9", 5000),
}

// hostileValues are JSON values for any field, right and wrong in type.
var hostileValues = []string{
	"1e309", "-1e309", "1e308", "-1e308", "-0", "5e-324", "99999999999999999999999999", "1e99999", "null", "true", "{}", "[]", `[[[[[]]]]]`,
	`""`, `"\u0000"`, `"a\r\nSet-Cookie: x=1"`, `"<script>alert(1)</script>"`, `"=1+1"`, `"\u202e\ud800"`, `"../../etc/passwd"`, `"0001-01-01T00:00:00Z"`, `"9999-12-31T23:59:60Z"`,
	`"` + strings.Repeat("x", 10_000) + `"`,
}

// attacked is the whole program under attack: the demo, and a paired device.
type attacked struct {
	t     *testing.T
	url   string
	token string
	log   *lockedBuffer
	sent  int
}

func attack(t *testing.T) *attacked {
	t.Helper()
	e, _, _ := testEnv()
	w := &urlWriter{url: make(chan string, 1)}
	errs := &lockedBuffer{}
	e.stdout, e.stderr = w, errs
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan int)
	go func() {
		done <- run(ctx, e, []string{"demo", "--for", "10h", "--speed", "20", "--hands", "page", "--listen", "127.0.0.1:0"})
	}()
	t.Cleanup(func() {
		http.DefaultClient.CloseIdleConnections()
		cancel()
		if code := <-done; code != 0 {
			t.Errorf("status %d: %s", code, errs)
		}
	})
	a := &attacked{t: t, log: errs}
	select {
	case at := <-w.url:
		var code string
		a.url, code, _ = strings.Cut(at, "/#code=")
		_, body := a.send(http.MethodPost, "/api/v1/pairing", fmt.Sprintf(`{"code":%q}`, code))
		var g struct{ Token string }
		if err := json.Unmarshal(body, &g); err != nil || g.Token == "" {
			t.Fatalf("pairing: %v: %s", err, body)
		}
		a.token = g.Token
	case <-time.After(20 * time.Second):
		t.Fatal("no address was announced")
	}
	return a
}

// send sends one request as the paired device; the program must answer, never by
// a fault of its own.
func (a *attacked) send(method, path, body string) (int, []byte) {
	a.t.Helper()
	req, err := http.NewRequest(method, a.url+path, strings.NewReader(body))
	if err != nil {
		a.t.Fatalf("%s %.100s: %v", method, path, err)
	}
	if method != http.MethodGet {
		req.Header.Set("Content-Type", "application/json")
	}
	req.Header.Set("Authorization", "Bearer "+a.token)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		a.t.Fatalf("%s %.100s %.100s: %v", method, path, body, err)
	}
	defer resp.Body.Close()
	out, err := io.ReadAll(resp.Body)
	if err != nil {
		a.t.Fatalf("%s %.100s %.100s: %v", method, path, body, err)
	}
	a.sent++
	kind := resp.Header.Get("Content-Type")
	switch {
	case resp.StatusCode >= 500:
		a.t.Errorf("%s %.200s %.200s: %d %.300s", method, path, body, resp.StatusCode, out)
	case resp.StatusCode >= 400 && kind != "application/problem+json":
		a.t.Errorf("%s %.200s %.200s: %d as %s", method, path, body, resp.StatusCode, kind)
	case strings.Contains(kind, "json") && !json.Valid(out):
		a.t.Errorf("%s %.200s %.200s: not JSON: %.300s", method, path, body, out)
	}
	return resp.StatusCode, out
}

// alive checks that the board still guides, from a site that can be.
func (a *attacked) alive(after string) {
	a.t.Helper()
	status, body := a.send(http.MethodGet, "/api/v1/guidance", "")
	var g struct{ State string }
	if err := json.Unmarshal(body, &g); err != nil || status != 200 || g.State == "lost" {
		a.t.Errorf("after %s: guidance %d %.200s", after, status, body)
	}
	_, body = a.send(http.MethodGet, "/api/v1/site", "")
	var s struct {
		Lat *float64 `json:"lat_deg"`
		Lon *float64 `json:"lon_deg"`
	}
	if err := json.Unmarshal(body, &s); err != nil || s.Lat != nil && (*s.Lat > 90 || *s.Lat < -90) || s.Lon != nil && (*s.Lon > 360 || *s.Lon < -180) {
		a.t.Errorf("after %s: site %s", after, body)
	}
}

// operation is one of the description that the board serves.
type operation struct {
	method, path string
	params       []string
	body         map[string]any // schema; nil: none
}

// operations reads what can be asked of the board off its own description, so that
// what is added is attacked as well. Streams do not end and are left to the api's
// own tests.
func (a *attacked) operations() (ops []operation, doc map[string]any) {
	a.t.Helper()
	_, text := a.send(http.MethodGet, "/openapi.json", "")
	if err := json.Unmarshal(text, &doc); err != nil {
		a.t.Fatal(err)
	}
	for path, item := range valueAt(doc, "paths").(map[string]any) {
		if strings.HasSuffix(path, "/stream") {
			continue
		}
		for method, op := range item.(map[string]any) {
			o := operation{method: strings.ToUpper(method), path: path}
			if list, ok := valueAt(op, "parameters").([]any); ok {
				for _, p := range list {
					if valueAt(p, "in") == "query" {
						o.params = append(o.params, valueAt(p, "name").(string))
					}
				}
			}
			o.body, _ = valueAt(op, "requestBody", "content", "application/json", "schema").(map[string]any)
			ops = append(ops, o)
		}
	}
	slices.SortFunc(ops, func(x, y operation) int { return strings.Compare(x.path+x.method, y.path+y.method) })
	return ops, doc
}

func valueAt(v any, keys ...string) any {
	for _, k := range keys {
		m, ok := v.(map[string]any)
		if !ok {
			return nil
		}
		v = m[k]
	}
	return v
}

// TestHostileNumbersInQueries asks every resource with numbers that are none.
func TestHostileNumbersInQueries(t *testing.T) {
	a := attack(t)
	ops, _ := a.operations()
	tried := 0
	for _, o := range ops {
		path := strings.NewReplacer("{", "", "}", "").Replace(o.path)
		for _, p := range o.params {
			for _, v := range hostileNumbers {
				a.send(o.method, path+"?"+p+"="+url.QueryEscape(v), "{}")
				tried++
			}
		}
		// All at once, twice, without a name, and without end.
		for _, q := range []string{"?" + strings.Join(o.params, "=1e308&") + "=1e308", "?x=1&x=2&=3&;&%zz", "?" + strings.Repeat("a=1&", 2000)} {
			a.send(o.method, path+q, "{}")
		}
		a.alive(o.method + " " + o.path)
	}
	if tried < 100 {
		t.Errorf("only %d queries were tried", tried)
	}
}

// TestHostileBodies sends every resource that takes a body a good one with one
// field after the other made hostile, and bodies that are none.
func TestHostileBodies(t *testing.T) {
	a := attack(t)
	ops, doc := a.operations()
	nest := func(open, shut string, n int) string { return strings.Repeat(open, n) + strings.Repeat(shut, n) }
	for _, o := range ops {
		if o.method == http.MethodGet {
			continue
		}
		path := strings.NewReplacer("{", "", "}", "").Replace(o.path)
		for _, body := range []string{
			"", "null", "[]", "{", `"`, "\x00", "\xff\xfe{\x00}\x00", "{}{}", `{"":1}`, `{"__proto__":{}}`,
			nest("[", "]", 9_900), nest(`{"a":`, "}", 9_000), strings.Repeat("[", 60_000), `{"a":` + strings.Repeat("1", 60_000) + `}`,
			"[" + strings.Repeat("0,", 30_000) + "0]",
		} {
			a.send(o.method, path, body)
		}
		if o.body == nil {
			continue
		}
		base := example(doc, o.body, 0)
		for _, leaf := range leaves(base, nil) {
			for _, v := range hostileValues {
				a.send(o.method, path, with(base, leaf, v))
			}
		}
		a.alive(o.method + " " + o.path)
	}
	if a.sent < 1000 {
		t.Errorf("only %d requests were sent", a.sent)
	}
	t.Logf("%d requests", a.sent)
	// One record of the log is one line, whatever was in the names.
	for line := range strings.Lines(a.log.String()) {
		if strings.Contains(line, "Set-Cookie") && !strings.HasPrefix(line, "time=") {
			t.Errorf("a name broke the log: %q", line)
		}
	}
	for r := range ops {
		if ops[r].method == http.MethodGet {
			a.send(http.MethodGet, ops[r].path, "")
		}
	}
}

// example is a body that fits a schema as far as its types go.
func example(doc, schema map[string]any, depth int) any {
	if ref, ok := schema["$ref"].(string); ok {
		schema, _ = valueAt(doc, strings.Split(strings.TrimPrefix(ref, "#/"), "/")...).(map[string]any)
	}
	if list, ok := schema["enum"].([]any); ok {
		return list[0]
	}
	kind := fmt.Sprint(schema["type"])
	switch {
	case strings.Contains(kind, "object"):
		out := map[string]any{}
		props, _ := schema["properties"].(map[string]any)
		for name, p := range props {
			if depth < 4 {
				out[name] = example(doc, p.(map[string]any), depth+1)
			}
		}
		return out
	case strings.Contains(kind, "array"):
		items, _ := schema["items"].(map[string]any)
		return []any{example(doc, items, depth+1)}
	case strings.Contains(kind, "string"):
		if schema["format"] == "date-time" {
			return "2027-01-15T18:00:00Z"
		}
		return "x"
	case strings.Contains(kind, "boolean"):
		return true
	}
	if v, ok := schema["minimum"].(float64); ok {
		return v
	}
	return 1.0
}

// leaves are the ways to all values in v, those that hold others included.
func leaves(v any, way []any) [][]any {
	out := [][]any{slices.Clone(way)}
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			out = append(out, leaves(x, append(way, k))...)
		}
	case []any:
		for k, x := range v {
			out = append(out, leaves(x, append(way, k))...)
		}
	}
	return out
}

// with is v as JSON with the text raw in place of what lies at way.
func with(v any, way []any, raw string) string {
	if len(way) == 0 {
		return raw
	}
	var b bytes.Buffer
	put := func(k int, x any, mine bool) {
		if k > 0 {
			b.WriteByte(',')
		}
		if mine {
			b.WriteString(with(x, way[1:], raw))
			return
		}
		text, _ := json.Marshal(x) // made of plain values
		b.Write(text)
	}
	switch v := v.(type) {
	case map[string]any:
		b.WriteByte('{')
		n := 0
		for k, x := range v {
			if n > 0 {
				b.WriteByte(',')
			}
			fmt.Fprintf(&b, "%q:", k)
			put(0, x, k == way[0])
			n++
		}
		b.WriteByte('}')
	case []any:
		b.WriteByte('[')
		for k, x := range v {
			put(k, x, k == way[0])
		}
		b.WriteByte(']')
	}
	return b.String()
}

// lockedBuffer keeps what several goroutines write.
type lockedBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}
