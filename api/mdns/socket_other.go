//go:build !linux

package mdns

import (
	"context"
	"errors"
)

// socket is not there: boards run Linux.
type socket struct{}

func open(bool) (*socket, error) {
	return nil, errors.New("only Linux is supported")
}

func (*socket) close()                                {}
func (*socket) join(int)                              {}
func (*socket) read(context.Context, chan<- datagram) {}
func (*socket) write(datagram) error                  { return nil }
