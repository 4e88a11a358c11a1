package mdns

import (
	"net/netip"
	"slices"
	"time"
)

// receive takes a datagram of others. Whatever is wrong with it, it is dropped.
func (c *core) receive(now time.Duration, d datagram) {
	p := find(c.paths, d.index, d.v6)
	from := d.peer.Addr().WithZone("")
	if p == nil || !p.link.holds(from) {
		return
	}
	m, ok := parse(d.data)
	if !ok || m.bits&(opcodeBits|rcodeBits) != 0 {
		return
	}
	// What comes from this machine is our own, or by another program on it.
	ours := d.peer.Port() == groupPort && slices.Contains(c.own, from)
	switch {
	case m.bits&isResponse != 0:
		if d.peer.Port() == groupPort && !ours {
			c.heard(now, p, &m)
		}
	case p.owns():
		c.asked(now, p, d.peer, &m)
	case !ours:
		c.tie(now, p, &m)
	}
}

// heard looks in an answer of others for our names with something else.
func (c *core) heard(now time.Duration, p *path, m *message) {
	for i := range m.entries {
		e := &m.entries[i]
		if e.section >= answering && e.ttlS != 0 && c.contradicts(e) {
			c.conflict(now, p)
			return
		}
	}
}

// contradicts reports whether a record is what only we may say, and would not. What
// we say on another link is no contradiction.
func (c *core) contradicts(e *entry) bool {
	if e.class&^topBit != classIN || e.typ == typeNSEC || (e.name != c.names.host && e.name != c.names.inst) {
		return false
	}
	for _, p := range c.paths {
		for i := range p.recs {
			if p.recs[i].same(e) {
				return false
			}
		}
	}
	return true
}

// tie compares with another who asks for a name at the same moment; the later in
// the order of section 8.2 gets it.
func (c *core) tie(now time.Duration, p *path, m *message) {
	for _, name := range []string{c.names.host, c.names.inst} {
		theirs := claims(m.entries, authority, name)
		if theirs != nil && slices.Compare(claims(p.recs, answering, name), theirs) < 0 {
			p.step, p.at = 0, now+yieldFor
			return
		}
	}
}

// claims are the records of a name in the order of section 8.2.1: by class, type and
// data.
func claims(entries []entry, section int, name string) []string {
	var out []string
	for i := range entries {
		e := &entries[i]
		if e.section == section && e.name == name && e.typ != typeNSEC {
			out = append(out, string(words(nil, int(e.class&^topBit), int(e.typ)))+e.data)
		}
	}
	slices.Sort(out)
	return out
}

// asked answers a question.
func (c *core) asked(now time.Duration, p *path, from netip.AddrPort, m *message) {
	if m.questions == 0 { // more of what an asker knows
		for i := range p.held {
			if h := &p.held[i]; h.from == from {
				h.of = p.unknown(h.of, m)
			}
		}
		return
	}
	var group, direct kinds
	manner := plain
	for i := range m.questions {
		if q := &m.entries[i]; q.class&topBit != 0 {
			direct |= p.wanted(q)
		} else {
			group |= p.wanted(q)
		}
	}
	if from.Port() != groupPort {
		group, direct, manner = 0, group|direct, legacy
	} else {
		// To all what they have not heard for a while (section 5.4).
		for i, at := range p.sent {
			if k := kinds(1) << i; at == 0 || now-at > time.Duration(k.ttlS())*time.Second/4 {
				group |= direct & k
			}
		}
		direct &^= group
	}
	group, direct = p.unknown(group, m), p.unknown(direct, m)
	if direct != 0 && c.direct <= now+directMost*directPause {
		c.direct = max(c.direct, now) + directPause
		reply := message{}
		if manner == legacy {
			reply = message{id: m.id, asked: m.asked, questions: m.questions}
		}
		c.out = append(c.out, datagram{p.link.Index, p.v6, from, p.put(reply, manner, direct, besides(direct))})
	}
	switch {
	case group == 0:
	case m.bits&isTruncated != 0 && len(p.held) < mostHeld:
		p.held = append(p.held, held{from, now + 400*time.Millisecond + c.chance(100*time.Millisecond), group})
	case m.entries[len(m.entries)-1].section == authority: // a probe
		p.defend = true
		p.ask(group, now)
	case group&shared == 0:
		p.ask(group, now)
	default:
		p.ask(group, now+20*time.Millisecond+c.chance(100*time.Millisecond))
	}
}
