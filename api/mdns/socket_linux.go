package mdns

import (
	"context"
	"encoding/binary"
	"net/netip"
	"os"
	"syscall"
	"time"
)

// Groups of RFC 6762 section 3.
var (
	group4 = [4]byte{224, 0, 0, 251}
	group6 = [16]byte{0xff, 0x02, 15: 0xfb}
)

// socket hears and speaks to the group by IPv4 or IPv6, on every link that was
// joined. It is a socket of the kernel's, since net.UDPConn, told of the link with
// each message, adds 20 kB to the program that nothing else needs.
type socket struct {
	file *os.File
	raw  syscall.RawConn
	v6   bool
}

func open(v6 bool) (*socket, error) {
	domain, level, hops, direct, info := syscall.AF_INET, syscall.IPPROTO_IP, syscall.IP_MULTICAST_TTL, syscall.IP_TTL, syscall.IP_PKTINFO
	var at syscall.Sockaddr = &syscall.SockaddrInet4{Port: groupPort}
	if v6 {
		domain, level, hops, direct, info = syscall.AF_INET6, syscall.IPPROTO_IPV6, syscall.IPV6_MULTICAST_HOPS, syscall.IPV6_UNICAST_HOPS, syscall.IPV6_RECVPKTINFO
		at = &syscall.SockaddrInet6{Port: groupPort}
	}
	fd, err := syscall.Socket(domain, syscall.SOCK_DGRAM|syscall.SOCK_CLOEXEC|syscall.SOCK_NONBLOCK, 0)
	if err != nil {
		return nil, os.NewSyscallError("socket", err)
	}
	s := &socket{file: os.NewFile(uintptr(fd), "mdns"), v6: v6}
	for _, o := range [][3]int{
		{syscall.SOL_SOCKET, syscall.SO_REUSEADDR, 1}, // others on this machine listen too
		{level, hops, 255}, {level, direct, 255},      // section 11
		{level, info, 1},
		{syscall.IPPROTO_IPV6, syscall.IPV6_V6ONLY, 1},
	} {
		if err == nil && (v6 || o[0] != syscall.IPPROTO_IPV6) {
			err = os.NewSyscallError("setsockopt", syscall.SetsockoptInt(fd, o[0], o[1], o[2]))
		}
	}
	if err == nil {
		err = os.NewSyscallError("bind", syscall.Bind(fd, at))
	}
	if err == nil {
		s.raw, err = s.file.SyscallConn()
	}
	if err != nil {
		s.close()
		return nil, err
	}
	return s, nil
}

func (s *socket) close() { _ = s.file.Close() } // nothing is lost with it

// join makes the link's messages come; that it was joined before is no matter, and
// a link that cannot be joined hears nothing.
func (s *socket) join(index int) {
	_ = s.raw.Control(func(fd uintptr) {
		if s.v6 {
			_ = syscall.SetsockoptIPv6Mreq(int(fd), syscall.IPPROTO_IPV6, syscall.IPV6_JOIN_GROUP, &syscall.IPv6Mreq{Multiaddr: group6, Interface: uint32(index)})
		} else {
			_ = syscall.SetsockoptIPMreqn(int(fd), syscall.IPPROTO_IP, syscall.IP_ADD_MEMBERSHIP, &syscall.IPMreqn{Multiaddr: group4, Ifindex: int32(index)})
		}
	})
}

// read hands on what comes until the socket is closed.
func (s *socket) read(ctx context.Context, to chan<- datagram) {
	buf, control := make([]byte, mostBytes+1), make([]byte, 64)
	for {
		var n, k int
		var from syscall.Sockaddr
		var err error
		if closed := s.raw.Read(func(fd uintptr) bool {
			n, k, _, from, err = syscall.Recvmsg(int(fd), buf, control, 0)
			return err != syscall.EAGAIN && err != syscall.EINTR
		}); closed != nil {
			return
		}
		out := to
		var broken <-chan time.Time
		if err != nil {
			out, broken, n, k = nil, time.After(time.Second), 0, 0
		}
		select {
		case out <- datagram{arrival(control[:k], s.v6), s.v6, peerOf(from), append([]byte(nil), buf[:n]...)}:
		case <-broken:
		case <-ctx.Done():
			return
		}
	}
}

// peerOf is a kernel's address; not valid for what is none of IP.
func peerOf(a syscall.Sockaddr) netip.AddrPort {
	switch a := a.(type) {
	case *syscall.SockaddrInet4:
		return netip.AddrPortFrom(netip.AddrFrom4(a.Addr), uint16(a.Port))
	case *syscall.SockaddrInet6:
		return netip.AddrPortFrom(netip.AddrFrom16(a.Addr), uint16(a.Port))
	}
	return netip.AddrPort{}
}

// note is the one control message that is used: IP_PKTINFO (ip(7)) or IPV6_PKTINFO
// (ipv6(7)), behind a header of length, level and type (cmsg(3)); the link's number
// is at a place of its own.
func note(v6 bool) (level, typ uint32, size, index int) {
	if v6 {
		return syscall.IPPROTO_IPV6, syscall.IPV6_PKTINFO, syscall.SizeofInet6Pktinfo, 16
	}
	return syscall.IPPROTO_IP, syscall.IP_PKTINFO, syscall.SizeofInet4Pktinfo, 0
}

// arrival is the index of the link that a datagram came by; 0 when it is not told.
func arrival(control []byte, v6 bool) int {
	level, typ, size, index := note(v6)
	head := syscall.CmsgLen(0)
	if len(control) < head+size || binary.NativeEndian.Uint32(control[head-8:]) != level || binary.NativeEndian.Uint32(control[head-4:]) != typ {
		return 0
	}
	return int(binary.NativeEndian.Uint32(control[head+index:]))
}

// write sends by the datagram's link, to the group or to one.
func (s *socket) write(d datagram) (err error) {
	level, typ, size, index := note(s.v6)
	control := make([]byte, syscall.CmsgSpace(size))
	head := syscall.CmsgLen(0)
	// The length is as wide as a pointer.
	if head == 12 {
		binary.NativeEndian.PutUint32(control, uint32(head+size))
	} else {
		binary.NativeEndian.PutUint64(control, uint64(head+size))
	}
	binary.NativeEndian.PutUint32(control[head-8:], level)
	binary.NativeEndian.PutUint32(control[head-4:], typ)
	binary.NativeEndian.PutUint32(control[head+index:], uint32(d.index))
	var to syscall.Sockaddr
	port, ip := groupPort, d.peer.Addr()
	if d.peer.IsValid() {
		port = int(d.peer.Port())
	}
	switch {
	case s.v6 && d.peer.IsValid():
		to = &syscall.SockaddrInet6{Port: port, Addr: ip.As16(), ZoneId: uint32(d.index)}
	case s.v6:
		to = &syscall.SockaddrInet6{Port: port, Addr: group6, ZoneId: uint32(d.index)}
	case d.peer.IsValid():
		to = &syscall.SockaddrInet4{Port: port, Addr: ip.As4()}
	default:
		to = &syscall.SockaddrInet4{Port: port, Addr: group4}
	}
	if e := s.raw.Control(func(fd uintptr) { err = syscall.Sendmsg(int(fd), d.data, control, to, 0) }); e != nil {
		return e
	}
	return err
}
