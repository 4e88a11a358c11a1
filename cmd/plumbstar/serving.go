package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"time"

	"plumbstar/api"
	"plumbstar/api/alarms"
	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
)

// serving is what all commands that serve the page have in common.
type serving struct {
	listen  string
	pairing api.Pairing
	knobs   api.Knobs
	knocks  api.Knocks
	journal *nightlog.Log // nil: none
	hosts   []string
	paired  bool
	streams int
	// authority, when set, encrypts.
	authority *api.Authority
	// bound is where run listens.
	bound  net.Addr
	alarms *alarms.Alarms // nil: none leaves the board
	// localName is what the board is called on the local network; "": nothing.
	localName string
	clock     func() time.Duration
}

// run lets daemon and server work until the daemon ends, ctx ends or the server
// fails. The address is announced once it is open.
func (s *serving) run(ctx context.Context, e env, d *daemon.Daemon, log *slog.Logger, announce func(url string)) error {
	o := api.Options{
		Source: d, Pairing: s.pairing, Controls: controls{d}, Knobs: s.knobs, Board: d, Watch: d,
		Now: e.now, Log: log, Version: version,
		Hosts: s.hosts, ReadPaired: s.paired, MaxStreams: s.streams, Authority: s.authority, Knocks: s.knocks,
	}
	if s.journal != nil {
		o.Nights, o.Report = nights{s.journal}, nights{s.journal}.reports()
	}
	if s.alarms != nil {
		o.Alarms = s.alarms
	}
	l, err := net.Listen("tcp", s.listen)
	if err != nil {
		return fmt.Errorf("listening on %s: %w: choose another address with --listen", s.listen, err)
	}
	s.bound = l.Addr()
	name := s.responder(log)
	if name != nil {
		o.LocalName = name.Status
	}
	srv, err := api.New(o)
	if err != nil {
		_ = l.Close() // the reason to end is the other one
		return err
	}
	announce(s.page())
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	served := make(chan error, 1)
	go func() {
		served <- srv.Serve(ctx, l)
		cancel()
	}()
	if name != nil {
		var named sync.WaitGroup
		named.Go(func() { name.Run(ctx) })
		defer named.Wait()
		defer cancel()
	}
	told := make(chan struct{})
	// Alarms end with the daemon's events, so that the last of them are told too.
	telling, hush := context.WithCancel(context.WithoutCancel(ctx))
	defer hush()
	go func() {
		defer close(told)
		if s.alarms != nil {
			s.alarms.Run(telling)
		}
	}()
	err = d.Run(ctx)
	cancel()
	defer time.AfterFunc(lastWords, hush).Stop()
	<-told
	if serveErr := <-served; err == nil {
		err = serveErr
	}
	return err
}

// lastWords is how long alarms may take to hear of what happened last.
const lastWords = 3 * time.Second

// page is where the page can be opened now.
func (s *serving) page() string { return pageURL(s.bound, s.authority != nil) }

// pageURL is where the page can be opened; a listener on all addresses is
// shown with one that a phone can reach, if there is one, else with the
// machine's own.
func pageURL(a net.Addr, encrypted bool) string {
	host := a.String()
	if ap, err := netip.ParseAddrPort(host); err == nil && ap.Addr().IsUnspecified() {
		ip, ok := outwardAddr()
		if !ok {
			ip = netip.AddrFrom4([4]byte{127, 0, 0, 1})
		}
		host = netip.AddrPortFrom(ip, ap.Port()).String()
	}
	if encrypted {
		return "https://" + host + "/"
	}
	return "http://" + host + "/"
}

// outwardAddr is the first address of this machine that others can reach.
func outwardAddr() (netip.Addr, bool) {
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return netip.Addr{}, false
	}
	for _, a := range addrs {
		p, err := netip.ParsePrefix(a.String())
		if err == nil && p.Addr().Is4() && !p.Addr().IsLoopback() && !p.Addr().IsLinkLocalUnicast() {
			return p.Addr(), true
		}
	}
	return netip.Addr{}, false
}
