package mdns

import "strings"

// Types and classes of RFC 1035 section 3.2.2, RFC 3596, RFC 2782, RFC 4034.
const (
	typeA    = 1
	typePTR  = 12
	typeTXT  = 16
	typeAAAA = 28
	typeSRV  = 33
	typeNSEC = 47
	typeAny  = 255

	classIN  = 1
	classAny = 255
	// topBit of a class asks for an answer by unicast (RFC 6762 section 5.4) or
	// says that older records are to be forgotten (section 10.2).
	topBit = 0x8000
)

// Bits of a header's second word.
const (
	isResponse    = 0x8000
	opcodeBits    = 0x7800
	authoritative = 0x0400
	isTruncated   = 0x0200
	rcodeBits     = 0x000f
)

// Sections of a message, in their order.
const (
	asking = iota
	answering
	authority
	further
)

// Bounds of a message: RFC 6762 section 17, and more entries than any sender has
// use for.
const (
	mostBytes   = 9000
	mostEntries = 256
	headerBytes = 12
)

// entry is a question or a resource record. Its name is in wire form: each label
// behind its length, a zero at the end, letters small. Names inside data are
// written out.
type entry struct {
	section    int
	name       string
	typ, class uint16
	ttlS       uint32
	data       string
	of         kinds // of our own
}

func (e *entry) same(o *entry) bool {
	return e.name == o.name && e.typ == o.typ && (e.class^o.class)&^topBit == 0 && e.data == o.data
}

// message is a datagram of RFC 1035 section 4.1.
type message struct {
	id, bits uint16
	entries  []entry // by section
	// asked are the bytes of its questions, of which there are so many.
	asked     []byte
	questions int
}

// parse reads a datagram of others.
func parse(b []byte) (m message, ok bool) {
	if len(b) < headerBytes || len(b) > mostBytes {
		return m, false
	}
	r := reader{b: b}
	m.id, m.bits = r.word(), r.word()
	var counts [4]int
	for i := range counts {
		counts[i] = int(r.word())
	}
	for section, n := range counts {
		for range n {
			e := r.entry(section)
			if r.bad || len(m.entries) == mostEntries {
				return m, false
			}
			m.entries = append(m.entries, e)
		}
		if section == asking {
			m.asked, m.questions = b[headerBytes:r.at], n
		}
	}
	return m, true
}

// reader reads on until it finds something bad.
type reader struct {
	b   []byte
	at  int
	bad bool
}

func (r *reader) word() uint16 {
	if r.at+2 > len(r.b) {
		r.bad = true
		return 0
	}
	r.at += 2
	return uint16(r.b[r.at-2])<<8 | uint16(r.b[r.at-1])
}

func (r *reader) bytes(n int) string {
	if r.at+n > len(r.b) {
		r.bad = true
		return ""
	}
	r.at += n
	return string(r.b[r.at-n : r.at])
}

func (r *reader) entry(section int) entry {
	e := entry{section: section, name: r.name(), typ: r.word(), class: r.word()}
	if section == asking {
		return e
	}
	e.ttlS = uint32(r.word())<<16 | uint32(r.word())
	n := int(r.word())
	end := r.at + n
	switch e.typ {
	case typeSRV:
		e.data = r.bytes(6)
		fallthrough
	case typePTR:
		e.data += r.name()
	default:
		e.data = r.bytes(n)
	}
	r.bad = r.bad || r.at != end
	return e
}

// name reads a name, which may go on at an earlier place (RFC 1035 section 4.1.4).
// Each jump goes further back, and what it leads to lies before: so it ends, and a
// question means the same when it is repeated before another message.
func (r *reader) name() string {
	var out []byte
	at, start, end, after := r.at, r.at, len(r.b), 0
	for at < end && len(out) < 255 {
		l := int(r.b[at])
		at++
		switch {
		case l < 64 && at+l <= end:
			out = append(append(out, byte(l)), r.b[at:at+l]...)
			at += l
			if l > 0 {
				continue
			}
			r.at = at
			if after > 0 {
				r.at = after
			}
			r.bad = r.bad || len(out) > 255
			return lower(out)
		case l >= 0xc0 && at < end:
			if after == 0 {
				after = at + 1
			}
			at = (l&0x3f)<<8 | int(r.b[at])
			if headerBytes <= at && at < start {
				start, end = at, start
				continue
			}
		}
		break
	}
	r.bad = true
	return ""
}

// lower makes ASCII letters small; lengths are below them.
func lower(b []byte) string {
	for i, c := range b {
		if 'A' <= c && c <= 'Z' {
			b[i] = c + 'a' - 'A'
		}
	}
	return string(b)
}

// wire is the wire form of a name that is written with dots.
func wire(dotted string) string {
	var b []byte
	for label := range strings.SplitSeq(dotted, ".") {
		b = append(append(b, byte(len(label))), label...)
	}
	return lower(append(b, 0))
}

// put writes a datagram. Names are written out: the longest of ours fill less than
// an Ethernet frame.
func (m *message) put() []byte {
	counts := [4]int{m.questions}
	for i := range m.entries {
		counts[m.entries[i].section]++
	}
	b := words(nil, int(m.id), int(m.bits), counts[0], counts[1], counts[2], counts[3])
	b = append(b, m.asked...)
	for i := range m.entries {
		e := &m.entries[i]
		b = words(append(b, e.name...), int(e.typ), int(e.class))
		if e.section != asking {
			b = append(words(b, int(e.ttlS>>16), int(e.ttlS), len(e.data)), e.data...)
		}
	}
	return b
}

func words(b []byte, all ...int) []byte {
	for _, w := range all {
		b = append(b, byte(w>>8), byte(w))
	}
	return b
}
