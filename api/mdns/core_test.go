package mdns

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

const ms = time.Millisecond

var both = prefixes("192.168.7.2/24", "fe80::2/64")

// TestProbesThenAnnounces: RFC 6762 sections 8.1 and 8.3.
func TestProbesThenAnnounces(t *testing.T) {
	l := newLAN(t)
	b := l.add("plumbstar", prefixes("192.168.7.2/24"))
	l.run(5 * time.Second)
	var kinds []string
	var times []time.Duration
	for _, h := range l.heard {
		kind := "probe"
		if h.Response {
			kind = "announcement"
			if !h.Authoritative || h.ID != 0 {
				t.Errorf("header %+v", h.Header)
			}
			for _, r := range h.Answers {
				unique := r.Header.Type != dnsmessage.TypePTR
				if got := r.Header.Class&topBit != 0; got != unique {
					t.Errorf("%v: cache-flush bit %v", r.Header, got)
				}
			}
			want := []string{
				"plumbstar.local. A 192.168.7.2", "_http._tcp.local. PTR plumbstar._http._tcp.local.",
				"_services._dns-sd._udp.local. PTR _http._tcp.local.", "plumbstar._http._tcp.local. SRV plumbstar.local.", "plumbstar._http._tcp.local. TXT",
			}
			for _, w := range want {
				if got := texts(h.Answers); !slices.Contains(got, w) {
					t.Errorf("%q is not announced: %q", w, got)
				}
			}
		} else {
			for _, q := range h.Questions {
				if q.Type != typeAny || q.Class != classIN|topBit {
					t.Errorf("probe asks %v", q)
				}
			}
			if got := texts(h.Authorities); len(h.Questions) != 2 || !slices.Contains(got, "plumbstar.local. A 192.168.7.2") {
				t.Errorf("probe %v proposes %q", h.Questions, got)
			}
		}
		kinds, times = append(kinds, kind), append(times, h.at)
	}
	if got := strings.Join(kinds, " "); got != "probe probe probe announcement announcement" {
		t.Fatalf("said: %s", got)
	}
	for i, want := range []time.Duration{250 * ms, 250 * ms, 250 * ms, time.Second} {
		if got := times[i+1] - times[i]; got != want {
			t.Errorf("step %d after %v, want %v", i+1, got, want)
		}
	}
	if !b.owns() || b.tick(l.now) >= 0 {
		t.Error("it does not come to rest")
	}
	l.forget()
	b.leave()
	l.carry()
	if len(l.heard) != 1 || len(l.heard[0].Answers) != 4 {
		t.Fatalf("goodbye: %v", l.heard)
	}
	for _, r := range l.heard[0].Answers {
		if r.Header.TTL != 0 {
			t.Errorf("goodbye with TTL %d", r.Header.TTL)
		}
	}
}

