package gnss

import (
	"bytes"
	"io"
	"time"

	"plumbstar/sensors"
)

// lineReader cuts a stream into lines and notes when the first byte of each
// arrived. A line longer than its buffer is dropped as a whole.
type lineReader struct {
	r     io.Reader
	clock sensors.Clock
	buf   []byte
	// begin and end delimit what was read and not yet handed out.
	begin, end int
	at         time.Duration // arrival of buf[begin]
	readAt     time.Duration // of the newest bytes
	skipping   bool          // inside a line that is too long
	tooLong    uint64
	idle       int // reads in a row that gave nothing
}

// mostIdle is how many empty reads in a row are taken for a broken reader.
const mostIdle = 100

func newLineReader(r io.Reader, clock sensors.Clock, longest int) *lineReader {
	return &lineReader{r: r, clock: clock, buf: make([]byte, longest+2)}
}

// next is the next line without its line end, valid until the next call, and
// the time at which it began to arrive. Empty lines are left out.
func (l *lineReader) next() ([]byte, time.Duration, error) {
	for {
		for l.begin < l.end {
			i := bytes.IndexByte(l.buf[l.begin:l.end], '\n')
			if i < 0 {
				break
			}
			line, at := l.buf[l.begin:l.begin+i], l.at
			l.begin += i + 1
			// What follows in the buffer came with the newest bytes, or between.
			l.at = l.readAt
			skipped := l.skipping
			l.skipping = false
			if line = bytes.TrimRight(line, "\r"); len(line) > 0 && !skipped {
				return line, at, nil
			}
		}
		if l.begin > 0 {
			l.end = copy(l.buf, l.buf[l.begin:l.end])
			l.begin = 0
		}
		if l.end == len(l.buf) {
			if !l.skipping {
				l.tooLong++
			}
			l.skipping, l.end = true, 0
		}
		n, err := l.r.Read(l.buf[l.end:])
		if n > 0 {
			l.idle = 0
			l.readAt = l.clock.Now()
			if l.end == 0 {
				l.at = l.readAt
			}
			l.end += n
		}
		if n == 0 {
			if l.idle++; err == nil && l.idle > mostIdle {
				err = io.ErrNoProgress
			}
			if err != nil {
				return nil, 0, err
			}
		}
	}
}
