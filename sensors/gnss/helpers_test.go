package gnss

import (
	"fmt"
	"math"
	"os"
	"strings"
	"sync"
	"testing"
	"time"
)

// handClock is moved by hand.
type handClock struct {
	mu  sync.Mutex
	now time.Duration
}

func (c *handClock) Now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *handClock) Sleep(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now += d
}

// realClock is for sources that wait on the network.
type realClock struct{ start time.Time }

func (c realClock) Now() time.Duration    { return time.Since(c.start) }
func (c realClock) Sleep(d time.Duration) { time.Sleep(d) }

// sentence adds "$" and checksum to a body.
func sentence(body string) string {
	var sum byte
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Sprintf("$%s*%02X", body, sum)
}

// assemble feeds lines, 10 ms apart, and a last sentence of a later moment.
func assemble(t *testing.T, lines ...string) []Fix {
	t.Helper()
	var a Assembler
	var out []Fix
	at := time.Second
	for _, l := range append(lines, sentence("GNRMC,235950,V,,,,,,,,,,N")) {
		s, err := ParseSentence([]byte(l))
		if err != nil {
			t.Fatalf("%s: %v", l, err)
		}
		m, err := Decode(&s)
		if err != nil {
			t.Fatalf("%s: %v", l, err)
		}
		if f, ok := a.Add(at, &s, m); ok {
			out = append(out, f)
		}
		at += 10 * time.Millisecond
	}
	return out
}

func readLines(t *testing.T, name string) []string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSpace(string(b)), "\n")
}

func near(a, b, tolerance float64) bool {
	return math.Abs(a-b) <= tolerance || (math.IsNaN(a) && math.IsNaN(b))
}
