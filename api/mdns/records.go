package mdns

import (
	"net/netip"
	"strconv"
)

// kinds are sets of our records on one link.
type kinds uint8

const (
	hostA kinds = 1 << iota
	hostAAAA
	hostNone // what the host's name has not (NSEC)
	service  // the kind of service -> our instance
	catalog  // the list of kinds -> the kind
	instSRV
	instTXT
	instNone
	kindCount = iota

	hostAny = hostA | hostAAAA
	// shared are those that others may have too: an answer is delayed for fear of a
	// crowd (RFC 6762 section 6).
	shared = service | catalog
	// proposed are those that a probe names (section 8.2).
	proposed = hostAny | instSRV | instTXT
	// farewell are those that are taken back. The list of kinds is others' too.
	farewell = proposed | service
)

// Times to live, RFC 6762 section 10; legacyTTLS section 6.7.
const (
	hostTTLS    = 120
	serviceTTLS = 75 * 60
	legacyTTLS  = 10
)

func (k kinds) ttlS() uint32 {
	if k&(shared|instTXT) != 0 {
		return serviceTTLS
	}
	return hostTTLS
}

// names are ours, in wire form.
type names struct{ host, inst, kind string }

// catalogName lists the kinds of services, RFC 6763 section 9.
const catalogName = "_services._dns-sd._udp.local"

// label is the first part of the nth name: plumbstar, plumbstar-2, …
func label(base string, n int) string {
	if n < 2 {
		return base
	}
	return base + "-" + strconv.Itoa(n)
}

func namesOf(label string, secure bool) names {
	kind := "_http._tcp.local"
	if secure {
		kind = "_https._tcp.local"
	}
	return names{wire(label + ".local"), wire(label + "." + kind), wire(kind)}
}

// records are all that is ours on a link with the given addresses.
func (n *names) records(addrs []netip.Addr, port uint16) []entry {
	var out []entry
	// What a name has, as the bit map of RFC 4034 section 4.1.2: A and AAAA; TXT
	// and SRV.
	host := []byte{0, 4, 0, 0, 0, 0}
	for _, a := range addrs {
		of, typ := hostA, uint16(typeA)
		if a.Is6() {
			of, typ = hostAAAA, typeAAAA
		}
		host[2+typ/8] |= 0x80 >> (typ % 8)
		out = add(out, of, n.host, typ, string(a.AsSlice()))
	}
	if host[5] == 0 { // no bytes of zero at the end
		host = append([]byte{0, 1}, host[2])
	}
	out = add(out, hostNone, n.host, typeNSEC, n.host+string(host))
	out = add(out, service, n.kind, typePTR, n.inst)
	out = add(out, catalog, wire(catalogName), typePTR, n.kind)
	out = add(out, instTXT, n.inst, typeTXT, "\x06path=/")
	out = add(out, instSRV, n.inst, typeSRV, string([]byte{0, 0, 0, 0, byte(port >> 8), byte(port)})+n.host)
	return add(out, instNone, n.inst, typeNSEC, n.inst+"\x00\x05\x00\x00\x80\x00\x40")
}

func add(to []entry, of kinds, name string, typ uint16, data string) []entry {
	class := uint16(classIN | topBit)
	if of&shared != 0 {
		class = classIN
	}
	return append(to, entry{answering, name, typ, class, of.ttlS(), data, of})
}

// besides are the kinds that whoever gets the answer will ask for next (RFC 6763
// section 12, RFC 6762 section 6.2).
func besides(answer kinds) kinds {
	all := answer
	if all&service != 0 {
		all |= instSRV | instTXT
	}
	if all&(instSRV|hostAny) != 0 {
		all |= hostAny | hostNone
	}
	return all &^ answer
}
