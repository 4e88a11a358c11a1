package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// loadPlan is what the clients of TestLoad do in one phase.
type loadPlan struct {
	Name                             string
	Listeners, Requests, Stuck, Idle int
	Seconds                          float64
}

// loadResult is what they saw, delays in milliseconds.
type loadResult struct {
	Events, Answers, Failed            uint64
	EventP50MS, EventP99MS, EventMaxMS float64
	AnswerP50MS, AnswerP99MS           float64
}

// loadPaths are what the requests ask for: mostly what a page asks.
var loadPaths = []string{"api/v1/guidance", "api/v1/health", "api/v1/site", "api/v1/clock", "api/v1/watch", "", "metrics", "api/v1/kit"}

func runLoadClients(t *testing.T, url string, p loadPlan) (r loadResult) {
	t.Helper()
	plan, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("nice", "-n", "10", os.Args[0], "-test.run=^TestLoadClients$", "-test.timeout=0")
	c.Env = append(os.Environ(), loadRole+"="+string(plan), loadURL+"="+url)
	c.Stderr = os.Stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("the clients: %v: %s", err, out)
	}
	for line := range strings.Lines(string(out)) {
		if text, ok := strings.CutPrefix(line, "result "); ok {
			if err := json.Unmarshal([]byte(text), &r); err != nil {
				t.Fatal(err)
			}
			return r
		}
	}
	t.Fatalf("the clients say %s", out)
	return r
}

// TestLoadClients is the clients' process.
func TestLoadClients(t *testing.T) {
	var p loadPlan
	if json.Unmarshal([]byte(os.Getenv(loadRole)), &p) != nil {
		t.Skip("a part of TestLoad")
	}
	url := os.Getenv(loadURL)
	addr := strings.TrimSuffix(strings.TrimPrefix(url, "http://"), "/")
	dial := func() net.Conn {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Error(err)
			return nil
		}
		return c
	}
	for range p.Idle {
		if c := dial(); c != nil {
			defer c.Close()
		}
	}
	for range p.Stuck {
		if c := dial(); c != nil {
			defer c.Close()
			fmt.Fprintf(c, "GET /api/v1/guidance/stream HTTP/1.1\r\nHost: %s\r\n\r\n", addr)
		}
	}
	end := time.Now().Add(time.Duration(p.Seconds * float64(time.Second)))
	var wg sync.WaitGroup
	events := make([][]time.Duration, p.Listeners)
	for k := range events {
		wg.Go(func() { events[k] = follow(t, dial(), addr, end) })
	}
	const workers = 20
	answers := make([][]time.Duration, workers)
	var failed atomic.Uint64
	if p.Requests > 0 {
		for k := range answers {
			wg.Go(func() { answers[k] = ask(url, k, workers, p.Requests, end, &failed) })
		}
	}
	wg.Wait()
	r := loadResult{Failed: failed.Load()}
	all := slices.Concat(events...)
	slices.Sort(all)
	r.Events = uint64(len(all))
	r.EventP50MS, r.EventP99MS, r.EventMaxMS = delayMS(all, 0.5), delayMS(all, 0.99), delayMS(all, 1)
	all = slices.Concat(answers...)
	slices.Sort(all)
	r.Answers = uint64(len(all))
	r.AnswerP50MS, r.AnswerP99MS = delayMS(all, 0.5), delayMS(all, 0.99)
	text, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("result %s\n", text)
}

// delayMS is a quantile of sorted delays, ms.
func delayMS(d []time.Duration, q float64) float64 {
	if len(d) == 0 {
		return 0
	}
	return float64(d[min(len(d)-1, int(q*float64(len(d))))].Microseconds()) / 1000
}

// follow listens to the stream until end. Each event holds the time of its
// readings; the board's clock is this machine's.
func follow(t *testing.T, c net.Conn, addr string, end time.Time) (delays []time.Duration) {
	if c == nil {
		return nil
	}
	defer c.Close()
	_ = c.SetReadDeadline(end)
	fmt.Fprintf(c, "GET /api/v1/guidance/stream HTTP/1.1\r\nHost: %s\r\n\r\n", addr)
	first := true
	for r := bufio.NewReaderSize(c, 64<<10); ; {
		line, err := r.ReadSlice('\n')
		now := time.Now()
		if err != nil {
			if now.Before(end) {
				t.Errorf("a listener was cut: %v", err)
			}
			return delays
		}
		text, ok := strings.CutPrefix(string(line), `data: {"time":"`)
		if !ok {
			continue
		}
		text, _, _ = strings.Cut(text, `"`)
		at, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			t.Errorf("time of an event: %v", err)
			return delays
		}
		if first { // the state of some time ago
			first = false
			continue
		}
		delays = append(delays, now.Sub(at))
	}
}

// ask sends its share of the requests, evenly spaced.
func ask(url string, k, of, rate int, end time.Time, failed *atomic.Uint64) (delays []time.Duration) {
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 1}, Timeout: 10 * time.Second}
	defer client.CloseIdleConnections()
	every := time.Duration(float64(of) / float64(rate) * float64(time.Second))
	next := time.Now().Add(every * time.Duration(k) / time.Duration(of))
	for n := k; next.Before(end); n, next = n+1, next.Add(every) {
		time.Sleep(time.Until(next))
		began := time.Now()
		r, err := client.Get(url + loadPaths[n%len(loadPaths)])
		if err == nil {
			_, err = io.Copy(io.Discard, r.Body)
			r.Body.Close()
		}
		if err != nil || r.StatusCode != http.StatusOK {
			failed.Add(1)
			continue
		}
		delays = append(delays, time.Since(began))
	}
	return delays
}
