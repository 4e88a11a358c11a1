package api

import (
	"context"
	"errors"
	"net"
	"net/http"
	"os"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon"
)

const streamPath = "/api/v1/guidance/stream"

// socketQueue bounds what the kernel keeps for a listener that does not read,
// bytes: about ten events. More would reach it as news when it is history.
const socketQueue = 8 << 10

type connKey struct{}

// keepConn lets the stream handler reach its socket.
func keepConn(ctx context.Context, c net.Conn) context.Context {
	return context.WithValue(ctx, connKey{}, rawConn(c))
}

// stream is GET /api/v1/guidance/stream, server-sent events as in the HTML
// standard. The first event holds the whole state, as every event does, so a
// Last-Event-ID needs no answer of its own.
func (s *Server) stream(w http.ResponseWriter, r *http.Request) {
	var events <-chan daemon.Event // nil, so never ready, unless asked for
	if q := r.URL.Query(); q.Has("events") && s.o.Watch != nil {
		after, ok := s.eventsAfter(w, q.Get("events"))
		if !ok {
			return
		}
		if r.Method != http.MethodHead {
			events = s.o.Watch.Events(r.Context(), after)
		}
	}
	send, closed := s.openStream(w, r)
	if send == nil {
		return
	}
	defer closed()
	ev, wake := s.hub.first()
	if !send(append([]byte("retry: 1000\n"), ev.frame...)) {
		return
	}
	beat := time.NewTicker(s.o.Heartbeat)
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.stop:
			return
		case <-beat.C:
			if !send([]byte(": beat\n\n")) {
				return
			}
		case <-wake:
			if ev, wake = s.hub.next(); !send(ev.frame) {
				return
			}
		case e, open := <-events:
			if !open {
				events = nil
				continue
			}
			if !send(happened(&e, false)) {
				return
			}
		}
	}
}

// openStream begins an answer of server-sent events: send writes to it, false when
// the reader is gone or takes nothing, and closed must be called at the end. A nil
// send means that the request is answered already.
func (s *Server) openStream(w http.ResponseWriter, r *http.Request) (send func([]byte) bool, closed func()) {
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no")
	if r.Method == http.MethodHead {
		return nil, nil
	}
	conn, _ := r.Context().Value(connKey{}).(net.Conn)
	place := s.places.take(deviceOf(r.RemoteAddr), func() {
		if conn != nil {
			_ = conn.Close() // the handler notices when it writes
		}
	})
	if place == nil {
		h.Set("Retry-After", "5")
		problem(w, http.StatusServiceUnavailable, "all "+strconv.Itoa(s.o.MaxStreams)+" places at the live streams are taken: close other pages, or ask /api/v1/guidance")
		return nil, nil
	}
	s.hub.listeners.Add(1)
	closed = func() {
		s.hub.listeners.Add(-1)
		s.places.leave(place)
	}
	if c, ok := conn.(*net.TCPConn); ok {
		// Refusal only means the system's default, a longer queue.
		_ = c.SetWriteBuffer(socketQueue)
	}
	rc := http.NewResponseController(w)
	// The request's own deadline must not end the stream.
	if err := rc.SetReadDeadline(time.Time{}); err != nil {
		closed()
		problem(w, http.StatusInternalServerError, "the connection cannot carry a stream")
		return nil, nil
	}
	return func(b []byte) bool {
		if rc.SetWriteDeadline(s.o.Now().Add(s.o.StreamWriteTimeout)) != nil {
			return false
		}
		_, err := w.Write(b)
		if err == nil {
			err = rc.Flush()
		}
		if errors.Is(err, os.ErrDeadlineExceeded) {
			s.hub.dropped.Add(1)
		}
		return err == nil
	}, closed
}

func (s *Server) describeStream(api huma.API) {
	ref := api.OpenAPI().Components.Schemas.Schema(typeOf[Guidance](), true, "Guidance").Ref
	op := s.operation(http.MethodGet, streamPath, "follow-guidance", "Follow the guidance live",
		"Server-sent events. Each `data:` line is one whole object of "+ref+", the first at once; `id:` on each; "+
			"a comment line at least once a second. Between two events nothing is queued: a slow reader gets the newest.")
	op.Parameters = []*huma.Param{queryParam("events", "Carry events as well: those after the one with this ID, or new for those that are still to come")}
	op.Responses = map[string]*huma.Response{
		"200": {Description: "The stream", Content: map[string]*huma.MediaType{"text/event-stream": {Schema: &huma.Schema{Type: huma.TypeString}}}},
	}
	document(api, op, http.StatusServiceUnavailable)
}

func formatSeq(n uint64) string { return strconv.FormatUint(n, 10) }
