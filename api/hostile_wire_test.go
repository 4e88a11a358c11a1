package api

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"
)

// raw sends bytes as they are and gives the status of the answer, 0 when the
// connection was closed without one.
func (b *board) raw(t testing.TB, request string) (status int, header http.Header, body string) {
	t.Helper()
	conn, err := net.Dial("tcp", b.addr)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_ = conn.SetDeadline(time.Now().Add(5 * time.Second))
	go func() { _, _ = io.WriteString(conn, request) }() // it may be refused half-way
	resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		return 0, nil, ""
	}
	defer resp.Body.Close()
	out, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, resp.Header, string(out)
}

// TestHostileWire sends requests that are none, or two at once. Each is refused,
// nothing is done, and the next client is served.
func TestHostileWire(t *testing.T) {
	var log lockedBuffer
	b := start(t, func(o *Options) {
		o.Log, o.RequestTimeout = newTextLog(&log), 400*time.Millisecond
	})
	auth := "Authorization: Bearer " + b.token(t, RoleWrite) + "\r\n"
	const site = `{"lat_deg":1,"lon_deg":2}`
	put := "PUT /api/v1/site HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
	get := "GET /api/v1/guidance HTTP/1.1\r\nHost: 127.0.0.1\r\n"
	for _, c := range []struct {
		name, request string
		want          []int // 0: closed without an answer
	}{
		{"no Host", "GET / HTTP/1.1\r\n\r\n", []int{400}},
		{"HTTP/1.0 without Host", "GET / HTTP/1.0\r\n\r\n", []int{421}},
		{"two Hosts", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.example\r\n\r\n", []int{400}},
		{"Host with a path", "GET / HTTP/1.1\r\nHost: 127.0.0.1/evil\r\n\r\n", []int{400, 421}},
		{"folded header", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n evil.example\r\n\r\n", []int{400, 421}},
		{"space before the colon", get + "Content-Length : 3\r\n\r\n", []int{400}},
		{"absolute address of another host", "GET http://evil.example/ HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", []int{421}},
		{"asked to be a proxy", "CONNECT evil.example:80 HTTP/1.1\r\nHost: evil.example\r\n\r\n", []int{400, 405, 421}},
		{"HTTP/0.9", "GET /\r\n\r\n", []int{400}},
		{"HTTP/9.9", "GET / HTTP/9.9\r\nHost: 127.0.0.1\r\n\r\n", []int{400, 505}},
		{"HTTP/2 without a word", "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", []int{400, 421, 505, 0}},
		{"TLS", "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + strings.Repeat("\x00", 200), []int{400, 0}},
		{"NUL in the path", "GET /\x00 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", []int{400}},
		{"NUL in a header", get + "X: a\x00b\r\n\r\n", []int{400}},
		{"line feeds alone in a header", get + "X: a\nSet-Cookie: x\r\n\r\n", []int{200, 400}},
		{"lower-case method", "get / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", []int{400, 405, 415}},
		{"endless method", strings.Repeat("A", 100_000) + " / HTTP/1.1\r\n", []int{400, 431, 0}},
		{"endless path", "GET /" + strings.Repeat("a", 100_000) + " HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", []int{414, 431}},
		{"ten thousand headers", get + strings.Repeat("X: y\r\n", 10_000) + "\r\n", []int{431}},
		{"OPTIONS of everything", "OPTIONS * HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", []int{200, 400, 404, 405}},
		{"upgrade to a socket", get + "Connection: Upgrade\r\nUpgrade: websocket\r\n\r\n", []int{200}},
		{"a thousand ranges", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nRange: bytes=" + strings.Repeat("0-,", 1000) + "0-\r\n\r\n", []int{200}},

		{"two lengths", put + auth + "Content-Length: 2\r\nContent-Length: 25\r\n\r\n" + site, []int{400}},
		{"negative length", put + auth + "Content-Length: -1\r\n\r\n" + site, []int{400}},
		{"length that overflows", put + auth + "Content-Length: 99999999999999999999\r\n\r\n" + site, []int{400}},
		{"giant length", put + auth + "Content-Length: 9000000000000000000\r\n\r\n" + site, []int{413}},
		{"giant length on a read", get + "Content-Length: 9000000000000000000\r\n\r\n", []int{413}},
		{"unknown coding", put + auth + "Transfer-Encoding: gzip\r\n\r\n" + site, []int{400, 501}},
		{"compressed body", put + auth + "Content-Encoding: gzip\r\nContent-Length: 20\r\n\r\n\x1f\x8b\x08" + strings.Repeat("\x00", 17), []int{400, 415, 422}},
		{"chunk of no size", put + auth + "Transfer-Encoding: chunked\r\n\r\nzz\r\n" + site, []int{400}},
		{"giant chunk", put + auth + "Transfer-Encoding: chunked\r\n\r\nffffffffffffffff\r\n" + site, []int{400, 408}},
		{"endless chunk extension", put + auth + "Transfer-Encoding: chunked\r\n\r\n1;" + strings.Repeat("a", 100_000), []int{400}},
		{"endless stream of chunks", put + auth + "Transfer-Encoding: chunked\r\n\r\n" + strings.Repeat("400\r\n"+strings.Repeat(" ", 1024)+"\r\n", 200), []int{400, 413}},
		{"endless trailers", put + auth + "Transfer-Encoding: chunked\r\nTrailer: X\r\n\r\n1\r\n{\r\n0\r\n" + strings.Repeat("X: y\r\n", 20_000) + "\r\n", []int{400, 413, 422}},
		{"body for nobody", put + "Expect: 100-continue\r\nContent-Length: 25\r\n\r\n", []int{401}},
		{"strange expectation", put + auth + "Expect: everything\r\nContent-Length: 25\r\n\r\n" + site, []int{417}},
		{"giant cookie", get + "Cookie: " + cookieName + "=" + strings.Repeat("x", 15_000) + "\r\n\r\n", []int{200}},
		{"thousand cookies", get + "Cookie: " + strings.Repeat(cookieName+"=x; ", 600) + "\r\n\r\n", []int{200}},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, header, body := b.raw(t, c.request)
			ok := false
			for _, w := range c.want {
				ok = ok || w == status
			}
			if !ok {
				t.Errorf("status %d, want %v: %.200s", status, c.want, body)
			}
			if header.Get("Set-Cookie") != "" {
				t.Errorf("it set a cookie: %v", header)
			}
			if r, _ := b.do(t, "GET", "/healthz", "", nil); r.StatusCode != 200 {
				t.Errorf("the next client gets %d", r.StatusCode)
			}
		})
	}
	if b.controls.site.LatDeg != 0 {
		t.Errorf("one of them set the site: %+v", b.controls.site)
	}
	if s := log.String(); strings.Contains(s, "panic") {
		t.Errorf("log: %s", s)
	}
}

// TestHostileSmuggling: a second request hidden in the first is either not seen as
// one or judged like any other.
func TestHostileSmuggling(t *testing.T) {
	b := start(t, nil)
	hidden := "PUT /api/v1/site HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 25\r\n\r\n" + `{"lat_deg":1,"lon_deg":2}`
	for name, request := range map[string]string{
		"length and chunks": "POST /api/v1/pairing HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + hidden,
		"chunks twice":      "POST /api/v1/pairing HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\nTransfer-Encoding: identity\r\n\r\n0\r\n\r\n" + hidden,
		"body of a read":    fmt.Sprintf("GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: %d\r\n\r\n%s", len(hidden), hidden),
	} {
		if status, _, _ := b.raw(t, request); status >= 500 && status != 501 {
			t.Errorf("%s: %d", name, status)
		}
		if b.controls.site.LatDeg != 0 {
			t.Fatalf("%s: the hidden request was carried out", name)
		}
	}
}

// TestHostilePaths: no spelling of a path leads to a file of the machine, around
// the rule who may read, or to another site.
func TestHostilePaths(t *testing.T) {
	open := start(t, nil)
	closed := start(t, func(o *Options) { o.ReadPaired = true })
	for _, path := range []string{
		"/..", "/../", "/./", "//", "///", "/.", "/../../../../etc/passwd", "/..;/etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/%2e%2e%2f%2e%2e%2fetc%2fpasswd", "/..%5c..%5cetc/passwd", "/%c0%ae%c0%ae/etc/passwd",
		"/app.js/../../access.go", "/web/app.js", "/web/", "/icon.svg%00.html", "/%00", "/%0d%0aSet-Cookie:%20x=1", "/%0aX", "/a%20b", "/%ff%fe", "/\xff\xfe",
		"//evil.example", "//evil.example/", "//evil.example/..", "/\\evil.example", "/%2f%2fevil.example", "/.//evil.example/", "/x/..//evil.example/", "//evil.example/%2e%2e",
		"/api", "/api/", "/api/v1", "/api/v1/", "/api/v1/guidance/", "/api/v1/guidance/.", "/api/v1/guidance/../guidance", "/api//v1/guidance", "//api/v1/guidance", "/x/../api/v1/guidance", "/./api/v1/guidance",
		"/API/V1/GUIDANCE", "/api/v1/guidance;x=y", "/api/v1/guidance%2f", "/api/v1%2fguidance", "/%61pi/v1/guidance", "/api/v1/guidance%00", "/api/v1/guidance%20", "/metrics/", "//metrics", "/%6detrics", "/api/v1/guidance%2fstream", "/api/v1/pairing/../guidance",
		"/" + strings.Repeat("../", 2000), "/" + strings.Repeat("%2e%2e/", 1500), "/" + strings.Repeat("a/", 6000),
	} {
		for _, b := range []*board{open, closed} {
			status, header, body := b.raw(t, "GET "+path+" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
			shown := path
			if len(shown) > 60 {
				shown = shown[:60] + "…"
			}
			if status >= 500 || status == 0 {
				t.Errorf("%s: %d", shown, status)
			}
			if to := header.Get("Location"); to != "" && (!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.HasPrefix(to, "/\\")) {
				t.Errorf("%s leads away, to %q", shown, to)
			}
			if strings.Contains(body, "root:") || strings.Contains(body, "package api") || header.Get("Set-Cookie") != "" {
				t.Errorf("%s: %d %v %.100s", shown, status, header, body)
			}
			if b == closed && (strings.Contains(body, `"axis"`) || strings.Contains(body, "plumbstar_")) {
				t.Errorf("%s reads without pairing: %d %.100s", shown, status, body)
			}
		}
	}
}

func newTextLog(w io.Writer) *slog.Logger { return slog.New(slog.NewTextHandler(w, nil)) }

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
