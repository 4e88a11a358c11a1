package mdns

import (
	"math/rand/v2"
	"net/netip"
	"slices"
	"strings"
	"time"
)

// Times of RFC 6762: between probes and after the last (section 8.1), between
// announcements (8.3), after a tie was lost (8.2), between two answers with one
// record, and to a probe (6).
const (
	probeEvery    = 250 * time.Millisecond
	announceAfter = time.Second
	yieldFor      = time.Second
	quietFor      = time.Second
	quietInProbe  = 250 * time.Millisecond
)

// mostNames are tried, then there is a pause; manyConflicts within conflictSpan make
// one of conflictPause (section 8.1).
const (
	mostNames     = 9
	namesPause    = 10 * time.Minute
	manyConflicts = 15
	conflictSpan  = 10 * time.Second
	conflictPause = 5 * time.Second
)

// directPause is between two answers to one asker alone, once directMost were given
// at once.
const (
	directPause = 50 * time.Millisecond
	directMost  = 40
)

// groupPort is that of RFC 6762 section 3.
const groupPort = 5353

// datagram is one message on a link; peer is not valid when it goes to the group.
type datagram struct {
	index int
	v6    bool
	peer  netip.AddrPort
	data  []byte
}

// core decides what is said; it reads neither clock nor socket.
type core struct {
	base   string
	secure bool
	port   uint16
	only   netip.Addr
	chance func(time.Duration) time.Duration

	nth       int // of the names
	names     names
	paths     []*path
	own       []netip.Addr
	out       []datagram
	allTaken  bool
	conflicts int // since the time
	since     time.Duration
	direct    time.Duration // when answers to one asker may be given again
}

func newCore(base string, secure bool, port uint16, only netip.Addr) *core {
	c := &core{base: strings.ToLower(base), secure: secure, port: port, only: only, chance: rand.N[time.Duration]}
	c.rename(1)
	return c
}

func (c *core) rename(nth int) {
	c.nth = nth
	c.names = namesOf(c.label(), c.secure)
}

// label is the name now, without ".local".
func (c *core) label() string { return label(c.base, c.nth) }

// owns reports whether the name is ours somewhere.
func (c *core) owns() bool {
	for _, p := range c.paths {
		if p.owns() {
			return true
		}
	}
	return false
}

// setLinks takes the interfaces as they are now, and whether they can be reached by
// IPv4 and IPv6.
func (c *core) setLinks(now time.Duration, links []Link, open [2]bool) {
	before := c.paths
	c.paths, c.own = nil, nil
	for i := range links {
		l := &links[i]
		addrs := l.addrs(c.only)
		var has [2]bool
		for _, p := range l.Prefixes {
			c.own = append(c.own, p.Addr())
			has[family(p.Addr().Is6())] = len(addrs) > 0
		}
		for f := range open {
			if !open[f] || !has[f] {
				continue
			}
			p := find(before, l.Index, f == 1)
			if p == nil {
				p = &path{v6: f == 1, at: now + c.chance(probeEvery)}
			}
			p.link = l
			if !slices.Equal(addrs, p.addrs) {
				p.addrs = addrs
				p.recs = c.names.records(addrs, c.port)
				if p.step > probes { // other addresses are announced anew (section 8.4)
					p.step, p.at = probes, now
				}
			}
			c.paths = append(c.paths, p)
		}
	}
}

func family(v6 bool) int {
	if v6 {
		return 1
	}
	return 0
}

func find(paths []*path, index int, v6 bool) *path {
	for _, p := range paths {
		if p.link.Index == index && p.v6 == v6 {
			return p
		}
	}
	return nil
}

// restart makes every path probe for the nth of the names from a time on.
func (c *core) restart(nth int, at time.Duration) {
	for _, p := range c.paths {
		if nth != c.nth && p.owns() {
			c.say(p, goodbye, service, 0) // the old name itself is another's now
		}
	}
	c.rename(nth)
	for i, p := range c.paths {
		c.paths[i] = &path{link: p.link, v6: p.v6, addrs: p.addrs, recs: c.names.records(p.addrs, c.port), at: at + c.chance(probeEvery)}
	}
}

// conflict gives way to another who has our name: at once where we only asked for it
// (section 8.1), after asking again where it was ours (section 9).
func (c *core) conflict(now time.Duration, p *path) {
	if now-c.since > conflictSpan {
		c.conflicts, c.since = 0, now
	}
	c.conflicts++
	at := now
	if c.conflicts >= manyConflicts {
		at += conflictPause
	}
	switch {
	case p.owns():
		c.restart(c.nth, at)
	case c.nth < mostNames:
		c.restart(c.nth+1, at)
	default:
		c.allTaken = true
		c.restart(1, now+namesPause)
	}
}

// tick does what is due, and says when it has something to do next; negative: when
// something comes. What it says is in out.
func (c *core) tick(now time.Duration) (next time.Duration) {
	next = -1
	sooner := func(t time.Duration) {
		if next < 0 || t < next {
			next = t
		}
	}
	for _, p := range c.paths {
		for p.step < settled && p.at <= now {
			c.step(p, now)
		}
		if p.step < settled {
			sooner(p.at)
		}
		kept := p.held[:0]
		for _, h := range p.held {
			if h.due <= now {
				p.ask(h.of, now)
				continue
			}
			sooner(h.due)
			kept = append(kept, h)
		}
		p.held = kept
		if p.pending != 0 && p.due <= now {
			c.multicast(p, now)
		}
		if p.pending != 0 {
			sooner(p.due)
		}
	}
	return next
}

func (c *core) step(p *path, now time.Duration) {
	p.at = now + probeEvery
	if p.step < probes {
		c.allTaken = false
		c.say(p, probe, proposed, 0)
	} else {
		p.pending, p.defend = 1<<kindCount-1, true
		c.multicast(p, now)
		p.at = now + announceAfter
	}
	p.step++
}

func (c *core) say(p *path, manner int, answers, more kinds) {
	var m message
	if manner == probe {
		m.entries = []entry{
			{name: c.names.host, typ: typeAny, class: classIN | topBit},
			{name: c.names.inst, typ: typeAny, class: classIN | topBit},
		}
	}
	c.out = append(c.out, datagram{p.link.Index, p.v6, netip.AddrPort{}, p.put(m, manner, answers, more)})
}

// leave takes back what was told: the program ends, or another takes over.
func (c *core) leave() {
	for _, p := range c.paths {
		if p.owns() {
			c.say(p, goodbye, farewell, 0)
		}
	}
	c.paths = nil
}

// ask lets kinds be multicast at a time, or earlier when others are.
func (p *path) ask(of kinds, at time.Duration) {
	if of != 0 && (p.pending == 0 || at < p.due) {
		p.due = at
	}
	p.pending |= of
}

// multicast says what is pending, but for what was said just now (section 6).
func (c *core) multicast(p *path, now time.Duration) {
	quiet := quietFor
	if p.defend {
		quiet = quietInProbe
	}
	var recent kinds
	for i, at := range p.sent {
		if at != 0 && now-at < quiet {
			recent |= 1 << i
		}
	}
	of := p.pending &^ recent
	more := besides(of) &^ recent
	p.pending, p.defend = 0, false
	if of == 0 {
		return
	}
	c.say(p, plain, of, more)
	for i := range p.sent {
		if (of|more)>>i&1 != 0 {
			p.sent[i] = max(now, 1)
		}
	}
}
