package api

import (
	"errors"
	"fmt"
	"net/netip"
	"time"
)

// Pairing keeps codes and tokens. PairingDir is the implementation on disk.
type Pairing interface {
	// Redeem exchanges the code that the owner read off the board for a new
	// token. from is the asking device's address; label names it in lists. The
	// error is ErrNoCode, ErrWrongCode, ErrTooManyTries, or a fault of the store.
	Redeem(code, label string, from netip.Addr) (Grant, error)
	// Check reports the role of a token, in time that does not depend on how
	// much of it is right.
	Check(token string) (Role, bool)
}

// Grant is a new token; it exists in the clear only here.
type Grant struct {
	Token string
	Role  Role
}

// Why Redeem refuses.
var (
	ErrNoCode       = errors.New("no pairing code is waiting (used, or older than its few minutes): run `plumbstar pair` on the board")
	ErrWrongCode    = errors.New("this is not the code that the board shows")
	ErrTooManyTries = errors.New("too many wrong codes from this device: run `plumbstar pair` on the board for a new one")
)

// CodeOptions describes a pairing code to issue.
type CodeOptions struct {
	Role     Role
	Lifetime time.Duration // up to an hour; `demo` may take longer
	// Uses is how many devices may be paired with the code; 0 means one.
	Uses int
	// Show lets the daemon show the code on its display, see PairingDir.Shown.
	Show bool
}

// Code limits. Eight digits and at most codeTries guesses in all make a code's
// chance of being guessed one in a million; the limit per device keeps one bad
// neighbour from using the guesses up. Wrong guesses count against one code
// only, so whoever stands at the board and issues another is never locked out.
const (
	codeDigits      = 8
	codeTries       = 100
	codeTriesDevice = 5
)

// tries counts the wrong guesses against one code.
type tries struct {
	code   string // which code, by its id
	total  int
	device map[netip.Prefix]int
	used   int
}

// against starts anew for another code.
func (t *tries) against(id string) {
	if t.code != id || t.device == nil { // a broken file may have an empty id
		*t = tries{code: id, device: map[netip.Prefix]int{}}
	}
}

func (t *tries) blocked(from netip.Addr) bool {
	return t.total >= codeTries || t.device[device(from)] >= codeTriesDevice
}

func (t *tries) wrong(from netip.Addr) {
	t.total++
	t.device[device(from)]++
}

// device takes an IPv6 /64 as one device: its owner has all of its addresses.
func device(a netip.Addr) netip.Prefix {
	a = a.Unmap().WithZone("")
	bits := a.BitLen()
	if a.Is6() {
		bits = 64
	}
	p, err := a.Prefix(bits)
	if err != nil { // the zero Addr: one bucket for all that have none
		return netip.Prefix{}
	}
	return p
}

// ParseRole reads a role as `pair` takes it.
func ParseRole(s string) (Role, error) {
	switch r := Role(s); r {
	case RoleRead, RoleWrite:
		return r, nil
	}
	return "", fmt.Errorf("role %q: use \"read\" or \"write\"", s)
}
