package api

import (
	"iter"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"sync"
)

// conns bounds the open connections. At the limit, the device that has the most
// gives one up: the one that has idled longest, or else the oldest. So neither a
// crowd of idle connections nor one neighbour with many slow requests keeps the
// others out.
type conns struct {
	limit int

	mu   sync.Mutex
	open map[net.Conn]*seat
	next uint64
}

// seat is one connection, or one place at the live streams.
type seat struct {
	device netip.Prefix
	busy   bool   // with a request
	since  uint64 // grows: when it came, or last became idle
}

func newConns(limit int) *conns {
	return &conns{limit: limit, open: map[net.Conn]*seat{}}
}

// track is the server's ConnState.
func (c *conns) track(conn net.Conn, state http.ConnState) {
	c.mu.Lock()
	var surplus net.Conn
	switch state {
	case http.StateNew, http.StateIdle:
		x := c.open[conn]
		if x == nil {
			x = &seat{device: deviceOf(conn.RemoteAddr().String())}
			c.open[conn] = x
		}
		c.next++
		x.busy, x.since = false, c.next
		if len(c.open) > c.limit {
			surplus = c.surplus(conn)
			delete(c.open, surplus)
		}
	case http.StateActive:
		if x := c.open[conn]; x != nil {
			x.busy = true
		}
	case http.StateClosed, http.StateHijacked:
		delete(c.open, conn)
	}
	c.mu.Unlock()
	if surplus != nil {
		// net/http notices and cleans up. Saying goodbye under TLS could wait.
		_ = rawConn(surplus).Close()
	}
}

// surplus is the connection that makes room for the newcomer; that itself when
// its own device has the most and is busy with all of them.
func (c *conns) surplus(newcomer net.Conn) net.Conn {
	most := crowded(maps.Values(c.open))
	out, best := newcomer, (*seat)(nil)
	for conn, x := range c.open {
		if x.device != most || conn == newcomer || x.busy && most == c.open[newcomer].device {
			continue
		}
		if best == nil || best.busy && !x.busy || best.busy == x.busy && x.since < best.since {
			out, best = conn, x
		}
	}
	return out
}

// crowded is the device that has the most seats.
func crowded(open iter.Seq[*seat]) netip.Prefix {
	count := map[netip.Prefix]int{}
	var most netip.Prefix
	for x := range open {
		if count[x.device]++; count[x.device] > count[most] {
			most = x.device
		}
	}
	return most
}

func (c *conns) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.open)
}

// deviceOf is the device at the far end of a connection.
func deviceOf(remote string) netip.Prefix {
	ap, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Prefix{}
	}
	return device(ap.Addr())
}

// places are those at the live streams. When all are taken, a device that has
// fewer than another takes the oldest place of the one that has the most.
type places struct {
	limit int

	mu   sync.Mutex
	open map[*seat]func() // ends the stream
	next uint64
}

func newPlaces(limit int) *places {
	return &places{limit: limit, open: map[*seat]func(){}}
}

// take gives a place, nil when there is none; cut ends the stream of the place
// when another device is given it.
func (p *places) take(device netip.Prefix, cut func()) *seat {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.open) >= p.limit {
		most := crowded(maps.Keys(p.open))
		var oldest *seat
		mine, theirs := 0, 0
		for x := range p.open {
			switch {
			case x.device == device:
				mine++
			case x.device == most:
				if theirs++; oldest == nil || x.since < oldest.since {
					oldest = x
				}
			}
		}
		if theirs <= mine+1 {
			return nil
		}
		go p.open[oldest]() // it may wait for the socket
		delete(p.open, oldest)
	}
	p.next++
	x := &seat{device: device, since: p.next}
	p.open[x] = cut
	return x
}

// leave gives a place back; one that was taken away is none any more.
func (p *places) leave(x *seat) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.open, x)
}
