package api

import (
	"container/list"
	"net"
	"net/http"
	"sync"
)

// conns bounds the open connections. At the limit, the connection that has
// idled longest makes room, so that a crowd of idle ones keeps nobody out.
type conns struct {
	limit int

	mu   sync.Mutex
	open map[net.Conn]*list.Element // nil element: busy with a request
	idle *list.List                 // of net.Conn, longest idle first
}

func newConns(limit int) *conns {
	return &conns{limit: limit, open: map[net.Conn]*list.Element{}, idle: list.New()}
}

// track is the server's ConnState.
func (c *conns) track(conn net.Conn, state http.ConnState) {
	c.mu.Lock()
	var surplus net.Conn
	switch state {
	case http.StateNew, http.StateIdle:
		if e := c.open[conn]; e == nil {
			c.open[conn] = c.idle.PushBack(conn)
		}
		if len(c.open) > c.limit {
			// There is at least this one.
			surplus = c.idle.Front().Value.(net.Conn)
			c.forget(surplus)
		}
	case http.StateActive:
		if e, ok := c.open[conn]; ok && e != nil {
			c.idle.Remove(e)
			c.open[conn] = nil
		}
	case http.StateClosed, http.StateHijacked:
		c.forget(conn)
	}
	c.mu.Unlock()
	if surplus != nil {
		_ = surplus.Close() // net/http notices and cleans up
	}
}

func (c *conns) forget(conn net.Conn) {
	if e := c.open[conn]; e != nil {
		c.idle.Remove(e)
	}
	delete(c.open, conn)
}

func (c *conns) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.open)
}