// TestAnswers: what is asked and what is said, besides and to whom.
func TestAnswers(t *testing.T) {
	l := newLAN(t)
	b := l.add("plumbstar", both)
	four := l.add("four", prefixes("192.168.7.9/24"))
	l.run(10 * time.Second)
	const in, qu = dnsmessage.ClassINET, dnsmessage.ClassINET | topBit
	const group, asker, old = "192.168.7.50:5353", "192.168.7.50:5353", "192.168.7.50:40000"
	for _, c := range []struct {
		board   *board
		name    string
		typ     dnsmessage.Type
		class   dnsmessage.Class
		from    string
		to      string // "" for the group
		answers string
		besides string
		latest  time.Duration
	}{
		{b, "plumbstar.local.", dnsmessage.TypeA, in, asker, "", "plumbstar.local. A 192.168.7.2", "plumbstar.local. AAAA fe80::2", 0},
		{b, "PlumbStar.LOCAL.", dnsmessage.TypeAAAA, in, asker, "", "plumbstar.local. AAAA fe80::2", "plumbstar.local. A 192.168.7.2", 0},
		{b, "plumbstar.local.", dnsmessage.TypeALL, qu, asker, asker, "plumbstar.local. A 192.168.7.2, plumbstar.local. AAAA fe80::2", "", 0},
		{b, "plumbstar.local.", dnsmessage.TypeMX, in, asker, "", "plumbstar.local. 47", "", 0},
		{b, "plumbstar.local.", dnsmessage.TypeA, in, old, old, "plumbstar.local. A 192.168.7.2", "plumbstar.local. AAAA fe80::2", 0},
		{b, "_http._tcp.local.", dnsmessage.TypePTR, in, asker, "", "_http._tcp.local. PTR plumbstar._http._tcp.local.", "plumbstar._http._tcp.local. SRV plumbstar.local.", 120 * ms},
		{b, "plumbstar._http._tcp.local.", dnsmessage.TypeSRV, in, asker, "", "plumbstar._http._tcp.local. SRV plumbstar.local.", "plumbstar.local. A 192.168.7.2", 0},
		{b, "plumbstar._http._tcp.local.", dnsmessage.TypeTXT, in, "[fe80::50]:5353", "", "plumbstar._http._tcp.local. TXT", "", 0},
		{b, "_services._dns-sd._udp.local.", dnsmessage.TypePTR, in, asker, "", "_services._dns-sd._udp.local. PTR _http._tcp.local.", "", 120 * ms},
		{four, "four.local.", dnsmessage.TypeAAAA, in, asker, "", "four.local. 47", "", 0},
		// Not ours, or from elsewhere.
		{b, "larkmoor.local.", dnsmessage.TypeA, in, asker, "", "", "", 0},
		{b, "_ipp._tcp.local.", dnsmessage.TypePTR, in, asker, "", "", "", 0},
		{b, "plumbstar.local.", dnsmessage.TypeA, dnsmessage.ClassCHAOS, asker, "", "", "", 0},
		{b, "plumbstar.local.", dnsmessage.TypeA, in, "10.1.1.1:5353", "", "", "", 0},
		{b, "plumbstar.local.", dnsmessage.TypeA, in, "[2001:db8::1]:40000", "", "", "", 0},
	} {
		t.Run(fmt.Sprintf("%s %v from %s", c.name, c.typ, c.from), func(t *testing.T) {
			l.run(2 * time.Second)
			q := query(c.name, c.typ, c.class)
			q.ID = 77
			asked := l.now
			got := l.ask(c.board, c.from, q, time.Second)
			if c.answers == "" {
				if len(got) != 0 {
					t.Fatalf("answered: %v", got)
				}
				return
			}
			if len(got) != 1 {
				t.Fatalf("%d answers", len(got))
			}
			h := got[0]
			to := ""
			if h.peer.IsValid() {
				to = h.peer.String()
			}
			if a := strings.Join(texts(h.Answers), ", "); a != c.answers || to != c.to || h.at-asked > c.latest+ms {
				t.Errorf("%q to %q after %v", a, to, h.at-asked)
			}
			if more := texts(h.Additionals); c.besides != "" && !slices.Contains(more, c.besides) {
				t.Errorf("besides: %q", more)
			}
			if c.from == old { // RFC 6762 section 6.7
				if h.ID != 77 || len(h.Questions) != 1 || h.Answers[0].Header.TTL > 10 || h.Answers[0].Header.Class != in {
					t.Errorf("not for plain DNS: %+v", h.Message)
				}
			} else if h.ID != 0 || len(h.Questions) != 0 {
				t.Errorf("ID %d, %d questions", h.ID, len(h.Questions))
			}
		})
	}
}

// TestNSEC: the bit map says what there is, by the same library's bytes.
func TestNSEC(t *testing.T) {
	n := namesOf("plumbstar", false)
	for _, c := range []struct {
		addrs []string
		want  string
	}{ // RFC 4034 section 4.1.2, written by hand: types 1 and 28
		{[]string{"192.168.7.2"}, "\x00\x01\x40"},
		{[]string{"fe80::1"}, "\x00\x04\x00\x00\x00\x08"},
		{[]string{"192.168.7.2", "fe80::1"}, "\x00\x04\x40\x00\x00\x08"},
	} {
		var addrs []netip.Addr
		for _, a := range c.addrs {
			addrs = append(addrs, netip.MustParseAddr(a))
		}
		for _, r := range n.records(addrs, 1) {
			if r.of == hostNone && r.data != n.host+c.want {
				t.Errorf("%v: %q", c.addrs, r.data)
			}
		}
	}
}

