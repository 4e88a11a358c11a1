// Package api is the border to the network: the JSON shapes, the HTTP
// handlers, the live stream, the phone page and the rules of access. It shows
// what the daemon publishes and passes on what a paired device asks for.
package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"reflect"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"plumbstar/api/mdns"
	"plumbstar/daemon"
)

// Source is where the server takes what the daemon knows.
type Source interface {
	// Latest is the newest snapshot, nil before the first. It must not block.
	Latest() *daemon.Snapshot
	// Subscribe tells of new snapshots until ctx ends. The channel holds one at
	// most: a reader that is late finds the newest, and the daemon never waits.
	Subscribe(ctx context.Context) <-chan *daemon.Snapshot
}

// Options is everything that the server needs. Zero durations and limits mean
// the defaults given with them.
type Options struct {
	Source   Source   // required
	Pairing  Pairing  // required
	Controls Controls // nil: site and clock can only be read
	Knobs    Knobs    // nil outside the demo
	Alarms   Alarms   // nil: no alarm leaves the board
	Board    Board    // nil: no calibrations, sightings, kit, and nothing of the night sky
	Watch    Watcher  // nil: no watch and no events
	Knocks   Knocks   // nil outside the demo
	Nights   NightLog // nil: no nights
	// Report serves the page about the night whose number, or "last", is the path
	// value "id"; nil: there is none. It needs Nights.
	Report http.Handler
	// Now is the wall clock of this machine, also when the daemon runs in
	// simulated time: deadlines of connections are set by it. Required.
	Now     func() time.Time
	Log     *slog.Logger // required
	Version string

	// Hosts are the names under which the board may be addressed, beside IP
	// addresses and localhost: "plumbstar.local".
	Hosts []string
	// LocalName tells how the board's name on the local network fares; nil: it has
	// none.
	LocalName func() mdns.Status
	// Authority, when set, encrypts: the page is then at https.
	Authority *Authority
	// ReadPaired lets only paired devices read.
	ReadPaired bool

	EventInterval      time.Duration // between two events of the stream: 100 ms
	Heartbeat          time.Duration // 1 s; the page counts on it
	SilentAfter        time.Duration // without a snapshot, numbers are withdrawn: 2 s
	StreamWriteTimeout time.Duration // a reader that takes nothing is cut: 5 s
	RequestTimeout     time.Duration // a request must have arrived; its header in half of that: 10 s
	MaxStreams         int           // 150
	MaxConns           int           // 512, idle ones make room
}

func (o *Options) complete() error {
	if o.Source == nil || o.Pairing == nil || o.Now == nil || o.Log == nil {
		return errors.New("api: Source, Pairing, Now and Log are required")
	}
	setDefault(&o.EventInterval, 100*time.Millisecond)
	setDefault(&o.Heartbeat, time.Second)
	setDefault(&o.SilentAfter, 2*time.Second)
	setDefault(&o.StreamWriteTimeout, 5*time.Second)
	setDefault(&o.RequestTimeout, 10*time.Second)
	setDefault(&o.MaxStreams, 150)
	setDefault(&o.MaxConns, 512)
	if min(o.EventInterval, o.Heartbeat, o.SilentAfter, o.StreamWriteTimeout, o.RequestTimeout) < 0 || min(o.MaxStreams, o.MaxConns) < 0 {
		return errors.New("api: durations and limits must not be negative")
	}
	return nil
}

func setDefault[T comparable](p *T, v T) {
	var zero T
	if *p == zero {
		*p = v
	}
}

// Server is the HTTP server.
type Server struct {
	o               Options
	hub             *hub
	conns           *conns
	places          *places
	hosts           map[string]bool
	handler         http.Handler
	stop            chan struct{} // closed when streams must end
	exports         chan struct{} // holds one for each night that is being read out
	refusedPairings atomic.Uint64
	started         time.Time
}

