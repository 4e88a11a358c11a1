package mdns

import (
	"bytes"
	"math/rand/v2"
	"net/netip"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

// seeds are messages of ours, of another library with compressed names, and broken
// ones.
func seeds(tb testing.TB) (out [][]byte) {
	n := namesOf("plumbstar", false)
	p := path{recs: n.records([]netip.Addr{netip.MustParseAddr("192.168.7.2"), netip.MustParseAddr("fe80::2")}, 8484)}
	for manner := plain; manner <= legacy; manner++ {
		out = append(out, p.put(message{entries: []entry{{name: n.host, typ: typeAny, class: classIN}}}, manner, proposed|shared, hostNone))
	}
	m := query("plumbstar._http._tcp.local.", dnsmessage.TypeALL, dnsmessage.ClassINET)
	m.Questions = append(m.Questions, dnsmessage.Question{Name: dnsmessage.MustNewName("_http._tcp.local."), Type: dnsmessage.TypePTR, Class: dnsmessage.ClassINET})
	h := dnsmessage.ResourceHeader{Name: m.Questions[0].Name, Class: dnsmessage.ClassINET, TTL: 100}
	m.Answers = []dnsmessage.Resource{
		{Header: h, Body: &dnsmessage.SRVResource{Port: 1, Target: dnsmessage.MustNewName("plumbstar.local.")}},
		{Header: h, Body: &dnsmessage.PTRResource{PTR: m.Questions[1].Name}},
		{Header: h, Body: &dnsmessage.TXTResource{TXT: []string{"path=/"}}},
	}
	b, err := m.Pack()
	if err != nil {
		tb.Fatal(err)
	}
	return append(out, b, b[:40], []byte("\x00\x00\x00\x00\x00\x01\x00\x00\x00\x00\x00\x00\xc0\x0c\x00\x01\x00\x01"))
}

// FuzzMessage: whatever comes is read or refused, as another library reads it, and
// what is read can be written and read again.
func FuzzMessage(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		m, ok := parse(b)
		var other dnsmessage.Message
		err := other.Unpack(b)
		if !ok {
			return // the other one is more patient, for example with bytes behind a name
		}
		if len(m.entries) > mostEntries || m.questions > len(m.entries) {
			t.Fatalf("%d entries, %d questions", len(m.entries), m.questions)
		}
		if err == nil {
			var theirs []string
			for _, q := range other.Questions {
				theirs = append(theirs, q.Name.String())
			}
			for _, s := range [][]dnsmessage.Resource{other.Answers, other.Authorities, other.Additionals} {
				for _, r := range s {
					theirs = append(theirs, r.Header.Name.String())
				}
			}
			if len(theirs) != len(m.entries) {
				t.Fatalf("%d entries, another reader finds %d", len(m.entries), len(theirs))
			}
			for i, e := range m.entries {
				if got := dotted(e.name); got != string(bytes.ToLower([]byte(theirs[i]))) && plainASCII(theirs[i]) {
					t.Fatalf("%q, another reader finds %q", got, theirs[i])
				}
			}
		}
		again := message{id: m.id, bits: m.bits, entries: m.entries}
		back, ok := parse(again.put())
		if len(again.put()) > mostBytes { // names were short for being compressed
			return
		}
		if !ok || len(back.entries) != len(m.entries) {
			t.Fatalf("%+v is not read again", m)
		}
		for i := range m.entries {
			if back.entries[i] != m.entries[i] {
				t.Fatalf("%+v became %+v", m.entries[i], back.entries[i])
			}
		}
	})
}

func plainASCII(s string) bool {
	for _, c := range []byte(s) {
		if c >= 0x80 {
			return false
		}
	}
	return true
}

// dotted is a wire name as the other library writes it: without escapes.
func dotted(name string) string {
	var out []byte
	for i := 0; i < len(name) && name[i] > 0; i += 1 + int(name[i]) {
		out = append(append(out, name[i+1:i+1+int(name[i])]...), '.')
	}
	if len(out) == 0 {
		return "."
	}
	return string(out)
}