// TestKnownAnswers are not given again, RFC 6762 sections 7.1 and 7.2.
func TestKnownAnswers(t *testing.T) {
	l := newLAN(t)
	b := l.add("plumbstar", both)
	l.run(10 * time.Second)
	told := func(ttl uint32) []dnsmessage.Resource {
		return []dnsmessage.Resource{{
			Header: dnsmessage.ResourceHeader{Name: dnsmessage.MustNewName("_http._tcp.local."), Type: dnsmessage.TypePTR, Class: dnsmessage.ClassINET, TTL: ttl},
			Body:   &dnsmessage.PTRResource{PTR: dnsmessage.MustNewName("plumbstar._http._tcp.local.")},
		}}
	}
	q := query("_http._tcp.local.", dnsmessage.TypePTR, dnsmessage.ClassINET)
	const asker = "192.168.7.50:5353"
	q.Answers = told(4000)
	if got := l.ask(b, asker, q, time.Second); len(got) != 0 {
		t.Errorf("a known answer is given: %v", got)
	}
	q.Answers = told(2000) // less than half of its life
	if got := l.ask(b, asker, q, time.Second); len(got) != 1 {
		t.Errorf("%d answers to who will forget soon", len(got))
	}
	l.run(2 * time.Second)
	// What is known comes in a second message.
	q.Answers, q.Truncated = nil, true
	if got := l.ask(b, asker, q, 100*ms); len(got) != 0 {
		t.Error("a truncated question is answered at once")
	}
	if got := l.ask(b, asker, dnsmessage.Message{Answers: told(4000)}, time.Second); len(got) != 0 {
		t.Errorf("known from a second message, and given: %v", got)
	}
	// None comes.
	asked := l.now
	got := l.ask(b, asker, q, time.Second)
	if len(got) != 1 || got[0].at-asked < 400*ms || got[0].at-asked > 501*ms {
		t.Errorf("a truncated question and nothing more: %v", got)
	}
}

// TestSaysLittle: a record at most once a second, and few direct answers, whoever
// asks how often (RFC 6762 section 6).
func TestSaysLittle(t *testing.T) {
	l := newLAN(t)
	b := l.add("plumbstar", both)
	l.run(10 * time.Second)
	l.forget()
	q := query("plumbstar.local.", dnsmessage.TypeA, dnsmessage.ClassINET)
	for range 1000 {
		l.tell(b, "192.168.7.50:5353", q)
		l.run(5 * ms)
	}
	if n := len(l.heard); n < 5 || n > 6 {
		t.Errorf("%d answers to all in 5 s", n)
	}
	l.forget()
	for range 5000 {
		l.tell(b, "192.168.7.50:40000", q)
		l.run(ms)
	}
	if n := len(l.heard); n < 100 || n > 141 {
		t.Errorf("%d direct answers in 5 s", n)
	}
	held := query("_http._tcp.local.", dnsmessage.TypePTR, dnsmessage.ClassINET)
	held.Truncated = true
	for i := range 1000 {
		l.tell(b, fmt.Sprintf("192.168.7.%d:5353", i%250), held)
	}
	if n := len(b.paths[0].held); n > mostHeld {
		t.Errorf("%d are waited for", n)
	}
}

// TestTwoBoards want one name: one of them gets another, whoever came first, also
// when both come at the same moment.
func TestTwoBoards(t *testing.T) {
	for _, apart := range []time.Duration{0, 100 * ms, 400 * ms, 700 * ms, 3 * time.Second, time.Minute} {
		l := newLAN(t)
		first := l.add("plumbstar", both)
		l.run(apart)
		second := l.add("plumbstar", prefixes("192.168.7.3/24", "fe80::3/64"))
		l.run(20 * time.Second)
		got := []string{first.label(), second.label()}
		slices.Sort(got)
		if !first.owns() || !second.owns() || got[0] != "plumbstar" || got[1] != "plumbstar-2" {
			t.Errorf("%v apart: %q", apart, got)
		}
		if apart >= 3*time.Second && first.label() != "plumbstar" {
			t.Errorf("%v apart: who was first lost the name", apart)
		}
		if next := first.tick(l.now); next >= 0 {
			t.Error("it does not come to rest")
		}
	}
}

// TestManyBoards: ten want one name; nine get one, and one tells that it has none.
func TestManyBoards(t *testing.T) {
	l := newLAN(t)
	for i := range 10 {
		l.add("plumbstar", prefixes(fmt.Sprintf("192.168.7.%d/24", i+2)))
		l.run(700 * ms)
	}
	l.run(2 * time.Minute)
	seen, without := map[string]bool{}, 0
	for _, b := range l.boards {
		if b.allTaken {
			without++
			continue
		}
		if !b.owns() || seen[b.label()] {
			t.Errorf("%s: owned %v, twice %v", b.label(), b.owns(), seen[b.label()])
		}
		seen[b.label()] = true
	}
	if len(seen) != 9 || without != 1 {
		t.Errorf("%v have names, %d have none", seen, without)
	}
	for name := range seen {
		if !slices.Contains(Names("plumbstar"), name+".local") {
			t.Errorf("%s is not among the names that may be had", name)
		}
	}
}

// TestNetworksThatMeet: two boards have the name on networks of their own; then
// these become one (RFC 6762 section 9).
func TestNetworksThatMeet(t *testing.T) {
	l, m := newLAN(t), newLAN(t)
	first := l.add("plumbstar", both)
	second := m.add("plumbstar", prefixes("192.168.7.3/24", "fe80::3/64"))
	l.run(10 * time.Second)
	m.run(10 * time.Second)
	l.boards = append(l.boards, second)
	// Somebody asks, and hears two.
	q := query("plumbstar.local.", dnsmessage.TypeA, dnsmessage.ClassINET)
	l.tell(first, "192.168.7.50:5353", q)
	l.run(20 * time.Second)
	if got := []string{first.label(), second.label()}; !first.owns() || !second.owns() || got[0] == got[1] {
		t.Errorf("both: %q", got)
	}
}

