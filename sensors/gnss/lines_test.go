package gnss

import (
	"errors"
	"io"
	"strings"
	"testing"
	"time"
)

// chunks gives one piece per Read, a second apart.
type chunks struct {
	clock *handClock
	parts []string
}

func (c *chunks) Read(p []byte) (int, error) {
	if len(c.parts) == 0 {
		return 0, io.EOF
	}
	c.clock.Sleep(time.Second)
	n := copy(p, c.parts[0])
	if c.parts[0] = c.parts[0][n:]; c.parts[0] == "" {
		c.parts = c.parts[1:]
	}
	return n, nil
}

func TestLinesAndTheirArrival(t *testing.T) {
	clock := &handClock{}
	long := strings.Repeat("x", 250)
	l := newLineReader(&chunks{clock: clock, parts: []string{"$A", "B\r\n", "\n\r\n$C\n$D\n$", "E\n", long, long, "tail\n$F\n", "rest"}}, clock, 100)
	type got struct {
		text string
		at   time.Duration
	}
	want := []got{{"$AB", time.Second}, {"$C", 3 * time.Second}, {"$D", 3 * time.Second}, {"$E", 3 * time.Second}, {"$F", 0}}
	for _, w := range want {
		line, at, err := l.next()
		if err != nil || string(line) != w.text || (w.at != 0 && at != w.at) {
			t.Fatalf("%q at %v (%v), want %q at %v", line, at, err, w.text, w.at)
		}
	}
	if l.tooLong != 1 {
		t.Errorf("%d lines too long, want 1", l.tooLong)
	}
	if _, _, err := l.next(); !errors.Is(err, io.EOF) {
		t.Errorf("end: %v", err)
	}
	if cap(l.buf) > 110 {
		t.Errorf("the buffer grew to %d", cap(l.buf))
	}
}

type nothing struct{}

func (nothing) Read([]byte) (int, error) { return 0, nil }

func TestReaderThatGivesNothingEnds(t *testing.T) {
	if _, _, err := newLineReader(nothing{}, &handClock{}, 10).next(); !errors.Is(err, io.ErrNoProgress) {
		t.Errorf("error %v", err)
	}
}

func FuzzLines(f *testing.F) {
	f.Add("$A\r\n$B\n\n", 3)
	f.Add(strings.Repeat("y", 100)+"\n$C\n", 7)
	f.Add(strings.Repeat("z", 30)+strings.Repeat("\r", 9)+"\n$C\r\r\n", 7)
	f.Fuzz(func(t *testing.T, text string, size int) {
		size = 1 + (size%40+40)%40
		clock := &handClock{}
		var parts []string
		for s := text; s != ""; {
			n := min(size, len(s))
			parts = append(parts, s[:n])
			s = s[n:]
		}
		l := newLineReader(&chunks{clock: clock, parts: parts}, clock, 30)
		// What must come out: every line that is not empty and fits the buffer,
		// its carriage returns and its line end included.
		var want []string
		var must []bool
		all := strings.Split(text, "\n")
		for _, line := range all[:len(all)-1] {
			if short := strings.TrimRight(line, "\r"); short != "" {
				want = append(want, short)
				must = append(must, len(line) <= 31)
			}
		}
		last := time.Duration(0)
		for i := 0; ; i++ {
			line, at, err := l.next()
			if err != nil {
				for ; i < len(want); i++ {
					if must[i] {
						t.Errorf("%q was lost", want[i])
					}
				}
				return
			}
			for i < len(want) && want[i] != string(line) {
				if must[i] {
					t.Fatalf("%q was lost before %q", want[i], line)
				}
				want, must = append(want[:i], want[i+1:]...), append(must[:i], must[i+1:]...)
			}
			if i >= len(want) {
				t.Fatalf("%q came from nowhere", line)
			}
			if at < last || at > clock.Now() {
				t.Fatalf("arrival %v after %v", at, last)
			}
			last = at
		}
	})
}
