package sensortest

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
)

// Transfer is one transfer on a bus.
type Transfer struct {
	// At is the time on the sensor's clock before the transfer; it counts only
	// when Timed.
	At    time.Duration
	Timed bool
	Addr  uint16
	W, R  []byte
	Err   string // empty: it went well
}

// String is the transfer as a line of a transcript:
//
//	@1.250000 68 > 75 < 71    register 0x75 read at 1.25 s, got 0x71
//	68 > 6b 80                0x80 written to register 0x6b
//	68 > 75 ! remote I/O error
//
// All numbers but the time are hexadecimal; # starts a comment.
func (t Transfer) String() string {
	var b strings.Builder
	if t.Timed {
		fmt.Fprintf(&b, "@%.6f ", t.At.Seconds())
	}
	fmt.Fprintf(&b, "%02x", t.Addr)
	if len(t.W) > 0 {
		fmt.Fprintf(&b, " > % x", t.W)
	}
	switch {
	case t.Err != "":
		b.WriteString(" ! " + strings.ReplaceAll(t.Err, "\n", " "))
	case len(t.R) > 0:
		fmt.Fprintf(&b, " < % x", t.R)
	}
	return b.String()
}

// ParseTranscript reads the lines of a transcript.
func ParseTranscript(r io.Reader) ([]Transfer, error) {
	var out []Transfer
	s := bufio.NewScanner(r)
	for line := 1; s.Scan(); line++ {
		text, _, _ := strings.Cut(s.Text(), "#")
		if strings.TrimSpace(text) == "" {
			continue
		}
		t, err := parseTransfer(text)
		if err != nil {
			return nil, fmt.Errorf("transcript line %d: %w", line, err)
		}
		out = append(out, t)
	}
	return out, s.Err()
}

func parseTransfer(text string) (Transfer, error) {
	var t Transfer
	text, failure, failed := strings.Cut(text, "!")
	if failed {
		t.Err = strings.TrimSpace(failure)
	}
	text, read, reads := strings.Cut(text, "<")
	text, write, _ := strings.Cut(text, ">")
	f := strings.Fields(text)
	if len(f) == 2 && strings.HasPrefix(f[0], "@") {
		at, err := strconv.ParseFloat(f[0][1:], 64)
		if err != nil {
			return t, fmt.Errorf("time %q: want seconds", f[0])
		}
		t.At, t.Timed = time.Duration(at*float64(time.Second)), true
		f = f[1:]
	}
	if len(f) != 1 {
		return t, fmt.Errorf("%q: want an address, then > and what is written, < and what is read", text)
	}
	addr, err := strconv.ParseUint(f[0], 16, 7)
	if err != nil {
		return t, fmt.Errorf("address %q: want seven bits in hexadecimal", f[0])
	}
	t.Addr = uint16(addr)
	if t.W, err = parseBytes(write); err != nil {
		return t, err
	}
	if reads {
		if t.R, err = parseBytes(read); err != nil {
			return t, err
		}
	}
	return t, nil
}

func parseBytes(text string) ([]byte, error) {
	b, err := hex.DecodeString(strings.Join(strings.Fields(text), ""))
	if err != nil {
		return nil, fmt.Errorf("bytes %q: want pairs of hexadecimal digits", text)
	}
	return b, nil
}

// Playback is a bus that plays a transcript and refuses every transfer that is
// not its next line, and the clock to it: it moves when somebody sleeps, and to
// the time of each line that has one.
type Playback struct {
	transfers []Transfer
	next      int
	now       time.Duration
}

// NewPlayback starts a transcript at its first line.
func NewPlayback(transfers []Transfer) *Playback { return &Playback{transfers: transfers} }

// String names the bus.
func (p *Playback) String() string { return "playback" }

// SetSpeed does nothing.
func (p *Playback) SetSpeed(physic.Frequency) error { return nil }

// Left is how many lines have not been played.
func (p *Playback) Left() int { return len(p.transfers) - p.next }

// Append adds lines to the end.
func (p *Playback) Append(t ...Transfer) { p.transfers = append(p.transfers, t...) }

// Tx plays the next line, if it is this transfer.
func (p *Playback) Tx(addr uint16, w, r []byte) error {
	got := Transfer{Addr: addr, W: w, R: r}
	if p.next >= len(p.transfers) {
		return fmt.Errorf("transfer %d after the end of the transcript: %v", p.next, got)
	}
	t := p.transfers[p.next]
	if addr != t.Addr || !bytes.Equal(w, t.W) || t.Err == "" && len(r) != len(t.R) {
		return fmt.Errorf("transfer %d: got 0x%02x > % x, %d bytes to read; want %v", p.next, addr, w, len(r), t)
	}
	p.next++
	if t.Timed {
		p.now = max(p.now, t.At)
	}
	if t.Err != "" {
		return errors.New(t.Err)
	}
	copy(r, t.R)
	return nil
}

// Now is the time of the transcript: that of the next line if it has one.
func (p *Playback) Now() time.Duration {
	if p.next < len(p.transfers) && p.transfers[p.next].Timed {
		p.now = max(p.now, p.transfers[p.next].At)
	}
	return p.now
}

// Sleep moves the clock.
func (p *Playback) Sleep(d time.Duration) { p.now += max(0, d) }

// Recorder writes down what goes over a bus.
type Recorder struct {
	i2c.Bus
	Clock sensors.Clock
	Out   io.Writer
}

// Tx transfers and writes one line; an error of Out is lost.
func (r *Recorder) Tx(addr uint16, w, read []byte) error {
	t := Transfer{At: r.Clock.Now(), Timed: true, Addr: addr, W: w}
	err := r.Bus.Tx(addr, w, read)
	if err != nil {
		t.Err = err.Error()
	} else {
		t.R = read
	}
	fmt.Fprintln(r.Out, t)
	return err
}

var (
	_ i2c.Bus       = (*Playback)(nil)
	_ sensors.Clock = (*Playback)(nil)
	_ i2c.Bus       = (*Recorder)(nil)
)