// TestTwoLinksOnOneNetwork: a board that hears itself by another interface, and one
// whose words are repeated by a reflector, keeps its name.
func TestTwoLinksOnOneNetwork(t *testing.T) {
	l := newLAN(t)
	b := l.add("plumbstar", prefixes("192.168.7.2/24", "fe80::2/64"), prefixes("192.168.7.3/24", "fe80::3/64"))
	for range 20000 {
		b.tick(l.now)
		for _, d := range b.out {
			l.hear(b, d)
			for index := 1; index <= 2; index++ {
				own, _ := b.address(d.index, d.v6)
				b.receive(l.now, datagram{index, d.v6, own, d.data})
				reflector := netip.MustParseAddrPort("192.168.7.77:5353")
				if d.v6 {
					reflector = netip.MustParseAddrPort("[fe80::77]:5353")
				}
				if h := l.heard[len(l.heard)-1]; h.Response {
					b.receive(l.now, datagram{index, d.v6, reflector, d.data})
				}
			}
		}
		b.out = nil
		l.now += ms
	}
	if b.label() != "plumbstar" || !b.owns() || b.tick(l.now) >= 0 {
		t.Errorf("%s, owned %v", b.label(), b.owns())
	}
}

// TestLinksComeAndGo: another address is announced without a probe, a new interface
// is probed on, one that is gone is silent.
func TestLinksComeAndGo(t *testing.T) {
	l := newLAN(t)
	b := l.add("plumbstar", prefixes("192.168.7.2/24"))
	l.run(10 * time.Second)
	set := func(links ...Link) {
		b.links = links
		b.setLinks(l.now, links, [2]bool{true, true})
		l.forget()
		l.run(10 * time.Second)
	}
	set(Link{1, prefixes("192.168.7.4/24")})
	if len(l.heard) != 2 || !l.heard[0].Response || texts(l.heard[0].Answers)[0] != "plumbstar.local. A 192.168.7.4" {
		t.Errorf("another address: %v", l.heard)
	}
	set(Link{1, prefixes("192.168.7.4/24")})
	if len(l.heard) != 0 {
		t.Errorf("nothing new: %v", l.heard)
	}
	set(Link{1, prefixes("192.168.7.4/24")}, Link{2, prefixes("10.0.0.1/8")})
	if len(l.heard) != 5 || l.heard[0].index != 2 || l.heard[0].Response {
		t.Errorf("a new interface: %v", l.heard)
	}
	set()
	if len(l.heard) != 0 || b.owns() {
		t.Errorf("no interface: %v", l.heard)
	}
}

// TestAddresses that are told: global ones before link-local ones, four of a family,
// the one alone at which the page is.
func TestAddresses(t *testing.T) {
	l := Link{1, prefixes("fe80::1/64", "169.254.3.4/16", "192.168.7.2/24", "2001:db8::1/64", "fd00::1/64")}
	show := func(a []netip.Addr) string { return fmt.Sprint(a) }
	if got := show(l.addrs(netip.Addr{})); got != "[192.168.7.2 2001:db8::1 fd00::1]" {
		t.Error(got)
	}
	if got := show(l.addrs(netip.MustParseAddr("192.168.7.2"))); got != "[192.168.7.2]" {
		t.Error(got)
	}
	l = Link{1, prefixes("fe80::1/64", "169.254.3.4/16")}
	if got := show(l.addrs(netip.Addr{})); got != "[169.254.3.4 fe80::1]" {
		t.Error(got)
	}
	many := Link{Index: 1}
	for i := range 30 {
		many.Prefixes = append(many.Prefixes, netip.MustParsePrefix(fmt.Sprintf("10.0.0.%d/8", i+1)), netip.MustParsePrefix(fmt.Sprintf("fd00::%x/64", i+1)))
	}
	if got := many.addrs(netip.Addr{}); len(got) != 2*mostAddrs {
		t.Errorf("%d", len(got))
	}
	// The longest that can be said fits into a frame.
	n := namesOf(label(strings.Repeat("p", 40), 9), true)
	p := path{recs: n.records(many.addrs(netip.Addr{}), 8484)}
	if b := p.put(message{}, plain, 1<<kindCount-1, 0); len(b) > 1452 {
		t.Errorf("%d bytes", len(b))
	}
}
