package main

import (
	"errors"
	"log/slog"
	"net/netip"
	"os"
	"strconv"
	"strings"
	"syscall"

	"plumbstar/api/mdns"
)

// responder answers for the board's name on the local network; nil where the page
// is served to this machine alone, or under no name.
func (s *serving) responder(log *slog.Logger) *mdns.Responder {
	bound, err := netip.ParseAddrPort(s.bound.String())
	if err != nil || s.localName == "" || bound.Addr().IsLoopback() {
		return nil
	}
	return mdns.New(mdns.Options{
		Label: s.localName, Bound: bound, Secure: s.authority != nil,
		Elsewhere: func() (string, bool) { return avahi(avahiPID) }, Clock: s.clock, Log: log,
	})
}

const avahiPID = "/run/avahi-daemon/pid"

// avahi reports whether Avahi runs, which writes its number into a file, and the
// name for which it answers. Its socket says nothing: systemd makes that.
func avahi(pidFile string) (name string, runs bool) {
	text, err := os.ReadFile(pidFile)
	if err != nil {
		return "", false
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || pid <= 0 || errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		return "", false
	}
	host, err := os.Hostname()
	if err != nil {
		return "", true
	}
	host, _, _ = strings.Cut(host, ".")
	return host + ".local", true
}
