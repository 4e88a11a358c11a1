package gnss

import (
	"context"
	"fmt"
	"io"
	"sync/atomic"
	"time"

	"plumbstar/sensors"
)

// Receiver reads bare NMEA 0183 from a serial line and opens it anew whenever
// it fails or falls silent.
type Receiver struct {
	// Open opens the line. attempt counts the openings that gave no sentence
	// since the last one that did, so that another baud rate can be tried.
	// Closing the line must end a Read on it.
	Open  func(attempt int) (line io.ReadCloser, device string, err error)
	Clock sensors.Clock
	Sink  Sink
	// Silence is after how long without a sentence the line is closed; 0: 4 s.
	Silence time.Duration
	// Retry is the first wait after a failure; 0: 1 s. It doubles up to 15 s.
	Retry time.Duration
}

// Run works until ctx ends.
func (r *Receiver) Run(ctx context.Context) {
	l := &link{sink: r.Sink}
	b := backoff{first: orDefault(r.Retry, retryFirst), longest: retryLongest}
	attempt := 0
	for ctx.Err() == nil {
		line, device, err := r.Open(attempt)
		if err != nil {
			l.isDown(err)
			if !b.wait(ctx) {
				return
			}
			continue
		}
		spoke, err := r.follow(ctx, line, device, l)
		if ctx.Err() != nil {
			return
		}
		l.isDown(err)
		if spoke {
			attempt = 0
			b.reset()
		} else {
			attempt++
		}
		// A line that opens can be tried at the next rate at once; one that fails at
		// once as well is not worth a busy loop.
		if spoke || attempt%4 == 0 {
			if !b.wait(ctx) {
				return
			}
		}
	}
}

// follow reads the line to its end and says how it ended.
func (r *Receiver) follow(ctx context.Context, line io.ReadCloser, device string, l *link) (spoke bool, err error) {
	defer line.Close()
	defer context.AfterFunc(ctx, func() { line.Close() })()
	silence := orDefault(r.Silence, 4*time.Second)
	var late atomic.Bool
	watch := time.AfterFunc(silence, func() {
		late.Store(true)
		line.Close()
	})
	defer watch.Stop()
	lines := newLineReader(line, r.Clock, MaxSentence)
	var a Assembler
	var bad uint64
	for {
		text, at, err := lines.next()
		if err != nil {
			switch {
			case !late.Load():
				err = fmt.Errorf("%s: %w", device, err)
			case !spoke && bad+lines.tooLong > 0 || lines.tooLong > 0:
				err = fmt.Errorf("%s: %w", device, ErrGarbled)
			default:
				err = fmt.Errorf("%s: %w", device, ErrSilent)
			}
			return spoke, err
		}
		s, err := ParseSentence(text)
		var m any
		if err == nil {
			m, err = Decode(&s)
		}
		if err != nil {
			bad++
			l.bad(fmt.Errorf("%s: %w", device, err))
			continue
		}
		if m == nil {
			continue
		}
		watch.Reset(silence)
		spoke = true
		l.isUp(device)
		if f, ok := a.Add(at, &s, m); ok {
			l.fix(f)
		}
	}
}
