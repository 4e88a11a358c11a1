package api

import (
	"io"
	"net"
	"sync"
	"testing"
	"time"
)

// proxy stands between page and board, so that a test can break the way.
type proxy struct {
	addr   string
	mu     sync.Mutex
	frozen bool
	conns  []net.Conn
}

func newProxy(t *testing.T, to string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{addr: l.Addr().String()}
	t.Cleanup(func() { l.Close(); p.cut() })
	go func() {
		for {
			a, err := l.Accept()
			if err != nil {
				return
			}
			b, err := net.Dial("tcp", to)
			if err != nil {
				a.Close()
				continue
			}
			p.mu.Lock()
			p.conns = append(p.conns, a, b)
			p.mu.Unlock()
			go p.carry(a, b)
			go p.carry(b, a)
		}
	}()
	return p
}

func (p *proxy) carry(from, to net.Conn) {
	defer to.Close()
	_, _ = io.Copy(hesitant{p, to}, from) // ends with either side
}

// hesitant writes only while the way is open.
type hesitant struct {
	p *proxy
	w io.Writer
}

func (h hesitant) Write(b []byte) (int, error) {
	for {
		h.p.mu.Lock()
		frozen := h.p.frozen
		h.p.mu.Unlock()
		if !frozen {
			return h.w.Write(b)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func (p *proxy) freeze(on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.frozen = on
}

func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}
