//go:build !linux

package sim

import "errors"

// Elsewhere there is no such errno: the same words.
var (
	errNoAck   = errors.New("remote I/O error")
	errTimeout = errors.New("connection timed out")
	errAddress = errors.New("invalid argument")
)
