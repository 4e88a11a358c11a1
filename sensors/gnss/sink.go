package gnss

import (
	"context"
	"errors"
	"time"
)

// Why a source gives nothing. Errors of Sink.Down wrap one of these or are
// those of the operating system.
var (
	ErrSilent     = errors.New("nothing about position or time arrives")
	ErrGarbled    = errors.New("bytes arrive, but no NMEA 0183 sentence: the baud rate may be another")
	ErrNoReceiver = errors.New("gpsd runs, but no receiver is attached to it")
)

// Sink hears what a running source has to tell. All calls come from one
// goroutine and must be quick; a nil function is left out.
type Sink struct {
	// Fix is called for every moment that the receiver reports, fix or not.
	Fix func(Fix)
	// Up tells that data flows again (or for the first time) and from where.
	Up func(device string)
	// Down tells why none does. It is called once per reason, not per attempt.
	Down func(err error)
	// Bad tells of a line that could not be used.
	Bad func(err error)
}

// link remembers what the sink was told last.
type link struct {
	sink Sink
	up   bool
	why  string
}

func (l *link) fix(f Fix) {
	if l.sink.Fix != nil {
		l.sink.Fix(f)
	}
}

func (l *link) bad(err error) {
	if l.sink.Bad != nil {
		l.sink.Bad(err)
	}
}

func (l *link) isUp(device string) {
	if l.up {
		return
	}
	l.up, l.why = true, ""
	if l.sink.Up != nil {
		l.sink.Up(device)
	}
}

func (l *link) isDown(err error) {
	if !l.up && l.why == err.Error() {
		return
	}
	l.up, l.why = false, err.Error()
	if l.sink.Down != nil {
		l.sink.Down(err)
	}
}

// backoff waits longer after each failure in a row.
type backoff struct {
	first, longest, next time.Duration
}

// Back-off of both sources: a receiver that is plugged in again is found within
// seconds, and one that is never there costs little.
const (
	retryFirst   = time.Second
	retryLongest = 15 * time.Second
)

func (b *backoff) reset() { b.next = b.first }

// wait reports whether ctx is still alive after the pause.
func (b *backoff) wait(ctx context.Context) bool {
	b.next = min(max(b.next, b.first), b.longest)
	t := time.NewTimer(b.next)
	defer t.Stop()
	b.next *= 2
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