// FuzzReceive: no series of datagrams breaks a responder, makes it say more than it
// may, or what another reader cannot read.
func FuzzReceive(f *testing.F) {
	for i, b := range seeds(f) {
		f.Add(uint64(i), b, b)
	}
	f.Fuzz(func(t *testing.T, seed uint64, a, b []byte) {
		r := rand.New(rand.NewPCG(seed, 1))
		c := newCore("plumbstar", false, 8484, netip.Addr{})
		c.chance = func(d time.Duration) time.Duration { return time.Duration(r.Int64N(int64(d))) }
		now := time.Second
		c.setLinks(now, []Link{{1, both}}, [2]bool{true, true})
		said := 0
		for range 200 {
			now += time.Duration(r.Int64N(int64(50 * ms)))
			c.tick(now)
			d := datagram{1, r.IntN(2) == 1, netip.MustParseAddrPort("192.168.7.50:5353"), a}
			if d.v6 {
				d.peer = netip.MustParseAddrPort("[fe80::50]:5353")
			}
			if r.IntN(2) == 1 {
				d.data = b
			}
			if r.IntN(4) == 0 {
				d.peer = netip.AddrPortFrom(d.peer.Addr(), 40000)
			}
			c.receive(now, d)
			for _, o := range c.out {
				said++
				var m dnsmessage.Message
				if err := m.Unpack(o.data); err != nil {
					t.Fatalf("said %x: %v", o.data, err)
				}
				if len(o.data) > 2*mostBytes {
					t.Fatalf("said %d bytes", len(o.data))
				}
			}
			c.out = nil
		}
		if said > 250 {
			t.Fatalf("%d datagrams said", said)
		}
	})
}

// TestMalformed: none of these is read.
func TestMalformed(t *testing.T) {
	head := func(counts string) string { return "\x00\x00\x00\x00" + counts }
	for name, b := range map[string]string{
		"empty":                    "",
		"short header":             head("\x00\x00\x00\x00\x00"),
		"question missing":         head("\x00\x01\x00\x00\x00\x00\x00\x00"),
		"name without end":         head("\x00\x01\x00\x00\x00\x00\x00\x00") + "\x05local",
		"label too long":           head("\x00\x01\x00\x00\x00\x00\x00\x00") + "\x05loc",
		"label of the future":      head("\x00\x01\x00\x00\x00\x00\x00\x00") + "\x80\x00\x00\x01\x00\x01",
		"name at itself":           head("\x00\x01\x00\x00\x00\x00\x00\x00") + "\xc0\x0c\x00\x01\x00\x01",
		"name at what comes":       head("\x00\x01\x00\x00\x00\x00\x00\x00") + "\xc0\x20\x00\x01\x00\x01",
		"name in the header":       head("\x00\x02\x00\x00\x00\x00\x00\x00") + "\x00\x00\x01\x00\x01\xc0\x02\x00\x01\x00\x01",
		"half a jump":              head("\x00\x01\x00\x00\x00\x00\x00\x00") + "\xc0",
		"data beyond the end":      head("\x00\x00\x00\x01\x00\x00\x00\x00") + "\x00\x00\x01\x00\x01\x00\x00\x00\x09\x00\x05abcd",
		"name longer than data":    head("\x00\x00\x00\x01\x00\x00\x00\x00") + "\x00\x00\x0c\x00\x01\x00\x00\x00\x09\x00\x02\x03abc\x00",
		"more than the bytes hold": head("\x00\x00\x03\xe8\x00\x00\x00\x00") + "\x00\x00\x01\x00\x01\x00\x00\x00\x09\x00\x04abcd",
		"name of 300 bytes":        head("\x00\x01\x00\x00\x00\x00\x00\x00") + string(bytes.Repeat([]byte("\x3babcdefghijklmnopqrstuvwxyzabcdefghijklmnopqrstuvwxyzabcdefg"), 5)) + "\x00\x00\x01\x00\x01",
		"9001 bytes":               head("\x00\x00\x00\x00\x00\x00\x00\x00") + string(make([]byte, 9001-12)),
	} {
		if m, ok := parse([]byte(b)); ok {
			t.Errorf("%s: read as %+v", name, m)
		}
	}
}
