package gnss

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"
)

// heard collects what a sink is told.
type heard struct {
	mu    sync.Mutex
	fixes []Fix
	said  []string // "up …", "down …"
	errs  []error
	bad   int
}

func (h *heard) sink() Sink {
	return Sink{
		Fix: func(f Fix) { h.mu.Lock(); h.fixes = append(h.fixes, f); h.mu.Unlock() },
		Up:  func(d string) { h.mu.Lock(); h.said = append(h.said, "up "+d); h.mu.Unlock() },
		Down: func(err error) {
			h.mu.Lock()
			h.said = append(h.said, "down "+err.Error())
			h.errs = append(h.errs, err)
			h.mu.Unlock()
		},
		Bad: func(error) { h.mu.Lock(); h.bad++; h.mu.Unlock() },
	}
}

// wait until what holds, or the test fails.
func (h *heard) wait(t *testing.T, what string, holds func(h *heard) bool) {
	t.Helper()
	for range 500 {
		h.mu.Lock()
		ok := holds(h)
		h.mu.Unlock()
		if ok {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	t.Fatalf("never: %s; %d fixes, said %q, %d bad", what, len(h.fixes), h.said, h.bad)
}

func (h *heard) saidLast(prefix string) func(*heard) bool {
	return func(h *heard) bool { return len(h.said) > 0 && strings.HasPrefix(h.said[len(h.said)-1], prefix) }
}

// fakeGpsd serves each connection by the next of the given functions.
func fakeGpsd(t *testing.T, serve ...func(c net.Conn, requests *bufio.Scanner)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() { l.Close(); <-done })
	go func() {
		defer close(done)
		for i := 0; ; i++ {
			c, err := l.Accept()
			if err != nil {
				return
			}
			if i < len(serve) {
				serve[i](c, bufio.NewScanner(c))
			}
			c.Close()
		}
	}()
	return l.Addr().String()
}

func runClient(t *testing.T, addr string) *heard {
	t.Helper()
	h := &heard{}
	c := &Client{Addr: addr, Clock: realClock{time.Now()}, Sink: h.sink(), Silence: 300 * time.Millisecond, Retry: 10 * time.Millisecond}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); c.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case <-done:
		case <-time.After(5 * time.Second):
			t.Error("the client does not end")
		}
	})
	return h
}

const (
	hello   = `{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}`
	devices = `{"class":"DEVICES","devices":[{"class":"DEVICE","path":"/dev/ttyACM0"}]}`
	none    = `{"class":"DEVICES","devices":[]}`
)

func TestClientReconnects(t *testing.T) {
	asked := make(chan string, 10)
	talk := func(c net.Conn, requests *bufio.Scanner) {
		fmt.Fprintf(c, "%s\r\n", hello)
		requests.Scan()
		asked <- requests.Text()
		fmt.Fprintf(c, "%s\r\n%s\r\nno JSON\r\n%s\r\n", devices, tpv("/dev/ttyACM0", 1, ""), tpv("/dev/ttyACM0", 3, `,"altHAE":128.5`))
	}
	h := runClient(t, fakeGpsd(t, talk, talk))
	h.wait(t, "two connections", func(h *heard) bool { return len(h.fixes) == 4 })
	h.wait(t, "it is lost", h.saidLast("down "))
	h.mu.Lock()
	defer h.mu.Unlock()
	if got := <-asked; got != `?WATCH={"enable":true,"json":true};` {
		t.Errorf("asked %q", got)
	}
	if h.fixes[1].Mode != Fix3D || h.bad < 2 || !strings.HasPrefix(h.said[0], "up /dev/ttyACM0 by gpsd at 127.") || !strings.Contains(h.said[1], "connection lost") {
		t.Errorf("%+v said %q bad %d", h.fixes, h.said, h.bad)
	}
}

func TestClientWithoutServerSaysSoOnce(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	h := runClient(t, addr)
	h.wait(t, "it is down", h.saidLast("down gpsd at "+addr))
	time.Sleep(100 * time.Millisecond) // several attempts
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.said) != 1 || !strings.Contains(h.said[0], "refused") {
		t.Errorf("said %q", h.said)
	}
}

// gpsd without a receiver is alive: it answers when it is asked.
func TestClientTellsThatNoReceiverIsAttached(t *testing.T) {
	addr := fakeGpsd(t, func(c net.Conn, requests *bufio.Scanner) {
		fmt.Fprintf(c, "%s\r\n%s\r\n", hello, none)
		for i := 0; requests.Scan(); i++ {
			switch {
			case strings.HasPrefix(requests.Text(), "?DEVICES") && i < 3:
				fmt.Fprintf(c, "%s\r\n", none)
			case i >= 3:
				fmt.Fprintf(c, "%s\r\n%s\r\n", devices, tpv("/dev/ttyACM0", 3, ""))
			}
		}
	})
	h := runClient(t, addr)
	h.wait(t, "no receiver", func(h *heard) bool { return len(h.errs) > 0 && errors.Is(h.errs[0], ErrNoReceiver) })
	h.wait(t, "it was plugged in", h.saidLast("up /dev/ttyACM0"))
}

// A server that says nothing is left after two silences, and one that is no gpsd
// at once.
func TestClientLeavesMuteAndForeignServers(t *testing.T) {
	gone := make(chan time.Duration, 1)
	h := runClient(t, fakeGpsd(t,
		func(c net.Conn, requests *bufio.Scanner) {
			began := time.Now()
			for requests.Scan() { // asked, but never answers
			}
			gone <- time.Since(began)
		},
		func(c net.Conn, _ *bufio.Scanner) {
			for range 1000 {
				if _, err := fmt.Fprintf(c, "220 mail.example ready\r\n"); err != nil {
					return
				}
			}
		},
		func(c net.Conn, _ *bufio.Scanner) { // one endless line
			b := []byte(strings.Repeat("a", 1<<16))
			for range 64 {
				if _, err := c.Write(b); err != nil {
					return
				}
			}
		},
	))
	select {
	case d := <-gone:
		if d < 500*time.Millisecond || d > 3*time.Second {
			t.Errorf("left after %v, want twice 300 ms", d)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("never left")
	}
	h.wait(t, "a foreign server", func(h *heard) bool {
		for _, e := range h.errs {
			if errors.Is(e, ErrGpsd) {
				return h.bad >= mostBad
			}
		}
		return false
	})
}

func TestClientNoticesThatPositionsStop(t *testing.T) {
	h := runClient(t, fakeGpsd(t, func(c net.Conn, requests *bufio.Scanner) {
		fmt.Fprintf(c, "%s\r\n%s\r\n%s\r\n", hello, devices, tpv("/dev/ttyACM0", 3, ""))
		for requests.Scan() {
			if strings.HasPrefix(requests.Text(), "?DEVICES") {
				fmt.Fprintf(c, "%s\r\n", devices)
			}
		}
	}))
	h.wait(t, "up", h.saidLast("up "))
	h.wait(t, "silent", func(h *heard) bool { return len(h.errs) > 0 && errors.Is(h.errs[0], ErrSilent) })
}
