package api

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbstar/daemon"
)

// sse reads one stream. Lines are those of the HTML standard, "Server-sent events".
type sse struct {
	conn net.Conn
	r    *bufio.Reader
}

// listen opens the stream over a plain connection, whose receive buffer can be
// made small.
func (b *board) listen(t testing.TB, header string, receive int) *sse {
	t.Helper()
	d := net.Dialer{}
	if receive > 0 {
		d.Control = smallReceiveBuffer(receive)
	}
	conn, err := d.Dial("tcp", b.addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	fmt.Fprintf(conn, "GET %s HTTP/1.1\r\nHost: %s\r\n%s\r\n", streamPath, b.addr, header)
	s := &sse{conn: conn, r: bufio.NewReader(conn)}
	resp, err := http.ReadResponse(s.r, nil)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" || resp.Header.Get("Cache-Control") != "no-store" {
		t.Fatalf("stream answers %s, %v", resp.Status, resp.Header)
	}
	s.r = bufio.NewReader(resp.Body)
	return s
}

type message struct {
	id, comment string
	data        string
}

// next is the next event or comment.
func (s *sse) next(t testing.TB, patience time.Duration) (m message, ok bool) {
	t.Helper()
	if err := s.conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	for {
		line, err := s.r.ReadString('\n')
		if err != nil {
			return m, false
		}
		line = strings.TrimSuffix(line, "\n")
		field, value, _ := strings.Cut(line, ":")
		value = strings.TrimPrefix(value, " ")
		switch {
		case line == "":
			return m, true
		case field == "":
			m.comment = value
		case field == "id":
			m.id = value
		case field == "data":
			m.data += value
		case field == "retry":
		default:
			t.Fatalf("line %q is no field of an event", line)
		}
	}
}

func (m message) guidance(t testing.TB) Guidance {
	t.Helper()
	var g Guidance
	if err := json.Unmarshal([]byte(m.data), &g); err != nil {
		t.Fatalf("%v: %s", err, m.data)
	}
	return g
}

