package api

import (
	"bufio"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// neighbour dials from an address of its own (all of 127/8 is this machine).
func (b *board) neighbour(t *testing.T, last byte) net.Conn {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, last)}}
	conn, err := d.Dial("tcp", b.addr)
	if err != nil {
		t.Skipf("no second address on this machine: %v", err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// answer is the status of one request on a connection, 0 when there is none.
func answer(conn net.Conn, path string) int {
	_ = conn.SetDeadline(time.Now().Add(2 * time.Second))
	if _, err := fmt.Fprintf(conn, "GET %s HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", path); err != nil {
		return 0
	}
	resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		return 0
	}
	return resp.StatusCode
}

// TestHostileSlowCrowd: one neighbour that holds every connection with requests
// that never end keeps nobody else out.
func TestHostileSlowCrowd(t *testing.T) {
	const most = 20
	for name, begin := range map[string]string{
		"headers": "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ",
		"bodies":  "POST /api/v1/pairing HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{",
	} {
		t.Run(name, func(t *testing.T) {
			b := start(t, func(o *Options) { o.MaxConns = most })
			for range 2 * most {
				fmt.Fprint(b.neighbour(t, 66), begin)
			}
			// Before its header is complete, net/http does not call a request one.
			waitFor(t, "the crowd", func() bool { return b.conns.count() >= most && (name == "headers" || b.busy() >= most) })
			for k := range 3 {
				if got := answer(b.neighbour(t, 1), "/api/v1/guidance"); got != 200 {
					t.Errorf("the owner's request %d: %d", k+1, got)
				}
			}
			if n := b.conns.count(); n > most {
				t.Errorf("%d connections are open, at most %d are meant to be", n, most)
			}
		})
	}
}

// busy counts connections with a request.
func (s *Server) busy() (n int) {
	s.conns.mu.Lock()
	defer s.conns.mu.Unlock()
	for _, x := range s.conns.open {
		if x.busy {
			n++
		}
	}
	return n
}

// TestHostileStreamCrowd: one neighbour that takes all places at the live stream
// has to give one up to each other device, and gets none back.
func TestHostileStreamCrowd(t *testing.T) {
	b := start(t, func(o *Options) { o.MaxStreams = 4; o.Heartbeat = 20 * time.Millisecond })
	for range 4 {
		if got := answer(b.neighbour(t, 66), streamPath); got != 200 {
			t.Fatalf("the crowd's stream: %d", got)
		}
	}
	if got := answer(b.neighbour(t, 66), streamPath); got != 503 {
		t.Errorf("one more: %d, want 503", got)
	}
	if got := answer(b.neighbour(t, 1), streamPath); got != 200 {
		t.Errorf("the owner's stream: %d", got)
	}
	waitFor(t, "the neighbour's oldest stream to end", func() bool { return b.hub.listeners.Load() == 4 })
	for range 3 {
		if got := answer(b.neighbour(t, 66), streamPath); got != 503 {
			t.Errorf("the neighbour takes a place back: %d, want 503", got)
		}
	}
	// A second device of the household is let in, too: two against three.
	if got := answer(b.neighbour(t, 2), streamPath); got != 200 {
		t.Errorf("another device: %d", got)
	}
}

// TestHostileStreamRequests: what a stream is asked with changes nothing but, at
// most, the answer to whoever asks.
func TestHostileStreamRequests(t *testing.T) {
	b := start(t, nil)
	for _, h := range []string{
		"Last-Event-ID: -1", "Last-Event-ID: 18446744073709551616", "Last-Event-ID: NaN", "Last-Event-ID: 1e9", "Last-Event-ID: " + strings.Repeat("9", 8000), "Last-Event-ID: \tx\x80\xff",
		"Accept: text/html", "Accept-Encoding: gzip, br", "Connection: close", "Content-Length: 0", "Range: bytes=0-1",
	} {
		m, ok := b.listen(t, h+"\r\n", 0).next(t, time.Second)
		if !ok || m.id != "1" || !m.guidance(t).Move.Raise.Known {
			t.Errorf("%.60q: %v %+v", h, ok, m)
		}
	}
	for q, want := range map[string]int{"?x=%00": 422, "?events=": 200, "?events=new&events=new": 422, "?%zz": 422, "?" + strings.Repeat("a&", 3000): 422} {
		conn, err := net.Dial("tcp", b.addr)
		if err != nil {
			t.Fatal(err)
		}
		if got := answer(conn, streamPath+q); got != want {
			t.Errorf("%.40s: %d, want %d", q, got, want)
		}
		conn.Close()
	}
	for _, method := range []string{"POST", "PUT", "DELETE", "PATCH"} {
		if r, _ := b.do(t, method, streamPath, "{}", bearer(b.token(t, RoleWrite))); r.StatusCode != 405 {
			t.Errorf("%s: %d", method, r.StatusCode)
		}
	}
}

// TestHostileGuessing: a token cannot be found by trying, nor by the time that a
// wrong one takes; a code cannot either, and guessers lock out only themselves.
func TestHostileGuessing(t *testing.T) {
	b := start(t, nil)
	token := b.token(t, RoleWrite)
	if len(token) < 43 { // 256 bits in base64
		t.Fatalf("a token of %d characters", len(token))
	}
	const site = `{"lat_deg":1,"lon_deg":2}`
	for k := range len(token) {
		guess := token[:k] + "~" + token[k+1:]
		if r, _ := b.do(t, "PUT", "/api/v1/site", site, bearer(guess)); r.StatusCode != 401 {
			t.Fatalf("token with a wrong character %d: %d", k, r.StatusCode)
		}
	}
	// What is right of a guess must not show in the time: all are hashed before
	// they are compared, so the work cannot depend on it.
	for _, g := range []string{"", "x", token[:42], token + "x"} {
		if _, ok := b.pairing.Check(g); ok {
			t.Errorf("%q opens", g)
		}
	}
	code := issue(t, b.pairing, fiveMinutes())
	pair := func(last byte, code string) int {
		conn := b.neighbour(t, last)
		defer conn.Close()
		body := fmt.Sprintf(`{"code":%q}`, code)
		fmt.Fprintf(conn, "POST /api/v1/pairing HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Forwarded-For: 10.0.0.%d\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s", last, len(body), body)
		_ = conn.SetReadDeadline(time.Now().Add(2 * time.Second))
		resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
		if err != nil {
			return 0
		}
		return resp.StatusCode
	}
	for range codeTriesDevice {
		pair(66, wrong(code))
	}
	if got := pair(66, code); got != 429 {
		t.Errorf("the guesser with the right code: %d, want 429", got)
	}
	// The owner's phone is another device, and a new code frees the first as well.
	if got := pair(67, wrong(code)); got != 403 {
		t.Errorf("the owner's slip of the finger: %d, want 403", got)
	}
	if got := pair(67, code); got != 200 {
		t.Errorf("the owner with the right code: %d", got)
	}
	if got := pair(66, issue(t, b.pairing, fiveMinutes())); got != 200 {
		t.Errorf("the first device with a new code: %d", got)
	}
}

// TestHostileNames: what a paired device sends as a name stays one line of plain
// text wherever it appears.
func TestHostileNames(t *testing.T) {
	var log lockedBuffer
	b := start(t, func(o *Options) { o.Log = newTextLog(&log) })
	auth := bearer(b.token(t, RoleWrite))
	for sent, want := range map[string]string{
		`Lark\r\nSet-Cookie: x=1`: "Lark Set-Cookie: x=1", `\u0000moor\u001b[31m`: "moor[31m", ` \u202eroom `: "room", `<b>&\"'`: `<b>&"'`, `\ud800`: "\ufffd",
	} {
		if r, body := b.do(t, "PUT", "/api/v1/site", `{"lat_deg":1,"lon_deg":2,"name":"`+sent+`"}`, auth); r.StatusCode != 204 {
			t.Fatalf("%s: %d %s", sent, r.StatusCode, body)
		}
		if b.controls.name != want {
			t.Errorf("%s became %q, want %q", sent, b.controls.name, want)
		}
	}
	code := issue(t, b.pairing, fiveMinutes())
	if r, body := b.do(t, "POST", "/api/v1/pairing", fmt.Sprintf(`{"code":%q,"name":"a\r\nlevel=ERROR msg=forged\u001b[2J"}`, code), nil); r.StatusCode != 200 {
		t.Fatalf("%d %s", r.StatusCode, body)
	}
	if lines := strings.Split(strings.TrimSpace(log.String()), "\n"); len(lines) != 1 || strings.ContainsAny(lines[0], "\x1b\r") || !strings.HasPrefix(lines[0], "time=") {
		t.Errorf("log: %q", lines)
	}
	// Host and path come back in refusals, as JSON that no browser takes for a page.
	for path, host := range map[string]string{"/<script>alert(1)</script>": "127.0.0.1", "/": `<img src=x onerror=alert(1)>`} {
		_, header, body := b.raw(t, "GET "+path+" HTTP/1.1\r\nHost: "+host+"\r\n\r\n")
		if header.Get("Content-Type") == "text/html" || strings.Contains(body, "<script") || strings.Contains(body, "<img") {
			t.Errorf("%s at %s: %v %s", path, host, header, body)
		}
	}
}

// TestContentPolicy: each directive says what it must; what is not named is
// forbidden.
func TestContentPolicy(t *testing.T) {
	b := start(t, nil)
	want := map[string]string{
		"default-src": "'none'", "script-src": "'self'", "style-src": "'self'", "img-src": "'self'", "connect-src": "'self'", "manifest-src": "'self'",
		"base-uri": "'none'", "form-action": "'none'", "frame-ancestors": "'none'",
	}
	for _, path := range []string{"/", "/api/v1/guidance", "/openapi.json", "/metrics", "/healthz", "/nothing"} {
		r, _ := b.do(t, "GET", path, "", nil)
		got := map[string]string{}
		for _, d := range strings.Split(r.Header.Get("Content-Security-Policy"), ";") {
			name, value, _ := strings.Cut(strings.TrimSpace(d), " ")
			got[name] = value
		}
		for name, value := range want {
			if got[name] != value {
				t.Errorf("%s: %s is %q, want %q", path, name, got[name], value)
			}
		}
		if len(got) != len(want) {
			t.Errorf("%s: directives that nobody asked for: %v", path, got)
		}
		for name, value := range map[string]string{
			"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer", "Cross-Origin-Resource-Policy": "same-origin",
		} {
			if r.Header.Get(name) != value {
				t.Errorf("%s: %s is %q", path, name, r.Header.Get(name))
			}
		}
		if r.Header.Get("Server") != "" {
			t.Errorf("%s tells what serves it: %q", path, r.Header.Get("Server"))
		}
	}
}
