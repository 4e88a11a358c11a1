package api

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// TestAccess is the table of who may do what, and from where.
func TestAccess(t *testing.T) {
	b := start(t, nil)
	closed := start(t, func(o *Options) { o.ReadPaired = true })
	own := "http://" + b.addr
	write, read := b.token(t, RoleWrite), b.token(t, RoleRead)
	closedRead := closed.token(t, RoleRead)
	const site = `{"lat_deg":51.9,"lon_deg":8.4}`
	h := func(kv ...string) http.Header {
		out := http.Header{}
		for i := 0; i < len(kv); i += 2 {
			out[kv[i]] = append(out[kv[i]], kv[i+1])
		}
		return out
	}
	auth := "Bearer " + write
	cookie := cookieName + "=" + write
	for _, c := range []struct {
		name         string
		on           *board
		method, path string
		body         string
		header       http.Header
		status       int
	}{
		// Reading.
		{"read, open", b, "GET", "/api/v1/guidance", "", nil, 200},
		{"read page", b, "GET", "/", "", nil, 200},
		{"read with a wrong token, open", b, "GET", "/api/v1/guidance", "", h("Authorization", "Bearer x"), 200},
		{"read, paired only", closed, "GET", "/api/v1/guidance", "", nil, 401},
		{"stream, paired only", closed, "GET", streamPath, "", nil, 401},
		{"metrics, paired only", closed, "GET", "/metrics", "", nil, 401},
		{"read with token, paired only", closed, "GET", "/api/v1/guidance", "", h("Authorization", "Bearer "+closedRead), 200},
		{"read with cookie, paired only", closed, "GET", "/api/v1/guidance", "", h("Cookie", cookieName+"="+closedRead), 200},
		{"read with wrong token, paired only", closed, "GET", "/api/v1/guidance", "", h("Authorization", "Bearer "+write), 401},
		{"page, paired only", closed, "GET", "/", "", nil, 200},
		{"healthz, paired only", closed, "GET", "/healthz", "", nil, 200},
		{"pairing status, paired only", closed, "GET", "/api/v1/pairing", "", nil, 200},
		{"description, paired only", closed, "GET", "/openapi.json", "", nil, 200},
		{"odd path, paired only", closed, "GET", "//api/v1/guidance", "", nil, 401},
		{"dotted path, paired only", closed, "GET", "/x/../api/v1/guidance", "", nil, 401},

		// Writing and tokens.
		{"write, no token", b, "PUT", "/api/v1/site", site, nil, 401},
		{"write, token", b, "PUT", "/api/v1/site", site, h("Authorization", auth), 204},
		{"write, lower-case scheme", b, "PUT", "/api/v1/site", site, h("Authorization", "bearer "+write), 204},
		{"write, wrong token", b, "PUT", "/api/v1/site", site, h("Authorization", auth[:len(auth)-1]), 401},
		{"write, longer token", b, "PUT", "/api/v1/site", site, h("Authorization", auth+"A"), 401},
		{"write, empty token", b, "PUT", "/api/v1/site", site, h("Authorization", "Bearer "), 401},
		{"write, basic", b, "PUT", "/api/v1/site", site, h("Authorization", "Basic "+write), 401},
		{"write, token of another board", b, "PUT", "/api/v1/site", site, h("Authorization", "Bearer "+closedRead), 401},
		{"write, read token", b, "PUT", "/api/v1/site", site, h("Authorization", "Bearer "+read), 403},
		{"write, hash as token", b, "PUT", "/api/v1/site", site, h("Authorization", "Bearer "+hashOf(write)), 401},
		{"write, cookie from own page", b, "PUT", "/api/v1/site", site, h("Cookie", cookie, "Origin", own), 204},
		{"write, cookie, browser says same-origin", b, "PUT", "/api/v1/site", site, h("Cookie", cookie, "Sec-Fetch-Site", "same-origin"), 204},
		{"write, cookie, no origin", b, "PUT", "/api/v1/site", site, h("Cookie", cookie), 403},
		{"knobs, no token", b, "POST", "/api/v1/simulated-knobs", `{"altitude_deg":1}`, nil, 401},
		{"delete, no token", b, "DELETE", "/api/v1/site", "{}", nil, 401},
		{"delete, token", b, "DELETE", "/api/v1/site", "{}", h("Authorization", auth), 405},
		{"odd method", b, "BREW", "/api/v1/site", "{}", h("Authorization", auth), 405},
		{"options", b, "OPTIONS", "/api/v1/site", "", nil, 405},

		// Pages of other sites.
		{"cross-site write with cookie", b, "PUT", "/api/v1/site", site, h("Cookie", cookie, "Origin", "http://evil.example"), 403},
		{"cross-site write with token", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Origin", "http://evil.example"), 403},
		{"origin null", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Origin", "null"), 403},
		{"origin of another port", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Origin", "http://127.0.0.1:1"), 403},
		{"origin of another scheme", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Origin", "https://"+b.addr), 403},
		{"two origins", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Origin", own, "Origin", "http://evil.example"), 403},
		{"origin that is no URL", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Origin", "http://%zz"), 403},
		{"sec-fetch cross-site write", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Sec-Fetch-Site", "cross-site"), 403},
		{"sec-fetch same-site write", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Sec-Fetch-Site", "same-site"), 403},
		{"cross-site read", b, "GET", "/api/v1/guidance", "", h("Origin", "http://evil.example"), 403},
		{"cross-site stream", b, "GET", streamPath, "", h("Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "cors"), 403},
		{"link from elsewhere", b, "GET", "/", "", h("Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"), 200},
		{"cross-site pairing", b, "POST", "/api/v1/pairing", `{"code":"12345678"}`, h("Origin", "http://evil.example"), 403},
		{"form of another site", b, "POST", "/api/v1/simulated-knobs", `{"altitude_deg":1}`, h("Authorization", auth, "Content-Type", "text/plain"), 415},
		{"form data", b, "POST", "/api/v1/pairing", `code=12345678`, h("Content-Type", "application/x-www-form-urlencoded"), 415},
		{"multipart", b, "POST", "/api/v1/pairing", `x`, h("Content-Type", "multipart/form-data; boundary=x"), 415},
		{"no content type", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Content-Type", ""), 415},
		{"json with charset", b, "PUT", "/api/v1/site", site, h("Authorization", auth, "Content-Type", "application/json; charset=utf-8"), 204},

		// Names of the board (DNS rebinding).
		{"rebinding host", b, "GET", "/api/v1/guidance", "", h("Host", "evil.example"), 421},
		{"rebinding host with port", b, "GET", "/", "", h("Host", "evil.example:8484"), 421},
		{"rebinding host on write", b, "PUT", "/api/v1/site", site, h("Host", "evil.example", "Origin", "http://evil.example", "Authorization", auth), 421},
		{"host that looks like localhost", b, "GET", "/", "", h("Host", "localhost.evil.example"), 421},
		{"host that holds an address", b, "GET", "/", "", h("Host", "127.0.0.1.evil.example"), 421},
		{"number as host", b, "GET", "/", "", h("Host", "2130706433"), 421},
		{"another .local name", b, "GET", "/", "", h("Host", "other.local"), 421},
		{"own name", b, "GET", "/", "", h("Host", "larkmoor.local:8484"), 200},
		{"own name in capitals, with dot", b, "GET", "/", "", h("Host", "Larkmoor.LOCAL."), 200},
		{"localhost", b, "GET", "/", "", h("Host", "localhost:1"), 200},
		{"IPv4 address", b, "GET", "/", "", h("Host", "192.168.4.1"), 200},
		{"IPv6 address", b, "GET", "/", "", h("Host", "[fe80::1]:8484"), 200},

		// Things that are not there.
		{"no such path", b, "GET", "/etc/passwd", "", nil, 404},
		{"path tricks", b, "GET", "/../../etc/passwd", "", nil, 404},
		{"encoded path tricks", b, "GET", "/%2e%2e/%2e%2e/etc/passwd", "", nil, 404},
		{"page source by folder", b, "GET", "/web/app.js", "", nil, 404},
		{"unused documents", b, "GET", "/docs", "", nil, 404},
		{"schemas", b, "GET", "/schemas/Guidance.json", "", nil, 404},
	} {
		t.Run(c.name, func(t *testing.T) {
			resp, body := c.on.do(t, c.method, c.path, c.body, c.header)
			if resp.StatusCode != c.status {
				t.Errorf("status %d, want %d: %.200s", resp.StatusCode, c.status, body)
			}
			if resp.StatusCode >= 400 && resp.Header.Get("Content-Type") != "application/problem+json" {
				t.Errorf("error as %s: %.200s", resp.Header.Get("Content-Type"), body)
			}
			if resp.StatusCode == 405 && resp.Header.Get("Allow") == "" {
				t.Error("405 without Allow")
			}
			for _, name := range []string{"Content-Security-Policy", "X-Content-Type-Options", "X-Frame-Options", "Referrer-Policy", "Cross-Origin-Resource-Policy"} {
				if resp.Header.Get(name) == "" {
					t.Errorf("no %s", name)
				}
			}
			if resp.Header.Get("Access-Control-Allow-Origin") != "" {
				t.Error("other sites may read")
			}
		})
	}
	csp := contentPolicy
	for _, bad := range []string{"unsafe-inline", "unsafe-eval", "*", "http:", "data:"} {
		if strings.Contains(csp, bad) {
			t.Errorf("the content policy has %s", bad)
		}
	}
}

func TestBodyLimits(t *testing.T) {
	t.Parallel()
	b := start(t, func(o *Options) { o.RequestTimeout = 600 * time.Millisecond })
	auth := bearer(b.token(t, RoleWrite))
	giant := `{"name":"` + strings.Repeat("x", maxBody) + `","lat_deg":1,"lon_deg":2}`
	if r, body := b.do(t, "PUT", "/api/v1/site", giant, auth); r.StatusCode != 413 {
		t.Errorf("giant body: %d %.100s", r.StatusCode, body)
	}
	// The same without a length, as chunks.
	req, err := http.NewRequest("PUT", b.url+"/api/v1/site", io.MultiReader(strings.NewReader(giant)))
	if err != nil {
		t.Fatal(err)
	}
	req.Header = auth.Clone()
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != 413 {
		t.Errorf("giant chunked body: %d", resp.StatusCode)
	}
	deep := strings.Repeat(`[`, maxBody-10)
	if r, body := b.do(t, "PUT", "/api/v1/site", deep, auth); r.StatusCode != 400 {
		t.Errorf("deep body: %d %.100s", r.StatusCode, body)
	}
	// A large header ends before it fills the memory.
	if r, _ := b.do(t, "GET", "/", "", http.Header{"X": {strings.Repeat("y", 64<<10)}}); r.StatusCode != 431 {
		t.Errorf("large header: %d, want 431", r.StatusCode)
	}
}

// TestSlowClients: who sends the request bit by bit is cut in time, whatever
// part of it is slow, and others are served meanwhile.
func TestSlowClients(t *testing.T) {
	t.Parallel()
	const limit = 400 * time.Millisecond
	b := start(t, func(o *Options) { o.RequestTimeout = limit })
	auth := "Authorization: Bearer " + b.token(t, RoleWrite)
	for name, begin := range map[string]string{
		"no request":   "",
		"slow header":  "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ",
		"endless line": "GET /" + strings.Repeat("a", 4000),
		"slow body":    "PUT /api/v1/site HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n" + auth + "\r\nContent-Length: 1000\r\n\r\n{",
	} {
		t.Run(name, func(t *testing.T) {
			conn, err := net.Dial("tcp", b.addr)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			fmt.Fprint(conn, begin)
			ended := make(chan time.Duration, 1)
			at := time.Now()
			go func() {
				_ = conn.SetReadDeadline(at.Add(10 * time.Second))
				_, _ = io.Copy(io.Discard, conn)
				ended <- time.Since(at)
			}()
			if begin != "" {
				go func() {
					for range 100 {
						if _, err := conn.Write([]byte("z")); err != nil {
							return
						}
						time.Sleep(50 * time.Millisecond)
					}
				}()
			}
			if r, _ := b.do(t, "GET", "/api/v1/guidance", "", nil); r.StatusCode != 200 {
				t.Errorf("meanwhile others get %d", r.StatusCode)
			}
			// net/http lingers half a second before it closes after an answer.
			if d := <-ended; d > limit+time.Second {
				t.Errorf("was cut only after %v", d)
			}
		})
	}
}

// TestManyIdleConnections: a crowd that only holds connections keeps nobody
// out and does not grow without bound.
func TestManyIdleConnections(t *testing.T) {
	b := start(t, func(o *Options) { o.MaxConns = 20 })
	stream := b.listen(t, "", 0)
	stream.next(t, time.Second)
	for i := range 200 {
		conn, err := net.Dial("tcp", b.addr)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		if i%2 == 0 {
			fmt.Fprintf(conn, "GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
			_ = conn.SetReadDeadline(time.Now().Add(time.Second))
			if _, err := http.ReadResponse(bufio.NewReader(conn), nil); err != nil {
				t.Fatalf("connection %d gets no answer: %v", i, err)
			}
		}
	}
	if r, _ := b.do(t, "GET", "/api/v1/guidance", "", nil); r.StatusCode != 200 {
		t.Errorf("after the crowd: %d", r.StatusCode)
	}
	waitFor(t, "surplus connections to end", func() bool { return b.conns.count() <= 20 })
	b.source.publish(larkmoor(2))
	for {
		m, ok := stream.next(t, time.Second)
		if !ok {
			t.Fatal("the crowd cost a listener its stream")
		}
		if m.id == "2" {
			break
		}
	}
}

func TestPanicIsAnswered(t *testing.T) {
	b := start(t, nil)
	h := b.catch(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("boom") }))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: h, ReadHeaderTimeout: time.Second}
	go func() { _ = srv.Serve(l) }()
	defer srv.Close()
	resp, err := http.Get("http://" + l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if body, _ := io.ReadAll(resp.Body); resp.StatusCode != 500 || strings.Contains(string(body), "boom") {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
}