// New wires a server; Serve runs it.
func New(o Options) (*Server, error) {
	if err := o.complete(); err != nil {
		return nil, err
	}
	s := &Server{
		o: o, hub: newHub(&o), conns: newConns(o.MaxConns), places: newPlaces(o.MaxStreams), hosts: map[string]bool{"localhost": true},
		started: o.Now(), stop: make(chan struct{}), exports: make(chan struct{}, maxExports),
	}
	for _, h := range o.Hosts {
		s.hosts[strings.ToLower(strings.TrimSuffix(h, "."))] = true
	}
	mux := http.NewServeMux()
	api := s.newAPI(mux)
	spec, err := json.Marshal(api.OpenAPI())
	if err != nil {
		return nil, fmt.Errorf("api: description: %w", err)
	}
	described, err := newAsset(spec, "application/json")
	if err != nil {
		return nil, fmt.Errorf("api: description: %w", err)
	}
	mux.Handle("GET /openapi.json", described)
	mux.HandleFunc("GET "+streamPath, s.stream)
	s.serveNights(mux)
	if o.Watch != nil {
		mux.HandleFunc("GET "+eventsStreamPath, s.eventStream)
	}
	mux.HandleFunc("GET /healthz", s.healthz)
	mux.HandleFunc("GET /metrics", s.metricsText)
	if o.Authority != nil {
		mux.HandleFunc("GET "+authorityPath, o.Authority.download)
	}
	page, err := loadPage()
	if err != nil {
		return nil, fmt.Errorf("api: %w", err)
	}
	for path, a := range page {
		mux.Handle("GET "+path, a)
	}
	queries := queriesOf(api.OpenAPI())
	s.handler = s.guard(s.catch(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, pattern := mux.Handler(r)
		if pattern == "" {
			unmatched(w, r, mux)
			return
		}
		if takes, ok := queries[pattern]; ok && r.URL.RawQuery != "" {
			if wrong := wrongQuery(r.URL, takes); wrong != "" {
				problem(w, http.StatusUnprocessableEntity, wrong)
				return
			}
		}
		mux.ServeHTTP(w, r)
	})))
	return s, nil
}

// Serve answers on l until ctx ends; it then ends the streams, lets running
// requests finish for a few seconds, and returns nil.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler: s.handler,
		// The stream lifts read and write limits for itself, event by event.
		ReadHeaderTimeout: s.o.RequestTimeout / 2,
		ReadTimeout:       s.o.RequestTimeout,
		WriteTimeout:      s.o.RequestTimeout * 3 / 2,
		IdleTimeout:       60 * time.Second,
		MaxHeaderBytes:    16 << 10,
		ConnState:         s.conns.track,
		ConnContext:       keepConn,
		ErrorLog:          slog.NewLogLogger(s.o.Log.Handler(), slog.LevelDebug),
	}
	if s.o.Authority != nil {
		l = s.o.Authority.listen(l)
	}
	ctx, cancel := context.WithCancel(ctx)
	fed := make(chan struct{})
	go func() {
		defer close(fed)
		s.hub.run(ctx)
	}()
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	var err error
	select {
	case err = <-failed:
	case <-ctx.Done():
	}
	cancel()
	<-fed
	close(s.stop)
	if err != nil {
		return fmt.Errorf("api: %w", err)
	}
	patience, done := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
	defer done()
	if srv.Shutdown(patience) != nil {
		// Someone still holds a connection: it is cut, and that is not a failure.
		_ = srv.Close()
	}
	return nil
}

// catch turns a panic of a handler into one log line and an answer.
func (s *Server) catch(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			switch v := recover(); v {
			case nil:
			case http.ErrAbortHandler:
				panic(v)
			default:
				if r.Context().Err() != nil {
					return // the asker left; huma panics when it cannot write
				}
				s.o.Log.Error("request failed", "method", r.Method, "path", r.URL.Path, "panic", v)
				problem(w, http.StatusInternalServerError, "this request failed on the board: see its log")
			}
		}()
		next.ServeHTTP(w, r)
	})
}

func typeOf[T any]() reflect.Type { return reflect.TypeFor[T]() }

func statusKey(code int) string { return strconv.Itoa(code) }