func (m message) seq(t testing.TB) uint64 {
	t.Helper()
	n, err := strconv.ParseUint(m.id, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestStreamWholeStateFirst(t *testing.T) {
	b := start(t, func(o *Options) { o.Heartbeat = time.Hour; o.EventInterval = time.Millisecond })
	s := b.listen(t, "Last-Event-ID: 77\r\n", 0)
	m, ok := s.next(t, time.Second)
	if !ok || m.id != "1" {
		t.Fatalf("first event %+v", m)
	}
	if g := m.guidance(t); g.Axis.Altitude.Value != 51.52 || len(g.GoodFor) != 3 || g.State != "steady" {
		t.Errorf("the first event is not the whole state: %s", m.data)
	}
	for seq := uint64(2); seq < 6; seq++ {
		b.source.publish(larkmoor(seq))
		m, ok := s.next(t, time.Second)
		for ok && m.id == fmt.Sprint(seq-1) {
			m, ok = s.next(t, time.Second) // the first beat may say the newest again
		}
		if !ok || m.id != fmt.Sprint(seq) {
			t.Fatalf("event %d came as %+v", seq, m)
		}
		time.Sleep(2 * time.Millisecond)
	}
	// A listener that comes back with the id of the newest gets it again.
	s.conn.Close()
	if m, ok := b.listen(t, "Last-Event-ID: 5\r\n", 0).next(t, time.Second); !ok || m.id != "5" || m.data == "" {
		t.Errorf("after coming back: %+v", m)
	}
}

func TestStreamHeartbeatAndRepeat(t *testing.T) {
	b := start(t, func(o *Options) { o.Heartbeat = 40 * time.Millisecond; o.SilentAfter = 150 * time.Millisecond })
	s := b.listen(t, "", 0)
	beats, events, withdrawn := 0, 0, false
	for end := time.Now().Add(600 * time.Millisecond); time.Now().Before(end); {
		m, ok := s.next(t, time.Second)
		if !ok {
			t.Fatal("the stream fell silent")
		}
		if m.comment != "" {
			beats++
			continue
		}
		events++
		g := m.guidance(t)
		if g.State == "lost" {
			withdrawn = true
			if g.Move.Raise.Known || g.Axis.Altitude.Known || m.id != "1-silent" {
				t.Fatalf("silent loop, but %s: %s", m.id, m.data)
			}
		} else if withdrawn {
			t.Fatal("numbers came back without news")
		}
	}
	if beats < 5 || events < 5 || !withdrawn {
		t.Errorf("%d beats, %d events, withdrawn: %v", beats, events, withdrawn)
	}
	b.source.publish(larkmoor(2))
	for range 20 {
		if m, _ := s.next(t, time.Second); m.id == "2" {
			if !m.guidance(t).Move.Raise.Known {
				t.Error("numbers stay withdrawn after news")
			}
			return
		}
	}
	t.Error("news did not arrive after the silence")
}

// TestStreamInterval: a fast source does not make a fast stream, and the last
// of a burst arrives.
func TestStreamInterval(t *testing.T) {
	b := start(t, func(o *Options) { o.EventInterval = 50 * time.Millisecond; o.Heartbeat = time.Hour })
	s := b.listen(t, "", 0)
	s.next(t, time.Second)
	go func() {
		for n := uint64(2); n <= 100; n++ {
			b.source.publish(larkmoor(n))
			time.Sleep(3 * time.Millisecond)
		}
	}()
	begin, events := time.Now(), 0
	for {
		m, ok := s.next(t, time.Second)
		if !ok {
			t.Fatal("the newest snapshot never arrived")
		}
		events++
		if m.id == "100" {
			break
		}
	}
	if limit := int(time.Since(begin)/(50*time.Millisecond)) + 2; events > limit {
		t.Errorf("%d events in %v, at most %d are due", events, time.Since(begin), limit)
	}
}

// TestStreamSlowReader: a reader that stops does not hold up the others or the
// source; when it reads again, it has missed what it would have had to queue.
func TestStreamSlowReader(t *testing.T) {
	b := start(t, func(o *Options) {
		o.EventInterval = time.Nanosecond
		o.Heartbeat = time.Hour
		o.StreamWriteTimeout = 20 * time.Second
	})
	slow := b.listen(t, "", 4<<10)
	fast := b.listen(t, "", 0)
	for _, s := range []*sse{slow, fast} {
		if m, ok := s.next(t, time.Second); !ok || m.id != "1" {
			t.Fatalf("first event %+v", m)
		}
	}
	const last = 1000
	var publishing time.Duration
	for n := uint64(2); n <= last; n++ {
		at := time.Now()
		b.source.publish(larkmoor(n))
		publishing = max(publishing, time.Since(at))
		for {
			m, ok := fast.next(t, 2*time.Second)
			if !ok {
				t.Fatalf("the fast reader starves at %d", n)
			}
			if m.seq(t) == n {
				break
			}
		}
	}
	if publishing > 200*time.Millisecond {
		t.Errorf("publishing took %v while a reader slept", publishing)
	}
	got := 0
	for {
		m, ok := slow.next(t, 5*time.Second)
		if !ok {
			t.Fatalf("the slow reader never got the newest; %d events", got)
		}
		got++
		if m.seq(t) == last {
			break
		}
	}
	t.Logf("the slow reader got %d of %d events; longest publish %v", got, last-1, publishing)
	if got > 60 {
		t.Errorf("%d old events were queued for a slow reader", got)
	}
}

// TestStreamStuckReaderIsCut: a reader that takes nothing loses its place.
func TestStreamStuckReaderIsCut(t *testing.T) {
	b := start(t, func(o *Options) {
		o.EventInterval = time.Millisecond
		o.Heartbeat = 10 * time.Millisecond
		o.StreamWriteTimeout = 100 * time.Millisecond
	})
	b.listen(t, "", 4<<10)
	waitFor(t, "the listener", func() bool { return b.hub.listeners.Load() == 1 })
	for n, end := uint64(2), time.Now().Add(10*time.Second); b.hub.listeners.Load() > 0; n++ {
		if time.Now().After(end) {
			t.Fatal("a reader that takes nothing keeps its place")
		}
		b.source.publish(larkmoor(n))
		time.Sleep(2 * time.Millisecond)
	}
	if b.hub.dropped.Load() != 1 {
		t.Errorf("%d slow readers counted, want 1", b.hub.dropped.Load())
	}
}

func TestStreamPlaces(t *testing.T) {
	b := start(t, func(o *Options) { o.MaxStreams = 2 })
	first := b.listen(t, "", 0)
	b.listen(t, "", 0)
	resp, body := b.do(t, http.MethodGet, streamPath, "", nil)
	if resp.StatusCode != 503 || resp.Header.Get("Retry-After") == "" || resp.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("third listener: %s %v %s", resp.Status, resp.Header, body)
	}
	first.conn.Close()
	waitFor(t, "a free place", func() bool { return b.hub.listeners.Load() == 1 })
	b.listen(t, "", 0)
	if r, body := b.do(t, http.MethodHead, streamPath, "", nil); r.StatusCode != 200 || len(body) != 0 {
		t.Errorf("HEAD: %s %q", r.Status, body)
	}
}

// TestStreamOutlivesRequestLimits: the time limits for requests do not end it.
func TestStreamOutlivesRequestLimits(t *testing.T) {
	t.Parallel()
	const limit = 300 * time.Millisecond
	b := start(t, func(o *Options) { o.RequestTimeout, o.Heartbeat = limit, 50*time.Millisecond })
	s := b.listen(t, "", 0)
	for end := time.Now().Add(3 * limit); time.Now().Before(end); {
		if _, ok := s.next(t, 3*time.Second); !ok {
			t.Fatal("the stream ended by itself")
		}
	}
}

func TestServeEndsStreams(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	p, err := OpenPairingDir(t.TempDir()+"/access", time.Now)
	if err != nil {
		t.Fatal(err)
	}
	srv, err := New(Options{Source: &fakeSource{snap: larkmoor(1)}, Pairing: p, Now: time.Now, Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(ctx, l) }()
	b := &board{Server: srv, addr: l.Addr().String()}
	s := b.listen(t, "", 0)
	s.next(t, time.Second)
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(2 * time.Second):
		t.Fatal("an open stream keeps the server from ending")
	}
}

// TestStreamManyListeners measures from publishing to reading, with 100
// listeners at 10 events a second.
func TestStreamManyListeners(t *testing.T) {
	b := start(t, func(o *Options) { o.EventInterval = 50 * time.Millisecond })
	const listeners, events = 100, 15
	var published sync.Map // seq -> time
	var mu sync.Mutex
	var delays []time.Duration
	var wg sync.WaitGroup
	for range listeners {
		s := b.listen(t, "", 0)
		wg.Go(func() {
			for n := 0; n < events; {
				m, ok := s.next(t, 5*time.Second)
				if !ok {
					t.Error("a listener was cut")
					return
				}
				if at, ok := published.Load(m.id); ok && m.data != "" {
					mu.Lock()
					delays = append(delays, time.Since(at.(time.Time)))
					mu.Unlock()
					n++
				}
			}
		})
	}
	stop := make(chan struct{})
	go func() { wg.Wait(); close(stop) }()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for n := uint64(2); ; n++ {
		select {
		case <-stop:
			p50, p99 := quantile(delays, 0.5), quantile(delays, 0.99)
			t.Logf("%d deliveries: median %v, 99 %% under %v", len(delays), p50, p99)
			if p50 > 100*time.Millisecond {
				t.Errorf("median delay %v", p50)
			}
			return
		case <-tick.C:
			published.Store(formatSeq(n), time.Now())
			b.source.publish(larkmoor(n))
		}
	}
}

func TestSourceThatEnds(t *testing.T) {
	b := start(t, func(o *Options) {
		o.Source = endedSource{}
		o.Heartbeat = 20 * time.Millisecond
		o.SilentAfter = 50 * time.Millisecond
	})
	s := b.listen(t, "", 0)
	for range 50 {
		if m, ok := s.next(t, time.Second); ok && strings.HasSuffix(m.id, "-silent") {
			return
		}
	}
	t.Error("a source that ended was never called silent")
}

type endedSource struct{}

func (endedSource) Latest() *daemon.Snapshot { return larkmoor(5) }
func (endedSource) Subscribe(context.Context) <-chan *daemon.Snapshot {
	c := make(chan *daemon.Snapshot)
	close(c)
	return c
}
