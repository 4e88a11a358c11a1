package mdns

import (
	"math/rand/v2"
	"net/netip"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

// lan carries datagrams between boards and testers in simulated time. Each board
// has links; those with one index are one network.
type lan struct {
	t      *testing.T
	now    time.Duration
	boards []*board
	heard  []heard
}

type board struct {
	*core
	links []Link
}

// heard is what was said, read by a library of others (golang.org/x/net).
type heard struct {
	at   time.Duration
	from *board
	datagram
	dnsmessage.Message
}

func newLAN(t *testing.T) *lan { return &lan{t: t, now: time.Second} }

func prefixes(all ...string) (out []netip.Prefix) {
	for _, p := range all {
		out = append(out, netip.MustParsePrefix(p))
	}
	return out
}

// add puts a board with links of the given addresses on networks 1, 2, …
func (l *lan) add(base string, links ...[]netip.Prefix) *board {
	b := &board{core: newCore(base, false, 8484, netip.Addr{})}
	r := rand.New(rand.NewPCG(uint64(len(l.boards)), 7))
	b.chance = func(d time.Duration) time.Duration { return time.Duration(r.Int64N(int64(d))) }
	for i, p := range links {
		b.links = append(b.links, Link{Index: i + 1, Prefixes: p})
	}
	b.setLinks(l.now, b.links, [2]bool{true, true})
	l.boards = append(l.boards, b)
	return b
}

// address of the board by which it speaks on a network.
func (b *board) address(index int, v6 bool) (netip.AddrPort, bool) {
	for _, k := range b.links {
		for _, p := range k.Prefixes {
			if k.Index == index && p.Addr().Is6() == v6 {
				return netip.AddrPortFrom(p.Addr(), groupPort), true
			}
		}
	}
	return netip.AddrPort{}, false
}

// run lets time pass in steps of a millisecond.
func (l *lan) run(d time.Duration) {
	for end := l.now + d; l.now < end; l.now += time.Millisecond {
		for _, b := range l.boards {
			b.tick(l.now)
		}
		l.carry()
	}
}

func (l *lan) carry() {
	for _, b := range l.boards {
		out := b.out
		b.out = nil
		for _, d := range out {
			l.hear(b, d)
			from, ok := b.address(d.index, d.v6)
			if !ok {
				l.t.Fatalf("said on a link without an address: %+v", d)
			}
			for _, other := range l.boards { // the speaker hears itself, too
				if d.peer.IsValid() {
					if a, ok := other.address(d.index, d.v6); !ok || a != d.peer {
						continue
					}
				}
				other.receive(l.now, datagram{d.index, d.v6, from, d.data})
			}
		}
	}
}

func (l *lan) hear(b *board, d datagram) {
	h := heard{at: l.now, from: b, datagram: d}
	if err := h.Unpack(d.data); err != nil {
		l.t.Fatalf("%v: another reader finds: %v (%x)", l.now, err, d.data)
	}
	if len(d.data) > 1472-26 {
		l.t.Errorf("%d bytes do not fit into an Ethernet frame", len(d.data))
	}
	l.heard = append(l.heard, h)
}

// forget what was heard.
func (l *lan) forget() { l.heard = nil }

// ask sends a question by a tester at an address, and returns what is said within a
// while.
func (l *lan) ask(b *board, from string, m dnsmessage.Message, wait time.Duration) []heard {
	l.t.Helper()
	l.forget()
	l.tell(b, from, m)
	l.carry()
	l.run(wait)
	var out []heard
	for _, h := range l.heard {
		if h.from == b {
			out = append(out, h)
		}
	}
	return out
}

func (l *lan) tell(b *board, from string, m dnsmessage.Message) {
	l.t.Helper()
	data, err := m.Pack()
	if err != nil {
		l.t.Fatal(err)
	}
	at := netip.MustParseAddrPort(from)
	b.receive(l.now, datagram{1, at.Addr().Is6(), at, data})
}

func query(name string, typ dnsmessage.Type, class dnsmessage.Class) dnsmessage.Message {
	return dnsmessage.Message{Questions: []dnsmessage.Question{{Name: dnsmessage.MustNewName(name), Type: typ, Class: class}}}
}

// texts of the answers, as name, type and data.
func texts(rs []dnsmessage.Resource) (out []string) {
	for _, r := range rs {
		s := r.Header.Name.String() + " " + strings.TrimPrefix(r.Header.Type.String(), "Type")
		switch b := r.Body.(type) {
		case *dnsmessage.AResource:
			s += " " + netip.AddrFrom4(b.A).String()
		case *dnsmessage.AAAAResource:
			s += " " + netip.AddrFrom16(b.AAAA).String()
		case *dnsmessage.PTRResource:
			s += " " + b.PTR.String()
		case *dnsmessage.SRVResource:
			s += " " + b.Target.String()
		}
		out = append(out, s)
	}
	return out
}
