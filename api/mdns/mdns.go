// Package mdns makes the board answer for a name of its own on the local network,
// plumbstar.local, and for the page as a service there, where no other program of
// the board does: multicast DNS (RFC 6762) and service discovery (RFC 6763), the
// part of a responder, by IPv4 and IPv6.
package mdns

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"time"
)

// States of the board's name.
const (
	Answering = "answering" // this program answers for Name
	Elsewhere = "elsewhere" // Avahi on this board answers
	Asking    = "asking"    // whether the name is free, or waiting for a network
	Failing   = "failing"   // nobody answers; Why says why
)

// Status is how the board's name fares.
type Status struct{ Name, State, Why string }

// Options is what a Responder needs.
type Options struct {
	// Label is the name to be had, without ".local"; where another board has it,
	// "-2" to "-9" is added.
	Label string
	// Bound is where the page is served, Secure whether encrypted.
	Bound  netip.AddrPort
	Secure bool
	// Elsewhere reports whether another program of this board does this work, and
	// under which name.
	Elsewhere func() (name string, ok bool)
	// Clock is monotonic.
	Clock func() time.Duration
	Log   *slog.Logger
}

// Names are all that a board with this label may come to have.
func Names(base string) []string {
	var out []string
	for n := range mostNames {
		out = append(out, label(base, n+1)+".local")
	}
	return out
}

// Responder answers for the board.
type Responder struct {
	o     Options
	core  *core
	socks [2]*socket // IPv4, IPv6; nil: closed
	got   chan datagram

	mu     sync.Mutex
	status Status
}

// New prepares a responder; Run makes it work.
func New(o Options) *Responder {
	only := o.Bound.Addr().Unmap().WithZone("")
	if only.IsUnspecified() {
		only = netip.Addr{}
	}
	r := &Responder{o: o, core: newCore(o.Label, o.Secure, o.Bound.Port(), only), got: make(chan datagram)}
	r.status = Status{Name: r.core.label() + ".local", State: Asking, Why: "just started"}
	return r
}

// Status is how the name fares.
func (r *Responder) Status() Status {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.status
}

// lookEvery is how often interfaces and other programs are looked for.
const lookEvery = 10 * time.Second

// Run answers until ctx ends. No failure ends it: it is told, and tried again.
func (r *Responder) Run(ctx context.Context) {
	var readers sync.WaitGroup
	defer readers.Wait()
	defer r.close()
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	r.look(ctx, &readers)
	for {
		at := r.core.tick(r.o.Clock())
		r.send()
		r.tell()
		var due <-chan time.Time
		if at >= 0 {
			due = time.After(max(at-r.o.Clock(), 0))
		}
		select {
		case d := <-r.got:
			r.core.receive(r.o.Clock(), d)
		case <-due:
		case <-look.C:
			r.look(ctx, &readers)
		case <-ctx.Done():
			r.core.leave()
			r.send()
			return
		}
	}
}

func (r *Responder) close() {
	for i, s := range r.socks {
		if s != nil {
			s.close()
			r.socks[i] = nil
		}
	}
}

// look finds out who answers and by which interfaces.
func (r *Responder) look(ctx context.Context, readers *sync.WaitGroup) {
	if name, ok := r.o.Elsewhere(); ok {
		r.core.leave()
		r.send()
		r.close()
		r.say(Status{Name: name, State: Elsewhere, Why: "Avahi runs on this board and answers"})
		return
	}
	links, err := links()
	if err != nil {
		r.say(Status{State: Failing, Why: fmt.Sprintf("the network interfaces cannot be listed: %v", err)})
		return
	}
	var failed error
	for i := range r.socks {
		if r.socks[i] != nil {
			continue
		}
		s, err := open(i == 1)
		if err != nil {
			failed = err
			continue
		}
		r.socks[i] = s
		readers.Go(func() { s.read(ctx, r.got) })
	}
	for _, s := range r.socks {
		if s == nil {
			continue
		}
		for _, l := range links {
			s.join(l.Index)
		}
	}
	if r.socks[0] == nil && r.socks[1] == nil {
		r.say(Status{State: Failing, Why: fmt.Sprintf("port 5353 cannot be used: %v: another program on this board holds it; the page is found by its address", failed)})
	}
	r.core.setLinks(r.o.Clock(), links, [2]bool{r.socks[0] != nil, r.socks[1] != nil})
}

// send says what there is to say. What is lost is asked for again.
func (r *Responder) send() {
	for _, d := range r.core.out {
		if s := r.socks[family(d.v6)]; s != nil {
			if err := s.write(d); err != nil {
				r.o.Log.Debug("a word about the board's name was not sent", "error", err)
			}
		}
	}
	r.core.out = nil
}

// tell brings the status up to date while it is ours to answer.
func (r *Responder) tell() {
	if r.socks[0] == nil && r.socks[1] == nil {
		return
	}
	s := Status{Name: r.core.label() + ".local", State: Asking, Why: "asking whether the name is free"}
	switch {
	case r.core.allTaken:
		s.State, s.Why = Failing, fmt.Sprintf("%d names from %s.local on are taken by others: set another [server] local_name", mostNames, r.core.base)
	case len(r.core.paths) == 0:
		s.Why = "this board has no address in a network yet"
	case r.core.owns():
		s.State, s.Why = Answering, ""
		if r.core.nth > 1 {
			s.Why = "another board has " + r.core.base + ".local"
		}
	}
	r.say(s)
}

// say keeps a status, and logs it when it is another.
func (r *Responder) say(s Status) {
	if s.Name == "" {
		s.Name = r.core.label() + ".local"
	}
	r.mu.Lock()
	was := r.status
	r.status = s
	r.mu.Unlock()
	if was == s {
		return
	}
	level := slog.LevelInfo
	switch s.State {
	case Asking:
		level = slog.LevelDebug
	case Failing:
		level = slog.LevelWarn
	}
	args := []any{"name", s.Name, "state", s.State}
	if s.Why != "" {
		args = append(args, "why", s.Why)
	}
	r.o.Log.Log(context.Background(), level, "name on the local network", args...)
}

// mostLinks bounds the interfaces that are used.
const mostLinks = 8

// links are the interfaces that other devices can be behind.
func links() ([]Link, error) {
	all, err := net.Interfaces()
	if err != nil {
		return nil, err
	}
	const need = net.FlagUp | net.FlagMulticast | net.FlagRunning
	var out []Link
	for _, i := range all {
		if i.Flags&need != need || i.Flags&(net.FlagLoopback|net.FlagPointToPoint) != 0 || len(out) == mostLinks {
			continue
		}
		addrs, err := i.Addrs()
		if err != nil {
			continue // it is just going away
		}
		l := Link{Index: i.Index}
		for _, a := range addrs {
			if p, err := netip.ParsePrefix(a.String()); err == nil && len(l.Prefixes) < mostPrefixes {
				l.Prefixes = append(l.Prefixes, netip.PrefixFrom(p.Addr().Unmap().WithZone(""), p.Bits()))
			}
		}
		if len(l.Prefixes) > 0 {
			out = append(out, l)
		}
	}
	return out, nil
}

const mostPrefixes = 32
