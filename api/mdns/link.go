package mdns

import (
	"net/netip"
	"time"
)

// Link is one network interface.
type Link struct {
	Index int
	// Prefixes are its addresses with their nets.
	Prefixes []netip.Prefix
}

// mostAddrs of one family are told of one link.
const mostAddrs = 4

// addrs are those that are told: of each family the global ones, or where there are
// none, the link-local ones; only limits them to one.
func (l *Link) addrs(only netip.Addr) []netip.Addr {
	var out []netip.Addr
	had := 0 // before this family
	for pass := range 4 {
		six, local := pass >= 2, pass%2 == 1
		if !local {
			had = len(out)
		} else if len(out) > had {
			continue
		}
		for _, p := range l.Prefixes {
			a := p.Addr()
			if a.Is6() == six && a.IsLinkLocalUnicast() == local && (a == only || !only.IsValid()) && len(out) < had+mostAddrs {
				out = append(out, a)
			}
		}
	}
	return out
}

// holds reports whether an address is on the link (RFC 6762 section 11).
func (l *Link) holds(a netip.Addr) bool {
	for _, p := range l.Prefixes {
		if p.Contains(a) {
			return true
		}
	}
	return a.IsLinkLocalUnicast()
}

// Steps on the way to a name, RFC 6762 section 8: three probes, two announcements.
const (
	probes  = 3
	settled = probes + 2
)

// path is a link by IPv4 or by IPv6: questions and answers go by the same.
type path struct {
	link  *Link
	v6    bool
	addrs []netip.Addr
	recs  []entry

	step int
	at   time.Duration // of the next step

	sent    [kindCount]time.Duration // when each kind was multicast; 0: never
	pending kinds                    // is multicast at due
	defend  bool                     // it answers a probe
	due     time.Duration
	held    []held
}

// held is an answer that waits for the rest of what the asker knows (RFC 6762
// section 7.2).
type held struct {
	from netip.AddrPort
	due  time.Duration
	of   kinds
}

// mostHeld bounds who is waited for on one path.
const mostHeld = 16

func (p *path) owns() bool { return p.step > probes }

// wanted are the kinds that answer a question; what a name of ours has not is
// answered too (RFC 6762 section 6.1).
func (p *path) wanted(q *entry) (of kinds) {
	if c := q.class &^ topBit; c != classIN && c != classAny {
		return 0
	}
	var none kinds
	for i := range p.recs {
		r := &p.recs[i]
		switch {
		case r.name != q.name:
		case r.typ == typeNSEC:
			none = r.of
		case q.typ == r.typ || q.typ == typeAny:
			of |= r.of
		}
	}
	if of == 0 {
		return none
	}
	return of
}

// unknown are those of the kinds that the asker does not know for half of their life
// (section 7.1).
func (p *path) unknown(of kinds, m *message) (news kinds) {
	for i := range p.recs {
		r := &p.recs[i]
		if of&r.of != 0 && !m.tells(r) {
			news |= r.of
		}
	}
	return news
}

func (m *message) tells(r *entry) bool {
	for i := range m.entries {
		e := &m.entries[i]
		if e.section == answering && e.ttlS >= r.ttlS/2 && e.same(r) {
			return true
		}
	}
	return false
}

// Manners of saying our records.
const (
	plain   = iota
	probe   // asks whether anybody has our names, and says what we would have
	goodbye // takes back (section 10.1)
	legacy  // for an asker that speaks plain DNS (section 6.7)
)

// put adds the records of the given kinds to a message, as answers and for further
// use, and writes it.
func (p *path) put(m message, manner int, answers, more kinds) []byte {
	if manner != probe {
		m.bits = isResponse | authoritative
	}
	for section := answering; section <= further; section += further - answering {
		of := answers
		if section == further {
			of = more
		}
		for _, r := range p.recs {
			if of&r.of == 0 {
				continue
			}
			r.section = section
			switch manner {
			case probe:
				r.section = authority
				r.class = classIN
			case goodbye:
				r.ttlS = 0
			case legacy:
				r.class = classIN
				r.ttlS = min(r.ttlS, legacyTTLS)
			}
			m.entries = append(m.entries, r)
		}
	}
	return m.put()
}
