package alarms

import (
	"context"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"log"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
)

// TestSignature: cases 1 and 2 of RFC 4231, section 4 (typed from memory).
func TestSignature(t *testing.T) {
	for _, c := range []struct{ key, data, want string }{
		{strings.Repeat("\x0b", 20), "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{"Jefe", "what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
	} {
		if got := signature([]byte(c.data), c.key); got != c.want {
			t.Errorf("%s: %s", c.data, got)
		}
	}
}

// receiver is a web server that can misbehave.
type receiver struct {
	mu     sync.Mutex
	mode   string
	got    []Message
	tries  int
	header http.Header
	raw    []byte
	free   chan struct{} // ends hanging
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	r.mu.Lock()
	mode := r.mode
	r.tries++
	r.mu.Unlock()
	switch mode {
	case "hang":
		select {
		case <-r.free:
		case <-req.Context().Done():
		}
		return
	case "cut":
		panic(http.ErrAbortHandler)
	case "500", "503", "400", "401", "404", "307":
		var code int
		fmt.Sscan(mode, &code)
		w.Header().Set("Location", "http://elsewhere.invalid/take?token=secret-path")
		w.Header().Set("Retry-After", "0")
		w.WriteHeader(code)
		return
	}
	var m Message
	if err == nil {
		err = json.Unmarshal(body, &m)
	}
	if err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got, r.header, r.raw = append(r.got, m), req.Header, body
	w.WriteHeader(http.StatusNoContent)
}

func (r *receiver) behave(mode string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mode, r.tries = mode, 0
}

func (r *receiver) tried() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.tries
}

func (r *receiver) ids() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	var ids []string
	for _, m := range r.got {
		if len(ids) == 0 || ids[len(ids)-1] != m.ID { // at least once
			ids = append(ids, m.ID)
		}
	}
	return ids
}

func event(id uint64, s daemon.Severity) daemon.Event {
	return daemon.Event{
		ID: id, Time: time.Date(2026, 11, 20, 20, 0, 0, 0, time.UTC), TimeSure: true, Kind: "knock", Severity: s,
		Text: "The axis moved by 0.10°.", Numbers: map[string]float64{"size_deg": 0.10004, "size_sigma_deg": 1e-9, "bad": math.NaN()}, Finding: int(id), Final: true,
	}
}

// TestNoAlarmIsLost: through a server that is absent, hangs, cuts, fails and
// refuses for now, and then recovers, every alarm arrives, in order; and telling
// never waits for any of it.
func TestNoAlarmIsLost(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	src := newFakeSource()
	a, _ := start(t, options(src, func(s *config.Alarms) { s.Webhook.URL = "http://" + addr + "/hook" }))
	var want []string
	tell := func(n int) {
		for range n {
			id := uint64(len(want) + 1)
			src.events <- event(id, daemon.Moved) // taken at once, or the test hangs
			want = append(want, fmt.Sprintf("run-%d", id))
		}
	}
	tell(20)
	waitFor(t, "refused connections", func() bool { return statusOf(t, a, "webhook").Failed >= 2 })
	if s := statusOf(t, a, "webhook"); s.State != Retrying || s.Queued != 20 || !strings.Contains(s.Why, "connection refused") || s.LastFailure.IsZero() {
		t.Errorf("while nobody listens: %+v", s)
	}
	r := &receiver{mode: "hang", free: make(chan struct{})}
	if l, err = net.Listen("tcp", addr); err != nil {
		t.Skipf("the port was taken meanwhile: %v", err)
	}
	srv := httptest.NewUnstartedServer(r)
	srv.Listener.Close()
	srv.Listener = l
	srv.Start()
	defer srv.Close()
	defer close(r.free)
	for _, mode := range []string{"hang", "cut", "500", "503", "401", "404", "307"} {
		r.behave(mode)
		tell(10)
		waitFor(t, "attempts while "+mode, func() bool { return r.tried() >= 2 })
	}
	if got := r.ids(); len(got) != 0 {
		t.Fatalf("%v arrived where nothing could", got)
	}
	if s := statusOf(t, a, "webhook"); s.Queued != len(want) || s.Dropped != 0 || s.Refused != 0 {
		t.Errorf("before the recovery: %+v", s)
	}
	if s := statusOf(t, a, "webhook"); strings.Contains(s.Why, "secret-path") || !strings.Contains(s.Why, "elsewhere.invalid") {
		t.Errorf("redirect: %s", s.Why)
	}
	r.behave("")
	tell(5)
	waitFor(t, "all alarms", func() bool { return len(r.ids()) == len(want) })
	if got := r.ids(); strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("arrived %v\nwant    %v", got, want)
	}
	waitFor(t, "an empty queue", func() bool { return statusOf(t, a, "webhook").State == Ready })
	if s := statusOf(t, a, "webhook"); s.Queued != 0 || s.Sent != uint64(len(want)) || s.LastSuccess.IsZero() || s.Why != "" {
		t.Errorf("after the recovery: %+v", s)
	}
}

// TestRefusedMessageMakesWay: what a receiver will never take holds up the others
// for a few attempts only, and is counted.
func TestRefusedMessageMakesWay(t *testing.T) {
	t.Parallel()
	r := &receiver{mode: "400"}
	srv := httptest.NewServer(r)
	defer srv.Close()
	src := newFakeSource()
	a, _ := start(t, options(src, func(s *config.Alarms) { s.Webhook.URL = srv.URL }))
	src.events <- event(1, daemon.Moved)
	waitFor(t, "the end of patience", func() bool { return statusOf(t, a, "webhook").Refused == 1 })
	if n := r.tried(); n != patience {
		t.Errorf("tried %d times, want %d", n, patience)
	}
	r.behave("")
	src.events <- event(2, daemon.Moved)
	waitFor(t, "the next", func() bool { return len(r.ids()) == 1 })
}

