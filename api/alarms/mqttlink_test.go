package alarms

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/packets"
)

// answering opens a link to a broker that says b and then is silent, or hangs up.
func answering(t testing.TB, b []byte, hangUp bool) (*link, error) {
	t.Helper()
	ours, theirs := net.Pipe()
	t.Cleanup(func() { ours.Close(); theirs.Close() })
	go func() { _, _ = io.Copy(io.Discard, theirs) }()
	go func() {
		_, _ = theirs.Write(b)
		if hangUp {
			theirs.Close()
		}
	}()
	ctx, cancel := context.WithTimeout(t.Context(), 200*ms)
	defer cancel()
	hello := &packets.Connect{ProtocolName: "MQTT", ProtocolVersion: 5, Properties: &packets.Properties{}}
	return open(ctx, ours, hello, time.Now, 100*ms)
}

// TestBrokerThatMisbehaves: bytes typed from the packet formats of MQTT 5.0,
// sections 2.1, 3.2 and 3.14.
func TestBrokerThatMisbehaves(t *testing.T) {
	for _, c := range []struct{ name, bytes, want string }{
		{"silence", "", "deadline|closed"},
		{"refuses", "\x20\x03\x00\x86\x00", "reason 0x86"},
		{"speaks MQTT 3.1.1", "\x20\x02\x00\x01", "EOF"},
		{"no receipts", "\x20\x05\x00\x00\x02\x24\x00", "quality of service 1"},
		{"keeps nothing", "\x20\x05\x00\x00\x02\x25\x00", "allow retained"},
		{"another packet", "\xd0\x00", "type 13"},
		{"giant", "\x20\xff\xff\xff\x7f", "at most 16384"},
		{"endless length", "\x20\xff\xff\xff\xff\xff\x01", "without an end"},
		{"speaks HTTP", "HTTP/1.1 400 Bad Request\r\n\r\n", ""},
	} {
		l, err := answering(t, []byte(c.bytes), false)
		if err == nil {
			t.Errorf("%s: connected: %v", c.name, l)
			continue
		}
		found := false
		for w := range strings.SplitSeq(c.want, "|") {
			found = found || strings.Contains(err.Error(), w)
		}
		if !found || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
	// After a good beginning.
	for _, c := range []struct{ name, bytes, want string }{
		{"ends", "\xe0\x01\x8b", "reason 0x8b"},
		{"talks unasked", "\x30\x05\x00\x01x\x00y", "type 3"},
		{"receipt for nothing, then ends", "\x40\x02\x00\x07\xe0\x02\x00\x00", "reason 0x00"},
	} {
		l, err := answering(t, []byte("\x20\x03\x00\x00\x00"+c.bytes), false)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if err := l.publish(t.Context(), "x", nil, false); err == nil || l.why() == nil || !strings.Contains(l.why().Error(), c.want) {
			t.Errorf("%s: %v, %v", c.name, err, l.why())
		}
	}
	l, err := answering(t, []byte("\x20\x03\x00\x00\x00"), false)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*ms)
	defer cancel()
	if err := l.publish(ctx, "x", nil, false); err == nil || !strings.Contains(err.Error(), "no receipt") || len(l.waiting) != 0 {
		t.Errorf("no receipt: %v, %d wait", err, len(l.waiting))
	}
	l.last = 65535
	if id, _ := l.reserve(); id != 1 {
		t.Errorf("after 65535 comes %d", id)
	}
	l.last = 0
	if id, _ := l.reserve(); id != 2 {
		t.Errorf("%d is given out again", id)
	}
	l.part()
	<-l.done
}

// TestBrokerThatFallsSilent ends the connection after one and a half times the
// interval that the broker asked for, and shows life meanwhile.
func TestBrokerThatFallsSilent(t *testing.T) {
	t.Parallel()
	began := time.Now()
	l, err := answering(t, []byte("\x20\x06\x00\x00\x03\x13\x00\x01"), false) // server keep alive: 1 s
	if err != nil {
		t.Fatal(err)
	}
	<-l.done
	if d := time.Since(began); d < 1400*ms || d > 5*time.Second {
		t.Errorf("ended after %v", d)
	}
}

func FuzzBrokerAnswer(f *testing.F) {
	for _, s := range []string{
		"\x20\x03\x00\x00\x00\x40\x02\x00\x01", "\x20\x05\x00\x00\x02\x24\x00", "\x20\x03\x00\x00\x00\xe0\x02\x8b\x00", "\x20\xff\xff\xff\x7f",
		"\x20\x09\x00\x00\x06\x1f\x00\x03bad", "\x20\x03\x00\x00\x00\x40\x07\x00\x01\x10\x03\x1f\x00\x00",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		r := bufio.NewReader(bytes.NewReader(b))
		for range len(b) + 1 {
			p, err := readPacket(r)
			if err != nil {
				return
			}
			if p == nil || p.Content == nil {
				t.Fatal("nothing was read, and no error")
			}
		}
		t.Fatal("more packets than bytes")
	})
}
