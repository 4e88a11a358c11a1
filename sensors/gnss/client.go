package gnss

import (
	"context"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"plumbstar/sensors"
)

const (
	// DefaultGpsd is where gpsd listens by default (its registered port).
	DefaultGpsd = "127.0.0.1:2947"
	// longestObject bounds a line of gpsd; gpsd 3.22 sends at most 10240 bytes.
	longestObject = 64 << 10
	// mostBad ends a connection to something that is not gpsd.
	mostBad = 20
)

// Client follows a gpsd server over TCP and reconnects for as long as it runs.
type Client struct {
	Addr  string // host:port
	Clock sensors.Clock
	Sink  Sink
	// Silence is after how long without a word the server is asked for a sign of
	// life, and after how long without a position it counts as silent; after
	// twice that a mute connection is closed. 0: 10 s.
	Silence time.Duration
	// Retry is the first wait after a failure; 0: 1 s. It doubles up to 15 s.
	Retry time.Duration
}

// Run works until ctx ends.
func (c *Client) Run(ctx context.Context) {
	l := &link{sink: c.Sink}
	b := backoff{first: orDefault(c.Retry, retryFirst), longest: retryLongest}
	for ctx.Err() == nil {
		conn, err := (&net.Dialer{Timeout: 5 * time.Second}).DialContext(ctx, "tcp", c.Addr)
		if err == nil {
			if c.follow(ctx, conn, l) {
				b.reset()
			}
		} else if ctx.Err() == nil {
			l.isDown(fmt.Errorf("gpsd at %s: %w", c.Addr, err))
		}
		if !b.wait(ctx) {
			return
		}
	}
}

// follow reads one connection to its end and reports whether gpsd spoke on it.
func (c *Client) follow(ctx context.Context, conn net.Conn, l *link) (spoke bool) {
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	silence := orDefault(c.Silence, 10*time.Second)
	alive := watchMute(conn, silence)
	defer alive.stop()
	err := c.ask(conn)
	lines := newLineReader(conn, c.Clock, longestObject)
	d := NewDecoder()
	bad := 0
	positionAt := c.Clock.Now()
	for err == nil {
		var line []byte
		var at time.Duration
		if line, at, err = lines.next(); err != nil {
			break
		}
		alive.heard()
		f, ok, wrong := d.Add(at, line)
		switch {
		case wrong != nil:
			l.bad(wrong)
			if bad++; bad >= mostBad {
				err = fmt.Errorf("%w: %d lines in a row", wrong, bad)
			}
			continue
		case ok:
			positionAt = at
			l.isUp(c.name(f.Device))
			l.fix(f)
		case at-positionAt > silence:
			if d.Attached == 0 {
				l.isDown(fmt.Errorf("gpsd at %s: %w: plug it in, or name its device in /etc/default/gpsd", c.Addr, ErrNoReceiver))
			} else {
				l.isDown(fmt.Errorf("gpsd at %s: %w", c.Addr, ErrSilent))
			}
		}
		spoke, bad = true, 0
	}
	if ctx.Err() == nil {
		l.isDown(fmt.Errorf("gpsd at %s: connection lost: %w", c.Addr, err))
	}
	return spoke
}

func (c *Client) name(device string) string {
	if device == "" {
		return "gpsd at " + c.Addr
	}
	return fmt.Sprintf("%.80s by gpsd at %s", device, c.Addr)
}

// ask wants reports as JSON.
func (c *Client) ask(w io.Writer) error {
	_, err := io.WriteString(w, "?WATCH={\"enable\":true,\"json\":true};\n")
	return err
}

// mute closes a connection on which nothing is heard.
type mute struct {
	conn    net.Conn
	silence time.Duration

	mu    sync.Mutex
	timer *time.Timer // nil once stopped
	asked bool
}

// watchMute asks for the list of devices after a silence, and closes conn when
// that is not answered: a server that vanished without a word is noticed so.
func watchMute(conn net.Conn, silence time.Duration) *mute {
	m := &mute{conn: conn, silence: silence}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.timer = time.AfterFunc(silence, m.silent)
	return m
}

func (m *mute) silent() {
	m.mu.Lock()
	stopped, asked := m.timer == nil, m.asked
	if !stopped && !asked {
		m.asked = true
		m.timer.Reset(m.silence)
	}
	m.mu.Unlock()
	if stopped {
		return
	}
	if !asked {
		if _, err := io.WriteString(m.conn, "?DEVICES;\n"); err == nil {
			return
		}
	}
	m.conn.Close()
}

func (m *mute) heard() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.asked = false
	m.timer.Reset(m.silence)
}

func (m *mute) stop() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.timer.Stop()
	m.timer = nil
}

func orDefault(d, otherwise time.Duration) time.Duration {
	if d == 0 {
		return otherwise
	}
	return d
}