func TestWebhookSaysWhoAndWhat(t *testing.T) {
	t.Parallel()
	const secret = "larkmoor-owl-77"
	for _, auth := range []string{config.NoAuth, config.AuthHMAC, config.AuthBearer} {
		r := &receiver{}
		srv := httptest.NewUnstartedServer(r)
		srv.Config.ErrorLog = log.New(io.Discard, "", 0)
		srv.StartTLS()
		defer srv.Close()
		ca := filepath.Join(t.TempDir(), "ca.pem")
		if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: srv.Certificate().Raw}), 0o600); err != nil {
			t.Fatal(err)
		}
		w, err := newWebhook(config.Webhook{URL: srv.URL + "/a/b?c=d", Auth: auth, Secret: secret, CAFile: ca, TimeoutS: 5}, "plumbstar/test")
		if err != nil {
			t.Fatal(err)
		}
		m := (&Alarms{o: Options{Run: "run", Board: "larkmoor"}}).message(new(event(3, daemon.Moved)))
		if err := w.send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		h := r.header
		if h.Get("Content-Type") != "application/json" || h.Get("Idempotency-Key") != `"run-3"` || h.Get("User-Agent") != "plumbstar/test" {
			t.Errorf("headers %v", h)
		}
		sign, bearer := "", ""
		switch auth {
		case config.AuthHMAC:
			sign = "sha256=" + signature(r.raw, secret)
		case config.AuthBearer:
			bearer = "Bearer " + secret
		}
		if h.Get("Plumbstar-Signature") != sign || h.Get("Authorization") != bearer {
			t.Errorf("%s: %v", auth, h)
		}
		const want = `{"id":"run-3","board":"larkmoor","time":"2026-11-20T20:00:00Z","kind":"knock","severity":"moved","text":"The axis moved by 0.10°.","numbers":{"size_deg":0.1,"size_sigma_deg":0.0001},"finding":3,"final":true,"quiet":false,"trial":false}`
		if string(r.raw) != want {
			t.Errorf("got  %s\nwant %s", r.raw, want)
		}
		// Without the authority, nothing is sent.
		strange, err := newWebhook(config.Webhook{URL: srv.URL, Auth: auth, Secret: secret, TimeoutS: 5}, "")
		if err != nil {
			t.Fatal(err)
		}
		if err := strange.send(t.Context(), m); err == nil || !strings.Contains(err.Error(), "certificate") {
			t.Errorf("a certificate that nobody vouches for: %v", err)
		}
	}
}

// TestErrorsDoNotShowTheAddress: what follows the host is often the key to the
// receiver.
func TestErrorsDoNotShowTheAddress(t *testing.T) {
	t.Parallel()
	answers := make(chan string, 1)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b := make([]byte, 4096)
			_, _ = c.Read(b)
			_, _ = io.WriteString(c, <-answers)
			c.Close()
		}
	}()
	w, err := newWebhook(config.Webhook{URL: "http://" + l.Addr().String() + "/key-77?key-78", Auth: config.AuthBearer, Secret: "key-79-long", TimeoutS: 1}, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, answer := range []string{
		"", "nonsense\r\n\r\n", "HTTP/1.1 500 no\r\n\r\n", "HTTP/1.1 200", "HTTP/1.1 302 x\r\nLocation: /key-77\r\n\r\n",
		"HTTP/1.1 200 OK\r\n" + strings.Repeat("X: "+strings.Repeat("y", 1000)+"\r\n", 100) + "\r\n", "\x16\x03\x01",
	} {
		answers <- answer
		err := w.send(t.Context(), message(1, moved))
		if err == nil || strings.Contains(err.Error(), "key-7") || !strings.Contains(err.Error(), w.target) || strings.Contains(err.Error(), "\n") {
			t.Errorf("answer %.20q: %v", answer, err)
		}
	}
	for _, answer := range []string{"HTTP/1.1 204 x\r\n\r\n", "HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 200 OK\r\nContent-Length: 99999999\r\n\r\nx", "HTTP/1.0 200 OK\r\n\r\n"} {
		answers <- answer
		if err := w.send(t.Context(), message(1, moved)); err != nil {
			t.Errorf("answer %.20q: %v", answer, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := w.send(ctx, message(1, moved)); err == nil || strings.Contains(err.Error(), "key-7") {
		t.Errorf("cancelled: %v", err)
	}
}

func FuzzWebhookAnswer(f *testing.F) {
	f.Add([]byte("HTTP/1.1 204 No Content\r\n\r\n"))
	f.Add([]byte("HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 503 Busy\r\nRetry-After: 99999999999999\r\n\r\n"))
	f.Add([]byte("HTTP/1.1 307 x\r\nLocation: http://[::1\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffff"))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { l.Close() })
	answers := make(chan []byte)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			_, _ = c.Write(<-answers)
			_ = c.(*net.TCPConn).CloseWrite()
			_, _ = io.Copy(io.Discard, c)
			c.Close()
		}
	}()
	w, err := newWebhook(config.Webhook{URL: "http://" + l.Addr().String() + "/key-77", TimeoutS: 5}, "")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		go func() { answers <- b }()
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		err := w.send(ctx, message(1, moved))
		if ctx.Err() != nil {
			t.Fatal("hangs")
		}
		if len(b) < 12 && err == nil {
			t.Fatalf("%q counts as received", b)
		}
	})
}
